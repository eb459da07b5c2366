"""One leg's landmark paths without units, and the stretches in which its foot may be on the ground.

Lengths are shares of the leg length, so that nothing here needs a scale.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import find_peaks

from shared import landmarks as lm
from shared.landmarks import Side, opposite
from technique import filters
from technique.smoothed import Smoothed
from technique.smoothing import leg_length, runs

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

JOINTS: Final = ("heel", "ball", "ankle", "knee", "hip")
"""Points of a leg path; `ball` is the ball of the foot (fifth metatarsal head)."""

BALL_AT: Final = 0.22
"""Heel to ball as a share of the leg length: median of eight runners (Fukuchi et al. 2017 data)."""
SWING_CUTOFF_HZ: Final = 8.0
"""Filter for the foot's swing about the hip, from which candidates are found."""
LEAST_SWING: Final = 0.45
"""Smallest forward-to-back range of the foot about the hip, in leg lengths, that is a stride.
Walking at 1 m/s has about 0.7; shifting the weight while standing stays below 0.2 (common practice,
no source)."""
PROMINENCE: Final = 0.4
"""A turning point counts when it stands out by this share of the range."""
STANCE_FROM: Final = 0.38
STANCE_TO: Final = 0.55
"""Share of the time from foremost to rearmost at which the foot is surely on the ground."""


@dataclass(frozen=True)
class Support:
    """A stretch from the foot's foremost to its rearmost place about the hip.

    Attributes
    ----------
    front_s, back_s : float
        Times of the two turning points; where one was not seen, reckoned from the other.
    front_seen, back_seen : bool
    """

    front_s: float
    back_s: float
    front_seen: bool
    back_seen: bool

    @property
    def span_s(self) -> float:
        """Time from foremost to rearmost, s."""
        return self.back_s - self.front_s


@dataclass(frozen=True)
class LegPath:
    """One leg's five points over time.

    Attributes
    ----------
    side : {"left", "right"}
    time_s : (N,) array
        Even grid.
    rate_hz : float
    xy : (N, 5, 2) array
        Leg lengths, x forward, y up, order of `JOINTS`; lightly filtered; NaN in gaps.
    cutoff_hz : float
        Cut-off of that light filter.
    noise : (5, 2) array
        White-noise SD before filtering, leg lengths.
    supports : tuple of Support
    ground_speed : float
        Forward speed of the ground in the path's frame, leg lengths per second: 0 overground,
        minus the belt speed on a treadmill.
    hip_rise : float
        Hip over the standing foot above the hip at the ends of the support, leg lengths:
        positive in walking, negative in running.
    """

    side: Side
    time_s: FloatArray
    rate_hz: float
    xy: FloatArray
    cutoff_hz: float
    noise: FloatArray
    supports: tuple[Support, ...]
    ground_speed: float
    hip_rise: float


def leg_path(
    smoothed: Smoothed, side: Side, leg_px: float | None = None, usual_span_s: float | None = None
) -> LegPath | None:
    """Dimensionless path of one leg and its supports.

    Parameters
    ----------
    smoothed : Smoothed
    side : {"left", "right"}
    leg_px : float, optional
        Leg length in px; measured when not given.
    usual_span_s : float, optional
        Span of a support of the other leg, for a leg of which no whole support was seen.

    Returns
    -------
    LegPath or None
        None where the leg was never seen or its foot does not swing.
    """
    leg = leg_length(smoothed.world_px) if leg_px is None else leg_px
    if not np.isfinite(leg) or leg <= 0.0:
        return None
    names = ("heel", "foot_index", "ankle", "knee", "hip")
    index = [lm.index(name, side) for name in names]
    xy = smoothed.light_px[:, index] / leg
    noise = _white_noise(smoothed, index) / leg
    xy[:, 1] = _ball(xy[:, 0], xy[:, 1])
    swing = _swing(smoothed, side, xy, leg)
    supports = swing_supports(smoothed.time_s, swing, usual_span_s)
    if not supports:
        return None
    span = float(np.median([s.span_s for s in supports]))
    cutoff = float(min(RELATIVE_BAND / span, 0.40 * min(smoothed.rate_hz, FASTEST_FITTED_HZ)))
    xy = _lowpass(xy, cutoff, smoothed.rate_hz)
    speeds = [v for s in supports if np.isfinite(v := _ball_speed(smoothed.time_s, xy, s))]
    if not speeds:
        return None
    return LegPath(
        side=side,
        time_s=smoothed.time_s,
        rate_hz=smoothed.rate_hz,
        xy=xy,
        cutoff_hz=cutoff,
        noise=noise,
        supports=supports,
        ground_speed=float(np.median(speeds)),
        hip_rise=_hip_rise(smoothed.time_s, xy[:, 4, 1], supports),
    )


