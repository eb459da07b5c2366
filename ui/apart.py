"""Work on a clip in a process of its own, so that no clip can crash, fill up or hang the program.

`in_child` runs a function of a module in a new process that may use so much memory and may be silent
for so long, and ends with it: whatever becomes of the child, the caller gets a value or one sentence.
The child says what it does on a pipe; it ends by itself when its parent is gone.

What holds where: the limit of memory is the system's own on Linux (address space, ``RLIMIT_AS``); where
that is not enforced (macOS) the child looks at its peak itself; on Windows there is none. Silence, death
and stopping are told by the parent and hold everywhere.
"""

from __future__ import annotations

import json
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Protocol, TypeVar

from shared.errors import LanesideError, OptionError
from shared.progress import Progress, silent
from ui.apart_child import LENGTH

T = TypeVar("T")

MEMORY_VARIABLE: Final = "LANESIDE_MEMORY_GB"
SILENCE_VARIABLE: Final = "LANESIDE_SILENCE_S"
GIGABYTE: Final = 1 << 30
MEMORY_GB: Final = 8.0
"""Address space, which is more than what is used: on two cores a measurement takes 1.8 GB of it at 4K and
2.3 GB at 8K, of which 0.9 and 1.5 GB are used; more with more cores (docs/reliability.md)."""
SILENCE_S: Final = 300.0
"""The longest silence of ordinary work is a few seconds; a busy machine may take twenty times as long."""
POLL_S: Final = 0.2
_START: Final = (
    "import json, sys; head = json.loads(sys.stdin.buffer.readline()); sys.path[:] = head['path']; "
    "from ui.apart_child import serve; serve(head['memory_bytes'])"
)


@dataclass(frozen=True)
class Limits:
    """What a child may use.

    Attributes
    ----------
    memory_bytes : int or None
        Address space; None for no limit.
    silence_s : float
        Seconds without a word before it is ended.
    """

    memory_bytes: int | None = int(MEMORY_GB * GIGABYTE)
    silence_s: float = SILENCE_S


class BrokenOff(LanesideError):
    """The process that worked on the clip died or went silent."""

    exit_code = 13


class TooMuchMemory(BrokenOff):
    """The work on the clip wanted more memory than it may use."""

    exit_code = 12


class Fault(LanesideError):
    """The program itself failed; `trace` says where."""

    exit_code = 1
    trace: str = ""


def usual_limits() -> Limits:
    """The limits, with those that ``LANESIDE_MEMORY_GB`` and ``LANESIDE_SILENCE_S`` say.

    Raises
    ------
    OptionError
        If one of them is no number above zero.
    """
    memory = _number(MEMORY_VARIABLE, MEMORY_GB)
    return Limits(int(memory * GIGABYTE), _number(SILENCE_VARIABLE, SILENCE_S))


def _number(variable: str, usual: float) -> float:
    said = os.environ.get(variable, "").strip()
    if not said:
        return usual
    try:
        value = float(said)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise OptionError(variable, f"'{said}' is no number above zero", f"give for instance {usual:g}")
    return value


class Run(Protocol):
    """What `in_child` is, and what `kept_child` gives."""

    def __call__(
        self,
        function: Callable[..., T],
        *values: object,
        what: str,
        progress: Progress = silent,
        heed: Callable[[], None] | None = None,
    ) -> T:
        """See `in_child`."""


@dataclass
class _Child:
    process: subprocess.Popen[bytes]
    said: queue.Queue[tuple[Any, ...] | None]
    listener: threading.Thread
    busy: bool = False


def in_child(
    function: Callable[..., T],
    *values: object,
    what: str,
    progress: Progress = silent,
    limits: Limits | None = None,
    heed: Callable[[], None] | None = None,
    log: Path | None = None,
) -> T:
    """What ``function(*values, progress=...)`` returns, run in a process of its own.

    Parameters
    ----------
    function : callable
        Of a module that can be imported, not of the main program; takes `progress` as a keyword.
    *values
        Anything that can be pickled; so must be what is returned.
    what : str
        The clip's name, for sentences.
    progress : Progress
        Called in this process; what it raises ends the child and is raised here.
    limits : Limits, optional
        Default `usual_limits`.
    heed : callable, optional
        Called some times a second; what it raises ends the child and is raised here.
    log : Path, optional
        Where the child's standard error goes; default nowhere.

    Raises
    ------
    LanesideError
        What the function raised, or `BrokenOff`, `TooMuchMemory`, `Fault` where it came to no end.
    """
    with kept_child(limits, log) as run:
        return run(function, *values, what=what, progress=progress, heed=heed)


def here(
    function: Callable[..., T],
    *values: object,
    what: str,
    progress: Progress = silent,
    heed: Callable[[], None] | None = None,
) -> T:
    """The same without another process: for work that is in a child already."""
    return function(*values, progress=progress)


