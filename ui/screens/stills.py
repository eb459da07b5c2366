"""The stills of a result: those the measurement left behind, or drawn anew after a change by hand.

After a change by hand, or with other targets, the kept stills may show other frames and other cues
than the result now speaks of, and they may show lengths in units that the visitor did not ask for;
then each is drawn from its own frame, without numbers on it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import streamlit as st

from shared.analysis import Analysis
from shared.errors import LanesideError
from shared.units import other_unit
from ui.job import ANALYSIS_NAME
from ui.pictures import Picture, subjects
from ui.screens import store, stored, units
from ui.screens.correct import shown_track, stale_files

SMALL_PX: Final = 360
"""Width of a small still: twice what it is shown at, for dense screens."""
LARGE_PX: Final = 640


def pictures(job: store.Job, analysis: Analysis, folder: Path) -> list[Picture]:
    """Every still that can be shown, with its words."""
    told = [
        Picture(
            f"pictures/{subject.name}.jpg",
            subject.title,
            f"{subject.title}, {subject.side} side, frame {subject.frame}",
            subject.frame,
            float(analysis.time_s[np.abs(analysis.frame - subject.frame).argmin()]),
            subject.side,
            subject.keys,
            subject.cue_rank,
        )
        for subject in subjects(analysis)
    ]
    return told if stale_files(job) else [p for p in told if (folder / p.file).is_file()]


def still(job: store.Job, folder: Path, picture: Picture, width_px: int) -> bytes | None:
    """The still as JPEG; None where its frame can't be read any more."""
    try:
        other = units.chosen() != job.written and any(other_unit(key) for key in picture.keys)
        if not other and not stale_files(job):
            return stored.small_picture(folder / picture.file, width_px)
        return _drawn(job.key, (folder / ANALYSIS_NAME).stat().st_mtime, picture.frame)
    except (LanesideError, OSError):
        return None


@st.cache_data(max_entries=128, show_spinner=False)
def _drawn(key: str, changed: float, frame: int) -> bytes | None:
    job = store.read_job(key)
    if job is None:
        return None
    folder = store.result_folder(job)
    track = stored.track_of(folder)
    row = int(np.abs(track.frame - frame).argmin())
    return stored.drawn_frame(job, track, row, whole=False, skeleton=True, shown=shown_track(job, folder))
