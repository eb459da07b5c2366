"""The door before the page and the line of uploads, asked in the language of the application (ASGI)."""

from __future__ import annotations

import asyncio
import http.client
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from ui import access
from ui.access import FREE_TRIES, Password, hashed
from ui.gate import COOKIE, MOST_BODY, MOST_INSIDE, STAY_S, App, gate
from ui.origin import own_pages_only
from ui.page_server import listening
from ui.serve import page_command
from ui.uploads import PLACE, in_turn

WORD = "four words and more"
HOST = "127.0.0.1"


@pytest.fixture(scope="module")
def password() -> Password:
    return hashed(WORD)


class Page:
    """What stands behind the door: notes what reaches it."""

    def __init__(self) -> None:
        self.reached: list[str] = []

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.reached.append(f"{scope['type']} {scope.get('method', '')} {scope.get('path', '')}")
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b"the page"})


async def ask(
    app: App,
    path: str = "/",
    method: str = "GET",
    body: bytes = b"",
    cookie: str = "",
    client: str = "10.0.0.7",
    kind: str = "http",
    scheme: str = "http",
    headers: list[tuple[bytes, bytes]] | None = None,
) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of an answer; of a live connection 101 or 403."""
    told: list[Any] = []
    words = [{"type": "websocket.connect" if kind == "websocket" else "http.request", "body": body}]

    async def receive() -> Any:
        return words.pop(0) if words else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        told.append(message)

    sent = list(headers or [])
    if cookie:
        sent.append((b"cookie", cookie.encode()))
    scope = {
        "type": kind,
        "path": path,
        "method": method,
        "headers": sent,
        "client": (client, 5),
        "scheme": scheme,
    }
    await app(scope, receive, send)
    if kind == "websocket":
        return (403 if told and told[0]["type"] == "websocket.close" else 101), {}, b""
    found = {k.decode(): v.decode() for k, v in told[0]["headers"]}
    return told[0]["status"], found, b"".join(m.get("body", b"") for m in told[1:])


def run(work: Callable[[], Coroutine[Any, Any, None]]) -> None:
    asyncio.run(work())


def entered(word: str = WORD) -> dict[str, Any]:
    return {"path": "/enter", "method": "POST", "body": urlencode({"word": word}).encode()}


def cookie_of(headers: dict[str, str]) -> str:
    return headers["set-cookie"].partition(";")[0]


@pytest.mark.parametrize("method", ["GET", "PUT", "POST", "DELETE", "HEAD", "OPTIONS"])
@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/_stcore/health",
        "/_stcore/upload_file/a/b",
        "/media/x.jpg",
        "/static/a.js",
        "/enter/",
        "//enter",
    ],
)
def test_nothing_is_reached_without_the_password(method: str, path: str, password: Password) -> None:
    async def work() -> None:
        page = Page()
        door = gate(page, password)
        for cookie in ("", f"{COOKIE}=", f"{COOKIE}=guess", "broken;;==", f"other=1; {COOKIE}=x"):
            status, headers, body = await ask(door, path, method, cookie=cookie)
            assert status == 401 and b"the page" not in body
            assert (
                headers["cache-control"] == "no-store"
                and "default-src 'none'" in headers["content-security-policy"]
            )
        assert (await ask(door, "/_stcore/stream", kind="websocket"))[0] == 403
        assert page.reached == []

    run(work)


def test_the_password_opens_everything_for_its_visitor_alone(password: Password) -> None:
    async def work() -> None:
        page = Page()
        door = gate(page, password)
        status, headers, _ = await ask(door, **entered())
        assert status == 303 and headers["location"] == "."
        for word in ("HttpOnly", "SameSite=Strict", "Path=/"):
            assert word in headers["set-cookie"]
        assert "Secure" not in headers["set-cookie"]
        mine = cookie_of(headers)
        assert (await ask(door, cookie=mine))[2] == b"the page"
        assert (await ask(door, cookie=f"theme=dark; {mine}; more=1"))[0] == 200
        assert (await ask(door, "/_stcore/upload_file/a/b", "PUT", cookie=mine))[0] == 200
        assert (await ask(door, "/_stcore/stream", kind="websocket", cookie=mine))[0] == 101
        assert (await ask(door))[0] == 401, "another visitor is still outside"
        other = cookie_of((await ask(door, **entered()))[1])
        assert other != mine
        status, headers, _ = await ask(door, "/leave", cookie=mine)
        assert status == 303 and "Max-Age=0" in headers["set-cookie"]
        assert (await ask(door, cookie=mine))[0] == 401
        assert (await ask(door, cookie=other))[0] == 200
        assert "Secure" in (await ask(door, **entered(), scheme="https"))[1]["set-cookie"]

    run(work)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"word=",
        b"word=wrong+words",
        b"word=\xff\xfe",
        b"other=" + WORD.encode(),
        b"word=" + b"x" * (MOST_BODY + 1),
        b"&" * 100,
        urlencode({"word": WORD.upper()}).encode(),
    ],
)
def test_a_wrong_word_stays_outside(body: bytes, password: Password) -> None:
    async def work() -> None:
        page = Page()
        status, headers, _ = await ask(gate(page, password), "/enter", "POST", body)
        assert status == 401 and "set-cookie" not in headers and page.reached == []

    run(work)


def test_guessing_has_to_wait_even_with_the_right_word(password: Password) -> None:
    async def work() -> None:
        now = 0.0
        door = gate(Page(), password, lambda: now)
        for _ in range(FREE_TRIES):
            assert (await ask(door, **entered("wrong words")))[0] == 401
        status, headers, _ = await ask(door, **entered())
        assert (status, headers["retry-after"]) == (429, "1"), "not even looked at"
        assert (await ask(door, **entered(), client="10.0.0.8"))[0] == 303, "others are not kept out"
        now = 1.0
        assert (await ask(door, **entered("wrong words")))[0] == 401
        assert (await ask(door, **entered()))[1]["retry-after"] == "2"
        now = 3.0
        assert (await ask(door, **entered()))[0] == 303

    run(work)


def test_a_stay_ends_and_the_list_of_visitors_is_bounded(password: Password) -> None:
    async def work() -> None:
        now = 0.0
        quick = Password(password.salt, access._digest(WORD, password.salt, 2, 1, 1), 2, 1, 1)
        door = gate(Page(), quick, lambda: now)
        first = cookie_of((await ask(door, **entered()))[1])
        now = STAY_S - 1
        assert (await ask(door, cookie=first))[0] == 200
        now = STAY_S + 1
        assert (await ask(door, cookie=first))[0] == 401
        oldest = cookie_of((await ask(door, **entered()))[1])
        for _ in range(MOST_INSIDE):
            await ask(door, **entered())
        assert (await ask(door, cookie=oldest))[0] == 401

    run(work)


def test_many_at_the_door_at_once_are_checked_one_by_one(password: Password) -> None:
    async def work() -> None:
        door = gate(Page(), password)
        asked = (ask(door, **entered("wrong words"), client=f"10.0.0.{i}") for i in range(40))
        codes = [status for status, _, _ in await asyncio.gather(*asked)]
        assert codes.count(401) == 8 and codes.count(429) == 32

    run(work)


def test_a_visitor_who_never_ends_the_word_keeps_nobody_out(
    password: Password, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ui.gate.MOST_BODY_S", 0.01)

    async def work() -> None:
        page = Page()
        door = gate(page, password)
        scope = {"type": "http", "path": "/enter", "method": "POST", "headers": [], "client": ("a", 1)}

        async def never() -> Any:
            await asyncio.Event().wait()

        async def send(message: Any) -> None:
            raise AssertionError("an answer to half a word")

        stuck = [asyncio.create_task(door(dict(scope), never, send)) for _ in range(20)]  # type: ignore[arg-type]
        assert (await ask(door, **entered()))[0] == 303
        await asyncio.gather(*stuck)
        assert page.reached == []

    run(work)


# --- other sites' pages --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "origin", "local", "open_"),
    [
        ("127.0.0.1:8501", "http://127.0.0.1:8501", True, True),
        ("localhost:8501", "http://localhost:8501", True, True),
        ("[::1]:8501", "http://[::1]:8501", True, True),
        ("127.0.0.1:8501", None, True, True),  # no browser
        ("127.0.0.1:8501", "https://example.org", True, False),
        ("127.0.0.1:8501", "http://127.0.0.1:9999", True, False),
        ("127.0.0.1:8501", "null", True, False),
        ("127.0.0.1:8501", "http://[", True, False),
        ("example.org", "http://example.org", True, False),  # another name for this machine
        ("127.0.0.1.example.org", "http://127.0.0.1.example.org", True, False),
        ("", None, True, False),
        ("club.example", "https://club.example", False, True),  # behind a password and a proxy
        ("club.example", "https://example.org", False, False),
    ],
)
def test_only_its_own_pages_talk_to_the_server(
    host: str, origin: str | None, local: bool, open_: bool
) -> None:
    async def work() -> None:
        page = Page()
        door = own_pages_only(page, local_names_only=local)
        headers = [(b"host", host.encode())]
        if origin is not None:
            headers.append((b"origin", origin.encode()))
        assert (await ask(door, kind="websocket", headers=headers))[0] == (101 if open_ else 403)
        assert bool(page.reached) is open_
        named = not local or host.rpartition(":")[0] in ("127.0.0.1", "localhost", "[::1]")
        assert (await ask(door, headers=headers))[0] == (200 if named else 421)

    run(work)


# --- uploads --------------------------------------------------------------------------------------


def _put(size: int | None) -> dict[str, Any]:
    length = [] if size is None else [(b"content-length", str(size).encode())]
    return {"path": f"{PLACE}visit/file", "method": "PUT", "headers": length}


def test_uploads_that_fill_the_room_come_one_after_the_other_in_order() -> None:
    async def work() -> None:
        held, most, order = 0, 0, []
        leave = [asyncio.Event() for _ in range(20)]

        async def server(scope: Any, receive: Any, send: Any) -> None:
            nonlocal most, inside
            size = int(dict(scope["headers"])[b"content-length"])
            inside += size
            most = max(most, inside + held)
            order.append(scope["client"][0])
            await leave[int(scope["client"][0])].wait()
            inside -= size
            await send({"type": "http.response.start", "status": 204, "headers": []})
            await send({"type": "http.response.body", "body": b""})

        inside = 0
        door = in_turn(server, room_bytes=100, held=lambda: held)
        tasks = []
        for i in range(20):
            tasks.append(asyncio.create_task(ask(door, **_put(40), client=f"{i}")))
            await asyncio.sleep(0)
        for event in leave:
            event.set()
        answers = await asyncio.gather(*tasks)
        assert [a[0] for a in answers] == [204] * 20
        assert order == [f"{i}" for i in range(20)] and most == 80

    run(work)


def test_what_is_still_in_memory_counts_and_a_clip_alone_may_always_come(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def work() -> None:
        held = 100
        page = Page()
        door = in_turn(page, room_bytes=100, held=lambda: held, longest_wait_s=0.0)
        assert (await ask(door, **_put(1)))[0] == 503
        assert page.reached == []
        held = 0
        assert (await ask(door, **_put(5000)))[0] == 200
        assert (await ask(door, **_put(None)))[0] == 411, "a size must be announced"
        assert (await ask(door, "/", "PUT"))[0] == 200, "other requests don't wait"
        held = 100
        assert (await ask(door, f"{PLACE}a/b", "DELETE"))[0] == 200

    run(work)


# --- the real server ------------------------------------------------------------------------------


def _answer(
    port: int, method: str, path: str, body: str | None = None, **headers: str
) -> tuple[int, str, bytes]:
    connection = http.client.HTTPConnection(HOST, port, timeout=30)
    try:
        connection.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
        answer = connection.getresponse()
        return answer.status, answer.headers.get("Set-Cookie", ""), answer.read()
    finally:
        connection.close()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="sends the signal of Ctrl-C")
def test_the_real_page_stands_behind_the_door(tmp_path: Path) -> None:
    with listening(HOST, 0) as free:
        port = free.getsockname()[1]
    environment = os.environ | {"LANESIDE_DATA": str(tmp_path), access.PASSWORD_VARIABLE: WORD}
    server = subprocess.Popen(page_command(port, False), env=environment, stderr=subprocess.PIPE)
    live = {
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec_WebSocket_Version": "13",
        "Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ==",  # RFC 6455, section 1.3
    }
    try:
        while True:
            assert server.poll() is None
            try:
                status, _, body = _answer(port, "GET", "/")
                break
            except OSError:
                asyncio.run(asyncio.sleep(0.1))
        assert status == 401 and b"Password" in body
        for path in ("/_stcore/health", "/_stcore/host-config", "/_stcore/metrics", "/media/x"):
            assert _answer(port, "GET", path)[0] == 401
        assert _answer(port, "PUT", f"{PLACE}a/b", "x" * 100)[0] == 401
        assert _answer(port, "GET", "/_stcore/stream", **live)[0] == 403
        form = {"Content_Type": "application/x-www-form-urlencoded"}
        assert _answer(port, "POST", "/enter", urlencode({"word": "not this one"}), **form)[0] == 401
        status, cookie, _ = _answer(port, "POST", "/enter", urlencode({"word": WORD}), **form)
        assert status == 303
        mine = {"Cookie": cookie.partition(";")[0]}
        status, _, body = _answer(port, "GET", "/", **mine)
        assert status == 200 and b"<html" in body.lower() and b"Password" not in body
        assert _answer(port, "GET", "/_stcore/health", **mine)[2] == b"ok"
        assert _answer(port, "GET", "/_stcore/stream", **live, **mine)[0] == 101
        foreign = {"Origin": "https://example.org"}
        assert _answer(port, "GET", "/_stcore/stream", **live, **mine, **foreign)[0] == 403
        seen = Path(f"/proc/{server.pid}/cmdline")
        if seen.exists():
            assert WORD.encode() not in seen.read_bytes()
        server.send_signal(signal.SIGINT)
        server.communicate(timeout=60)
    finally:
        server.kill()
