"""Estimates of force: stiffness from times and speed, and the hip's effort in swing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from shared import landmarks as lm
from shared.analysis import Measure
from shared.catalogue import MEASURES
from shared.landmarks import Side, SideOrBoth
from technique import error_model as em
from technique import kinetics
from technique.angles import SIDES
from technique.body import SEGMENTS
from technique.measures_motion import Motion
from technique.measures_readings import Reading

LEAST_RATE_HZ: Final[float] = 120.0
"""Swing-leg moments need the second derivative of position, so a high frame rate."""
MASS_HALF_WIDTH_KG: Final[float] = 1.0
"""A body mass the user gives is taken to be right to 1 kg (a judgement)."""
LEG_SHARE: Final[float] = 0.03
"""95 % of a leg length that is given or taken from stature (a judgement)."""
SWING_PART: Final[tuple[float, float]] = (0.05, 0.95)
"""Part of swing that is used, so that no contact leaks in through the filter."""
SPRING_KEYS: Final[tuple[str, ...]] = ("vertical_force_peak", "vertical_stiffness", "leg_stiffness")
MOMENT_KEYS: Final[tuple[str, ...]] = ("hip_moment_swing_flexion", "hip_moment_swing_extension")
SWING_KEYS: Final[tuple[str, ...]] = (*MOMENT_KEYS, "hip_power_swing_peak")


def spring_measures(m: Motion, measured: Mapping[tuple[str, str], Measure]) -> list[Measure]:
    """Peak force and stiffness of both sides by the sine-wave method.

    Parameters
    ----------
    measured : mapping
        By (key, side): contact, flight and step time, and speed.
    """
    return [m_ for side in SIDES for m_ in _spring(m, side, measured)]


def _spring(m: Motion, side: Side, measured: Mapping[tuple[str, str], Measure]) -> list[Measure]:
    contact, flight = measured["contact_time", side], measured["flight_time", side]
    step, speed = measured["step_time", side], measured["speed", "both"]
    mass, leg = m.athlete.mass_kg, m.leg_length_m()
    out = []
    for key in SPRING_KEYS:
        lacking = next((x.why for x in (contact, flight, step) if x.value is None), None)
        if lacking is None and key != "vertical_force_peak" and mass is None:
            lacking = "no body mass: give it"
        if lacking is None and key == "leg_stiffness":
            lacking = speed.why if speed.value is None else None
            if lacking is None and leg is None:
                lacking = "no leg length: give it, or the stature"
        if lacking is not None:
            out.append(not_measurable(key, side, lacking))
            continue
        inputs = {"contact": contact, "step": step, "speed": speed}
        out.append(_spring_measure(key, side, inputs, mass or 1.0, leg or 1.0))
    return out


def _spring_measure(key: str, side: Side, inputs: Mapping[str, Measure], mass: float, leg: float) -> Measure:
    contact, step = inputs["contact"], inputs["step"]
    speed = inputs["speed"].value or 0.0
    tc, ts = contact.value or 0.0, step.value or 0.0

    def of(tc: float, ts: float, mass: float, speed: float, leg: float) -> float:
        if key == "vertical_force_peak":
            return kinetics.vertical_force_peak(tc, ts - tc)
        if key == "vertical_stiffness":
            return kinetics.vertical_stiffness(tc, ts - tc, mass)
        return kinetics.leg_stiffness(tc, ts - tc, mass, speed, leg)

    # Contact and flight share the toe-off: step time is kept while contact is moved.
    at = (tc, ts, mass, speed, leg)
    halves = {
        "contact time": half_width(contact),
        "step time": half_width(step),
        "mass": MASS_HALF_WIDTH_KG,
        "speed": half_width(inputs["speed"]),
        "leg length": LEG_SHARE * leg,
    }
    value = of(*at)
    parts = {}
    for i, (name, half) in enumerate(halves.items()):
        up, down = list(at), list(at)
        up[i] += half
        down[i] -= half
        change = abs(of(*up) - of(*down)) / 2.0
        if change > 0:
            parts[name] = change
    parts["method"] = kinetics.SINE_BIAS_SHARE * value
    if not np.isfinite(value) or not np.isfinite(list(parts.values())).all():
        return not_measurable(key, side, "contact time and speed do not go together with this leg length")
    half = em.combined(parts)
    n = min(contact.n, step.n)
    return Measure(
        key,
        side,
        value,
        MEASURES[key].unit,
        value - half,
        value + half,
        n,
        "measured",
        None,
        contact.frame,
        parts,
        None,
        True,
    )


def half_width(measure: Measure) -> float:
    """Half of a measure's interval; 0 when it has none."""
    if measure.low is None or measure.high is None:
        return 0.0
    return (measure.high - measure.low) / 2.0