@contextmanager
def kept_child(limits: Limits | None = None, log: Path | None = None) -> Iterator[Run]:
    """As `in_child`, one process for many tasks after each other: it loads its libraries once.

    It is started with the first task, and anew after one that did not come to its end.
    """
    own = limits or usual_limits()
    kept: list[_Child] = []

    def run(
        function: Callable[..., T],
        *values: object,
        what: str,
        progress: Progress = silent,
        heed: Callable[[], None] | None = None,
    ) -> T:
        task = pickle.dumps((function, values))
        if not kept:
            kept.append(_started(what, own, log))
        child = kept[0]
        child.busy = True
        try:
            with suppress(OSError):  # it died already; that is told below
                _send(child, LENGTH.pack(len(task)) + task)
            return _outcome(child, what, progress, own, heed)  # type: ignore[no-any-return]
        finally:
            if child.busy:
                _end(kept.pop())

    try:
        yield run
    finally:
        for child in kept:
            _end(child)


def _send(child: _Child, data: bytes) -> None:
    assert child.process.stdin is not None
    child.process.stdin.write(data)
    child.process.stdin.flush()


def _end(child: _Child) -> None:
    """End the process, whatever it does."""
    process = child.process
    if process.poll() is None:
        process.kill()
    process.wait()
    child.listener.join()
    for pipe in (process.stdin, process.stdout):
        assert pipe is not None
        with suppress(OSError):  # what was not sent can't be sent any more
            pipe.close()


def _started(what: str, limits: Limits, log: Path | None) -> _Child:
    try:
        with Path(os.devnull if log is None else log).open("ab") as errors:
            process = subprocess.Popen(
                [sys.executable, "-P", "-c", _START],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=errors,
                # Many small matrices: threads inside the linear algebra cost more than they bring.
                env={"OPENBLAS_NUM_THREADS": "1", **os.environ},
            )
    except OSError as error:
        raise BrokenOff(
            what,
            f"no process can be started for it ({error.strerror or error})",
            "close other programs, then try again",
        ) from error
    said: queue.Queue[tuple[Any, ...] | None] = queue.Queue()
    listener = threading.Thread(target=_listen, args=(process.stdout, said), name="laneside-ear", daemon=True)
    listener.start()
    child = _Child(process, said, listener)
    head = {"path": [p or os.getcwd() for p in sys.path], "memory_bytes": limits.memory_bytes}
    with suppress(OSError):
        _send(child, json.dumps(head).encode() + b"\n")
    return child


def _listen(pipe: IO[bytes], said: queue.Queue[tuple[Any, ...] | None]) -> None:
    """Pass on what the child says, then None."""
    try:
        while head := pipe.read(LENGTH.size):
            said.put(pickle.loads(pipe.read(*LENGTH.unpack(head))))
    except Exception:  # it broke off in the middle of a word
        pass
    said.put(None)


def _outcome(
    child: _Child,
    what: str,
    progress: Progress,
    limits: Limits,
    heed: Callable[[], None] | None,
) -> Any:
    quiet_s, before = 0.0, time.monotonic()
    while True:
        try:
            word = child.said.get(timeout=min(POLL_S, limits.silence_s))
        except queue.Empty:
            word = ()
        now = time.monotonic()
        # A machine that slept, or a program that was held, has not been silent for all that time.
        quiet_s = 0.0 if word else quiet_s + min(now - before, 2 * POLL_S)
        before = now
        if heed is not None:
            heed()
        if word is None:
            raise _death(child.process, what)
        if word and word[0] == "progress":
            progress(*word[1:])
        elif word and word[0] in ("done", "error"):
            child.busy = False
            if word[0] == "error":
                raise word[1]
            return word[1]
        elif word and word[0] == "memory":
            raise _too_much(what, limits)
        elif word:
            fault = Fault(
                what,
                f"the program itself failed on it ({word[1]})",
                "try another clip, and report it with these words",
            )
            fault.trace = word[2]
            raise fault
        elif quiet_s >= limits.silence_s:
            raise BrokenOff(
                what,
                f"nothing went on for {limits.silence_s:g} seconds, so the work was stopped",
                f"try again, export the clip anew, or allow more with {SILENCE_VARIABLE}",
            )


def _too_much(what: str, limits: Limits) -> TooMuchMemory:
    allowed = (limits.memory_bytes or 0) / GIGABYTE
    return TooMuchMemory(
        what,
        f"it takes more than the {allowed:.3g} GB of memory that the work on one clip may use",
        f"trim it, film it smaller, or allow more with {MEMORY_VARIABLE}",
    )


def _death(child: subprocess.Popen[bytes], what: str) -> BrokenOff:
    """A sentence about a child that went without a word."""
    code = child.wait()
    if code < 0:
        try:
            name = signal.Signals(-code).name
        except ValueError:
            name = f"signal {-code}"
        if name == "SIGKILL":
            why = f"the work on it was ended from outside, perhaps by the system for want of memory ({name})"
            return BrokenOff(what, why, "close other programs or trim the clip, then try again")
        why = f"the part of the program that reads it broke down ({name})"
        return BrokenOff(what, why, "export the clip anew or trim it, then try again")
    why = f"the part of the program that reads it ended without a word (code {code})"
    return BrokenOff(what, why, "export the clip anew or trim it, then try again")
