"""Slow-motion sections that an export has baked into evenly stamped frames.

A phone's ramped slow motion (normal, slow, normal) can be exported with even time stamps; the
only trace is that the athlete moves a fraction as far per frame for a while. No runner changes
speed by nearly half between one tenth of a second and the next, so a change that is both
abrupt and lasting is the clip's, not the runner's.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Smallest change of motion per frame that counts, as a ratio. Phones slow down by 2, 4 or 8.
RAMP_RATIO = 1.8
# Larger ratios are not slow motion (480 played at 30 is 16) but an athlete at rest.
MAX_RATIO = 18.0
# Motion is averaged over so many frames, and a level must last for so many.
SMOOTH_FRAMES = 7
LEVEL_FRAMES = 15
# A change may take so many frames or so long, whichever is more: editors soften the change.
CHANGE_FRAMES = 6
CHANGE_S = 0.30
# Within a level the middle half of the averaged motion stays within this ratio.
STEADY_RATIO = 1.6
# ... and its first and second half agree within this one (a sprint start keeps growing).
TREND_RATIO = 1.3
# The two halves of a slow section agree within this ratio.
SECTION_TREND_RATIO = 1.5
# Share of a slow section in which the averaged motion goes the same way as elsewhere.
FORWARD_SHARE = 0.95
# Gaps of the athlete up to this long are bridged; over longer ones nothing is compared.
GAP_FRAMES = 5


@dataclass(frozen=True)
class Ramp:
    """A section that plays slower than the clip's fastest section.

    Attributes
    ----------
    start, stop : int
        Positions in the series, half open.
    start_s, stop_s : float
        Times of its first and last frame, s.
    factor : float
        How many times slower, from the motion per frame; about 10 % uncertain.
    """

    start: int
    stop: int
    start_s: float
    stop_s: float
    factor: float


def speed_ramps(times_s: FloatArray, motion_per_frame: FloatArray) -> list[Ramp]:
    """Sections in which the motion per frame is lower by a lasting, abrupt factor.

    Parameters
    ----------
    times_s : (N,) array
        Time of each frame, s.
    motion_per_frame : (N,) array
        Motion from the frame before: the athlete's forward displacement in px with its sign,
        camera motion taken out, NaN where there is no athlete. Another non-negative measure that
        grows with speed serves too, but only with NaN where there is no athlete: the change of
        the whole picture drops when a runner leaves it just as it does in slow motion.

    Returns
    -------
    list of Ramp
        In order; empty where the clip runs at one speed.

    Notes
    -----
    Levels are compared only within a stretch in which the athlete is there, so entering and
    leaving are no ramps. Standing is told from slow motion by its unsteadiness (noise has no
    direction) or by a ratio above `MAX_RATIO`. A sprint start speeds up gradually.
    """
    times = np.asarray(times_s, dtype=np.float64)
    motion = np.asarray(motion_per_frame, dtype=np.float64)
    if times.shape != motion.shape or times.ndim != 1:
        raise ValueError(f"`motion_per_frame` must have shape {times.shape}, got {motion.shape}")
    ramps: list[Ramp] = []
    for first, last in _stretches(motion):
        piece = _bridged(motion[first:last])
        cuts = _cuts(times[first:last], piece)
        if not cuts:
            continue
        bounds = list(itertools.pairwise([0, *cuts, last - first]))
        levels = [_level(piece[a:b]) for a, b in bounds]
        fastest = max(levels)
        forward = _averaged(piece) * np.sign(np.median(piece)) > 0
        for (a, b), level in zip(bounds, levels):
            start, stop = first + a, first + b
            factor = fastest / max(level, 1e-12)
            lasting = b - a >= LEVEL_FRAMES and times[stop - 1] - times[start] >= CHANGE_S
            if not (lasting and RAMP_RATIO <= factor <= MAX_RATIO):
                continue
            if forward[a:b].mean() >= FORWARD_SHARE and _flat(piece[a:b]):
                ramps.append(Ramp(start, stop, float(times[start]), float(times[stop - 1]), factor))
    return ramps


def ramps_note(ramps: list[Ramp]) -> str | None:
    """A sentence for the user, None where there is no ramp."""
    if not ramps:
        return None
    parts = ", ".join(
        f"from {r.start_s:.2f} to {r.stop_s:.2f} s about {r.factor:.1f} times" for r in ramps[:4]
    )
    return (
        f"Part of this clip seems to play in slow motion ({parts} slower): its times and speeds would be wrong; "
        "cut the clip to one speed and give the capture rate."
    )


def _stretches(motion: FloatArray) -> list[tuple[int, int]]:
    """Half-open stretches with an athlete, gaps of up to `GAP_FRAMES` bridged."""
    there = np.flatnonzero(np.isfinite(motion))
    if not there.size:
        return []
    parts = np.split(there, np.flatnonzero(np.diff(there) > GAP_FRAMES + 1) + 1)
    return [(int(p[0]), int(p[-1]) + 1) for p in parts if p[-1] - p[0] + 1 >= 2 * LEVEL_FRAMES]


def _bridged(motion: FloatArray) -> FloatArray:
    at = np.arange(len(motion))
    known = np.isfinite(motion)
    return np.interp(at, at[known], motion[known])


def _averaged(motion: FloatArray) -> FloatArray:
    """Running mean: of a displacement, its value over a window, free of most landmark noise."""
    padded = np.pad(motion, SMOOTH_FRAMES // 2, mode="edge")
    return np.convolve(padded, np.ones(SMOOTH_FRAMES) / SMOOTH_FRAMES, mode="valid")


def _level(motion: FloatArray) -> float:
    """Motion per frame of a section, its softened ends left out."""
    edge = min(CHANGE_FRAMES, len(motion) // 4)
    return abs(float(np.mean(motion[edge : len(motion) - edge])))


def _flat(motion: FloatArray) -> bool:
    """Whether both halves of a section move alike (a sprint start doubles)."""
    halves = np.array([_level(half) for half in np.array_split(motion, 2)])
    return bool(halves.max() <= SECTION_TREND_RATIO * halves.min())


def _cuts(times: FloatArray, motion: FloatArray) -> list[int]:
    """Positions at which the motion per frame changes abruptly and for good."""
    n = len(motion)
    interval = float(np.median(np.diff(times)))
    gap = max(CHANGE_FRAMES, round(CHANGE_S / interval)) if interval > 0 else CHANGE_FRAMES
    smooth = _averaged(motion)
    logs = np.log(np.maximum(np.abs(smooth), 1e-9))
    forward = smooth * np.sign(np.median(smooth)) > 0
    score = np.zeros(n)
    for t in range(LEVEL_FRAMES, n - LEVEL_FRAMES + 1):
        before = slice(max(0, t - gap // 2 - LEVEL_FRAMES), max(1, t - gap // 2))
        after = slice(min(n - 1, t + gap // 2), t + gap // 2 + LEVEL_FRAMES)
        if all(_steady(logs[part], forward[part]) for part in (before, after)):
            score[t] = abs(float(np.median(logs[after]) - np.median(logs[before])))
    score[score > math.log(MAX_RATIO)] = 0.0
    cuts: list[int] = []
    while score.max(initial=0.0) >= math.log(RAMP_RATIO):
        peak = np.flatnonzero(score >= score.max() - 0.05)
        run = peak[(peak >= peak[0]) & (peak <= peak[0] + gap)]
        t = int(run[len(run) // 2])
        cuts.append(_sharpest(logs, t, gap))
        score[max(0, t - LEVEL_FRAMES) : t + LEVEL_FRAMES] = 0.0
    return _lasting(sorted(set(cuts)), motion)


def _steady(logs: FloatArray, forward: NDArray[np.bool_]) -> bool:
    """Whether a window holds one level: little spread, no trend, no going back."""
    half = len(logs) // 2
    if len(logs) < LEVEL_FRAMES // 2 or not forward.all():
        return False
    low, high = np.percentile(logs, (25, 75))
    trend = abs(float(np.median(logs[half:]) - np.median(logs[:half])))
    return bool(high - low <= math.log(STEADY_RATIO) and trend <= math.log(TREND_RATIO))


def _sharpest(logs: FloatArray, near: int, reach: int) -> int:
    """Position within `reach` of `near` that best parts two levels."""
    left, right = max(0, near - reach - LEVEL_FRAMES), min(len(logs), near + reach + LEVEL_FRAMES)

    def spread(cut: int) -> float:
        a, b = logs[left:cut], logs[cut:right]
        return float(np.abs(a - np.median(a)).sum() + np.abs(b - np.median(b)).sum())

    return min(range(max(left + 1, near - reach), min(right - 1, near + reach) + 1), key=spread)


def _lasting(cuts: list[int], motion: FloatArray) -> list[int]:
    """Drop cuts whose two sections do not differ after all, weakest first."""
    kept = list(cuts)
    while kept:
        bounds = [0, *kept, len(motion)]
        levels = np.array([_level(motion[a:b]) for a, b in itertools.pairwise(bounds)])
        ratio = np.abs(np.diff(np.log(np.maximum(levels, 1e-9))))
        weakest = int(np.argmin(ratio))
        if ratio[weakest] >= math.log(RAMP_RATIO) and ratio.max() <= math.log(MAX_RATIO):
            return kept
        if ratio[weakest] >= math.log(RAMP_RATIO):
            weakest = int(np.argmax(ratio))
        del kept[weakest]
    return kept
