"""The main job: a clip in, a folder with numbers, pictures, video and report out."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from threading import Thread
from typing import Final, Literal

from platformdirs import user_cache_path

from shared.analysis import Analysis
from shared.analysis_json import write_analysis
from shared.errors import OutputError
from shared.files import output_error
from shared.progress import Progress, silent
from shared.track import Track
from shared.track_file import write_track
from ui.apart import Run, in_child
from ui.leftovers import PREFIX, WHOLE, held, put_in_place, remove_leftovers, remove_stage
from ui.options import Options

ANALYSIS_NAME = "analysis.json"
TRACK_NAME = "track.npz"
REPORT_NAME = "report.html"
VIDEO_NAME = "annotated.mp4"
CACHE_VARIABLE: Final = "LANESIDE_CACHE"
NEEDED_LATER: Final = (
    "technique.analyse",
    "ui.report",
    "ui.annotated",
    "ui.tables",
    "matplotlib.figure",
    "matplotlib.backends.backend_svg",
    "jinja2",
    "typst",
)
"""Modules that take a while to load and are needed once the landmarks are there."""


@dataclass(frozen=True)
class Finding:
    """One sentence of the suitability check."""

    level: Literal["good", "limited", "bad"]
    text: str


@dataclass(frozen=True)
class Result:
    """What `measure_clip` left behind."""

    analysis: Analysis
    folder: Path

    @property
    def report(self) -> Path:
        """The report to open."""
        return self.folder / REPORT_NAME


@contextmanager
def staged_folder(out: Path) -> Iterator[Path]:
    """A folder to fill; its content moves to `out` only when the block succeeds.

    Whenever the program is killed, `out` holds the older result or the new one, or gets the new one by
    `ui.leftovers.put_back` at the next start.

    Raises
    ------
    OutputError
        If `out` can't be made or written.
    """
    stage: Path | None = None
    made = False
    try:
        made = not out.exists()
        out.mkdir(parents=True, exist_ok=True)
        if not out.is_dir():
            raise OutputError(str(out), "it is a file, not a folder", "choose another folder with --out")
        remove_leftovers(out)
        stage = Path(tempfile.mkdtemp(prefix=PREFIX, dir=out))
        with held(stage):
            yield stage
            put_in_place(stage, out, last=ANALYSIS_NAME)
    except OSError as error:
        raise output_error(out, error) from error
    finally:
        if stage is not None and stage.is_dir() and not (stage / WHOLE).exists():
            with suppress(OSError):
                remove_stage(stage)
        if made and out.is_dir() and not any(out.iterdir()):
            out.rmdir()


def analyse_track(track: Track, options: Options) -> Analysis:
    """Measures, scores and cues of a track; no video is read.

    Raises
    ------
    MotionError, ProfileError
    """
    from technique.analyse import Athlete, analyse
    from technique.targets import load_profile

    athlete = Athlete(
        stature_m=options.stature_m,
        mass_kg=options.mass_kg,
        leg_length_m=options.leg_length_m,
        sex=options.sex,
        minor=options.minor,
        injury=options.injury,
    )
    return analyse(
        track,
        load_profile(options.profile),
        athlete,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        version=version("laneside"),
    )


def track_clip(
    clip: Path, options: Options, progress: Progress = silent, threads: int | None = None
) -> Track:
    """The athlete's landmarks of a clip; ClipError, AthleteError, OptionError."""
    from vision.track_clip import TrackRequest
    from vision.track_clip import track_clip as follow

    request = TrackRequest(
        capture_rate_hz=options.capture_rate_hz,
        stature_m=options.stature_m,
        belt_speed_mps=options.belt_speed_mps,
        athlete=None
        if options.athlete is None
        else (options.athlete.x_px, options.athlete.y_px, options.athlete.time_s),
        marked=None
        if options.marked is None
        else (
            (options.marked.x1_px, options.marked.y1_px),
            (options.marked.x2_px, options.marked.y2_px),
            options.marked.metres,
        ),
        weights=options.weights,
        effort=options.effort,
    )
    return follow(clip, request, progress, threads=threads, kept=cache_folder() if options.cache else None)


def cache_folder() -> Path | None:
    """Where what was seen in a clip is kept: ``LANESIDE_CACHE`` ("off": nowhere), else the user's cache."""
    given = os.environ.get(CACHE_VARIABLE, "").strip()
    if given.lower() == "off":
        return None
    return Path(given).expanduser() if given else user_cache_path("laneside", appauthor=False) / "seen"


