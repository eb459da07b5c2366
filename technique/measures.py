"""All measures of a clip: readings of every step, then one value per side with its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shared.analysis import Measure, Observation
from shared.catalogue import MEASURES
from shared.landmarks import SideOrBoth
from technique import error_model as em
from technique.error_model import ErrorTable
from technique.measures_arms import arms
from technique.measures_body import oscillation, trunk
from technique.measures_forces import (
    SPRING_KEYS,
    SWING_KEYS,
    not_measurable,
    spring_measures,
    swing_efforts,
    swing_why,
)
from technique.measures_legs import knee, landing, thigh
from technique.measures_motion import Motion, arm_hidden, leg_hidden
from technique.measures_readings import RANDOM_PARTS, Reading
from technique.measures_rhythm import lengths, times, walking

LARGEST_YAW_DEG: Final[float] = 35.0
"""Camera further off a true side view than this: no angles, no distances."""
LARGEST_SHARE: Final[dict[str, float]] = {
    "contact_time": 0.25,
    "flight_time": 0.60,
    "step_time": 0.15,
    "step_frequency": 0.15,
    "stride_time": 0.15,
    "duty_factor": 0.25,
    "step_length": 0.25,
    "speed": 0.25,
    "vertical_oscillation": 0.75,
    "thigh_angular_velocity_forward": 0.50,
    "thigh_angular_velocity_back": 0.50,
    "vertical_force_peak": 0.50,
    "vertical_stiffness": 0.75,
    "leg_stiffness": 0.75,
    "hip_moment_swing_flexion": 1.0,
    "hip_moment_swing_extension": 1.0,
    "hip_power_swing_peak": 1.0,
}
"""A 95 % half-width above this share of the value makes the measure not measurable (judgement)."""
LARGEST_HALF_WIDTH: Final[dict[str, float]] = {
    "deg": 25.0,
    "m": 0.20,
    "% leg": 25.0,
    "% thigh": 50.0,
    "%": 50.0,
}
"""The same in the unit of the measure, for measures that can be near zero (judgement)."""
SLIP_TYPICAL: Final[float] = 6.0
SLIP_OWN: Final[float] = 4.5
"""A reading this many typical SDs, and own robust SDs, from the median is a slip (judgement)."""
MORE: Final[str] = "film more strides"
MENDS: Final[dict[str, str]] = {
    "view angle": "film at right angles to the lane",
    "scale": "mark a known distance in the lane",
    "frame rate": "film at a higher frame rate",
    "events": "film at a higher frame rate",
    "event method": "film at a higher frame rate, with the feet sharp and in full view",
    "contact time": "film at a higher frame rate, with the feet sharp and in full view",
    "landmark noise": "film closer, in good light",
    "model": "film closer, in good light, from the side you want to know about",
    "model bias": "compare it between clips of yours, where what is the same in each cancels",
    "camera roll": "hold the camera level",
}
"""What helps most, by the largest part of the error."""
TIME_KEYS: Final[frozenset[str]] = frozenset(
    ("contact_time", "flight_time", "step_time", "step_frequency", "stride_time", "duty_factor")
)
"""Measures that no camera angle spoils."""
ARM_PREFIXES: Final[tuple[str, ...]] = ("elbow_", "arm_", "hand_")
LEG_PREFIXES: Final[tuple[str, ...]] = ("thigh_", "knee_", "shank_", "foot_", "strike_", "td_", "hip_")
REARFOOT_ABOVE_DEG: Final[float] = 8.0
FOREFOOT_BELOW_DEG: Final[float] = -1.6
"""Strike pattern cut-offs: Altman and Davis 2012, Gait Posture 35:298 (from memory)."""


@dataclass(frozen=True)
class Measured:
    """All observations and all measures of a clip."""

    observations: tuple[Observation, ...]
    measures: tuple[Measure, ...]


def readings(m: Motion) -> list[Reading]:
    """Every reading of every step, stride and swing that the clip gives."""
    found = [*times(m), *lengths(m), *trunk(m), *oscillation(m), *arms(m), *swing_efforts(m)]
    found += [r for r in (*thigh(m), *knee(m), *landing(m)) if not _leg_out(m, r)]
    if walking(found):
        found = [r for r in found if r.key != "flight_time"]
    if _too_oblique(m):
        found = [r for r in found if r.key in TIME_KEYS]
    return found


def _leg_out(m: Motion, r: Reading) -> bool:
    return r.side != "both" and bool(leg_hidden(m, r.side))


def _too_oblique(m: Motion) -> bool:
    return bool(np.isfinite(m.yaw_deg)) and m.yaw_deg > LARGEST_YAW_DEG


def measured(m: Motion, table: ErrorTable | None = None) -> Measured:
    """All measures of a clip.

    Parameters
    ----------
    m : Motion
    table : ErrorTable, optional
        Default: the one that comes with the program.

    Returns
    -------
    Measured
        A `Measure` for every key of `shared.catalogue` and each of its sides; what can't be
        measured is there too, with the reason.
    """
    table = table or em.error_table()
    view = em.view_class(m.yaw_deg, m.leg_px)
    corrected = table.corrects(m.pose_model)

    def distance(side: SideOrBoth) -> em.Distance:
        return "far" if side == m.far else "near"

    found = readings(m)
    if corrected:
        found = [
            replace(r, value=table.error(r.key, distance(r.side), view).corrected(r.value)) for r in found
        ]
    walks = walking(times(m))
    done: dict[tuple[str, str], Measure] = {}
    for key, kind in MEASURES.items():
        if key in SPRING_KEYS:
            continue
        sides: tuple[SideOrBoth, ...] = ("both",) if kind.sided == "both" else ("left", "right")
        for side in sides:
            own = [r for r in found if r.key == key and r.side == side]
            if own:
                done[key, side] = summary(own, distance(side), table, view, corrected)
            else:
                done[key, side] = not_measurable(key, side, _why_none(m, key, side, walks))
    for spring in spring_measures(m, done):
        done[spring.key, spring.side] = limited(spring)
    order = {key: i for i, key in enumerate(MEASURES)}
    in_order = sorted(done.values(), key=lambda x: (order[x.key], x.side))
    seen = sorted(found, key=lambda r: (order[r.key], r.side, r.time_s))
    return Measured(tuple(r.observation() for r in seen), tuple(in_order))


def summary(
    own: Sequence[Reading],
    distance: em.Distance,
    table: ErrorTable,
    view: em.View = "any",
    corrected: bool = False,
) -> Measure:
    """One value with its error from the readings of one key and side.

    Parameters
    ----------
    own : sequence of Reading
        At least one, all of the same key and side.
    distance : {"near", "far"}
        Which row of the error table holds.
    table : ErrorTable
    view : {"any", "good", "poor"}
        The same.
    corrected : bool
        The row's correction was taken out of the readings, and its share holds.
    """
    key, side = own[0].key, own[0].side
    own = kept(own, table.typical(key))
    n = len(own)
    values = np.array([r.value for r in own])
    # Times add up, so the mean frequency is that of the mean time.
    value = float(1.0 / np.mean(1.0 / values)) if key == "step_frequency" else float(values.mean())
    names = sorted({name for r in own for name in r.parts})
    parts: dict[str, float] = {}
    for name in names:
        each = np.array([r.parts.get(name, 0.0) for r in own])
        random = name in RANDOM_PARTS
        parts[name] = float(np.sqrt(np.mean(each**2) / n)) if random else float(each.mean())
    row = table.error(key, distance, view)
    if corrected:
        parts |= {name: row.share * parts[name] for name in em.TESTED_PARTS if name in parts}
    explained = sum(parts.get(name, 0.0) ** 2 for name in RANDOM_PARTS)
    spread = em.stride_half_width(values, table.typical(key)) if key != "speed" or np.ptp(values) else 0.0
    parts["strides"] = max(spread**2 - explained, 0.0) ** 0.5
    parts |= row.half_widths(value, corrected)
    parts["out of plane"] = table.plane(key)
    parts = {name: half for name, half in parts.items() if half > 0}
    half = em.combined(parts)
    best = own[int(np.argmin(np.abs(values - value)))]
    kind = MEASURES[key]
    low, high = value - half, value + half
    made = Measure(
        key,
        side,
        value,
        kind.unit,
        low,
        high,
        n,
        "measured",
        None,
        best.frame,
        parts,
        strike_label(low, high) if key == "strike_pattern" else None,
        kind.estimate,
    )
    return limited(made)


def kept(own: Sequence[Reading], typical_sd: float) -> list[Reading]:
    """Readings without gross slips of a landmark or an event.

    Of four or more, those are left out that lie further from the median than both
    `SLIP_TYPICAL` typical SDs and `SLIP_OWN` times the spread of the readings themselves.
    """
    values = np.array([r.value for r in own])
    if len(values) < 4:
        return list(own)
    off = np.abs(values - np.median(values))
    limit = max(SLIP_TYPICAL * typical_sd, SLIP_OWN * 1.4826 * float(np.median(off)))
    return [r for r, o in zip(own, off) if o <= limit]


def strike_label(low_deg: float, high_deg: float) -> str:
    """Strike pattern from the interval of the foot angle; "near boundary" when it spans a cut-off."""
    if low_deg > REARFOOT_ABOVE_DEG:
        return "rearfoot"
    if high_deg < FOREFOOT_BELOW_DEG:
        return "forefoot"
    if low_deg > FOREFOOT_BELOW_DEG and high_deg < REARFOOT_ABOVE_DEG:
        return "midfoot"
    return "near boundary"


def limited(measure: Measure) -> Measure:
    """The measure, or its refusal where the error is too large to be of use."""
    if measure.value is None or measure.low is None or measure.high is None:
        return measure
    half = (measure.high - measure.low) / 2.0
    kind = MEASURES[measure.key]
    share = LARGEST_SHARE.get(measure.key)
    digits = max(kind.decimals, 1)
    unit = {"deg": "°"}.get(measure.unit, f" {measure.unit}")
    mend = MENDS.get(max(measure.error_parts, key=lambda k: measure.error_parts[k], default=""), MORE)
    if share is not None and half > share * abs(measure.value):
        why = f"the error (± {half:.{digits}f}{unit}) is more than {100 * share:.0f} % of the value; {mend}"
        return not_measurable(measure.key, measure.side, why)
    most = LARGEST_HALF_WIDTH.get(measure.unit)
    if share is None and most is not None and half > most:
        why = f"the error (± {half:.{digits}f}{unit}) is too large to be of use; {mend}"
        return not_measurable(measure.key, measure.side, why)
    return measure


def _why_none(m: Motion, key: str, side: SideOrBoth, walks: bool) -> str:
    """Plain reason why there is no reading of this key and side."""
    kind = MEASURES[key]
    if _too_oblique(m) and key not in TIME_KEYS:
        return (
            f"the camera stands {m.yaw_deg:.0f}° off a true side view, more than {LARGEST_YAW_DEG:.0f}°; "
            "film at right angles to the lane"
        )
    if key == "flight_time" and walks:
        return "there is no flight: one foot is always on the ground, as in walking"
    if kind.needs == "scale" and m.metres_per_px is None:
        return "no scale: give the stature or a marked distance"
    if kind.needs == "scale or belt":
        if m.camera == "treadmill" and not m.belt_speed_mps:
            return "no belt speed: give the speed of the treadmill"
        if m.camera != "treadmill" and m.metres_per_px is None:
            return "no scale: give the stature or a marked distance"
    if key in SWING_KEYS and (why := swing_why(m, key, side)):
        return why
    if side != "both":
        which = f"the {'near' if side == m.near else 'far'} ({side})"
        if key.startswith(ARM_PREFIXES) and (share := arm_hidden(m, side)):
            return f"{which} arm is hidden in {100 * share:.0f} % of the frames; film the other side too"
        if key.startswith(LEG_PREFIXES) and (share := leg_hidden(m, side)):
            return f"{which} leg is hidden in {100 * share:.0f} % of the frames; film the other side too"
        return f"no whole step of the {side} foot, or its landmarks were lost; film more strides"
    return "no whole step, or the landmarks were lost; film more strides"
