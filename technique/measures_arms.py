"""Elbow and arm swing. The ends of the swing are the extremes of the upper arm against the trunk."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared.landmarks import Side
from technique.angles import SIDES, elbow_angle, middle, place, upper_arm_angle
from technique.measures_legs import swing_ends
from technique.measures_motion import Motion, arm_hidden, points_at
from technique.measures_readings import NumberOf, Reading, pose_parts, reading_at_time, window_mean

FloatArray = NDArray[np.float64]


def hand_height(points: FloatArray, side: Side) -> FloatArray:
    """Wrist above shoulder as a share of eye above shoulder, %: 0 = shoulder, 100 = eye level."""
    shoulder = place(points, "shoulder", side)[..., 1]
    up = place(points, "eye", side)[..., 1] - shoulder
    out: FloatArray = 100.0 * (place(points, "wrist", side)[..., 1] - shoulder) / up
    return out


def hand_past_hip(points: FloatArray, side: Side) -> FloatArray:
    """Wrist behind the mid-hip, unit of the points; behind positive."""
    out: FloatArray = middle(points, "hip")[..., 0] - place(points, "wrist", side)[..., 0]
    return out


def arms(m: Motion) -> list[Reading]:
    """All arm measures of the arms that can be seen."""
    out: list[Reading | None] = []
    for side in SIDES:
        if not arm_hidden(m, side):
            out += _arm(m, side)
    return [r for r in out if r]


def _arm(m: Motion, side: Side) -> list[Reading | None]:
    def elbow(p: FloatArray) -> FloatArray:
        return elbow_angle(p, side, m.arm_out_deg)

    def upper(p: FloatArray) -> FloatArray:
        return upper_arm_angle(p, side)

    def height(p: FloatArray) -> FloatArray:
        return hand_height(p, side)

    def behind(factor: float) -> NumberOf:
        return lambda p: hand_past_hip(p, side) * factor

    series = upper(m.points)
    fronts, backs = swing_ends(m, series, 1.0), swing_ends(m, series, -1.0)
    out: list[Reading | None] = []
    for t in fronts:
        out.append(reading_at_time(m, "elbow_angle_front", side, t, elbow))
        out.append(reading_at_time(m, "arm_swing_front", side, t, upper))
        out.append(reading_at_time(m, "hand_height_front", side, t, height))
    for t in backs:
        out.append(reading_at_time(m, "elbow_angle_back", side, t, elbow))
        out.append(reading_at_time(m, "arm_swing_back", side, t, upper))
        out.append(reading_at_time(m, "hand_past_hip_back_thigh", side, t, behind(100.0 / m.thigh_px)))
        if m.metres_per_px is not None:
            past = behind(m.metres_per_px)
            out.append(reading_at_time(m, "hand_past_hip_back", side, t, past, scaled=True))
    return out + _ranges(m, side, fronts, backs, upper) + _means(m, side, elbow)


def _ranges(
    m: Motion, side: Side, fronts: list[float], backs: list[float], upper: NumberOf
) -> list[Reading | None]:
    """Front end minus the back end that comes next, or else the one before."""
    stride = m.stride_time() or 0.0
    out: list[Reading | None] = []
    for front in fronts:
        near = [t for t in backs if abs(t - front) < 0.8 * stride]
        if not near:
            continue
        back = min(near, key=lambda t: (t < front, abs(t - front)))
        poses = [points_at(m.points, m.time_s, t) for t in (front, back)]
        values = [float(upper(p)) for p in poses]
        if not np.isfinite(values).all():
            continue
        ends = [pose_parts(m, upper, p, v) for p, v in zip(poses, values)]
        parts = {
            "landmark noise": float(np.hypot(ends[0]["landmark noise"], ends[1]["landmark noise"])),
            "view angle": ends[0]["view angle"] + ends[1]["view angle"],
        }
        out.append(
            Reading(
                "arm_swing_range",
                side,
                m.stride_at(side, front),
                values[0] - values[1],
                front,
                m.frame_at(front),
                parts,
            )
        )
    return out


def _means(m: Motion, side: Side, elbow: NumberOf) -> list[Reading | None]:
    series = elbow(m.points)
    out: list[Reading | None] = []
    for s in m.of_side(side):
        if not s.next_same:
            continue
        t0, t1 = s.touchdown.time_s, s.next_same.time_s
        value = window_mean(m.time_s, series, t0, t1)
        if not np.isfinite(value):
            continue
        inside = np.nonzero((m.time_s >= t0) & (m.time_s < t1) & np.isfinite(series))[0]
        best = int(inside[np.argmin(np.abs(series[inside] - value))])
        parts = pose_parts(m, elbow, m.points[best], value)
        out.append(
            Reading(
                "elbow_angle_mean",
                side,
                s.stride,
                value,
                float(m.time_s[best]),
                int(m.smoothed.frame[best]),
                parts,
            )
        )
    return out
