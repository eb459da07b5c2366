"""A connection that broke while the page was being drawn begins with the next drawing, not in the middle.

What was under way when a phone lost its network is lost with the connection; the rest of that drawing waits
on the server and would come to the new connection first, as changes to parts that the browser has never had.
The browser's script then fails and leaves a white page. The browser asks for a new drawing at once anyway, so
until that begins, pieces of the old one are left out.
"""

from __future__ import annotations

from typing import Any, Final

from ui.gate import App, Message, Receive, Scope, Send

PLACE: Final = "/_stcore/stream"
BEGINS: Final = "new_session"
PIECES: Final = frozenset({"delta", "ref_hash", "script_finished"})
"""Kinds of message that mean something only after the message that begins their drawing."""


def kind(payload: bytes) -> str | None:
    """Kind of a message of the page's server to the browser; None for one that can't be read."""
    from google.protobuf.message import DecodeError  # type: ignore[import-untyped]
    from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

    found: Any = ForwardMsg()
    try:
        found.ParseFromString(payload)
    except DecodeError:
        return None
    name: str | None = found.WhichOneof("type")
    return name


def whole_runs(app: App) -> App:
    """`app`, whose connections to the page begin with the beginning of a drawing.

    Parameters
    ----------
    app : ASGI application
    """

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "websocket" or not str(scope.get("path", "")).endswith(PLACE):
            await app(scope, receive, send)
            return
        begun = False

        async def passed(message: Message) -> None:
            nonlocal begun
            payload = message.get("bytes")
            if not begun and payload is not None and message["type"] == "websocket.send":
                found = kind(payload)
                begun = found == BEGINS
                if found in PIECES:
                    return
            await send(message)

        await app(scope, receive, passed)

    return answer