@contextmanager
def loaded_meanwhile() -> Iterator[None]:
    """Load the modules that are needed later while the block runs."""
    import vision.track_clip  # noqa: F401  first, since the block waits for it

    def load() -> None:
        for name in NEEDED_LATER:
            with suppress(Exception):  # whoever needs it will meet the same error and tell it
                import_module(name)

    thread = Thread(target=load, name="laneside-load", daemon=True)
    thread.start()
    try:
        yield
    finally:
        thread.join()


def measure_clip(
    clip: Path, out: Path, options: Options, progress: Progress = silent, threads: int | None = None
) -> Result:
    """Measure `clip` and write everything into `out`, in this process.

    Parameters
    ----------
    clip : Path
    out : Path
        Folder, made if missing. Nothing of an unfinished job stays in it.
    options : Options
    progress : Progress
    threads : int, optional
        Threads that look at the pictures; default: one for each core.

    Returns
    -------
    Result

    Raises
    ------
    LanesideError
        One sentence: what, why, what to do.
    """
    with staged_folder(out) as stage:
        analysis = fill_folder(clip, stage, options, threads, progress)
    return Result(analysis, out)


def measure_apart(
    clip: Path,
    out: Path,
    options: Options,
    progress: Progress = silent,
    threads: int | None = None,
    *,
    run: Run = in_child,
    heed: Callable[[], None] | None = None,
) -> Result:
    """As `measure_clip`, with the work in a process of its own: `run` and `heed` are those of `ui.apart`.

    The hidden folder is made and moved here, so that nothing half written stays whatever becomes of
    the child.
    """
    with staged_folder(out) as stage:
        analysis = run(
            fill_folder, clip, stage, options, threads, what=clip.name, progress=progress, heed=heed
        )
    return Result(analysis, out)


def fill_folder(
    clip: Path, folder: Path, options: Options, threads: int | None = None, progress: Progress = silent
) -> Analysis:
    """Measure `clip` and write everything into `folder`, which is there and empty; LanesideError."""
    from technique.targets import load_profile

    load_profile(options.profile)  # a wrong profile should not cost the user a pose run
    with loaded_meanwhile():
        track = track_clip(clip, options, progress, threads)
    analysis = analyse_track(track, options)
    return write_results(clip, track, analysis, folder, options, progress)


def write_results(
    clip: Path,
    track: Track,
    analysis: Analysis,
    folder: Path,
    options: Options,
    progress: Progress = silent,
    video: Path | None = None,
) -> Analysis:
    """Write tables, pictures, video and reports of an analysis into `folder`.

    Parameters
    ----------
    video : Path, optional
        An annotated video of this very analysis: it is kept instead of made again.

    Returns
    -------
    Analysis
        As written: with what was found out while writing.
    """
    from ui.annotated import write_annotated_video
    from ui.pictures import write_pictures
    from ui.report import write_reports
    from ui.tables import write_tables

    cover = None
    if options.face_hidden:
        from vision.head import head_cover

        cover = head_cover(track)
        analysis = replace(analysis, athlete={**analysis.athlete, "face": "hidden"})
    elif options.minor:
        analysis = replace(analysis, athlete={**analysis.athlete, "face": "shown"})
    write_tables(analysis, folder)
    write_track(track, folder / TRACK_NAME)

    def report(said: Progress) -> tuple[str, ...]:
        pictures = write_pictures(clip, track, analysis, folder, said, cover, options.imperial)
        return write_reports(analysis, pictures, folder, options.video, options.imperial)

    if options.video and video is not None:
        shutil.copyfile(video, folder / VIDEO_NAME)
        notes = report(progress)
    elif options.video:
        # Encoding leaves the interpreter free most of the time, setting the report does not.
        with ThreadPoolExecutor(1, thread_name_prefix="laneside-report") as beside:
            reporting = beside.submit(report, silent)
            write_annotated_video(clip, track, analysis, folder / VIDEO_NAME, progress, cover)
            notes = reporting.result()
    else:
        notes = report(progress)
    analysis = replace(analysis, notes=analysis.notes + notes)
    write_analysis(analysis, folder / ANALYSIS_NAME)
    return analysis


def check_clip(clip: Path, options: Options, progress: Progress = silent) -> list[Finding]:
    """What a clip is suited for, judged on a few frames; ClipError if it can't be read."""
    from vision.first_look import check_clip as look

    return [Finding(level, text) for level, text in look(clip, options.capture_rate_hz, progress)]


def check_apart(clip: Path, options: Options, progress: Progress = silent) -> list[Finding]:
    """As `check_clip`, in a process of its own."""
    return in_child(check_clip, clip, options, what=clip.name, progress=progress)
