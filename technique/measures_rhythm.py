"""Times, frequency, length and speed of steps."""

from __future__ import annotations

from collections.abc import Callable
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from technique import error_model as em
from technique.angles import SIDES, middle, place
from technique.measures_motion import Motion, Step, points_at
from technique.measures_readings import Reading, interval_parts

FloatArray = NDArray[np.float64]

PANNING_SHARE = 0.03
"""95 % of what stitching a panned view may be off by along the track (a judgement)."""
SLIDING_THIRD = (1.0 / 3.0, 2.0 / 3.0)
"""Part of contact in which the foot lies still, for its place on the ground."""


def _timed(m: Motion, key: str, step: Step, seconds: float, parts: dict[str, float], at: float) -> Reading:
    return Reading(key, step.side, step.stride, seconds, at, m.frame_at(at), parts)


def times(m: Motion) -> list[Reading]:
    """Contact, flight, step and stride time, duty factor and step frequency."""
    out: list[Reading] = []
    steps_in_row = _mean_run([s.next_other is not None for s in m.steps])
    strides_in_row = {side: _mean_run([s.next_same is not None for s in m.of_side(side)]) for side in SIDES}
    for s in m.steps:
        down = s.touchdown
        if s.toe_off:
            contact = s.toe_off.time_s - down.time_s
            parts = interval_parts(m, down, s.toe_off)
            out.append(_timed(m, "contact_time", s, contact, parts, down.time_s + contact / 2))
            if s.next_other:
                flight = s.next_other.time_s - s.toe_off.time_s
                parts_f = interval_parts(m, s.toe_off, s.next_other)
                out.append(_timed(m, "flight_time", s, flight, parts_f, s.toe_off.time_s + flight / 2))
            if s.next_same:
                stride = s.next_same.time_s - down.time_s
                to_percent = {k: 100.0 * v / stride for k, v in parts.items()}
                out.append(
                    _timed(m, "duty_factor", s, 100.0 * contact / stride, to_percent, s.toe_off.time_s)
                )
        if s.next_other:
            step = s.next_other.time_s - down.time_s
            parts = interval_parts(m, down, s.next_other)
            out.append(_timed(m, "step_time", s, step, parts, down.time_s))
            # Steps in a row share their events: what one gains by an event the next one loses, so that
            # the error of their mean shrinks with their number and not with its root.
            apart = float(np.hypot(parts.get("events", 0.0), parts.get("event method", 0.0)))
            in_a_row = {"frame rate": parts["frame rate"], "events": apart}
            per_min = {k: 60.0 * v / step**2 / steps_in_row**0.5 for k, v in in_a_row.items()}
            out.append(
                Reading(
                    "step_frequency",
                    "both",
                    s.stride,
                    60.0 / step,
                    down.time_s,
                    m.frame_at(down.time_s),
                    per_min,
                )
            )
        if s.next_same:
            stride = s.next_same.time_s - down.time_s
            strides = interval_parts(m, down, s.next_same)
            root = strides_in_row[s.side] ** 0.5  # as for steps
            in_a_row = {k: v / root for k, v in strides.items()}
            out.append(_timed(m, "stride_time", s, stride, in_a_row, down.time_s))
    return out


def _mean_run(there: list[bool]) -> float:
    """Mean length of the unbroken runs of True; 1 where there is none."""
    lengths = [len(list(run)) for value, run in groupby(there) if value]
    return float(np.mean(lengths)) if lengths else 1.0


def walking(readings: list[Reading]) -> bool:
    """True when the foot leaves the ground after the other one has landed."""
    flights = [r.value for r in readings if r.key == "flight_time"]
    return bool(flights) and float(np.median(flights)) <= 0.0


def foot_place(m: Motion, step: Step) -> tuple[float, float] | None:
    """Where the foot stands, px along x, and its 95 % half-width; None when it can't be seen.

    Middle of heel and toe, median over the middle third of contact, when the foot lies still.
    """
    if not step.toe_off:
        return None
    start, length = step.touchdown.time_s, step.toe_off.time_s - step.touchdown.time_s
    first, last = (start + share * length for share in SLIDING_THIRD)
    at = np.linspace(first, last, 5)
    poses = np.stack([points_at(m.points, m.time_s, t) for t in at])
    x = (place(poses, "heel", step.side)[:, 0] + place(poses, "foot_index", step.side)[:, 0]) / 2.0
    if not np.isfinite(x).any():
        return None

    def of(p: FloatArray) -> FloatArray:
        return (place(p, "heel", step.side)[..., 0] + place(p, "foot_index", step.side)[..., 0]) / 2.0

    return float(np.nanmedian(x)), em.propagated_half_width(of, poses[2], m.noise)


def lengths(m: Motion) -> list[Reading]:
    """Step length and speed; empty where neither scale nor belt speed is known."""
    if m.camera == "treadmill":
        return _belt_lengths(m)
    if m.metres_per_px is None:
        return []
    metres, out = m.metres_per_px, []
    stretch = 1.0 / np.cos(np.radians(m.yaw_95_deg)) - 1.0

    def common(value: float) -> dict[str, float]:
        parts = {"scale": em.Z95 * m.scale_sd * value, "view angle": stretch * value}
        return parts | ({"panning": PANNING_SHARE * value} if m.camera == "panning" else {})

    where = {(s.side, s.stride): foot_place(m, s) for s in m.steps}
    for s, after in pairwise(m.steps):
        here, there = where[s.side, s.stride], where[after.side, after.stride]
        if not s.next_other or after.touchdown is not s.next_other or here is None or there is None:
            continue
        value = (there[0] - here[0]) * metres
        noise = float(np.hypot(here[1], there[1])) * metres
        at = s.touchdown.time_s
        parts = common(value) | {"landmark noise": noise}
        out.append(Reading("step_length", s.side, s.stride, value, at, m.frame_at(at), parts))
    return out + _speeds(m, metres, common)


def _speeds(m: Motion, metres: float, common: Callable[[float], dict[str, float]]) -> list[Reading]:
    hips = middle(m.points, "hip")[:, 0]

    def of(p: FloatArray) -> FloatArray:
        return middle(p, "hip")[..., 0]

    out = []
    for s in m.steps:
        if not s.next_same:
            continue
        t0, t1 = s.touchdown.time_s, s.next_same.time_s
        value = float(points_at(hips, m.time_s, t1) - points_at(hips, m.time_s, t0)) / (t1 - t0) * metres
        if not np.isfinite(value):
            continue
        noise = em.propagated_half_width(of, points_at(m.points, m.time_s, t0), m.noise)
        parts = common(value) | {"landmark noise": noise * 2.0**0.5 / (t1 - t0) * metres}
        out.append(Reading("speed", "both", s.stride, value, t0, m.frame_at(t0), parts))
    return out


def _belt_lengths(m: Motion) -> list[Reading]:
    if not m.belt_speed_mps:
        return []
    belt, out = m.belt_speed_mps, []
    for s in m.steps:
        if not s.next_other:
            continue
        at = s.touchdown.time_s
        parts = {k: v * belt for k, v in interval_parts(m, s.touchdown, s.next_other).items()}
        value = belt * (s.next_other.time_s - at)
        out.append(Reading("step_length", s.side, s.stride, value, at, m.frame_at(at), parts))
        if s.next_same:
            out.append(Reading("speed", "both", s.stride, belt, at, m.frame_at(at), {}))
    return out
