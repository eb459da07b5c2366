"""Clips and their results on disk: one folder per clip, one small record in it.

The folder name is random and is the only key to a clip. A *list* (random too) says whose clips
belong together; whoever has its name sees the list, nobody else does.
"""

from __future__ import annotations

import heapq
import json
import os
import re
import secrets
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal

from platformdirs import user_data_path

from shared.errors import ClipError, LanesideError, OutputError
from shared.files import output_error, private_folder, write_text
from shared.units import Units
from ui.options import AthletePoint, MarkedDistance, Options
from ui.privacy import forget_seen

State = Literal["looking", "ready", "waiting", "running", "done", "failed", "cancelled"]
FOLDER_VARIABLE: Final = "LANESIDE_DATA"
RECORD: Final = "job.json"
RESULT: Final = "result"
FIRST_LOOK: Final = "first_look"
PROGRESS: Final = "progress.json"
FRAMES: Final = "frames"
STALE: Final = "report_is_older"
"""A file of this name says that report, pictures and video were made before the corrections."""
CANCEL: Final = "cancel"
CLAIM: Final = "claim"
LOG: Final = "work.log"
KEY: Final = re.compile(r"[a-z0-9]{20}")
SUFFIXES: Final = ("mp4", "mov", "m4v", "avi", "mkv", "webm", "mpg", "mpeg", "3gp", "mts", "m2ts")
LIMIT_MB: Final = 2048
"""Largest upload; 10 s of 4K at 240 frames a second take about 200 MB."""
COPY_BYTES: Final = 1 << 22
_WRITING: Final = threading.RLock()
"""Held while a record is written, so that `change_if` reads, judges and writes in one step."""


@dataclass(frozen=True)
class Job:
    """What is known about one clip.

    Attributes
    ----------
    key : str
        Random name of its folder.
    owner : str
        Random name of the list it belongs to.
    name : str
        The clip's own file name, made safe.
    label : str
        The user's words for side, condition or session.
    state : str
        looking (first look) -> ready (asks the user) -> waiting -> running -> done, failed or
        cancelled.
    created, queued : float
        Seconds since the epoch; `queued` is 0 before the clip is in the queue.
    options : Options
    error : str
        One sentence, when failed.
    invented : bool
        A sample clip of ours.
    looked, measured : float
        When the first look and the measurement were begun last, seconds since the epoch; 0 before.
    rewrite : bool
        In the queue only to write report, pictures and video again, with the corrections in them or in
        other units.
    written : {"metric", "imperial"}
        Units of report and pictures as they lie in the result folder.
    """

    key: str
    owner: str
    name: str
    label: str = ""
    state: State = "looking"
    created: float = 0.0
    queued: float = 0.0
    options: Options = field(default_factory=Options)
    error: str = ""
    invented: bool = False
    rewrite: bool = False
    looked: float = 0.0
    measured: float = 0.0
    written: Units = "metric"


def data_folder() -> Path:
    """Where clips and results are kept: ``LANESIDE_DATA``, else the user's data folder.

    Raises
    ------
    OutputError
        If it can't be made.
    """
    given = os.environ.get(FOLDER_VARIABLE, "").strip()
    folder = Path(given).expanduser() if given else user_data_path("laneside", appauthor=False)
    try:
        private_folder(folder)
        (folder / "jobs").mkdir(exist_ok=True)
    except OSError as error:
        raise output_error(folder, error) from error
    return folder


def new_key() -> str:
    """A name that can't be guessed: 20 letters and digits, 103 bits."""
    letters = "abcdefghijklmnopqrstuvwxyz0123456789"
    return "".join(secrets.choice(letters) for _ in range(20))


def is_key(text: object) -> bool:
    """Whether `text` could be a name that `new_key` made."""
    return isinstance(text, str) and KEY.fullmatch(text) is not None


def job_folder(key: str) -> Path:
    """Folder of a job; ValueError for anything but a proper key."""
    if not is_key(key):
        raise ValueError("not a key")
    return data_folder() / "jobs" / key


def clip_path(job: Job) -> Path:
    """The stored clip."""
    return job_folder(job.key) / "clip" / job.name


def result_folder(job: Job) -> Path:
    """Folder of the finished result."""
    return job_folder(job.key) / RESULT


def safe_name(name: str) -> str:
    """A file name without folders or odd signs, at most 80 letters, its ending kept."""
    last = re.split(r"[\\/]", name)[-1]
    clean = re.sub(r"[^\w.\- ()]", "_", last).strip(" .") or "clip"
    stem, dot, ending = clean.rpartition(".")
    return f"{stem[:70]}.{ending[:9]}" if dot and stem else clean[:80]


def add_clip(source: BinaryIO, name: str, owner: str, *, invented: bool = False) -> Job:
    """Keep a copy of a clip and its record; the first look has not been taken yet.

    Raises
    ------
    ClipError
        If the file is empty.
    OutputError
        If the disk is full or read-only.
    """
    job = Job(new_key(), owner, safe_name(name), created=time.time(), invented=invented)
    folder = job_folder(job.key)
    try:
        (folder / "clip").mkdir(parents=True)
        with clip_path(job).open("wb") as out:
            shutil.copyfileobj(source, out, COPY_BYTES)
        if not clip_path(job).stat().st_size:
            raise ClipError(job.name, "the file is empty", "export the clip again")
        write_job(job)
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise output_error(folder, error) from error
    except LanesideError:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return job


