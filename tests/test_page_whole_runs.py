"""Connections to the page that break while it is drawn: what the new connection gets."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from ui.gate import Message, Receive, Scope, Send
from ui.whole_runs import PLACE, kind, whole_runs


def said(name: str) -> bytes:
    """A message of that kind, as the page's server sends it."""
    message: Any = ForwardMsg()
    if name in ("script_finished", "ref_hash"):
        setattr(message, name, 0 if name == "script_finished" else "a")
    else:
        getattr(message, name).SetInParent()
    return bytes(message.SerializeToString())


def passed_on(messages: list[Message], kind_of_scope: str = "websocket", path: str = PLACE) -> list[Message]:
    """What of `messages` reaches the browser."""
    out: list[Message] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        for message in messages:
            await send(message)

    async def receive() -> Message:
        raise AssertionError("nothing is asked for")

    async def send(message: Message) -> None:
        out.append(message)

    async def whole() -> None:
        await whole_runs(app)({"type": kind_of_scope, "path": path}, receive, send)

    with ThreadPoolExecutor(1) as beside:  # the browser's driver may have a loop in this thread
        beside.submit(asyncio.run, whole()).result()
    return out


def sends(*names: str) -> list[Message]:
    return [{"type": "websocket.send", "bytes": said(name)} for name in names]


@pytest.mark.parametrize(
    "name", ["new_session", "delta", "ref_hash", "script_finished", "session_status_changed"]
)
def test_kinds_are_those_of_the_servers_own_messages(name: str) -> None:
    assert kind(said(name)) == name


def test_the_rest_of_a_broken_drawing_is_left_out_and_the_next_comes_whole() -> None:
    rest = sends("delta", "ref_hash", "script_finished")
    status = sends("session_status_changed")
    whole = sends("new_session", "delta", "ref_hash", "delta", "script_finished", "delta")
    accepted: list[Message] = [{"type": "websocket.accept"}]
    assert passed_on(accepted + rest + status + whole) == accepted + status + whole


def test_what_is_no_message_of_the_page_is_let_through() -> None:
    strange: list[Message] = [
        {"type": "websocket.send", "bytes": b"\xff\xff"},
        {"type": "websocket.send", "text": "word"},
        {"type": "websocket.close", "code": 1000},
    ]
    assert kind(b"\xff\xff") is None
    assert passed_on(strange) == strange
    assert passed_on(sends("delta"), path="/elsewhere") == sends("delta")
    assert passed_on([{"type": "http.response.body", "body": b"x"}], "http") == [
        {"type": "http.response.body", "body": b"x"}
    ]
