"""One reading: a value of one step or stride with its error, and how readings are taken."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from shared.analysis import Event, Observation
from shared.catalogue import MEASURES
from shared.landmarks import Side, SideOrBoth
from technique import error_model as em
from technique.error_events import FEET_ALIKE, halves
from technique.measures_motion import Motion, points_at

FloatArray = NDArray[np.float64]
NumberOf = Callable[[FloatArray], FloatArray]
"""A number from points: (..., 33, 2) -> (...)."""

RANDOM_PARTS: Final[tuple[str, ...]] = ("frame rate", "events", "landmark noise")
"""Parts that are drawn anew in every stride, so that their mean shrinks with sqrt(n)."""


@dataclass(frozen=True)
class Reading:
    """One value of one step or stride.

    Attributes
    ----------
    key : str
    side : {"left", "right", "both"}
    stride : int
        Touchdowns of that side before it, from 0; -1 before the first.
    value : float
    time_s : float
        When it is read.
    frame : int
    parts : mapping of str to float
        95 % half-widths of this single value by the names in `technique.error_model`.
    """

    key: str
    side: SideOrBoth
    stride: int
    value: float
    time_s: float
    frame: int
    parts: Mapping[str, float] = field(default_factory=dict)

    def observation(self) -> Observation:
        """The same as an `Observation`, with its 95 % interval."""
        half = em.combined(self.parts)
        unit = MEASURES[self.key].unit
        return Observation(
            self.key,
            self.side,
            self.stride,
            self.value,
            unit,
            self.value - half,
            self.value + half,
            self.time_s,
            self.frame,
        )


def interval_parts(m: Motion, first: Event, last: Event) -> dict[str, float]:
    """Error, s, of the time between two events.

    The touchdowns of one foot are all picked early or all late, alike, so that this part of their
    error leaves the time from one to the next alone, but stays in the time to a toe-off, and as far
    as the feet differ in the time to the other foot. What is each event's own, of which the frames
    explain a share, is drawn anew in every stride.
    """
    frames = em.frame_half_width(m.frame_interval_s)
    alike = (first.kind, first.side) == (last.kind, last.side)
    start, end = halves(first), halves(last)
    if start is None or end is None:
        whole = float(np.hypot(first.high_s - first.low_s, last.high_s - last.low_s)) / 2.0
        return {
            "frame rate": frames,
            "events" if alike else "event method": max(whole**2 - frames**2, 0.0) ** 0.5,
        }
    (common_a, own_a), (common_b, own_b) = start, end
    own = float(np.hypot(own_a, own_b))
    frames = min(frames, own)
    parts = {"frame rate": frames, "events": max(own**2 - frames**2, 0.0) ** 0.5}
    if not alike:
        both = min(e.evidence.get(FEET_ALIKE, 0.0) for e in (first, last)) if first.kind == last.kind else 0.0
        parts["event method"] = max(common_a**2 + common_b**2 - 2.0 * both * common_a * common_b, 0.0) ** 0.5
    return parts


def moment_parts(m: Motion, event: Event, of: NumberOf, points: FloatArray) -> dict[str, float]:
    """Error of a number that is read at one event, from the event's own error."""
    whole = (event.high_s - event.low_s) / 2.0
    frames = em.frame_half_width(m.frame_interval_s, timed_between=1)
    known = halves(event)
    half = whole if known is not None and whole > 0.0 else max(whole, frames)
    ends = [of(points_at(points, m.time_s, event.time_s + sign * half)) for sign in (-1.0, 1.0)]
    change = abs(float(ends[1] - ends[0])) / 2.0
    if not np.isfinite(change):
        return {}
    if known is None:
        share = min(frames / half, 1.0)
        return {"frame rate": change * share, "event method": change * (1.0 - share**2) ** 0.5}
    common, own = known
    frames = min(frames, own)
    sizes = {"frame rate": frames, "events": (own**2 - frames**2) ** 0.5, "event method": common}
    return {name: change * size / half for name, size in sizes.items()}