def write_job(job: Job) -> None:
    """Write the record, whole or not at all."""
    with _WRITING:
        write_text(job_folder(job.key) / RECORD, json.dumps(asdict(job), default=str, indent=1))


def read_job(key: str) -> Job | None:
    """The record of that key, or None when there is none or it can't be read."""
    if not is_key(key):
        return None
    try:
        path = job_folder(key) / RECORD
        found = path.stat()
        # A record is never changed, only replaced: a file's number and time tell whether it is another one.
        return _read(str(path), found.st_ino, found.st_mtime_ns, found.st_size)
    except (OSError, ValueError, KeyError, TypeError, LanesideError):
        return None


@lru_cache(maxsize=4096)
def _read(path: str, number: int, changed_ns: int, size: int) -> Job:
    return _job(json.loads(Path(path).read_text(encoding="utf-8")))


def _job(record: dict[str, Any]) -> Job:
    said = dict(record["options"])
    if said.get("athlete"):
        said["athlete"] = AthletePoint(**said["athlete"])
    if said.get("marked"):
        said["marked"] = MarkedDistance(**said["marked"])
    if said.get("weights"):
        said["weights"] = Path(said["weights"])
    return Job(**(record | {"options": Options(**said)}))


def change(job: Job, **values: Any) -> Job:
    """The job with other values, written down."""
    changed = replace(job, **values)
    write_job(changed)
    return changed


def change_if(key: str, states: tuple[State, ...], **values: Any) -> Job | None:
    """As `change`, on what the record says now, if it is in one of these states; else None.

    Whoever acts on a record read a moment ago would undo what a page or the queue has written since.
    """
    with _WRITING:
        job = read_job(key)
        return None if job is None or job.state not in states else change(job, **values)


def all_jobs() -> list[Job]:
    """Every readable job, oldest first."""
    found = (read_job(p.name) for p in (data_folder() / "jobs").iterdir() if p.is_dir())
    return sorted((j for j in found if j is not None), key=lambda j: j.created)


def jobs_of(owner: str) -> list[Job]:
    """The jobs of one list, newest first."""
    return [j for j in reversed(all_jobs()) if j.owner == owner]


def remove(job: Job) -> None:
    """Delete a clip and everything made from it; OutputError if it can't be deleted."""
    forget_seen()
    folder = job_folder(job.key)
    try:
        shutil.rmtree(folder)
    except FileNotFoundError:
        return
    except OSError as error:
        raise OutputError(
            job.name, "it can't be deleted now", "close whatever uses it, then retry"
        ) from error


def queue_order(jobs: Iterable[Job]) -> list[Job]:
    """Waiting jobs in the order they will be served.

    First in, first out, but in turns: who has just been served goes behind all who wait, so that one
    user with twenty clips does not hold up the rest. A clip that is measured now counts as served.
    """
    return _in_turns(jobs, "waiting", lambda job: job.queued, lambda job: job.measured, busy="running")


def look_order(jobs: Iterable[Job]) -> list[Job]:
    """Jobs that want a first look, in the order of uploading, in the same turns."""
    return _in_turns(jobs, "looking", lambda job: job.created, lambda job: job.looked)


def _in_turns(
    jobs: Iterable[Job],
    wanted: State,
    came: Callable[[Job], float],
    served: Callable[[Job], float],
    busy: State | None = None,
) -> list[Job]:
    """Order of the later of two moments: when the clip came, and when its owner was served last."""
    all_ = sorted(jobs, key=lambda j: (came(j), j.key))
    now = 1.0 + max((max(came(j), served(j)) for j in all_), default=0.0)
    last: dict[str, float] = {}
    waiting: dict[str, deque[Job]] = {}
    for job in all_:
        last[job.owner] = max(last.get(job.owner, 0.0), now if job.state == busy else served(job))
        if job.state == wanted:
            waiting.setdefault(job.owner, deque()).append(job)
    heap = [(max(came(own[0]), last[who]), came(own[0]), own[0].key) for who, own in waiting.items()]
    owner_of = {own[0].key: who for who, own in waiting.items()}
    heapq.heapify(heap)
    order = []
    while heap:
        _, _, key = heapq.heappop(heap)
        own = waiting[owner_of[key]]
        order.append(own.popleft())
        if own:
            # Served in `now` plus so many turns: behind everybody who waits now.
            owner_of[own[0].key] = owner_of[key]
            heapq.heappush(heap, (now + len(order), came(own[0]), own[0].key))
    return order


def ask_to_cancel(job: Job) -> Job:
    """Take a waiting job out of the queue, or ask a running one to stop."""
    if job.rewrite:  # the result itself stays
        ended = change_if(job.key, ("waiting",), state="done", rewrite=False)
    else:
        ended = change_if(job.key, ("waiting", "ready", "looking"), state="cancelled")
    if ended is not None:
        return ended
    with suppress(OSError):
        (job_folder(job.key) / CANCEL).touch()
    return job


def enqueue(job: Job, options: Options, label: str, *, rewrite: bool = False) -> Job:
    """Put a job at the end of the queue."""
    folder = job_folder(job.key)
    for name in (CANCEL, CLAIM, PROGRESS):
        (folder / name).unlink(missing_ok=True)
    return change(
        job,
        options=options,
        label=label.strip()[:80],
        state="waiting",
        queued=time.time(),
        error="",
        rewrite=rewrite,
    )
