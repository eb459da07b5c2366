"""The page's own server: small answers go out at once, and it says the same as the settings file."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from ui import page_server
from ui.serve import HOST, page_command


def _in_a_thread(work: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run it in a thread of its own: the browser's driver keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(lambda: asyncio.run(work())).result()


def test_small_answers_are_sent_at_once() -> None:
    """The operating system's own word for it: TCP_NODELAY (RFC 9293, 3.7.4 on Nagle's algorithm)."""

    async def answer() -> int:
        told: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def connected(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            found = writer.get_extra_info("socket")
            told.set_result(found.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        bound = page_server.listening(HOST, 0)
        async with await asyncio.start_server(connected, sock=bound):
            _, writer = await asyncio.open_connection(HOST, bound.getsockname()[1])
            try:
                return await told
            finally:
                writer.close()

    assert _in_a_thread(answer) != 0


@pytest.mark.parametrize(
    ("option", "name"),
    [
        ("server.maxUploadSize", "STREAMLIT_SERVER_MAX_UPLOAD_SIZE"),
        ("theme.base", "STREAMLIT_THEME_BASE"),
        ("browser.gatherUsageStats", "STREAMLIT_BROWSER_GATHER_USAGE_STATS"),
    ],
)
def test_options_go_by_the_names_that_streamlit_knows(option: str, name: str) -> None:
    from streamlit.config import get_config_options

    assert page_server.environment_name(option) == name == get_config_options()[option].env_var


def test_every_option_of_the_command_is_known() -> None:
    from streamlit.config import get_config_options

    said = [a.removeprefix("--").partition("=")[0] for a in page_command(8501, False) if "=" in a]
    assert said
    assert set(said) <= set(get_config_options())


def test_a_taken_port_is_one_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    with page_server.listening(HOST, 0) as bound:
        port = bound.getsockname()[1]
        assert page_server.main([str(port)]) == 1
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="sends the signal of Ctrl-C")
def test_it_answers_and_stops_quietly(tmp_path: Path) -> None:
    with page_server.listening(HOST, 0) as free:
        port = free.getsockname()[1]
    environment = os.environ | {"LANESIDE_DATA": str(tmp_path)}
    server = subprocess.Popen(page_command(port, False), env=environment, stderr=subprocess.PIPE)
    try:
        for _ in range(600):
            try:
                with urllib.request.urlopen(f"http://{HOST}:{port}/_stcore/health", timeout=5) as answer:
                    assert answer.read() == b"ok"
                break
            except OSError:
                assert server.poll() is None
                threading.Event().wait(0.1)
        server.send_signal(signal.SIGINT)
        _, said = server.communicate(timeout=30)
    finally:
        server.kill()
    assert b"Traceback" not in said
