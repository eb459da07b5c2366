"""Write a clip as an H.264 file with true time stamps, and its truth beside it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from sample_clips.render import frames
from sample_clips.spec import ClipSpec
from sample_clips.truth import Truth, save_truth, truth
from shared.progress import Progress, silent

CAPTURE_TAG = "com.android.capture.fps"


def truth_path(clip: str | Path) -> Path:
    """Where a clip's truth lies: beside it, ``NAME.truth.npz``."""
    clip = Path(clip)
    return clip.with_name(clip.stem + ".truth.npz")


def render_clip(spec: ClipSpec, path: str | Path, progress: Progress = silent) -> Truth:
    """Render a clip and its truth.

    Parameters
    ----------
    spec : ClipSpec
    path : path of an ``.mp4`` or ``.mov``
        The truth is written to `truth_path(path)`.
    progress : Progress

    Returns
    -------
    Truth
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.stem + ".part" + path.suffix)
    rate = spec.container_rate_hz or spec.capture_rate_hz
    base = Fraction(1, 90_000)
    turn = spec.turned_deg
    try:
        with av.open(str(part), "w", options={"movflags": "+faststart+use_metadata_tags"}) as box:
            if spec.capture_tag:
                box.metadata[CAPTURE_TAG] = f"{spec.capture_rate_hz:.6f}"
            stream = box.add_stream("libx264", rate=Fraction(rate).limit_denominator(1001))
            wide, tall = spec.camera.width, spec.camera.height
            stream.width, stream.height = (tall, wide) if turn % 180 else (wide, tall)
            stream.pix_fmt = "yuv420p"
            if turn:
                stream.set_display_rotation(turn)
            stream.time_base = base
            stream.codec_context.time_base = base
            stream.codec_context.options = {"crf": str(spec.crf), "preset": "veryfast"}
            stream.codec_context.thread_count = 1
            for i, picture in enumerate(frames(spec)):
                frame = av.VideoFrame.from_ndarray(_stored(picture, turn), format="rgb24")
                frame.pts = round((spec.start_s + i / rate) / base)
                frame.time_base = base
                box.mux(stream.encode(frame))
                progress("render", i + 1, spec.frames)
            box.mux(stream.encode(None))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    known = truth(spec)
    save_truth(known, truth_path(path))
    return known


def _stored(picture: NDArray[np.uint8], turn: int) -> NDArray[np.uint8]:
    """The picture as a sideways phone stores it (`turn` degrees back from upright)."""
    return np.ascontiguousarray(np.rot90(picture, k=-(turn // 90)))
