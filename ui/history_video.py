"""Two clips side by side, in step: synchronised by gait cycle, not by clock."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from shared import landmarks as lm
from shared.analysis import Analysis
from shared.errors import LanesideError
from shared.progress import Progress, silent
from shared.track import Track
from ui import draw, look
from ui.pictures import overlay

FloatArray = NDArray[np.float64]

HEIGHT_PX: Final = 480
WIDTH_PX: Final = 360
HEAD_PX: Final = 44
RATE_HZ: Final = 30
SHOWN_CYCLE_S: Final = 2.0
"""One gait cycle lasts this long on screen: slow motion, the same for both."""
MOST_CYCLES: Final = 6


@dataclass(frozen=True)
class Side:
    """One clip of the pair.

    Attributes
    ----------
    clip : Path
    track : Track
    analysis : Analysis
    label : str
    """

    clip: Path
    track: Track
    analysis: Analysis
    label: str


def cycle_starts(analysis: Analysis) -> FloatArray:
    """Touchdowns of the near foot, s: the longest row without a missing one.

    A gap of more than 1.5 times the median breaks the row.
    """
    found = np.array(
        sorted(e.time_s for e in analysis.events if e.kind == "touchdown" and e.side == analysis.near_side)
    )
    if len(found) < 2:
        return found
    gaps = np.diff(found)
    rows = np.split(found, np.flatnonzero(gaps > 1.5 * np.median(gaps)) + 1)
    return max(rows, key=len)


def cycle_times(starts: FloatArray, cycles: int, steps: int) -> FloatArray:
    """Moments of a clip at equal steps of the gait cycle.

    Parameters
    ----------
    starts : (n,) array
        Touchdowns, s; n > cycles.
    cycles : int
    steps : int
        Pictures per cycle.

    Returns
    -------
    (cycles * steps + 1,) array
        At whole multiples of `steps` exactly the touchdowns.
    """
    phase = np.arange(cycles * steps + 1) / steps
    out: FloatArray = np.interp(phase, np.arange(cycles + 1), starts[: cycles + 1])
    return out


def write_pair_video(before: Side, after: Side, path: Path, progress: Progress = silent) -> int:
    """Write the two clips side by side, the near foot landing at the same moment in both.

    Returns
    -------
    int
        Whole gait cycles shown.

    Raises
    ------
    LanesideError
        If a clip shows no whole gait cycle, or can't be read.
    """
    from vision.video_writer import VideoWriter

    starts = [cycle_starts(s.analysis) for s in (before, after)]
    cycles = min(MOST_CYCLES, *(len(s) - 1 for s in starts))
    if cycles < 1:
        raise LanesideError(
            path.name,
            "one of the clips shows no whole gait cycle of the near foot",
            "film a pass with at least two landings of the near foot",
        )
    steps = round(SHOWN_CYCLE_S * RATE_HZ)
    times = [cycle_times(s, cycles, steps) for s in starts]
    pictures = [_pictures(side, t) for side, t in zip((before, after), times)]
    count = cycles * steps + 1
    with VideoWriter(path, 2 * WIDTH_PX + 4, HEIGHT_PX + HEAD_PX, tick=Fraction(1, 90_000)) as writer:
        for i, (left, right) in enumerate(zip(*pictures)):
            writer.write(_pair(left, right, before, after, times, i, steps), i / RATE_HZ)
            if i % 10 == 0:
                progress("side-by-side video", i, count)
    progress("side-by-side video", count, count)
    return cycles


def _pictures(side: Side, times: FloatArray) -> Generator[Image.Image, None, None]:
    """The athlete at each of the rising times; every frame is decoded once."""
    from vision.clip import frames
    from vision.clip_probe import probe
    from vision.head import head_cover, without_face

    cover = head_cover(side.track) if _face_hidden(side.analysis) else None
    samples = np.abs(side.track.time_s[None, :] - times[:, None]).argmin(axis=1)
    wanted = side.track.frame[samples]
    boxes = _boxes(side.track)
    shown: Image.Image | None = None
    at = 0
    for frame in frames(probe(side.clip), start=int(wanted[0]), stop=int(wanted[-1]) + 1):
        if at >= len(wanted):
            return
        if frame.index < wanted[at]:
            continue
        sample = int(samples[at])
        left, top, width, height = boxes[sample]
        whole = overlay(
            frame.rgb if cover is None else without_face(frame.rgb, cover, frame.index),
            side.track.xy_px[sample],
            side.track.labelling.near_side,
            max(1.5, side.track.quality.runner_height_px / 130),
        )
        shown = whole.crop((left, top, left + width, top + height)).resize(
            (WIDTH_PX, HEIGHT_PX), Image.Resampling.BICUBIC
        )
        while at < len(wanted) and wanted[at] <= frame.index:
            yield shown
            at += 1


def _face_hidden(analysis: Analysis) -> bool:
    """As it was when the clip was measured; of a minor unless the user asked otherwise then."""
    face = analysis.athlete.get("face")
    return face == "hidden" or (face != "shown" and analysis.athlete.get("minor") == "yes")


def _boxes(track: Track) -> list[tuple[int, int, int, int]]:
    """A box of one size that follows the hips: left, top, width, height, px of the clip."""
    hips = 0.5 * (track.xy_px[:, lm.index("hip", "left")] + track.xy_px[:, lm.index("hip", "right")])
    seen = np.isfinite(hips).all(axis=1)
    at = np.arange(len(hips))
    size = track.quality.runner_height_px
    height = 1.5 * size if np.isfinite(size) else float(track.clip.height)
    height = min(max(height, 60.0), float(track.clip.height), track.clip.width * HEIGHT_PX / WIDTH_PX)
    width = height * WIDTH_PX / HEIGHT_PX
    middle = (track.clip.width / 2, track.clip.height / 2)
    x, y = (
        np.interp(at, at[seen], hips[seen, axis]) if seen.any() else np.full(len(at), middle[axis])
        for axis in (0, 1)
    )
    left = np.clip(x - width / 2, 0, max(0.0, track.clip.width - width))
    top = np.clip(y - 0.5 * height, 0, max(0.0, track.clip.height - height))
    return [(int(a), int(b), int(width), int(height)) for a, b in zip(left, top)]


def _pair(
    left: Image.Image,
    right: Image.Image,
    before: Side,
    after: Side,
    times: list[FloatArray],
    i: int,
    steps: int,
) -> NDArray[np.uint8]:
    canvas = Image.new("RGB", (2 * WIDTH_PX + 4, HEIGHT_PX + HEAD_PX), look.INK)
    pen = ImageDraw.Draw(canvas)
    percent = 100 * (i % steps) / steps
    for k, (picture, side) in enumerate(((left, before), (right, after))):
        x = k * (WIDTH_PX + 4)
        canvas.paste(picture, (x, HEAD_PX))
        pen.text((x + 8, 5), _fitted(side.label), font=draw.font(14), fill="#FFFFFF")
        pen.text(
            (x + 8, 24),
            f"{percent:.0f} % of the gait cycle, {times[k][i]:.3f} s",
            font=draw.font(12),
            fill="#D5DCE2",
        )
    return np.asarray(canvas)


def _fitted(text: str) -> str:
    """A label that fits over its picture."""
    font = draw.font(14)
    if font.getlength(text) <= WIDTH_PX - 16:
        return text
    while len(text) > 1 and font.getlength(text + "…") > WIDTH_PX - 16:
        text = text[:-1]
    return text + "…"
