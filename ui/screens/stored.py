"""A finished result as it lies on disk, and pictures of single frames, decoded when asked for."""

from __future__ import annotations

import io
import json
import math
import os
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import streamlit as st
from PIL import Image

from shared import landmarks as lm
from shared.analysis import Analysis
from shared.analysis_json import from_document
from shared.errors import LanesideError
from shared.files import output_error
from shared.track import Track
from shared.track_file import read_track
from ui.job import ANALYSIS_NAME, TRACK_NAME
from ui.pictures import Picture, overlay, subjects
from ui.screens import store

WHOLE_HEIGHT_PX: Final = 540
CLOSE_HEIGHT_PX: Final = 560
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


def pictures_of(analysis: Analysis, folder: Path) -> list[Picture]:
    """The stills that the measurement left behind."""
    found = []
    for subject in subjects(analysis):
        file = f"pictures/{subject.name}.jpg"
        if (folder / file).is_file():
            time_s = float(analysis.time_s[abs(analysis.frame - subject.frame).argmin()])
            found.append(
                Picture(
                    file,
                    subject.title,
                    f"{subject.title}, {subject.side} side, frame {subject.frame}",
                    subject.frame,
                    time_s,
                    subject.side,
                    subject.keys,
                    subject.cue_rank,
                )
            )
    return found


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


def close_up(track: Track, sample: int) -> tuple[int, int, int, int]:
    """Box about the athlete, the same size in every frame: left, top, width, height, upright px."""
    hips = 0.5 * (track.xy_px[:, lm.index("hip", "left")] + track.xy_px[:, lm.index("hip", "right")])
    seen = np.isfinite(hips).all(axis=1)
    size = track.quality.runner_height_px
    if not seen.any() or not math.isfinite(size):
        return (0, 0, track.clip.width, track.clip.height)
    at = np.arange(len(hips))
    x, y = (float(np.interp(sample, at[seen], hips[seen, axis])) for axis in (0, 1))
    height = int(min(track.clip.height, max(60.0, 1.5 * size)))
    width = int(min(track.clip.width, height))
    left = int(min(max(0.0, x - width / 2), track.clip.width - width))
    top = int(min(max(0.0, y - 0.5 * height), track.clip.height - height))
    return (left, top, width, height)


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
        decode_frames(job, track, number - CHUNK_BEFORE, number - CHUNK_BEFORE + CHUNK)
    if whole:
        return path.read_bytes(), View(0.0, 0.0, min(1.0, WHOLE_HEIGHT_PX / track.clip.height))
    left, top, _, height = close_up(track, sample)
    return path.read_bytes(), View(float(left), float(top), CLOSE_HEIGHT_PX / height)


def decode_frames(job: store.Job, track: Track, start: int, stop: int) -> None:
    """Decode ``start..stop`` for the viewer, close up and whole; what is there already is kept.

    Where the athlete's face is to be hidden it is hidden here, so that no picture with it is kept.
    """
    from vision.clip import frames
    from vision.clip_probe import probe
    from vision.head import head_cover, without_face

    folder = store.job_folder(job.key) / store.FRAMES
    folder.mkdir(parents=True, exist_ok=True)
    cover = head_cover(track) if job.options.face_hidden else None
    sample_of = {int(f): i for i, f in enumerate(track.frame)}
    for frame in frames(probe(store.clip_path(job)), start=max(0, start), stop=stop):
        rgb = frame.rgb if cover is None else without_face(frame.rgb, cover, frame.index)
        picture = Image.fromarray(rgb)
        if frame.index in sample_of:
            left, top, width, height = close_up(track, sample_of[frame.index])
            size = (round(width * CLOSE_HEIGHT_PX / height), CLOSE_HEIGHT_PX)
            part = picture.crop((left, top, left + width, top + height)).resize(
                size, Image.Resampling.BICUBIC
            )
            _keep(part, folder / f"close-{frame.index}.jpg")
        if picture.height > WHOLE_HEIGHT_PX:
            size = (round(picture.width * WHOLE_HEIGHT_PX / picture.height), WHOLE_HEIGHT_PX)
            picture = picture.resize(size, Image.Resampling.BICUBIC)
        _keep(picture, folder / f"whole-{frame.index}.jpg")


def _keep(picture: Image.Image, path: Path) -> None:
    """Written whole but not forced to the disk: hundreds of these are only a cache."""
    if not path.is_file():
        part = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}")
        try:
            picture.save(part, "JPEG", quality=84)
            part.replace(path)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise output_error(path, error) from error


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
