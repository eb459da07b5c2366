"""A first word on a clip, in seconds, from a few of its frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.progress import Progress, silent
from vision.athlete_people import find_people
from vision.clip import Frame, frames
from vision.clip_probe import ClipProbe, probe
from vision.pose import MARGIN, PoseEngine, Window
from vision.quality import Finding, suitability
from vision.sides_body import facing_vote
from vision.timebase import TimeBase, time_base
from vision.weights import pose_weights

FloatArray = NDArray[np.float64]

PLACES: Final = 6
"""Places in the clip that are looked at."""
PAIR_S: Final = 0.1
"""Two frames this far apart show whether the camera moves."""
PANNING_SHARE_PER_S: Final = 0.06
"""A background that moves by more than this share of the picture's width a second is a pan."""
NOTABLE: Final = 0.5
"""People smaller than this share of the largest are passers-by, not worth a question."""

WORK_WIDTH: Final = 320
"""Background motion is judged on a picture this wide, px."""

Level = Literal["good", "limited", "bad"]
BASE_WORD: Final = {"file": "the file's own time stamps", "tag": "a tag in the file", "user": "what you gave"}


@dataclass(frozen=True)
class _Place:
    """What one place in the clip shows."""

    people: int
    xy_px: FloatArray
    visibility: FloatArray
    brightness: float
    shift_share: float


def check_clip(
    path: Path, capture_rate_hz: float | None, progress: Progress = silent
) -> list[tuple[Level, str]]:
    """What a clip is suited for, judged on a few frames.

    Parameters
    ----------
    path : Path
    capture_rate_hz : float or None
        Frames per real second, where the user gave it.
    progress : Progress

    Returns
    -------
    list of (level, sentence)
        Worst first, then what was found: direction, camera, time base.

    Raises
    ------
    ClipError
        The file can't be used.
    """
    clip = probe(path)
    base = time_base(clip, capture_rate_hz)
    engine = PoseEngine(pose_weights(), effort="quick")
    looked = []
    for number, pair in enumerate(_pairs(clip, base), start=1):
        looked.append(_place(pair, engine, base))
        progress("looking at the clip", number, PLACES)
    xy = np.array([p.xy_px for p in looked])
    findings = suitability(
        xy,
        np.array([p.visibility for p in looked]),
        base.capture_rate_hz,
        clip.width,
        clip.height,
        float(np.mean([p.brightness for p in looked])),
        int(np.median([p.people for p in looked if p.people] or [0])),
    )
    said: list[tuple[Level, str]] = [(f.level, f.sentence) for f in findings]
    said += [("limited", note) for note in base.notes]
    said += _found(clip, base, looked, xy, findings)
    return said


def _found(
    clip: ClipProbe, base: TimeBase, looked: list[_Place], xy: FloatArray, findings: list[Finding]
) -> list[tuple[Level, str]]:
    out: list[tuple[Level, str]] = []
    way = direction(xy)
    if way is not None:
        out.append(("good", f"The runner faces {way}, so the {way} side is the near one."))
    shifts = [p.shift_share for p in looked if np.isfinite(p.shift_share)]
    if shifts:
        moving = float(np.median(shifts)) > PANNING_SHARE_PER_S
        out.append(
            ("good", "The camera follows the runner: distances carry more error.")
            if moving
            else ("good", "The camera stands still.")
        )
    out.append(
        (
            "good",
            f"Time base: {base.capture_rate_hz:.4g} frames per real second, from {BASE_WORD[base.kind]}; "
            f"{clip.frames} frames, {clip.duration_s * base.factor:.2f} s of real time.",
        )
    )
    return out


def direction(xy_px: FloatArray) -> Literal["left", "right"] | None:
    """Where face and feet point in the picture, over a few frames.

    Parameters
    ----------
    xy_px : (N, 33, 2) array
        NaN rows where nobody was found.
    """
    seen = xy_px[np.isfinite(xy_px).all(axis=(1, 2))]
    if not len(seen):
        return None
    hips = seen[:, [lm.index("hip", "left"), lm.index("hip", "right")]].mean(axis=1)
    ankles = seen[:, [lm.index("ankle", "left"), lm.index("ankle", "right")]].mean(axis=1)
    size = np.hypot(*(hips - ankles).T)
    vote = float(np.median(facing_vote(seen, size)))
    if abs(vote) < 0.1:
        return None
    return "right" if vote > 0 else "left"


def _pairs(clip: ClipProbe, base: TimeBase) -> Iterator[tuple[Frame, Frame | None]]:
    """Two frames at each place, in one pass over the clip."""
    gap = max(1, round(PAIR_S * base.capture_rate_hz))
    firsts = np.unique(np.linspace(0, max(0, clip.frames - 1 - gap), PLACES + 2).round().astype(int)[1:-1])
    for first in firsts:
        pair = list(frames(clip, base, start=int(first), stop=int(first) + gap + 1, step=gap))
        yield pair[0], pair[1] if len(pair) > 1 else None


def _place(pair: tuple[Frame, Frame | None], engine: PoseEngine, base: TimeBase) -> _Place:
    first, second = pair
    people = find_people([first, second or first], engine, sample_rate_hz=10 / PAIR_S)
    tallest = max((p.height_px for p in people), default=0.0)
    notable = [p for p in people if p.height_px >= NOTABLE * tallest]
    xy, visibility = np.full((lm.COUNT, 2), np.nan), np.zeros(lm.COUNT)
    if notable:
        person = max(notable, key=lambda p: (p.leg_motion > 0.1, p.height_px))
        at = person.sightings[0]
        window = Window(float(at.centre[0]), float(at.centre[1]), 2 * MARGIN * at.radius, at.rotation)
        seen = engine.landmarks(first.rgb, window)
        if seen.score > 0.5:
            xy, visibility = seen.xy_px, seen.visibility
    return _Place(
        people=len(notable),
        xy_px=xy,
        visibility=visibility,
        brightness=float(first.rgb[::8, ::8].mean()),
        shift_share=_shift(first, second, base),
    )


def _shift(first: Frame, second: Frame | None, base: TimeBase) -> float:
    """How fast the background moves, in picture widths a second; NaN from one frame."""
    if second is None or second.index == first.index:
        return float("nan")
    small = (WORK_WIDTH, max(8, round(WORK_WIDTH * first.rgb.shape[0] / first.rgb.shape[1])))
    grey = [
        cv2.cvtColor(cv2.resize(f.rgb, small, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY).astype(
            np.float32
        )
        for f in (first, second)
    ]
    (x, _), _ = cv2.phaseCorrelate(grey[0], grey[1], cv2.createHanningWindow(small, cv2.CV_32F))
    return abs(float(x)) / WORK_WIDTH / max(second.time_s - first.time_s, 1e-6)
