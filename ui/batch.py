"""Many clips, one after another or several at a time, with one table at the end.

A batch can be stopped or killed at any moment and started again: clips that are done stay done, each
content is measured once however often it lies in the folder, and a clip that fails is listed with
its reason and stops nobody else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import ExitStack, suppress
from pathlib import Path
from queue import SimpleQueue
from threading import Event
from typing import Final

from shared.errors import Cancelled, LanesideError, OptionError
from shared.files import file_sha256, output_error
from ui.apart import Run, kept_child
from ui.batch_job import Job, is_done, job_mark, measure_job
from ui.batch_table import Row, kept_table
from ui.options import Options

SUFFIXES: Final = (
    ".mp4",
    ".mov",
    ".m4v",
    ".avi",
    ".mkv",
    ".webm",
    ".mpg",
    ".mpeg",
    ".3gp",
    ".mts",
    ".m2ts",
)
TABLE_NAME: Final = "summary.csv"
MARK_NAME: Final = "measured_as.json"
"""Beside an analysis: the clip's content and the options it was measured with."""


def clips_in(source: Path) -> list[Path]:
    """The clips of a folder, by name, or those a list names, one a line (# begins a remark).

    Raises
    ------
    OptionError
        If there is no such folder or list, or nothing in it.
    """
    if source.is_dir():
        found = sorted(
            p
            for p in source.iterdir()
            if p.suffix.lower() in SUFFIXES and p.is_file() and not p.name.startswith(".")
        )
        if not found:
            raise OptionError(str(source), "there is no video file in this folder", "give another folder")
        return found
    try:
        lines = source.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError(
            str(source), "this is neither a folder nor a readable list", "give a folder, or one path a line"
        ) from error
    named = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not named:
        raise OptionError(str(source), "the list is empty", "write one path a line")
    return [p if p.is_absolute() else source.parent / p for p in map(Path, named)]


def result_name(clip: Path, sha256: str) -> str:
    """Folder name of a clip's result: its own name made safe, and its content."""
    stem = re.sub(r"[^\w.-]+", "_", clip.stem).strip("._")[:60] or "clip"
    return f"{stem}_{sha256[:8]}"


def measure_batch(
    clips: Sequence[Path],
    out: Path,
    options: Options,
    workers: int = 1,
    said: Callable[[Row, int, int], None] = lambda row, done, total: None,
    scheduler: str | None = None,
    tell: Callable[[str], None] = lambda sentence: None,
) -> list[Row]:
    """Measure every clip into a folder of its own inside `out`, and write ``summary.csv``.

    Parameters
    ----------
    clips : sequence of Path
    out : Path
    options : Options
        The same for all; a point on the athlete or marked points belong to one clip.
    workers : int
        Clips measured at the same time, each in a process of its own with its share of the cores.
    said : callable
        Told each row as it is known, with the number of rows known and expected.
    scheduler : str, optional
        Address of a running Dask scheduler: its workers measure, on as many machines as there are.
        They must see clips and `out` under the same paths.
    tell : callable
        Told in a sentence what becomes of the workers.

    Returns
    -------
    list of Row
        In the order of `clips`.

    Raises
    ------
    LanesideError
        What concerns the whole batch; a clip's own failure is its row.
    """
    from technique.targets import load_profile

    if workers < 1:
        raise OptionError("--workers", f"{workers} is less than 1", "give the number of clips at a time")
    if scheduler is not None and workers != 1:
        raise OptionError("--workers", "with --scheduler each machine has its own number", "leave it out")
    load_profile(options.profile)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(out, error) from error
    keep, finish = kept_table(out / TABLE_NAME)
    known = 0

    def note(place: int, row: Row) -> None:
        nonlocal known
        known += 1
        keep(place, row)
        said(row, known, len(clips))

    todo = _jobs(clips, out, options, note)
    try:
        if scheduler is None:
            _measure_all(list(todo), options, workers, note)
        else:
            from ui.batch_cluster import measure_on_cluster

            measure_on_cluster(todo, clips, out, options, scheduler, note, tell)
    except BaseException:
        with suppress(LanesideError):
            finish()
        raise
    return finish()


def _jobs(
    clips: Sequence[Path], out: Path, options: Options, note: Callable[[int, Row], None]
) -> Iterator[Job]:
    """What is left to measure, each content once; a clip is read only when its turn comes."""
    first_of: dict[str, Path] = {}
    same = job_mark("", options)  # but for the content
    for place, clip in enumerate(clips):
        try:
            sha256 = file_sha256(clip)
        except OSError as error:
            why = f"{clip.name}: it can't be read ({error.strerror}); check the path."
            note(place, Row(clip, "failed", None, why))
            continue
        if sha256 in first_of:
            note(place, Row(clip, "same clip", None, first_of[sha256].name))
            continue
        first_of[sha256] = clip
        job = Job(place, clip, out / result_name(clip, sha256), same | {"sha256": sha256})
        if is_done(job):
            note(place, Row(clip, "already measured", job.folder))
        else:
            yield job


def _measure_all(wanted: list[Job], options: Options, workers: int, note: Callable[[int, Row], None]) -> None:
    """Each clip in a child (`ui.apart`) that is kept for the next one; what ends a child ends one clip."""
    from vision.ahead import cores

    if not wanted:
        return
    count = min(workers, len(wanted))
    stop = Event()

    def heed() -> None:
        if stop.is_set():
            raise Cancelled("the batch", "it was stopped", "start it again when you like")

    with ExitStack() as children:
        free: SimpleQueue[Run] = SimpleQueue()
        for _ in range(count):
            free.put(children.enter_context(kept_child()))

        def measured(job: Job) -> Row:
            run = free.get()
            try:
                return measure_job(job, options, max(1, cores() // count), run=run, heed=heed)
            finally:
                free.put(run)

        pool = ThreadPoolExecutor(count, thread_name_prefix="laneside-batch")
        try:
            jobs = {pool.submit(measured, job): job for job in wanted}
            for future in as_completed(jobs):
                note(jobs[future].place, future.result())
        finally:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)


def say(row: Row, done: int, total: int, tell: Callable[[str], None]) -> None:
    """One line about one clip."""
    more = f" ({row.why})" if row.why else f" -> {row.folder.name}" if row.folder else ""
    tell(f"{done} of {total}: {row.clip.name}: {row.state}{more}")
