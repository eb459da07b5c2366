"""Uploads wait for their turn, so that many visitors with large clips don't fill the memory.

The page's server holds an uploaded clip in memory, twice for a moment, until the page has copied it to the
disk. So clips whose sizes together pass `ROOM_BYTES` come one after the other, in the order of asking; a clip
alone may always come.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any, Final

from ui.gate import App, Receive, Scope, Send

PLACE: Final = "/_stcore/upload_file/"
ROOM_BYTES: Final = 1 << 30
LONGEST_WAIT_S: Final = 600.0
_POLL_S: Final = 0.1


def held_bytes() -> int:
    """Bytes of uploaded clips that the page's server has in memory."""
    from streamlit import runtime

    if not runtime.exists():
        return 0
    found = runtime.get_instance().uploaded_file_mgr.get_stats()
    return sum(getattr(stat, "byte_length", 0) for stats in found.values() for stat in stats)


def let_go(file_id: str) -> None:
    """Take an uploaded clip of this visit out of the memory; its copy is on the disk."""
    from streamlit import runtime
    from streamlit.runtime.scriptrunner import get_script_run_ctx

    visit = get_script_run_ctx()
    if visit is not None and runtime.exists():
        manager: Any = runtime.get_instance().uploaded_file_mgr
        manager.remove_file(visit.session_id, file_id)


def in_turn(
    app: App,
    room_bytes: int = ROOM_BYTES,
    held: Callable[[], int] = held_bytes,
    longest_wait_s: float = LONGEST_WAIT_S,
) -> App:
    """`app` with its uploads one after the other once they fill `room_bytes` together.

    Parameters
    ----------
    app : ASGI application
    room_bytes : int
    held : callable
        Bytes of finished uploads that are still in memory.
    longest_wait_s : float
        After that an upload is refused (503).
    """
    coming = 0
    turn = asyncio.Lock()  # first come, first served

    async def has_room(size: int) -> bool:
        """Wait for room and take it; False when there was none for too long."""
        nonlocal coming
        end = time.monotonic() + longest_wait_s
        try:
            # A turn that is free is taken without a pause in which time could run out.
            await (asyncio.wait_for(turn.acquire(), longest_wait_s) if turn.locked() else turn.acquire())
        except TimeoutError:
            return False
        try:
            while (taken := coming + held()) and taken + size > room_bytes:
                if time.monotonic() >= end:
                    return False
                await asyncio.sleep(_POLL_S)
            coming += size
            return True
        finally:
            turn.release()

    async def uploads(scope: Scope, receive: Receive, send: Send) -> None:
        nonlocal coming
        if scope["type"] != "http" or scope["method"] != "PUT" or PLACE not in scope["path"]:
            await app(scope, receive, send)
            return
        size = _size(scope)
        if size is None:
            await _refuse(send, 411)
            return
        if not await has_room(size):
            await _refuse(send, 503)
            return
        try:
            await app(scope, receive, send)
        finally:
            coming -= size

    return uploads


def _size(scope: Scope) -> int | None:
    """The size that an upload announces."""
    for key, value in scope.get("headers", ()):
        if key == b"content-length":
            return int(value) if value.isdigit() else None
    return None


async def _refuse(send: Send, status: int) -> None:
    headers = [(b"content-length", b"0"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": b""})
