"""Many clips, one after another or several at a time, with one table at the end.

A batch can be stopped or killed at any moment and started again: clips that are done stay done, each
content is measured once however often it lies in the folder, and a clip that fails is listed with
its reason and stops nobody else.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import re
import shutil
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, replace
from multiprocessing.synchronize import Event
from pathlib import Path
from threading import Thread
from typing import Final, Literal

from shared.analysis_json import DocumentError, read_analysis
from shared.errors import Cancelled, LanesideError, OptionError, OutputError
from shared.files import output_error, write_text
from ui.job import ANALYSIS_NAME, measure_clip
from ui.options import Options
from ui.tables import csv_text

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

State = Literal["measured", "already measured", "same clip", "failed"]


@dataclass(frozen=True)
class Row:
    """What became of one clip.

    Attributes
    ----------
    clip : Path
    state : str
    folder : Path or None
        Its result.
    why : str
        The reason of a failure, or the clip with the same content.
    """

    clip: Path
    state: State
    folder: Path | None = None
    why: str = ""


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

    Returns
    -------
    list of Row
        In the order of `clips`.

    Raises
    ------
    OptionError, OutputError, ProfileError
        What concerns the whole batch; a clip's own failure is its row.
    """
    from technique.targets import load_profile

    if workers < 1:
        raise OptionError("--workers", f"{workers} is less than 1", "give the number of clips at a time")
    load_profile(options.profile)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(out, error) from error
    rows: dict[int, Row] = {}

    def note(place: int, row: Row) -> None:
        rows[place] = row
        write_text(out / TABLE_NAME, summary_table([rows[i] for i in sorted(rows)]))
        said(row, len(rows), len(clips))

    wanted: list[tuple[int, Path, str]] = []
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
        folder = out / result_name(clip, sha256)
        if _done(folder, _mark(sha256, options)):
            note(place, Row(clip, "already measured", folder))
        else:
            wanted.append((place, clip, sha256))
    _measure_all(wanted, out, options, workers, note)
    return [rows[i] for i in sorted(rows)]


def _measure_all(
    wanted: list[tuple[int, Path, str]],
    out: Path,
    options: Options,
    workers: int,
    note: Callable[[int, Row], None],
) -> None:
    from vision.ahead import cores

    context = multiprocessing.get_context("spawn")
    alone = False
    while wanted:
        stop = context.Event()
        count = 1 if alone else min(workers, len(wanted))
        begun = wanted[:1] if alone else wanted
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(stop,))
        left = {place for place, *_ in begun}
        try:
            jobs: dict[Future[Row], tuple[int, Path, str]] = {}
            for place, clip, sha256 in begun:
                folder = out / result_name(clip, sha256)
                job = pool.submit(
                    _measure_one, clip, folder, options, _mark(sha256, options), max(1, cores() // count)
                )
                jobs[job] = (place, clip, sha256)
            for job in as_completed(jobs):
                place, clip, _ = jobs[job]
                row = job.result()
                left.remove(place)
                note(place, row)
        except BrokenProcessPool:
            # A process died (out of memory, say). Whose clip it was is not known, unless it was alone.
            if alone:
                place, clip, _ = begun[0]
                left.discard(place)
                why = f"{clip.name}: the program stopped on this clip; try it alone, or with less memory in use."
                note(place, Row(clip, "failed", None, why))
            alone = True
        finally:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
        begun_places = {place for place, *_ in begun}
        wanted = [w for w in wanted if w[0] in left or w[0] not in begun_places]


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


def _measure_one(clip: Path, folder: Path, options: Options, mark: dict[str, object], threads: int) -> Row:
    """One clip, in a worker process."""
    for left in folder.glob(".part-*"):  # of a run that was killed
        shutil.rmtree(left, ignore_errors=True)
    try:
        measure_clip(clip, folder, options, _heed, threads=threads)
        write_text(folder / MARK_NAME, json.dumps(mark, indent=1))
    except Cancelled:
        raise
    except LanesideError as error:
        return Row(clip, "failed", None, str(error))
    except Exception as error:
        why = f"{clip.name}: the program itself failed on this clip ({type(error).__name__}: {error})"
        return Row(clip, "failed", None, " ".join(why.split()))
    return Row(clip, "measured", folder)


def _content(clip: Path) -> str:
    from vision.clip import file_sha256

    return file_sha256(clip)


def _mark(sha256: str, options: Options) -> dict[str, object]:
    from importlib.metadata import version

    from technique.targets import load_profile

    said = asdict(replace(options, cache=True))
    plain: dict[str, object] = json.loads(json.dumps(said, default=str))
    return {
        "sha256": sha256,
        "version": version("laneside"),
        "profile": load_profile(options.profile).sha256,
        "options": plain,
    }


def _done(folder: Path, mark: dict[str, object]) -> bool:
    try:
        found = json.loads((folder / MARK_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return bool(found == mark and (folder / ANALYSIS_NAME).is_file())


def summary_table(rows: Sequence[Row]) -> str:
    """One line a clip: what became of it, and every measure with its 95 % interval."""
    keys: list[tuple[str, str, str]] = []
    found: list[dict[tuple[str, str, str], tuple[float | None, ...]]] = []
    facts: list[tuple[object, ...]] = []
    for row in rows:
        values: dict[tuple[str, str, str], tuple[float | None, ...]] = {}
        fact: tuple[object, ...] = ("", "", "", "")
        if row.folder is not None:
            try:
                analysis = read_analysis(row.folder / ANALYSIS_NAME)
            except (DocumentError, OutputError):
                analysis = None
            if analysis is not None:
                values = {(m.key, m.side, m.unit): (m.value, m.low, m.high) for m in analysis.measures}
                fact = (
                    analysis.direction,
                    analysis.near_side,
                    analysis.camera,
                    analysis.clip.capture_rate_hz,
                )
        keys += [k for k in values if k not in keys]
        found.append(values)
        facts.append(fact)
    head = ["clip", "state", "why", "result", "direction", "near_side", "camera", "capture_rate_hz"]
    for key, side, unit in keys:
        head += [f"{key} {side} ({unit})", f"{key} {side} low", f"{key} {side} high"]
    nothing = (None, None, None)
    lines = [
        [row.clip.name, row.state, row.why, row.folder.name if row.folder else "", *fact]
        + [cell for key in keys for cell in values.get(key, nothing)]
        for row, fact, values in zip(rows, facts, found, strict=True)
    ]
    return csv_text(head, lines)


def say(row: Row, done: int, total: int, tell: Callable[[str], None]) -> None:
    """One line about one clip."""
    more = f" ({row.why})" if row.why else f" -> {row.folder.name}" if row.folder else ""
    tell(f"{done} of {total}: {row.clip.name}: {row.state}{more}")