def not_measurable(key: str, side: str, why: str) -> Measure:
    """A measure without a value, and the reason."""
    kind = MEASURES[key]
    return Measure(
        key,
        side,  # type: ignore[arg-type]
        None,
        kind.unit,
        None,
        None,
        0,
        "not_measurable",
        why,
        estimate=kind.estimate,
    )


def swing_why(m: Motion, key: str, side: SideOrBoth) -> str | None:
    """Why the hip's effort in swing can't be reckoned, or None.

    The far leg's moment was off by more than its claimed error in 5 of 18 rendered clips
    (docs/accuracy.md): refused, not told.
    """
    if key in MOMENT_KEYS and side == m.far:
        return "the far leg is hidden too often for a moment; film the other side"
    if m.metres_per_px is None:
        return "no scale: give the stature or a marked distance"
    if m.capture_rate_hz < 0.98 * LEAST_RATE_HZ:
        return f"needs {LEAST_RATE_HZ:.0f} frames per second or more; this clip has {m.capture_rate_hz:.0f}"
    return None


def swing_efforts(m: Motion) -> list[Reading]:
    """Largest hip flexion and extension moment (both positive) and power of each swing."""
    if m.metres_per_px is None:
        return []
    out: list[Reading] = []
    for side in SIDES:
        points_m = m.points * m.metres_per_px
        rate = m.smoothed.rate_hz
        moment = kinetics.hip_moment_swing(points_m, rate, side, m.table)
        other = kinetics.hip_moment_swing(points_m, rate, side, "winter" if m.table != "winter" else "mean")
        power = kinetics.hip_power(m.points, moment, rate, side)
        other_power = kinetics.hip_power(m.points, other, rate, side)
        noise = _moment_noise(m, side)
        for s in m.of_side(side):
            if not s.toe_off or not s.next_same:
                continue
            t0, length = s.toe_off.time_s, s.next_same.time_s - s.toe_off.time_s
            start, end = (t0 + share * length for share in SWING_PART)
            inside = np.nonzero((m.time_s >= start) & (m.time_s <= end))[0]
            if len(inside) < 5 or not np.isfinite(moment[inside]).all():
                continue
            for key, series, alternative, sign in (
                ("hip_moment_swing_flexion", moment, other, 1.0),
                ("hip_moment_swing_extension", moment, other, -1.0),
                ("hip_power_swing_peak", power, other_power, 1.0),
            ):
                if swing_why(m, key, side) is not None or not np.isfinite(series[inside]).all():
                    continue
                i = int(inside[np.argmax(sign * series[inside])])
                value = float(sign * series[i])
                turning = abs(float(power[i] / moment[i])) if key.endswith("peak") else 1.0
                parts = {
                    "landmark noise": noise * turning,
                    "segment masses": abs(float(np.nanmax(sign * alternative[inside])) - value),
                    # Length enters as its square: mass moment of inertia, and arm times acceleration.
                    "scale": 2.0 * em.Z95 * m.scale_sd * abs(value),
                    "view angle": abs(value) * (1.0 / np.cos(np.radians(m.yaw_95_deg)) ** 2 - 1.0),
                }
                t, frame = float(m.time_s[i]), int(m.smoothed.frame[i])
                out.append(Reading(key, side, s.stride, value, t, frame, parts))
    return out


def _moment_noise(m: Motion, side: Side) -> float:
    """95 % half-width of the moment (N m per kg) from landmark noise, as for a hanging leg."""
    metres = m.metres_per_px or 0.0
    rows, total = SEGMENTS[m.table], 0.0
    lengths = {"thigh": m.thigh_px, "shank": m.leg_px - m.thigh_px, "foot": 0.3 * m.leg_px}
    depth = 0.0
    for name, joint in (("thigh", "knee"), ("shank", "ankle"), ("foot", "foot_index")):
        i = lm.index(joint, side)
        sd = float(np.nanmean(m.noise[i])) * metres
        cutoff = float(np.nanmean(m.smoothed.cutoff_hz[i]))
        arm = (depth + rows[name].centre * lengths[name]) * metres
        total += (rows[name].mass * arm * em.acceleration_noise_sd(sd, cutoff)) ** 2
        depth += lengths[name] if name != "foot" else 0.0
    return float(em.Z95 * total**0.5)
