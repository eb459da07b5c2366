"""The child's side of `ui.apart`: hear a task, do it within the limits, say what became of it.

A word is a pickled tuple behind its length: ``("progress", stage, done, total)``, and at the end of a
task ``("done", value)``, ``("error", LanesideError)``, ``("memory",)`` or ``("fault", where, trace)``.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import struct
import sys
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Final

from shared.errors import LanesideError

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]

LENGTH: Final = struct.Struct("<Q")
_WATCH_S: Final = 0.25


def serve(memory_bytes: int | None) -> None:
    """The child's whole life: read a task, do it, say what became of it, and so on."""
    for number in (signal.SIGINT, signal.SIGTERM):  # often sent to both; the parent says when to stop
        signal.signal(number, signal.SIG_IGN)
    mouth = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints can't get between our words
    lock = threading.Lock()

    def say(*word: object) -> None:
        data = pickle.dumps(word)
        with lock:
            mouth.write(LENGTH.pack(len(data)) + data)
            mouth.flush()

    tasks: queue.Queue[bytes] = queue.Queue()
    threading.Thread(target=_hear, args=(tasks,), daemon=True).start()
    _no_core_file()
    limit_memory(memory_bytes, lambda: say("memory"))
    while True:
        word = _done(tasks.get(), say)
        try:
            say(*word)
        except MemoryError:
            say("memory")
        except Exception as error:  # it can't be pickled
            say("fault", _where(error), traceback.format_exc())


def _done(task: bytes, say: Callable[..., None]) -> tuple[object, ...]:
    """What became of a task, as a word to the parent."""
    try:
        function, values = pickle.loads(task)
        return ("done", function(*values, progress=lambda *a: say("progress", *a)))
    except LanesideError as error:
        return ("error", error)
    except MemoryError:
        return ("memory",)
    except BaseException as error:
        return ("fault", _where(error), traceback.format_exc())


def _hear(tasks: queue.Queue[bytes]) -> None:
    """Take tasks from standard input; its end is the parent's, and then ours."""
    source = sys.stdin.buffer
    while len(head := source.read(LENGTH.size)) == LENGTH.size:
        tasks.put(source.read(*LENGTH.unpack(head)))
    os._exit(1)


def _where(error: BaseException) -> str:
    """Kind, words and place of an unexpected error, in one line."""
    last = traceback.extract_tb(error.__traceback__)[-1:]
    place = "".join(f", {Path(f.filename).name} line {f.lineno}" for f in last)
    return f"{type(error).__name__}: {str(error)[:200]}{place}"


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
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    stricter = [x for x in (soft, hard) if x != resource.RLIM_INFINITY]  # the user's own
    resource.setrlimit(resource.RLIMIT_AS, (min([most_bytes, *stricter]), hard))


def watch_memory(most_bytes: int, tell: Callable[[], None]) -> None:
    """End this process soon after its peak has passed `most_bytes` (resident, not address space)."""
    unit = 1 if sys.platform == "darwin" else 1024  # getrusage(2): bytes there, kilobytes elsewhere

    def watch() -> None:
        while resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit <= most_bytes:
            time.sleep(_WATCH_S)
        tell()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
