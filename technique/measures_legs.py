"""Thigh, knee, shank and foot, and where the foot lands."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.analysis import Event
from shared.landmarks import Side
from technique import error_model as em
from technique.angles import (
    SIDES,
    AngleOf,
    foot_angle,
    knee_flexion,
    middle,
    place,
    shank_angle,
    thigh_angle,
)
from technique.body import centre_of_mass
from technique.measures_motion import Motion, points_at
from technique.measures_readings import (
    NumberOf,
    Reading,
    moment_parts,
    pose_parts,
    reading_at_event,
    reading_at_time,
    turning_points,
    window_peak,
)

FloatArray = NDArray[np.float64]

SWING_SPACING = 0.6
"""Least distance of two swings of one limb, in stride times."""
SWING_PROMINENCE_DEG = 12.0
"""A swing of thigh or knee stands out by at least this much."""
LONGEST_CONTACT, LONGEST_SWING = 0.45, 0.6
"""Shares of a stride. Running, a contact takes less than half of it, and the knee is folded most about a
third of a stride before touchdown (common practice, no source)."""
RATE_WINDOW = 0.12
"""Window of the thigh's angular velocity, in stride times: a full swing's peak loses 1.4 %."""
FLAT_PART = (0.35, 0.55)
"""Part of contact in which the foot lies flat."""


def slope(series: FloatArray, rate_hz: float, window_s: float) -> FloatArray:
    """Rate of change per s: slope of a straight line over a window round each sample.

    Parameters
    ----------
    series : (N,) array
    rate_hz, window_s : float
        The window is made up to an odd number of samples, at least three.

    Returns
    -------
    (N,) array
        NaN where the window reaches a gap or an end.
    """
    half = max(1, round(window_s * rate_hz / 2.0))
    steps = np.arange(-half, half + 1)
    out = np.full_like(series, np.nan)
    if len(series) >= len(steps):
        weights = steps / np.sum(steps**2) * rate_hz
        out[half:-half] = np.convolve(series, weights[::-1], mode="valid")
    return out


def _bound(of: AngleOf, side: Side) -> NumberOf:
    return lambda points: of(points, side)


def swing_ends(m: Motion, series: FloatArray, sign: float) -> list[float]:
    """Times of the front (sign 1) or back (-1) ends of a limb's swing."""
    stride = m.stride_time()
    if stride is None:
        return []
    found = turning_points(m.time_s, sign * series, SWING_SPACING * stride, SWING_PROMINENCE_DEG)
    return [t for t, _ in found]


def in_swing(m: Motion, side: Side, time_s: float) -> bool:
    """Whether that foot is off the ground for sure, as far as its touchdowns in the clip tell.

    A contact whose toe-off was not seen lasts `LONGEST_CONTACT` of a stride, and what lies longer than
    `LONGEST_SWING` before the first touchdown seen may be a contact. True where no touchdown was seen.
    """
    stride = m.stride_time() or 0.0
    steps = m.of_side(side)
    before = [s for s in steps if s.touchdown.time_s <= time_s]
    if before:
        last = before[-1]
        if last.toe_off:
            return time_s > last.toe_off.time_s
        return time_s - last.touchdown.time_s > LONGEST_CONTACT * stride
    return not steps or steps[0].touchdown.time_s - time_s < LONGEST_SWING * stride


def thigh(m: Motion) -> list[Reading]:
    """Largest and smallest thigh angle of each stride, and its largest rates both ways."""
    out: list[Reading | None] = []
    for side in SIDES:
        of = _bound(thigh_angle, side)
        series = of(m.points)
        highs, lows = swing_ends(m, series, 1.0), swing_ends(m, series, -1.0)
        out += [reading_at_time(m, "thigh_angle_max", side, t, of) for t in highs]
        out += [reading_at_time(m, "thigh_angle_min", side, t, of) for t in lows]
        out += _rates(m, side, series, highs, lows)
    return [r for r in out if r]


def _rates(m: Motion, side: Side, series: FloatArray, highs: list[float], lows: list[float]) -> list[Reading]:
    stride = m.stride_time() or 0.0
    window = RATE_WINDOW * stride
    rate = slope(series, m.smoothed.rate_hz, window)
    of, out = _bound(thigh_angle, side), []
    cutoff = float(np.mean(m.smoothed.cutoff_hz[_thigh_points(side)]))

    def reading(key: str, found: tuple[float, float] | None) -> None:
        if found is None:
            return
        t, value = found
        pose = points_at(m.points, m.time_s, t)
        noise = em.rate_noise_sd(em.propagated_half_width(of, pose, m.noise), cutoff, window)
        # Yaw shrinks tan(angle), so near the vertical the rate is off by 1 / cos(yaw).
        yaw = value * (1.0 / np.cos(np.radians(m.yaw_95_deg)) - 1.0)
        parts = {"landmark noise": noise, "view angle": yaw}
        out.append(Reading(key, side, m.stride_at(side, t), value, t, m.frame_at(t), parts))

    for high in highs:
        before = [t for t in lows if 0 < high - t < 0.8 * stride]
        if before:
            reading("thigh_angular_velocity_forward", window_peak(m.time_s, rate, before[-1], high))
        landing = [s.touchdown.time_s for s in m.of_side(side) if 0 < s.touchdown.time_s - high < stride / 2]
        if landing:
            reading("thigh_angular_velocity_back", window_peak(m.time_s, -rate, high, landing[0]))
    return out


