"""What a worker on another machine does for a batch: say who it is, and measure one clip.

The clip is measured in a process of its own (`ui.apart`): a clip that breaks that process leaves the
worker alive, and the process ends by itself when the worker is killed.
"""

from __future__ import annotations

import os
import pickle
import platform
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

from shared.errors import LanesideError
from shared.files import file_sha256
from shared.progress import Progress, silent
from ui.apart import BrokenOff, TooMuchMemory, here, in_child
from ui.batch_job import Job, is_done, measure_job
from ui.batch_table import Row
from ui.leftovers import PREFIX, WHOLE, put_back
from ui.options import Options

T = TypeVar("T")
Work = Callable[..., Row]
"""Takes job, options and number of threads, and `progress` as a keyword."""


@dataclass(frozen=True)
class Introduction:
    """What a worker says of itself.

    Attributes
    ----------
    machine : str
        The machine's name.
    version : str
        Of this program.
    cores : int
    problem : str
        Why it can't take part; empty if it can.
    """

    machine: str
    version: str
    cores: int
    problem: str = ""


def introduction(word: Path, secret: str, places: Sequence[Path]) -> Introduction:
    """Say who this worker is, and whether it sees what the one who asks sees.

    Parameters
    ----------
    word : Path
        A file in the folder of results, written by the one who asks.
    secret : str
        What is in it.
    places : sequence of Path
        Folders where clips lie.
    """
    from vision.ahead import cores

    me = Introduction(platform.node() or "a machine", version("laneside"), cores())

    def but(problem: str) -> Introduction:
        return Introduction(me.machine, me.version, me.cores, problem)

    try:
        seen = word.read_text(encoding="utf-8")
    except (OSError, ValueError):
        seen = ""
    if seen != secret:
        return but(f"it does not see the folder of results {word.parent}")
    own = word.with_name(f"{word.name}-{me.machine}")
    try:
        own.write_bytes(b"")
    except OSError as error:
        return but(f"it may not write into the folder of results {word.parent} ({error.strerror})")
    finally:
        with suppress(OSError):
            own.unlink(missing_ok=True)
    for place in places:
        if not os.path.isdir(place):  # unlike Path.is_dir, never an exception
            return but(f"it does not see the folder of clips {place}")
    return me


def measured_apart(packed: bytes) -> bytes:
    """Measure one clip in a process of its own.

    Parameters
    ----------
    packed : bytes
        Pickled (work, job, options, threads).

    Returns
    -------
    bytes
        Pickled row; or a pickled sentence when the process broke off, so that the clip can be tried again.
    """
    work, job, options, threads = pickle.loads(packed)
    return pickle.dumps(_attempt(work, job, options, threads))


def _attempt(work: Work, job: Job, options: Options, threads: int) -> Row | str:
    try:
        return in_child(work, job, options, threads, what=job.clip.name)
    except BrokenOff as error:
        _clear(job.folder)
        # One that wanted too much memory would want as much the next time.
        return Row(job.clip, "failed", None, str(error)) if isinstance(error, TooMuchMemory) else str(error)
    except LanesideError as error:
        return Row(job.clip, "failed", None, str(error))


def _clear(folder: Path) -> None:
    """Remove what a child that broke off left half made."""
    put_back(folder)
    for left in folder.glob(f"{PREFIX}*"):
        if not (left / WHOLE).exists():
            shutil.rmtree(left, ignore_errors=True)
    with suppress(OSError):
        folder.rmdir()  # only if it is empty


def measure_there(job: Job, options: Options, threads: int, progress: Progress = silent) -> Row:
    """Measure a clip of another machine's batch, if this machine sees the same clip and profile."""
    if is_done(job):  # by an earlier attempt whose word got lost
        return Row(job.clip, "measured", job.folder)
    try:
        problem = difference(job, options)
    except LanesideError as error:
        problem = str(error)
    if problem:
        return Row(job.clip, "failed", None, problem)
    return measure_job(job, options, threads, progress, run=here)


def difference(job: Job, options: Options) -> str:
    """What this machine sees otherwise than the one that gave the job, as a sentence; empty: nothing."""
    from technique.targets import load_profile

    name, machine = job.clip.name, platform.node() or "a machine"
    mend = "put clips and profile into a folder that all machines see under one path, or start a local batch."
    try:
        content = file_sha256(job.clip)
    except OSError as error:
        return f"{name}: the machine {machine} can't read it ({error.strerror}); {mend}"
    if content != job.mark["sha256"]:
        return f"{name}: the machine {machine} has another file under this path; {mend}"
    if load_profile(options.profile).sha256 != job.mark["profile"]:
        return f"{name}: the machine {machine} has another profile '{options.profile}'; {mend}"
    if version("laneside") != job.mark["version"]:
        return (
            f"{name}: the machine {machine} has another version of the program; install the same everywhere."
        )
    return ""
