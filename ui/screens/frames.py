"""Frames of a clip decoded for the viewer and kept as small pictures; run in a child (`ui.apart`)."""

from __future__ import annotations

import math
import os
import threading
from pathlib import Path
from typing import Final

import numpy as np
from PIL import Image

from shared import landmarks as lm
from shared.files import output_error
from shared.progress import Progress, silent
from shared.track import Track
from ui.screens import store

WHOLE_HEIGHT_PX: Final = 540
CLOSE_HEIGHT_PX: Final = 560


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


def decode_frames(job: store.Job, track: Track, start: int, stop: int, progress: Progress = silent) -> None:
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
    start = max(0, start)
    for frame in frames(probe(store.clip_path(job)), start=start, stop=stop):
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
        progress("frames for the viewer", frame.index - start + 1, stop - start)


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
