"""What children do in the tests of `ui.apart`: each does one kind of harm."""

from __future__ import annotations

import ctypes
import hashlib
import os
import signal
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from shared.errors import ClipError, DamagedClip
from shared.progress import Progress, silent

if TYPE_CHECKING:
    from shared.analysis import Analysis
    from ui.options import Options


def doubled(number: int, progress: Progress = silent) -> int:
    """Twice the number, with three words on the way, printing into whatever is open."""
    print("this goes nowhere")
    os.write(1, b"nor does this")
    for done in range(3):
        progress("doubling", done + 1, 3)
    return 2 * number


def number(progress: Progress = silent) -> int:
    """Number of this process."""
    return os.getpid()


def raises(kind: str, progress: Progress = silent) -> None:
    """Fail in a way that is known by name."""
    if kind == "clip":
        raise DamagedClip("run.mp4", "it breaks off", "export it again")
    if kind == "fault":
        raise ZeroDivisionError("three\nlines\nof words")
    if kind == "memory":
        raise MemoryError
    if kind == "exit":
        sys.exit(3)
    if kind == "hard exit":
        os._exit(3)
    raise ClipError("run.mp4", kind, "mend it")


def dies(name: str, progress: Progress = silent) -> None:
    """End this process by a signal."""
    progress("dying", 1, 1)
    os.kill(os.getpid(), signal.Signals[name])
    threading.Event().wait()


def goes_on_after_signals(progress: Progress = silent) -> int:
    """Send what a terminal or a service's end sends to this process; returns how many it outlived."""
    outlived = 0
    for number in (signal.SIGINT, signal.SIGTERM):
        os.kill(os.getpid(), number)
        outlived += 1
    return outlived


def reads_nowhere(progress: Progress = silent) -> None:
    """What an error in a decoder does: read where there is no memory."""
    ctypes.string_at(0)


def aborts(progress: Progress = silent) -> None:
    """What native libraries do when something can't be."""
    os.abort()


def hoards(progress: Progress = silent) -> int:
    """Take memory until there is none."""
    kept: list[bytearray] = []
    while True:
        kept.append(bytearray(16 << 20))
        progress("hoarding", len(kept), None)


def address_space(progress: Progress = silent) -> tuple[int, int]:
    """The limits of address space and core file that hold here."""
    import resource

    return resource.getrlimit(resource.RLIMIT_AS)[0], resource.getrlimit(resource.RLIMIT_CORE)[0]


def watched(progress: Progress = silent) -> None:
    """Look after the peak ourselves, with a limit that is passed already."""
    from ui.apart_child import watch_memory

    watch_memory(1, lambda: progress("too much", 1, 1))
    threading.Event().wait()


def says_nothing(progress: Progress = silent) -> None:
    """Hang."""
    threading.Event().wait()


def fills(folder: Path, progress: Progress = silent) -> None:
    """Write half a result, say so, then hang."""
    (folder / "half.csv").write_text("half")
    progress("writing", 1, 2)
    threading.Event().wait()


def notes_its_number(file: Path, progress: Progress = silent) -> None:
    """Write down the number of this process, then wait for ever."""
    file.write_text(str(os.getpid()))
    progress("waiting", 1, 2)
    threading.Event().wait()


def talks(times: int, progress: Progress = silent) -> None:
    """Speak from two threads at once."""
    others = [
        threading.Thread(target=lambda: [progress("side", i, times) for i in range(times)]) for _ in range(2)
    ]
    for other in others:
        other.start()
    for other in others:
        other.join()


def returns_what_cannot_be_sent(progress: Progress = silent) -> object:
    """A value without a way over the pipe."""
    return threading.Lock()


def fills_or_dies(
    clip: Path, folder: Path, options: Options, threads: int | None = None, progress: Progress = silent
) -> Analysis:
    """In the place of a measurement: a result that says the clip's content, or a crash."""
    from shared.analysis_json import write_analysis
    from shared.track_file import write_track
    from tests import builders

    progress("following the athlete", 1, 1)
    (folder / "half.csv").write_text("half")
    if clip.name.startswith("crash"):
        os.kill(os.getpid(), signal.SIGSEGV)
        threading.Event().wait()
    analysis = builders.analysis()
    info = replace(analysis.clip, path=clip.name, sha256=hashlib.sha256(clip.read_bytes()).hexdigest())
    analysis = replace(analysis, clip=info)
    write_analysis(analysis, folder / "analysis.json")
    write_track(builders.track(), folder / "track.npz")
    return analysis


def looks(clip: Path, folder: Path, rate: float | None, progress: Progress = silent) -> None:
    """In the place of a first look."""
    noted(clip, "look")
    folder.mkdir(exist_ok=True)
    progress("looking at the clip", 1, 1)


def fills_and_notes(
    clip: Path, folder: Path, options: Options, threads: int | None = None, progress: Progress = silent
) -> Analysis:
    """In the place of a measurement: as `fills_or_dies`, its beginning and end noted."""
    noted(clip, "begin")
    found = fills_or_dies(clip, folder, options, threads, progress)
    noted(clip, "end")
    return found


def noted(clip: Path, what: str) -> None:
    """A line in the test's log: what, and on which clip."""
    with Path(os.environ["LANESIDE_TEST_LOG"]).open("a") as log:
        log.write(f"{what} {clip.parents[1].name}\n")


def nothing(job: object, progress: Progress = silent) -> None:
    """In the place of decoding frames for the viewer."""


def fills_and_hangs(
    clip: Path, folder: Path, options: Options, threads: int | None = None, progress: Progress = silent
) -> None:
    """In the place of a measurement: half a result, then silence."""
    (folder / "half.csv").write_text("half")
    noted(clip, "begin")
    threading.Event().wait()