FASTEST_FITTED_HZ: Final = 120.0
"""Highest frame rate the model was fitted at; faster clips are brought to the same band."""
RELATIVE_BAND: Final = 10.8
"""Cut-off times span: 30 Hz at the 0.36 s of easy running; a sprinter's shorter span gets more."""


def swing_range(smoothed: Smoothed, side: Side, leg_px: float) -> float:
    """Forward-to-back range of the foot about the hip, leg lengths; 0 where not seen."""
    index = [lm.index(name, side) for name in ("heel", "foot_index", "ankle", "knee", "hip")]
    swing = _swing(smoothed, side, smoothed.light_px[:, index] / leg_px, leg_px)
    seen = swing[np.isfinite(swing)]
    return float(np.ptp(np.quantile(seen, [0.02, 0.98]))) if len(seen) else 0.0


def swing_supports(
    time_s: FloatArray, swing: FloatArray, usual_span_s: float | None = None
) -> tuple[Support, ...]:
    """Supports from the foot's place about the hip.

    Parameters
    ----------
    time_s : (N,) array
    swing : (N,) array
        Foot minus hip, forward, leg lengths; NaN in gaps.
    usual_span_s : float, optional
        Span to go by where no whole support was seen.

    Returns
    -------
    tuple of Support
        In order of time; empty where the foot does not swing.
    """
    seen = np.isfinite(swing)
    if seen.sum() < 5:
        return ()
    low, high = np.quantile(swing[seen], [0.02, 0.98])
    if high - low < LEAST_SWING:
        return ()
    found: list[tuple[float | None, float | None]] = []
    for a, b in runs(seen):
        if b - a < 5:
            continue
        s, t = swing[a:b], time_s[a:b]
        front = [(_vertex(t, s, i), 1) for i in find_peaks(s, prominence=PROMINENCE * (high - low))[0]]
        back = [(_vertex(t, s, i), -1) for i in find_peaks(-s, prominence=PROMINENCE * (high - low))[0]]
        turns = sorted(front + back)
        if turns and turns[0][1] == -1:
            found.append((None, turns[0][0]))
        for (t0, k0), (t1, k1) in itertools.pairwise(turns):
            if k0 == 1 and k1 == -1:
                found.append((t0, t1))
        if turns and turns[-1][1] == 1:
            found.append((turns[-1][0], None))
    spans = [b - a for a, b in found if a is not None and b is not None]
    if not spans and usual_span_s is None:
        return ()
    usual = float(np.median(spans)) if spans or usual_span_s is None else usual_span_s
    out = []
    for a_s, b_s in found:
        if a_s is not None and b_s is not None:
            if 0.5 * usual < b_s - a_s < 2.0 * usual:
                out.append(Support(a_s, b_s, True, True))
        elif b_s is not None:
            out.append(Support(b_s - usual, b_s, False, True))
        elif a_s is not None:
            out.append(Support(a_s, a_s + usual, True, False))
    return tuple(out)


def splined(time_s: FloatArray, x: FloatArray) -> CubicSpline | None:
    """Spline through a path whose gaps are filled with anything; use with `seen_at`."""
    good = np.isfinite(x).all(axis=tuple(range(1, x.ndim)))
    if good.sum() < 4:
        return None
    return CubicSpline(time_s[good], x[good])


def seen_at(time_s: FloatArray, seen: BoolArray, at: FloatArray) -> BoolArray:
    """Whether both neighbouring samples of each time were seen.

    Parameters
    ----------
    time_s : (N,) array
        Even grid.
    seen : (N,) bool array
    at : (M,) array
        Times.

    Returns
    -------
    (M,) bool array
    """
    place = (at - time_s[0]) / (time_s[1] - time_s[0])
    below, above = np.floor(place + 1e-6).astype(int), np.ceil(place - 1e-6).astype(int)
    inside = (below >= 0) & (above < len(time_s))
    below, above = np.clip(below, 0, len(time_s) - 1), np.clip(above, 0, len(time_s) - 1)
    return np.asarray(inside & seen[below] & seen[above], dtype=np.bool_)


