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
import struct
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, TypeVar

from shared.errors import LanesideError, OptionError
from shared.progress import Progress, silent

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]

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
_WATCH_S: Final = 0.25
_LENGTH: Final = struct.Struct("<Q")
_START: Final = (
    "import json, sys; sys.path[:] = json.loads(sys.stdin.buffer.readline()); "
    "from ui.apart import serve; serve()"
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
    own = limits or usual_limits()
    task = pickle.dumps((function, values, own))
    paths = [p or os.getcwd() for p in sys.path]
    child = _started(what, log)
    said: queue.Queue[tuple[Any, ...] | None] = queue.Queue()
    listener = threading.Thread(target=_listen, args=(child.stdout, said), name="laneside-ear", daemon=True)
    listener.start()
    try:
        with suppress(OSError):  # it died already; that is told below
            assert child.stdin is not None
            child.stdin.write(json.dumps(paths).encode() + b"\n" + _LENGTH.pack(len(task)) + task)
            child.stdin.flush()
        return _outcome(child, said, what, progress, own, heed)  # type: ignore[no-any-return]
    finally:
        if child.poll() is None:
            child.kill()
        child.wait()
        listener.join()
        for pipe in (child.stdin, child.stdout):
            assert pipe is not None
            with suppress(OSError):  # what was not sent can't be sent any more
                pipe.close()


def _started(what: str, log: Path | None) -> subprocess.Popen[bytes]:
    try:
        with Path(os.devnull if log is None else log).open("ab") as errors:
            return subprocess.Popen(
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


def _listen(pipe: IO[bytes], said: queue.Queue[tuple[Any, ...] | None]) -> None:
    """Pass on what the child says, then None."""
    try:
        while head := pipe.read(_LENGTH.size):
            said.put(pickle.loads(pipe.read(*_LENGTH.unpack(head))))
    except Exception:  # it broke off in the middle of a word
        pass
    said.put(None)


def _outcome(
    child: subprocess.Popen[bytes],
    said: queue.Queue[tuple[Any, ...] | None],
    what: str,
    progress: Progress,
    limits: Limits,
    heed: Callable[[], None] | None,
) -> Any:
    quiet_s, before = 0.0, time.monotonic()
    while True:
        try:
            word = said.get(timeout=min(POLL_S, limits.silence_s))
        except queue.Empty:
            word = ()
        now = time.monotonic()
        # A machine that slept, or a program that was held, has not been silent for all that time.
        quiet_s = 0.0 if word else quiet_s + min(now - before, 2 * POLL_S)
        before = now
        if heed is not None:
            heed()
        if word is None:
            raise _death(child, what)
        if word and word[0] == "progress":
            progress(*word[1:])
        elif word and word[0] == "done":
            return word[1]
        elif word and word[0] == "error":
            raise word[1]
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
        if name in ("SIGKILL", "SIGTERM"):
            why = f"the work on it was ended from outside, perhaps by the system for want of memory ({name})"
            return BrokenOff(what, why, "close other programs or trim the clip, then try again")
        why = f"the part of the program that reads it broke down ({name})"
        return BrokenOff(what, why, "export the clip anew or trim it, then try again")
    why = f"the part of the program that reads it ended without a word (code {code})"
    return BrokenOff(what, why, "export the clip anew or trim it, then try again")


# --- in the child ---------------------------------------------------------------------------------


def serve() -> None:
    """The child's whole life: read one task, do it, say what became of it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent says when to stop
    mouth = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints can't get between our words
    lock = threading.Lock()

    def say(*word: object) -> None:
        data = pickle.dumps(word)
        with lock:
            mouth.write(_LENGTH.pack(len(data)) + data)
            mouth.flush()

    function = values = None
    try:
        source = sys.stdin.buffer
        task = source.read(*_LENGTH.unpack(source.read(_LENGTH.size)))
        threading.Thread(target=_end_with_the_parent, daemon=True).start()
        function, values, limits = pickle.loads(task)
        _no_core_file()
        limit_memory(limits.memory_bytes, lambda: say("memory"))
        word: tuple[object, ...] = ("done", function(*values, progress=lambda *a: say("progress", *a)))
    except LanesideError as error:
        word = ("error", error)
    except MemoryError:
        word = ("memory",)
    except BaseException as error:
        word = ("fault", _where(error), traceback.format_exc())
    try:
        say(*word)
    except MemoryError:
        say("memory")
    except Exception as error:  # it can't be pickled
        say("fault", _where(error), traceback.format_exc())
    # Everything is said; threads of libraries need not be waited for.
    os._exit(0)


def _where(error: BaseException) -> str:
    """Kind, words and place of an unexpected error, in one line."""
    last = traceback.extract_tb(error.__traceback__)[-1:]
    place = "".join(f", {Path(f.filename).name} line {f.lineno}" for f in last)
    return f"{type(error).__name__}: {str(error)[:200]}{place}"


def _end_with_the_parent() -> None:
    """Nothing more comes on standard input; its end is the parent's."""
    while os.read(0, 1):
        pass
    os._exit(1)


def _no_core_file() -> None:
    """A crash leaves no picture of the memory, with the athlete in it, on the disk."""
    if resource is not None:
        resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))


def limit_memory(most_bytes: int | None, tell: Callable[[], None]) -> None:
    """Let this process use no more than `most_bytes`; `tell` is called before it ends by our own hand."""
    if most_bytes is None or resource is None:
        return
    if sys.platform == "darwin":  # the limit is taken there, but not kept
        watch_memory(most_bytes, tell)
        return
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def watch_memory(most_bytes: int, tell: Callable[[], None]) -> None:
    """End this process soon after its peak has passed `most_bytes` (resident, not address space)."""
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2): bytes there, kilobytes elsewhere

    def watch() -> None:
        while resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit <= most_bytes:
            time.sleep(_WATCH_S)
        tell()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
