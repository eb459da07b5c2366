"""The page's server, in its own process: the page's application behind a socket that sends at once.

Run by `ui.serve` as ``python -m ui.page_server PORT [--browser] [--section.option=value ...]``.

Streamlit's own command binds a socket on which the operating system gathers small answers (Nagle's
algorithm, RFC 896); together with the browser's delayed acknowledgements (RFC 1122, 4.2.3.2) each of
the page's hundred small files then waits 40 ms. A socket that names TCP as its protocol is switched
to send at once by asyncio itself. The page's imports are done while the browser still loads its files.
"""

from __future__ import annotations

import logging
import os
import re
import socket
import sys
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from shared.errors import LanesideError
from ui.access import GATE_VARIABLE, PASSWORD_VARIABLE, Password
from ui.gate import gate
from ui.origin import own_pages_only
from ui.uploads import in_turn
from ui.whole_runs import whole_runs

PAGE: Final = Path(__file__).parent / "page.py"
MESSAGE_BYTES: Final = 200 * 1024 * 1024
"""Largest message of the browser; clips come another way."""


def environment_name(option: str) -> str:
    """Name of the environment variable of one of Streamlit's options, ``server.maxUploadSize`` for instance."""
    return "STREAMLIT_" + re.sub(r"(?<=[a-z])(?=[A-Z])", "_", option).replace(".", "_").upper()


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens there, its protocol named, so that small answers go out at once.

    Raises
    ------
    OSError
        If the port is taken.
    """
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":  # elsewhere the option would let two servers share a port
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((host, port))
        found.listen(2048)
        found.setblocking(False)
    except OSError:
        found.close()
        raise
    return found


def warm() -> None:
    """Import what the pages need, the first one first."""
    from ui.screens.navigation import SCREENS

    for module in ("measure", "keep", "result", *(place.partition(":")[0] for _, _, place in SCREENS)):
        import_module(f"ui.screens.{module}")


def application(started: Callable[[], object], password: Password | None = None) -> Any:
    """The page as an application; `started` is called when it can be asked."""
    import streamlit as st
    from starlette.middleware import Middleware

    @asynccontextmanager
    async def life(_: object) -> AsyncIterator[None]:
        for name in ("uvicorn", "uvicorn.error", "uvicorn.access"):  # the framework has made them talk
            logging.getLogger(name).setLevel(logging.WARNING)
        threading.Thread(target=warm, name="warm", daemon=True).start()
        started()
        yield

    # The outermost first: who is not in uploads nothing.
    before: list[Any] = [Middleware(own_pages_only, local_names_only=password is None)]
    if password is not None:
        before.append(Middleware(gate, password=password))
        os.environ[GATE_VARIABLE] = "on"
    before += [Middleware(in_turn), Middleware(whole_runs)]
    return st.App(PAGE, lifespan=life, middleware=before)


def main(arguments: list[str]) -> int:
    """Serve until stopped; returns the exit code."""
    import uvicorn

    from ui.serve import HOST, needed_password

    port, host = int(arguments[0]), HOST
    for said in arguments[1:]:
        if "=" in said:
            option, _, value = said.removeprefix("--").partition("=")
            os.environ[environment_name(option)] = value
            host = value if option == "server.address" else host
    try:
        password = needed_password(host)
    except LanesideError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    os.environ.pop(PASSWORD_VARIABLE, None)  # nothing that is started from here needs it
    try:
        bound = listening(host, port)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        print(f"--port: {port} can't be used ({reason}); choose for instance {port + 1}.", file=sys.stderr)
        return 1

    def started() -> None:
        if "--browser" in arguments:
            webbrowser.open(f"http://{HOST if host == '0.0.0.0' else host}:{port}")

    config = uvicorn.Config(
        application(started, password),
        ws="websockets-sansio",
        ws_max_size=MESSAGE_BYTES,
        ws_per_message_deflate=False,
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=5,
    )
    with suppress(KeyboardInterrupt):  # said again by the server once it has closed down
        uvicorn.Server(config).run(sockets=[bound])
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
