"""Many clips, one after another or several at a time, with one table at the end.

A batch can be stopped or killed at any moment and started again: clips that are done stay done, each
content is measured once however often it lies in the folder, and a clip that fails is listed with
its reason and stops nobody else.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing.synchronize import Event
from pathlib import Path
from threading import Thread
from typing import Final

from shared.errors import Cancelled, LanesideError, OptionError
from shared.files import output_error
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
    for place, clip in enumerate(clips):
        try:
            sha256 = _content(clip)
        except OSError as error:
            why = f"{clip.name}: it can't be read ({error.strerror}); check the path."
            note(place, Row(clip, "failed", None, why))
            continue
        if sha256 in first_of:
            note(place, Row(clip, "same clip", None, first_of[sha256].name))
            continue
        first_of[sha256] = clip
        job = Job(place, clip, out / result_name(clip, sha256), job_mark(sha256, options))
        if is_done(job):
            note(place, Row(clip, "already measured", job.folder))
        else:
            yield job


def _measure_all(wanted: list[Job], options: Options, workers: int, note: Callable[[int, Row], None]) -> None:
    from vision.ahead import cores

    context = multiprocessing.get_context("spawn")
    alone = False
    while wanted:
        stop = context.Event()
        count = 1 if alone else min(workers, len(wanted))
        begun = wanted[:1] if alone else wanted
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(stop,))
        left = {job.place for job in begun}
        try:
            jobs: dict[Future[Row], Job] = {}
            for job in begun:
                jobs[pool.submit(measure_job, job, options, max(1, cores() // count), _heed)] = job
            for future in as_completed(jobs):
                row = future.result()
                left.remove(jobs[future].place)
                note(jobs[future].place, row)
        except BrokenProcessPool:
            # A process died (out of memory, say). Whose clip it was is not known, unless it was alone.
            if alone:
                left.discard(begun[0].place)
                note(begun[0].place, Row(begun[0].clip, "failed", None, stopped_on(begun[0].clip)))
            alone = True
        finally:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
        begun_places = {job.place for job in begun}
        wanted = [w for w in wanted if w.place in left or w.place not in begun_places]


def stopped_on(clip: Path) -> str:
    """Why a clip failed whose process died."""
    return f"{clip.name}: the program stopped on this clip; try it alone, or with less memory in use."


_stop: Event | None = None


def _begin(stop: Event) -> None:
    """Start of a worker process."""
    global _stop
    _stop = stop
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the batch itself tells when to stop
    Thread(target=_end_with_the_batch, daemon=True).start()


def _end_with_the_batch() -> None:
    """A worker whose batch was killed would wait for work for ever; what it half made is cleared later."""
    batch = multiprocessing.parent_process()
    if batch is not None:
        batch.join()
        os._exit(1)


def _heed(stage: str, done: int, total: int | None) -> None:
    """A `Progress` that stops when the batch is stopped."""
    if _stop is not None and _stop.is_set():
        raise Cancelled("the batch", "it was stopped", "start it again when you like")


def _content(clip: Path) -> str:
    from vision.clip import file_sha256

    return file_sha256(clip)


def say(row: Row, done: int, total: int, tell: Callable[[str], None]) -> None:
    """One line about one clip."""
    more = f" ({row.why})" if row.why else f" -> {row.folder.name}" if row.folder else ""
    tell(f"{done} of {total}: {row.clip.name}: {row.state}{more}")