def pose_parts(
    m: Motion, of: NumberOf, pose: FloatArray, value: float, scaled: bool = False
) -> dict[str, float]:
    """Error of a number of one pose: landmark noise, camera roll, view angle and scale.

    Parameters
    ----------
    of : callable
        In the unit of the measure.
    pose : (33, 2) array, px
    value : float
    scaled : bool
        True where metres per pixel stand in the number.
    """
    parts = {
        "landmark noise": em.propagated_half_width(of, pose, m.noise),
        "camera roll": em.roll_half_width(of, pose, m.roll_sd_deg),
        "view angle": em.view_half_width(of, pose, m.yaw_95_deg, m.lateral_px()),
    }
    if scaled:
        parts["scale"] = em.Z95 * m.scale_sd * abs(value)
    return parts


def reading_at_event(
    m: Motion,
    key: str,
    side: Side,
    stride: int,
    event: Event,
    of: NumberOf,
    points: FloatArray | None = None,
    scaled: bool = False,
    extra: Mapping[str, float] | None = None,
) -> Reading | None:
    """A number of the pose at an event, or None where the points are missing."""
    source = m.points if points is None else points
    pose = points_at(source, m.time_s, event.time_s)
    value = float(of(pose))
    if not np.isfinite(value):
        return None
    parts = pose_parts(m, of, pose, value, scaled) | moment_parts(m, event, of, source) | dict(extra or {})
    return Reading(key, side, stride, value, event.time_s, m.frame_at(event.time_s), parts)


def reading_at_time(
    m: Motion, key: str, side: Side, time_s: float, of: NumberOf, scaled: bool = False
) -> Reading | None:
    """A number of the pose at a time that is not an event (an end of a swing)."""
    pose = points_at(m.points, m.time_s, time_s)
    value = float(of(pose))
    if not np.isfinite(value):
        return None
    parts = pose_parts(m, of, pose, value, scaled)
    return Reading(key, side, m.stride_at(side, time_s), value, time_s, m.frame_at(time_s), parts)


def turning_points(
    time_s: FloatArray, series: FloatArray, spacing_s: float, prominence: float
) -> list[tuple[float, float]]:
    """Times and values of the peaks of a series, between samples.

    Parameters
    ----------
    time_s : (N,) array
        Even grid.
    series : (N,) array
        NaN in gaps; a peak next to a gap or an end is not counted.
    spacing_s : float
        Least time between two peaks.
    prominence : float
        Least height above the lower ground on both sides, unit of `series`.

    Returns
    -------
    list of (time, value)
        Apex of the parabola through the highest sample and its neighbours.
    """
    step = float(time_s[1] - time_s[0]) if len(time_s) > 1 else 1.0
    found = []
    seen = np.isfinite(series).astype(np.int8)
    edges = np.diff(np.r_[0, seen, 0])
    for a, b in zip(np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0]):
        run = series[a:b]
        if len(run) < 3:
            continue
        peaks, _ = find_peaks(run, distance=max(1, round(spacing_s / step)), prominence=prominence)
        for i in peaks:
            y0, y1, y2 = run[i - 1 : i + 2]
            bend = y0 - 2.0 * y1 + y2
            u = 0.0 if bend >= 0 else float(np.clip(0.5 * (y0 - y2) / bend, -0.5, 0.5))
            found.append((float(time_s[a + i] + u * step), float(y1 - 0.25 * (y0 - y2) * u)))
    return found


def window_peak(
    time_s: FloatArray, series: FloatArray, start_s: float, end_s: float
) -> tuple[float, float] | None:
    """Time and value of the largest value of a series within a window, or None in a gap.

    The series is read at the ends and at quarter samples between them.
    """
    step = float(time_s[1] - time_s[0])
    count = max(3, int(np.ceil(4.0 * (end_s - start_s) / step)) + 1)
    at = np.linspace(start_s, end_s, count)
    values = np.array([float(points_at(series, time_s, t)) for t in at])
    if not np.isfinite(values).all():
        return None
    best = int(np.argmax(values))
    return float(at[best]), float(values[best])


def window_mean(time_s: FloatArray, series: FloatArray, start_s: float, end_s: float) -> float:
    """Mean over time of a series within a window; NaN where more than a tenth is missing."""
    inside = (time_s >= start_s) & (time_s < end_s)
    values = series[inside]
    if not len(values) or np.isfinite(values).mean() < 0.9:
        return float("nan")
    return float(np.nanmean(values))
