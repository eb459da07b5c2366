"""The annotated video: the clip with the measured body, angles and foot contacts drawn on it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Generator, Iterable
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from shared import landmarks as lm
from shared.analysis import Analysis
from shared.landmarks import Side
from shared.progress import Progress
from shared.track import Track
from ui import draw, look
from ui.pictures import overlay

if TYPE_CHECKING:
    from vision.clip import Frame
    from vision.head import HeadCover

MAX_HEIGHT_PX: Final = 720
"""Taller clips are scaled down: quick to make, plays on any phone."""

MOST_PER_S: Final = 240.5
"""Pictures per second of play-back. Who steps through the video wants every picture up to 240 a second;
a faster clip loses some here, never in what is measured."""
PICTURES_AHEAD: Final = 2

LEAD_S: Final = 0.5
"""Real seconds kept before the athlete is first and after the athlete is last seen."""


def write_annotated_video(
    clip: Path,
    track: Track,
    analysis: Analysis,
    path: Path,
    progress: Progress,
    cover: HeadCover | None = None,
) -> None:
    """Write the annotated video; play-back times are the clip's own.

    Parameters
    ----------
    clip : Path
    track : Track
    analysis : Analysis
    path : Path
        The .mp4 to write.
    progress : Progress
    cover : HeadCover, optional
        Hide the athlete's face.

    Raises
    ------
    ClipError, OutputError
    """
    from vision.ahead import ahead
    from vision.clip import frames
    from vision.clip_probe import probe
    from vision.video_writer import VideoWriter

    found = probe(clip)
    seen = np.isfinite(track.xy_px).any(axis=(1, 2))
    if not seen.any():
        return
    lead = max(1, round(LEAD_S * track.clip.capture_rate_hz))
    first = max(0, int(track.frame[seen][0]) - lead)
    last = min(track.clip.frames, int(track.frame[seen][-1]) + lead + 1)
    step = max(1, math.ceil(track.clip.container_rate_hz / MOST_PER_S))
    decoded = ahead(
        frames(found, start=first, stop=last, step=step, max_height=MAX_HEIGHT_PX), PICTURES_AHEAD
    )
    # The writer lives in the stack, so that an error or a stop removes the unfinished file.
    with ExitStack() as stack:
        # Decoding, drawing and encoding each have a thread; this one encodes.
        coming = stack.enter_context(closing(ahead(_drawn(decoded, track, analysis, cover), PICTURES_AHEAD)))
        writer: VideoWriter | None = None
        start_s = 0.0
        for count, (frame, picture) in enumerate(coming):
            if writer is None:
                height, width = picture.shape[:2]
                writer = stack.enter_context(VideoWriter(path, width, height, tick=found.tick))
                start_s = frame.pts_s
            writer.write(picture, frame.pts_s - start_s)
            if count % 8 == 0:
                progress("annotated video", frame.index - first, last - first)
    progress("annotated video", last - first, last - first)


def _drawn(
    decoded: Iterable[Frame], track: Track, analysis: Analysis, cover: HeadCover | None
) -> Generator[tuple[Frame, NDArray[np.uint8]], None, None]:
    """Each frame and its picture with everything drawn on it."""
    from vision.head import without_face

    factor = min(1.0, MAX_HEIGHT_PX / track.clip.height)
    thickness = max(1.5, track.quality.runner_height_px * factor / 130)
    sample_of = {int(f): i for i, f in enumerate(track.frame)}
    down = contacts(analysis, track.time_s)
    angle_row = {int(f): i for i, f in enumerate(analysis.frame)}
    with ExitStack() as stack:
        if isinstance(decoded, Generator):
            stack.enter_context(closing(decoded))
        for frame in decoded:
            if cover is not None:
                frame = replace(frame, rgb=without_face(frame.rgb, cover, frame.index, factor))
            sample = sample_of.get(frame.index)
            if sample is None:
                yield frame, frame.rgb
                continue
            xy = track.xy_px[sample] * factor
            picture = overlay(frame.rgb, xy, track.labelling.near_side, thickness)
            _mark_contacts(picture, xy, {s: bool(d[sample]) for s, d in down.items()}, analysis.near_side)
            row = angle_row.get(frame.index)
            if row is not None:
                _readings(picture, analysis, row)
            yield frame, np.asarray(picture)


def contacts(analysis: Analysis, time_s: NDArray[np.float64]) -> dict[Side, NDArray[np.bool_]]:
    """For each side, whether the foot is on the ground at each time, (T,) bool.

    A contact counts only between a touchdown and the toe-off that follows it.
    """
    sides: tuple[Side, Side] = ("left", "right")
    out: dict[Side, NDArray[np.bool_]] = {s: np.zeros(len(time_s), dtype=bool) for s in sides}
    for side in sides:
        events = sorted((e for e in analysis.events if e.side == side), key=lambda e: e.time_s)
        for landing, leaving in itertools.pairwise(events):
            if landing.kind == "touchdown" and leaving.kind == "toe_off":
                out[side] |= (time_s >= landing.time_s) & (time_s <= leaving.time_s)
    return out


def _mark_contacts(picture: Image.Image, xy: NDArray[np.float64], down: dict[Side, bool], near: Side) -> None:
    """A bar under a foot that is on the ground: filled for the near foot, open for the far one."""
    pen = ImageDraw.Draw(picture)
    for side, on in down.items():
        heel, toe = xy[lm.index("heel", side)], xy[lm.index("foot_index", side)]
        if not on or not np.isfinite([heel, toe]).all():
            continue
        left, right = sorted((float(heel[0]), float(toe[0])))
        y = float(max(heel[1], toe[1])) + 5
        colour = look.NEAR_ON_PICTURE if side == near else look.FAR_ON_PICTURE
        box = [left - 3, y, right + 3, y + 6]
        pen.rectangle(box, fill=colour if side == near else None, outline=colour, width=2)


def _readings(picture: Image.Image, analysis: Analysis, row: int) -> None:
    """The moment's angles in the corner; an angle that isn't measurable is left out."""
    near = analysis.near_side
    said = []
    for key, name in ((f"thigh_{near}", "thigh"), (f"knee_{near}", "knee"), ("trunk_lean", "trunk")):
        values = analysis.angles.get(key)
        if values is not None and row < len(values) and math.isfinite(values[row]):
            said.append(f"{name} {values[row]:.0f}°".replace("-", "\N{MINUS SIGN}"))
    text = f"{analysis.time_s[row]:.3f} s   " + "   ".join(said)
    size = max(13, picture.height // 40)
    font = draw.font(size)
    left, top, right, bottom = font.getbbox(text)
    pen = ImageDraw.Draw(picture)
    pen.rectangle([8, 8, 8 + right - left + 14, 8 + bottom - top + 12], fill=(13, 20, 26))
    pen.text((15 - left, 14 - top), text, font=font, fill="#FFFFFF")