def _thigh_points(side: Side) -> list[int]:
    return [lm.index("hip", side), lm.index("knee", side)]


def knee(m: Motion) -> list[Reading]:
    """Knee flexion at touchdown and toe-off, and the largest in stance and in swing."""
    out: list[Reading | None] = []
    for side in SIDES:
        of = _bound(knee_flexion, side)
        series = of(m.points)
        for s in m.of_side(side):
            out.append(reading_at_event(m, "knee_flexion_td", side, s.stride, s.touchdown, of))
            if not s.toe_off:
                continue
            out.append(reading_at_event(m, "knee_flexion_to", side, s.stride, s.toe_off, of))
            deepest = window_peak(m.time_s, series, s.touchdown.time_s, s.toe_off.time_s)
            if deepest:
                out.append(reading_at_time(m, "knee_flexion_stance_max", side, deepest[0], of))
        folds = swing_ends(m, series, 1.0)
        values = [float(points_at(series, m.time_s, t)) for t in folds]
        deepest_fold = max(values, default=0.0)
        for t, value in zip(folds, values):
            if in_swing(m, side, t) and value > 0.7 * deepest_fold:
                out.append(reading_at_time(m, "knee_flexion_swing_max", side, t, of))
    return [r for r in out if r]


def flat_foot_angle(m: Motion, side: Side) -> tuple[float, float]:
    """Angle of the heel-toe line while the foot lies flat, and its 95 % half-width, deg.

    Median over all contacts of the part of contact in which the foot lies flat. It takes out the
    shoe's own drop and the different heights of the heel and toe landmarks. NaN where no contact is
    seen. The half-width is that of landmark noise, which wanders too slowly to be another one
    within the flat part.
    """
    of = _bound(foot_angle, side)
    values, noise = [], []
    for s in m.of_side(side):
        if not s.toe_off:
            continue
        t0, length = s.touchdown.time_s, s.toe_off.time_s - s.touchdown.time_s
        for share in np.linspace(*FLAT_PART, 5):
            pose = points_at(m.points, m.time_s, t0 + share * length)
            values.append(float(of(pose)))
        middle_pose = points_at(m.points, m.time_s, t0 + float(np.mean(FLAT_PART)) * length)
        if np.isfinite(of(middle_pose)):
            noise.append(em.propagated_half_width(of, middle_pose, m.noise))
    seen = [v for v in values if np.isfinite(v)]
    if not seen:
        return float("nan"), 0.0
    return float(np.median(seen)), float(np.sqrt(np.sum(np.square(noise)))) / max(len(noise), 1)


def landing(m: Motion) -> list[Reading]:
    """Shank and foot angle and distances at touchdown."""
    out: list[Reading | None] = []
    for side in SIDES:
        flat = flat_foot_angle(m, side)

        def ahead_of_hip(p: FloatArray, side: Side = side) -> FloatArray:
            return place(p, "ankle", side)[..., 0] - middle(p, "hip")[..., 0]

        def ahead_of_mass(p: FloatArray, side: Side = side) -> FloatArray:
            return place(p, "ankle", side)[..., 0] - centre_of_mass(p, m.table)[..., 0]

        for s in m.of_side(side):
            shank = _bound(shank_angle, side)
            out.append(reading_at_event(m, "shank_angle_td", side, s.stride, s.touchdown, shank))
            out += _foot_readings(m, side, s.stride, s.touchdown, flat)
            for name, of, points in (
                ("td_distance", ahead_of_hip, m.points),
                ("td_distance_com", ahead_of_mass, m.mass_points),
            ):
                arm = {"far arm": m.far_arm_px} if points is m.mass_points else {}
                out += _distance(m, name, side, s.stride, s.touchdown, of, points, arm)
    return [r for r in out if r]


def _foot_readings(
    m: Motion, side: Side, stride: int, event: Event, flat: tuple[float, float]
) -> list[Reading]:
    of = _bound(foot_angle, side)
    pose = points_at(m.points, m.time_s, event.time_s)
    value = float(of(pose)) - flat[0]
    if not np.isfinite(value):
        return []
    parts = pose_parts(m, of, pose, value) | moment_parts(m, event, of, m.points)
    parts.pop("camera roll")  # the flat foot is turned by the same roll
    parts["flat foot"] = flat[1]
    at = event.time_s
    return [
        Reading(key, side, stride, value, at, m.frame_at(at), parts)
        for key in ("foot_angle_td", "strike_pattern")
    ]


def _distance(
    m: Motion,
    name: str,
    side: Side,
    stride: int,
    event: Event,
    of: NumberOf,
    points: FloatArray,
    extra_px: dict[str, float],
) -> list[Reading | None]:
    out: list[Reading | None] = []
    units = [(f"{name}_leg", 100.0 / m.leg_px, False)]
    if m.metres_per_px is not None:
        units.append((name, m.metres_per_px, True))
    for key, factor, scaled in units:

        def in_unit(p: FloatArray, factor: float = factor) -> FloatArray:
            return of(p) * factor

        extra = {k: v * factor for k, v in extra_px.items()}
        out.append(reading_at_event(m, key, side, stride, event, in_unit, points, scaled, extra))
    return out
