"""Keeping measured clips in an athlete's history, and taking everything derived away again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from shared import history as H
from shared.analysis import Analysis
from shared.analysis_json import read_analysis
from shared.errors import LanesideError, OptionError
from shared.progress import Progress, silent
from ui.clip_places import forget_clips, remember_clip
from ui.history_find import ANALYSIS_NAME, id_of
from ui.leftovers import put_back

if TYPE_CHECKING:
    from ui.options import Options

RESULTS: Final = "results"
OURS: Final = (
    ANALYSIS_NAME,
    "track.npz",
    "measures.csv",
    "steps.csv",
    "angles.csv",
    "report.html",
    "report.pdf",
    "annotated.mp4",
    "curves.svg",
    "by_hand.json",
)
"""Files that a measurement writes; a folder may hold others, which are the user's."""


@dataclass(frozen=True)
class Kept:
    """One clip that was kept.

    Attributes
    ----------
    analysis : Analysis
    folder : Path
    saved : Saved
    """

    analysis: Analysis
    folder: Path
    saved: H.Saved


@dataclass(frozen=True)
class Recorded:
    """What `record` did.

    Attributes
    ----------
    session : Session
    clips : tuple of Kept
    failed : tuple of LanesideError
        One for each clip that could not be measured; the others are kept all the same.
    """

    session: H.Session
    clips: tuple[Kept, ...]
    failed: tuple[LanesideError, ...]


def record(
    history: H.History,
    session: H.Session,
    sources: Sequence[Path],
    options: Options | None = None,
    out: Path | None = None,
    progress: Progress = silent,
) -> Recorded:
    """Measure clips, or take finished results, and keep them as the passes of one session.

    Parameters
    ----------
    history : History
    session : Session
        A new one is saved with the first clip that could be measured; one that has an id is added to.
    sources : sequence of Path
        Video files and result folders.
    options : Options, optional
        For the measurement; body sizes that are not said come from the athlete.
    out : Path, optional
        Where results of measured clips go; default beside the history file.
    progress : Progress

    Raises
    ------
    LanesideError
        If nothing could be kept.
    """
    if not sources:
        raise OptionError("record", "there is no clip", "give video files or result folders")
    athlete = H.athlete(history, session.athlete)
    done: list[tuple[Analysis, Path]] = []
    failed: list[LanesideError] = []
    base = out or history.path.parent / RESULTS / f"{session.date[:10]}-{id_of(athlete)[:8]}"
    for source in sources:
        try:
            done.append(_finished(source, base, with_body(options, athlete), progress))
        except LanesideError as error:
            failed.append(error)
    if not done:
        raise failed[0]
    with H.writing(history):
        day = session if session.id is not None else H.save_session(history, session)
        kept = tuple(Kept(a, f, H.save_analysis(history, a, id_of(day), f)) for a, f in done)
    return Recorded(day, kept, tuple(failed))


def with_body(options: Options | None, athlete: H.Athlete) -> Options:
    """The options with what the history knows of the athlete, where nothing was said."""
    from ui.options import Options as Chosen

    said = options or Chosen()
    return replace(
        said,
        stature_m=said.stature_m or athlete.stature_m,
        mass_kg=said.mass_kg or athlete.mass_kg,
        leg_length_m=said.leg_length_m or athlete.leg_length_m,
        sex=said.sex or athlete.sex,
        minor=said.minor or athlete.minor,
    )


def _finished(source: Path, base: Path, options: Options, progress: Progress) -> tuple[Analysis, Path]:
    if source.is_dir() or source.name == ANALYSIS_NAME:
        file = source / ANALYSIS_NAME if source.is_dir() else source
        if not file.is_file():
            put_back(file.parent)
        if not file.is_file():
            raise OptionError(
                str(source), "there is no analysis.json in it", "give a video or a folder made by measure"
            )
        return read_analysis(file), file.parent
    from ui.job import measure_apart

    folder = _free_folder(base, source.stem)
    result = measure_apart(source, folder, options, progress)
    remember_clip(result.analysis.clip.sha256, source)
    return result.analysis, folder


def _free_folder(base: Path, stem: str) -> Path:
    """A folder for a result that is not in use yet."""
    number, folder = 1, base / stem
    while (folder / ANALYSIS_NAME).exists():
        number += 1
        folder = base / f"{stem}-{number}"
    return folder


def _content(folder: Path) -> str | None:
    """Content of the clip of a result."""
    try:
        return str(json.loads((folder / ANALYSIS_NAME).read_text(encoding="utf-8"))["clip"]["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def remove_results(folders: Sequence[Path]) -> tuple[Path, ...]:
    """Delete what measurements wrote into folders, and the folders where nothing else is in them.

    What is kept of the clips for measuring them again goes too, and where they lie.

    Returns
    -------
    tuple of Path
        Folders from which something of ours could not be deleted.
    """
    from ui.privacy import forget_seen

    forget_seen()
    forget_clips({found for folder in folders if (found := _content(folder))})
    left = []
    for folder in folders:
        if folder.name == "result" and (folder.parent / "job.json").is_file():
            # The page's own folder of one clip: the clip goes too.
            shutil.rmtree(folder.parent, ignore_errors=True)
            if folder.parent.exists():
                left.append(folder.parent)
            continue
        for name in OURS:
            with suppress(OSError):
                (folder / name).unlink(missing_ok=True)
        shutil.rmtree(folder / "pictures", ignore_errors=True)
        own_parent = [folder.parent] if folder.parent.parent.name == RESULTS else []
        for empty in (folder, *own_parent):
            with suppress(OSError):
                empty.rmdir()
        if any((folder / name).exists() for name in (*OURS, "pictures")):
            left.append(folder)
    return tuple(left)
