"""The page answers this machine alone and calls nobody."""

from __future__ import annotations

import json
import sys
import tomllib
from pathlib import Path

import pytest

from tests.test_privacy_job import WATCHED, _run
from ui.serve import HOST, page_command

ROOT = Path(__file__).resolve().parents[1]

LISTENING = """
def listening(port):
    import os
    found = []
    for file, width in (("/proc/net/tcp", 8), ("/proc/net/tcp6", 32)):
        if not os.path.exists(file):
            continue
        for row in open(file).read().splitlines()[1:]:
            local, state = row.split()[1], row.split()[3]
            address, number = local.split(":")
            if state == "0A" and int(number, 16) == port:
                found.append(address)
    return found
"""

PAGE = (
    WATCHED
    + LISTENING
    + """
import fcntl, os, socket, struct, subprocess, time, urllib.request
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:  # this namespace's own loopback is down at first
    fcntl.ioctl(s, 0x8914, struct.pack("16sH", b"lo", 0x1 | 0x40))
os.environ["LANESIDE_DATA"] = sys.argv[2]
from ui.serve import page_command
port = 18501
server = subprocess.Popen(page_command(port, False), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
answer = b""
try:
    for _ in range(600):
        try:
            answer = urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).read()
            break
        except OSError:
            time.sleep(0.1)
    addresses = listening(port)
finally:
    server.terminate()
    server.wait()
before = len(all_seen())
from streamlit.testing.v1 import AppTest
app = AppTest.from_file("ui/page.py", default_timeout=120).run()
told = {"answer": answer.decode("utf-8", "replace"), "addresses": addresses, "no_routes": no_routes(),
        "errors": [str(e.value) for e in app.exception], "seen": all_seen()[before:]}
json.dump(told, open(sys.argv[3], "w"))
"""
)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads Linux' list of open ports")
def test_the_page_starts_and_runs_without_any_network(tmp_path: Path) -> None:
    _run(PAGE, "", tmp_path / "data", tmp_path / "told.json")
    told = json.loads((tmp_path / "told.json").read_text())
    assert "<html" in told["answer"].lower()
    assert told["addresses"] == ["0100007F"], "127.0.0.1 and no other"
    assert told["errors"] == []
    assert told["no_routes"] == 0
    away = [w for w in told["seen"] if w[0].startswith(("socket", "urllib"))]
    assert all("127.0.0.1" in what or "localhost" in what for _, what in away), away


def test_the_page_loads_nothing_from_elsewhere() -> None:
    """The start page of the server names only its own files."""
    import re

    import streamlit

    start = Path(streamlit.__file__).parent / "static" / "index.html"
    sources = re.findall(r'(?:src|href)="([^"]+)"', start.read_text(encoding="utf-8"))
    assert sources
    assert not [s for s in sources if s.startswith(("http:", "https:", "//"))]


def test_both_ways_to_start_it_say_the_same() -> None:
    settings = tomllib.loads((ROOT / ".streamlit" / "config.toml").read_text())
    command = page_command(8501, False)
    assert HOST == settings["server"]["address"] == "127.0.0.1"
    assert f"--server.address={HOST}" in command
    assert "--browser.gatherUsageStats=false" in command
    assert settings["browser"]["gatherUsageStats"] is False
    assert "--client.showErrorDetails=none" in command
