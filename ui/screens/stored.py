"""A finished result as it lies on disk, and pictures of single frames, decoded when asked for."""

from __future__ import annotations

import io
import json
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import streamlit as st
from PIL import Image

from shared.analysis import Analysis
from shared.analysis_json import from_document
from shared.errors import LanesideError
from shared.track import Track
from shared.track_file import read_track
from ui.apart import in_child
from ui.job import ANALYSIS_NAME, TRACK_NAME
from ui.leftovers import put_back
from ui.pictures import overlay
from ui.screens import store
from ui.screens.frames import CLOSE_HEIGHT_PX, WHOLE_HEIGHT_PX, close_up, decode_frames

CHUNK_BEFORE: Final = 4
CHUNK: Final = 24
"""Frames decoded together: the neighbours of a frame are usually wanted next."""


@st.cache_data(max_entries=32, show_spinner=False)
def _analysis(path: str, changed: float) -> Analysis:
    try:
        document = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise LanesideError(
            ANALYSIS_NAME, "the stored result can't be read", "measure the clip again"
        ) from error
    return from_document(document, ANALYSIS_NAME)


def analysis_of(folder: Path) -> Analysis:
    """The stored analysis; LanesideError if it can't be read."""
    path = folder / ANALYSIS_NAME
    if not path.is_file():
        put_back(folder)  # of a program that was killed while it replaced the result
    try:
        changed = path.stat().st_mtime
    except OSError as error:
        raise LanesideError(ANALYSIS_NAME, "the stored result is gone", "measure the clip again") from error
    return _analysis(str(path), changed)


@st.cache_resource(max_entries=16, show_spinner=False)
def _track(path: str, changed: float) -> Track:
    return read_track(Path(path))


def track_of(folder: Path) -> Track:
    """The stored track; LanesideError if it can't be read."""
    path = folder / TRACK_NAME
    return _track(str(path), path.stat().st_mtime if path.exists() else 0.0)


@st.cache_data(max_entries=128, show_spinner=False)
def _small(path: str, changed: float, width_px: int) -> bytes:
    with Image.open(path) as picture:
        if picture.width <= width_px:
            return Path(path).read_bytes()
        out = io.BytesIO()
        picture.draft("RGB", (width_px, picture.height))
        size = (width_px, round(picture.height * width_px / picture.width))
        picture.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=85)
    return out.getvalue()


def small_picture(path: Path, width_px: int) -> bytes:
    """A kept JPEG no wider than asked for, so that a page of stills stays light; OSError if it is gone."""
    return _small(str(path), path.stat().st_mtime, width_px)


@dataclass(frozen=True)
class View:
    """A part of the clip's upright picture, and the size it is shown at.

    Attributes
    ----------
    left, top : float
        Upright px of the clip.
    zoom : float
        Shown px per px of the clip.
    """

    left: float
    top: float
    zoom: float


@st.cache_resource(show_spinner=False)
def _one_at_a_time() -> threading.Lock:
    """Frames that are missing are decoded by one child at a time, whoever asks."""
    return threading.Lock()


def frame_picture(job: store.Job, track: Track, sample: int, whole: bool) -> tuple[bytes, View]:
    """One frame as JPEG, and where it lies in the clip; kept on disk once decoded.

    Parameters
    ----------
    job : Job
    track : Track
        As measured, before anything was put right by hand, so that the box stays the same.
    sample : int
    whole : bool
        The whole picture instead of the close-up.

    Raises
    ------
    ClipError, OutputError
    """
    folder = store.job_folder(job.key) / store.FRAMES
    number = int(track.frame[sample])
    path = folder / f"{'whole' if whole else 'close'}-{number}.jpg"
    if not path.is_file():
        with _one_at_a_time():
            if not path.is_file():
                first = number - CHUNK_BEFORE
                in_child(decode_frames, job, track, first, first + CHUNK, what=job.name)
    if whole:
        return path.read_bytes(), View(0.0, 0.0, min(1.0, WHOLE_HEIGHT_PX / track.clip.height))
    left, top, _, height = close_up(track, sample)
    return path.read_bytes(), View(float(left), float(top), CLOSE_HEIGHT_PX / height)


def drawn_frame(
    job: store.Job, track: Track, sample: int, *, whole: bool, skeleton: bool, shown: Track | None = None
) -> bytes:
    """A frame with the measured body on it, as JPEG.

    Parameters
    ----------
    job, track, sample, whole
        As for `frame_picture`.
    skeleton : bool
        Draw the body.
    shown : Track, optional
        The track to draw where it differs from `track`.
    """
    data, view = frame_picture(job, track, sample, whole)
    if not skeleton:
        return data
    picture = Image.open(io.BytesIO(data)).convert("RGB")
    thickness = max(1.5, track.quality.runner_height_px * view.zoom / 120)
    xy = ((shown or track).xy_px[sample] - [view.left, view.top]) * view.zoom
    out = io.BytesIO()
    overlay(np.asarray(picture), xy, track.labelling.near_side, thickness).save(out, "JPEG", quality=84)
    return out.getvalue()
