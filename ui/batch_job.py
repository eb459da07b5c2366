"""One clip of a batch: what is asked, what its result is known by, and the doing of it."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Final

from shared.errors import Cancelled, LanesideError
from shared.files import write_text
from shared.progress import Progress, silent
from ui.apart import Run, in_child
from ui.batch_table import Row
from ui.job import ANALYSIS_NAME, measure_apart
from ui.leftovers import put_back
from ui.options import Options

MARK_NAME: Final = "measured_as.json"
"""Beside an analysis: the clip's content and the options it was measured with."""


@dataclass(frozen=True)
class Job:
    """A clip to measure.

    Attributes
    ----------
    place : int
        Its line in the table.
    clip, folder : Path
        The video, and where its result goes.
    mark : dict
        See `job_mark`.
    """

    place: int
    clip: Path
    folder: Path
    mark: dict[str, object]


def job_mark(sha256: str, options: Options) -> dict[str, object]:
    """What makes two measurements the same: content, program, profile and options."""
    from technique.targets import load_profile

    said = asdict(replace(options, cache=True))
    for name in ("profile", "weights"):  # the folders they lie in are nobody's business
        said[name] = said[name] and Path(said[name]).name
    plain: dict[str, object] = json.loads(json.dumps(said, default=str))
    return {
        "sha256": sha256,
        "version": version("laneside"),
        "profile": load_profile(options.profile).sha256,
        "options": plain,
    }


def is_done(job: Job) -> bool:
    """Whether the result of just this measurement lies whole in its folder."""
    try:
        found = json.loads((job.folder / MARK_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return bool(found == job.mark and (job.folder / ANALYSIS_NAME).is_file())


def measure_job(
    job: Job,
    options: Options,
    threads: int,
    progress: Progress = silent,
    *,
    run: Run = in_child,
    heed: Callable[[], None] | None = None,
) -> Row:
    """Measure the clip into its folder, in a process of its own; a failure is told in the row.

    `run` and `heed` are those of `ui.apart`; `Cancelled` is raised.
    """
    put_back(job.folder)
    for left in job.folder.glob(".part-*"):  # of a run that was killed
        shutil.rmtree(left, ignore_errors=True)
    try:
        measure_apart(job.clip, job.folder, options, progress, threads, run=run, heed=heed)
        write_text(job.folder / MARK_NAME, json.dumps(job.mark, indent=1))
    except Cancelled:
        raise
    except LanesideError as error:
        return Row(job.clip, "failed", None, str(error))
    except Exception as error:
        why = f"{job.clip.name}: the program itself failed on this clip ({type(error).__name__}: {error})"
        return Row(job.clip, "failed", None, " ".join(why.split()))
    return Row(job.clip, "measured", job.folder)
