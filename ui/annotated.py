"""The annotated video: the clip with the measured body, angles and foot contacts drawn on it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Generator, Iterable
from contextlib import ExitStack, closing
from functools import lru_cache
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
from shared.units import written
from ui import draw, look

if TYPE_CHECKING:
    from vision.head import HeadCover
    from vision.planes import Planes

MAX_HEIGHT_PX: Final = 720
"""Taller clips are scaled down: quick to make, plays on any phone."""

MOST_PER_S: Final = 240.5
"""Pictures per second of play-back. Who steps through the video wants every picture up to 240 a second;
a faster clip loses some here, never in what is measured."""
PICTURES_AHEAD: Final = 2
INK: Final = (255, 255, 255)
PLATE: Final = (13, 20, 26)
RIM: Final = (16, 16, 16)
"""Colour round lines and dots, so that they show on light and dark grounds."""

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
    from vision.clip_probe import probe
    from vision.planes import planes
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
        planes(found, start=first, stop=last, step=step, max_height=MAX_HEIGHT_PX), PICTURES_AHEAD
    )
    # The writer lives in the stack, so that an error or a stop removes the unfinished file.
    with ExitStack() as stack:
        # Decoding, drawing and encoding each have a thread; this one encodes.
        coming = stack.enter_context(closing(ahead(_drawn(decoded, track, analysis, cover), PICTURES_AHEAD)))
        writer: VideoWriter | None = None
        start_s = 0.0
        for count, picture in enumerate(coming):
            if writer is None:
                writer = stack.enter_context(
                    VideoWriter(path, picture.width, picture.height, tick=found.tick, coding=picture.coding)
                )
                start_s = picture.pts_s
            writer.write_planes(picture.yuv, picture.pts_s - start_s)
            if count % 8 == 0:
                progress("annotated video", picture.index - first, last - first)
    progress("annotated video", last - first, last - first)


def _drawn(
    decoded: Iterable[Planes], track: Track, analysis: Analysis, cover: HeadCover | None
) -> Generator[Planes, None, None]:
    """Each picture with everything drawn on it."""
    from vision.head import hide_face

    factor = min(1.0, MAX_HEIGHT_PX / track.clip.height)
    thickness = max(1.5, track.quality.runner_height_px * factor / 130)
    times = np.interp(np.arange(track.clip.frames), track.frame, track.time_s)
    down = contacts(analysis, times)
    angle_row = {int(f): i for i, f in enumerate(analysis.frame)}
    row: int | None = None
    near = track.labelling.near_side
    with ExitStack() as stack:
        if isinstance(decoded, Generator):
            stack.enter_context(closing(decoded))
        for picture in decoded:
            if cover is not None:
                hide_face(picture, cover, factor)
            xy = draw.points_at(track, picture.index)
            row = angle_row.get(picture.index, row)
            if xy is not None:
                draw_body(picture, xy * factor, near, thickness)
                on = {s: bool(d[picture.index]) for s, d in down.items()}
                _mark_contacts(picture, xy * factor, on, near)
                if row is not None:
                    text = _readings(analysis, row)
                    picture.stencil(
                        _plate(text, max(10, min(picture.height // 40, picture.width // 28))),
                        8,
                        8,
                        INK,
                        PLATE,
                    )
            yield picture


def draw_body(picture: Planes, xy: NDArray[np.float64], near: Side, thickness: float) -> None:
    """Trunk and limbs on a picture: near solid and thick, far dashed and thin, each with a dark rim.

    Parameters
    ----------
    picture : Planes
    xy : (33, 2) array
        Picture px; NaN points are left out.
    near : {"left", "right"}
    thickness : float
        Width of the near limbs, px.
    """
    radius = 1.2 * thickness
    for layer in draw.skeleton(xy, near):
        width = max(1.0, thickness * layer.width)
        pieces = [(_point(a), _point(b)) for a, b in layer.bones if np.isfinite([a, b]).all()]
        if layer.dashed:
            pieces = [piece for a, b in pieces for piece in draw.dashes(a, b, 4 * width, 2.5 * width)]
        dots = [_point(joint) for joint in layer.joints if np.isfinite(joint).all()]
        picture.lines(pieces, RIM, width + 2)
        picture.discs(dots, radius + 1, RIM)
        picture.lines(pieces, draw.rgb(layer.colour), width)
        picture.discs(dots, radius, draw.rgb(layer.colour))


def _point(place: NDArray[np.float64]) -> draw.Point:
    return (float(place[0]), float(place[1]))


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


def _mark_contacts(picture: Planes, xy: NDArray[np.float64], down: dict[Side, bool], near: Side) -> None:
    """A bar under a foot that is on the ground: filled for the near foot, open for the far one."""
    for side, on in down.items():
        heel, toe = xy[lm.index("heel", side)], xy[lm.index("foot_index", side)]
        if not on or not np.isfinite([heel, toe]).all():
            continue
        left, right = sorted((float(heel[0]), float(toe[0])))
        y = float(max(heel[1], toe[1])) + 5
        colour = look.NEAR_ON_PICTURE if side == near else look.FAR_ON_PICTURE
        picture.bar(left - 3, y, right + 3, y + 6, draw.rgb(colour), filled=side == near)


def _readings(analysis: Analysis, row: int) -> str:
    """The moment's angles; one that isn't measurable is left out."""
    near = analysis.near_side
    said = []
    for key, name in ((f"thigh_{near}", "thigh"), (f"knee_{near}", "knee"), ("trunk_lean", "trunk")):
        values = analysis.angles.get(key)
        if values is not None and row < len(values) and math.isfinite(values[row]):
            said.append(f"{name} {written(values[row], 0)}°")
    return f"{analysis.time_s[row]:.3f} s   " + "   ".join(said)


def _plate(text: str, size: int) -> NDArray[np.uint8]:
    """Where the ink of a line of text lies, with a margin, (h, w) 0..255."""
    return np.pad(np.concatenate([_letter(letter, size) for letter in text], axis=1), ((2, 2), (7, 7)))


@lru_cache(maxsize=256)
def _letter(letter: str, size: int) -> NDArray[np.uint8]:
    """One letter of the picture font. Letters are set one by one: drawing a line anew costs far more."""
    font = draw.font(size)
    picture = Image.new("L", (max(1, round(font.getlength(letter))), sum(font.getmetrics())))
    ImageDraw.Draw(picture).text((0, 0), letter, font=font, fill=255)
    return np.asarray(picture)
