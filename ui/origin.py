"""Only pages of this server talk to it: connections from other sites' pages end here.

Any site that the user visits may try to open a live connection to a server on the user's own machine, or
may name that server as its own (DNS rebinding) and then read it. And the page's framework, asked by a foreign
site, looks up this machine's address on the internet. So a live connection must come from the host that
was asked, and without a password that host must be this machine by one of its own names.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from ui.access import is_local
from ui.gate import App, Receive, Scope, Send


def own_pages_only(app: App, local_names_only: bool = True) -> App:
    """`app` without requests that other sites' pages have made.

    Parameters
    ----------
    app : ASGI application
    local_names_only : bool
        The host that is asked must be 127.0.0.1, localhost or the like.
    """

    async def door(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await app(scope, receive, send)
            return
        headers = {k: v.decode("latin-1") for k, v in scope.get("headers", ())}
        host = headers.get(b"host", "")
        foreign = local_names_only and not is_local(_name(host))
        if scope["type"] == "websocket":
            origin = headers.get(b"origin")
            if foreign or (origin is not None and _place(origin) != host):
                await receive()
                await send({"type": "websocket.close", "code": 1008})
                return
        elif foreign:
            body = b"This page answers at http://127.0.0.1 on its own machine only.\n"
            head = [(b"content-type", b"text/plain"), (b"content-length", str(len(body)).encode())]
            await send({"type": "http.response.start", "status": 421, "headers": head})
            await send({"type": "http.response.body", "body": body})
            return
        await app(scope, receive, send)

    return door


def _place(origin: str) -> str:
    """Host and port of an origin."""
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


def _name(host: str) -> str:
    """A host without its port."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""
