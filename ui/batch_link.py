"""The link to a running Dask scheduler: the one at the given address, and no other."""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

from shared.errors import OptionError

CONNECT_S: Final = 10.0
ADDRESS: Final = re.compile(r"(tcp|tls)://[^\s/?#@]+:\d{1,5}")


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """A link to the scheduler at this address, and to no other."""
    if not ADDRESS.fullmatch(address):
        raise OptionError(
            "--scheduler",
            f"'{address}' is not tcp://HOST:PORT or tls://HOST:PORT",
            "give the address that the scheduler says when it starts",
        )
    try:
        import distributed
    except ImportError:
        raise OptionError(
            "--scheduler",
            "the part for many machines is not installed",
            "install the extra 'cluster': uv sync --frozen --extra cluster",
        ) from None
    made: Any = distributed.Client
    logs = [logging.getLogger(name) for name in ("distributed", "distributed.client")]
    levels = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL)  # what goes wrong is said by us, in a sentence
    try:
        _greet(address)
        client: Any = made(address, timeout=CONNECT_S, set_as_default=False, direct_to_workers=False)
        try:
            yield client
        finally:
            with suppress(OSError, TimeoutError):
                client.close(timeout=5)
    finally:
        for log, level in zip(logs, levels, strict=True):
            log.setLevel(level)


def _greet(address: str) -> None:
    """Say in a sentence why nobody answers there: a client whose start failed says it at length."""
    from distributed import Security, rpc

    made: Any = Security
    arguments: dict[str, Any] = made().get_connection_args("client")
    if address.startswith("tls:") and arguments.get("ssl_context") is None:
        raise OptionError(
            "--scheduler",
            "no certificate is named for tls",
            "name Dask's certificates (docs/many-machines.md)",
        )
    if address.startswith("tcp:") and arguments.get("require_encryption"):
        raise OptionError(
            "--scheduler",
            "Dask's settings here ask for encryption",
            "give an address that begins with tls://",
        )

    async def who() -> str:
        async with asyncio.timeout(CONNECT_S):
            async with rpc(address, timeout=CONNECT_S, connection_args=arguments) as there:  # type: ignore[no-untyped-call]
                return str((await there.identity())["type"])

    try:
        kind = asyncio.run(who())
    except Exception as error:
        raise OptionError(
            "--scheduler",
            f"no scheduler answers at {address} ({type(error).__name__})",
            "start one there (dask scheduler), or mend the address",
        ) from error
    if kind != "Scheduler":
        raise OptionError(
            "--scheduler", f"what answers at {address} is a {kind}", "give the scheduler's address"
        )