def _vertex(t: FloatArray, s: FloatArray, i: int) -> float:
    """Time of the parabola's vertex through a turning point and its neighbours."""
    y0, y1, y2 = (float(v) for v in s[i - 1 : i + 2])
    bend = y0 - 2.0 * y1 + y2
    shift = 0.5 * (y0 - y2) / bend if bend else 0.0
    return float(t[i] + np.clip(shift, -0.5, 0.5) * (t[1] - t[0]))


def _white_noise(smoothed: Smoothed, index: list[int]) -> FloatArray:
    """White-noise SD that leaves `noise_left_px` after filtering, (5, 2) px."""
    out = np.zeros((len(index), 2))
    for row, j in enumerate(index):
        for axis in range(2):
            cutoff, left = smoothed.cutoff_hz[j, axis], smoothed.noise_left_px[j, axis]
            if np.isfinite(cutoff) and np.isfinite(left):
                out[row, axis] = left / filters.noise_gain(float(cutoff), smoothed.rate_hz)[0]
    return out


def _ball(heel: FloatArray, tip: FloatArray) -> FloatArray:
    """Ball of the foot: on the line from heel to the foot's far point, at its usual distance."""
    length = float(np.nanmedian(np.linalg.norm(tip - heel, axis=1))) if np.isfinite(tip).any() else 0.0
    if length <= 1.12 * BALL_AT:
        return tip
    return heel + (BALL_AT / length) * (tip - heel)


def _swing(smoothed: Smoothed, side: Side, xy: FloatArray, leg: float) -> FloatArray:
    """Foot minus hip, forward, (N,) leg lengths, well filtered."""
    own = xy[:, 4, 0]
    other = smoothed.light_px[:, lm.index("hip", opposite(side)), 0] / leg
    both = np.isfinite(own) & np.isfinite(other)
    apart = float(np.median((other - own)[both])) if both.any() else 0.0
    hip = np.where(both, 0.5 * (own + other - apart), np.where(np.isfinite(own), own, other - apart))
    foot = 0.5 * (xy[:, 0, 0] + xy[:, 1, 0])
    foot = np.where(np.isfinite(foot), foot, np.where(np.isfinite(xy[:, 2, 0]), xy[:, 2, 0], np.nan))
    return _lowpass(foot - hip, min(SWING_CUTOFF_HZ, 0.4 * smoothed.rate_hz), smoothed.rate_hz)


def _lowpass(x: FloatArray, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """`filters.zero_lag` over each unbroken run of each column."""
    flat = x.reshape(len(x), -1)
    out = np.full(flat.shape, np.nan)
    for column in range(flat.shape[1]):
        for a, b in runs(np.isfinite(flat[:, column])):
            out[a:b, column] = filters.zero_lag(flat[a:b, column], cutoff_hz, rate_hz)
    return out.reshape(x.shape)


def _ball_speed(time_s: FloatArray, xy: FloatArray, support: Support) -> float:
    """Forward speed of the ball of the foot in the middle of a support, leg lengths/s."""
    a = support.front_s + STANCE_FROM * support.span_s
    b = support.front_s + STANCE_TO * support.span_s
    inside = (time_s >= a) & (time_s <= b) & np.isfinite(xy[:, 1, 0])
    if inside.sum() < 2:
        step = time_s[1] - time_s[0]
        inside = (time_s >= a - step) & (time_s <= b + step) & np.isfinite(xy[:, 1, 0])
        if inside.sum() < 2:
            return float("nan")
    return float(np.polyfit(time_s[inside], xy[inside, 1, 0], 1)[0])


def _hip_rise(time_s: FloatArray, hip_y: FloatArray, supports: tuple[Support, ...]) -> float:
    """Median height of the hip in mid-support above its height at the ends; 0 when not seen."""
    rises = []
    for s in supports:
        middle = np.abs(time_s - (s.front_s + 0.47 * s.span_s)) <= 0.12 * s.span_s
        ends = (np.abs(time_s - s.front_s) <= 0.1 * s.span_s) | (np.abs(time_s - s.back_s) <= 0.1 * s.span_s)
        if np.isfinite(hip_y[middle]).any() and np.isfinite(hip_y[ends]).any():
            rises.append(float(np.nanmean(hip_y[middle]) - np.nanmean(hip_y[ends])))
    return float(np.median(rises)) if rises else 0.0
