"""The page's door: nothing of the page, no file and no connection, is given to who has not said the password.

It stands before the whole application, not inside the page: a visitor who is not in reaches neither the
page's script nor its pictures, uploads or live connection. Who is in holds a random cookie that scripts can't
read; the server keeps its hash, and no password.
"""

from __future__ import annotations

import asyncio
import hashlib
import math
import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import parse_qs

from ui import look
from ui.access import Guesses, Password

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE: Final = "laneside_door"
ENTER: Final = "/enter"
LEAVE: Final = "/leave"
STAY_S: Final = 12 * 3600.0
MOST_INSIDE: Final = 1000
MOST_BODY: Final = 8192
MOST_BODY_S: Final = 10.0
MOST_WAITING: Final = 8
"""Words that may wait for their check; each check takes a tenth of a second and 32 MB, one at a time."""


def gate(app: App, password: Password, clock: Callable[[], float] = time.monotonic) -> App:
    """`app` behind a password.

    Parameters
    ----------
    app : ASGI application
    password : Password
    clock : callable
        Seconds that never run back.
    """
    inside: dict[bytes, float] = {}
    guesses = Guesses(clock)
    checking = asyncio.Lock()
    waiting = 0

    def is_inside(scope: Scope) -> bool:
        name = _name(_cookie(scope))
        end = inside.get(name)
        if end is None or end < clock():
            inside.pop(name, None)
            return False
        return True

    async def enter(scope: Scope, receive: Receive, send: Send) -> None:
        nonlocal waiting
        address = str((scope.get("client") or ("",))[0])
        try:
            word = await asyncio.wait_for(_word(receive), MOST_BODY_S)
        except TimeoutError:
            return
        if waiting >= MOST_WAITING:
            await _form(send, 429, "Many are at the door just now. Try again in a moment.")
            return
        waiting += 1
        try:
            async with checking:
                wait = guesses.wait_s(address)
                if wait > 0:
                    text = f"Too many wrong words. Try again in {math.ceil(wait)} seconds."
                    await _form(send, 429, text, [(b"retry-after", str(math.ceil(wait)).encode())])
                    return
                if word is None or not await asyncio.to_thread(password.fits, word):
                    guesses.note_wrong(address)
                    await _form(send, 401, "That is not the password.")
                    return
        finally:
            waiting -= 1
        guesses.note_right(address)
        token = secrets.token_urlsafe(32)
        inside[_name(token)] = clock() + STAY_S
        while len(inside) > MOST_INSIDE:
            del inside[next(iter(inside))]
        secure = "; Secure" if scope.get("scheme") == "https" else ""
        cookie = f"{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age={int(STAY_S)}{secure}"
        await _answer(send, 303, b"", [(b"location", b"."), (b"set-cookie", cookie.encode())])

    async def door(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await app(scope, receive, send)
        elif scope["type"] == "websocket":
            if is_inside(scope):
                await app(scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": 1008})
        elif scope["type"] == "http":
            if scope["path"] == ENTER and scope["method"] == "POST":
                await enter(scope, receive, send)
            elif scope["path"] == LEAVE:
                inside.pop(_name(_cookie(scope)), None)
                gone = f"{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0"
                await _answer(send, 303, b"", [(b"location", b"."), (b"set-cookie", gone.encode())])
            elif is_inside(scope):
                await app(scope, receive, send)
            else:
                await _form(send, 401, "")

    return door


def _name(token: str) -> bytes:
    """What a visitor is known by: who reads the server's memory still has no cookie."""
    return hashlib.sha256(token.encode()).digest()


def _cookie(scope: Scope) -> str:
    for key, value in scope.get("headers", ()):
        if key == b"cookie":
            try:
                found = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                continue
            if found is not None:
                return found.value
    return ""


async def _word(receive: Receive) -> str | None:
    """The password in the form's body; None where the body is too long or something else."""
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return None
        body += message.get("body", b"")
        if len(body) > MOST_BODY:
            return None
        if not message.get("more_body"):
            break
    try:
        words = parse_qs(body.decode("utf-8"), max_num_fields=4).get("word", [])
    except ValueError:
        return None
    return words[0] if words else None


async def _answer(send: Send, status: int, body: bytes, more: list[tuple[bytes, bytes]]) -> None:
    headers = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        (b"content-security-policy", b"default-src 'none'; style-src 'unsafe-inline'; form-action 'self'"),
        (b"x-frame-options", b"DENY"),
        (b"referrer-policy", b"no-referrer"),
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


async def _form(send: Send, status: int, said: str, more: list[tuple[bytes, bytes]] | None = None) -> None:
    told = f'<p role="alert"><strong>{escape(said)}</strong></p>' if said else ""
    page = f"""<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Laneside</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>
body {{ font: 1.05rem/1.5 system-ui, sans-serif; color: {look.INK}; background: {look.PAPER};
  max-width: 26rem; margin: 12vh auto; padding: 0 1rem; }}
input, button {{ font: inherit; padding: .5rem .7rem; border: 1px solid {look.QUIET}; border-radius: 4px; }}
input {{ width: 100%; box-sizing: border-box; margin: .3rem 0 .8rem; }}
button {{ background: {look.NEAR}; color: #fff; border-color: {look.NEAR}; }}
</style></head><body><main><h1>Laneside</h1><p>This page is shared with people who have its password.</p>{told}
<form method="post" action="/enter"><label for="word">Password</label>
<input id="word" name="word" type="password" autocomplete="current-password" required autofocus>
<button>Enter</button></form></main></body></html>"""
    await _answer(send, status, page.encode(), more or [])
