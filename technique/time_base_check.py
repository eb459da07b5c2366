"""What becomes of the times when the clip's time base looks wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from shared.analysis import Measure
from technique.body import centre_of_mass
from technique.gravity_check import Fall, fall_in_flight, time_base_warning
from technique.measures_motion import Motion
from technique.time_base_notes import FRAMES_PER_SECOND

PLAUSIBLE_STEPS_PER_MIN: Final = (120.0, 330.0)
"""Running outside this is a wrong capture rate, or walking (common practice, no source)."""
STANDARD_LEG_M: Final = 0.491 * 1.70
STANDARD_LEG_SD: Final = 0.07
"""Hip to ankle of somebody 1.70 m tall (Drillis and Contini), for a clip without a scale, and
the relative SD of that among adults (stature about 6 %, common practice, no source)."""
TIMED_KEYS: Final = frozenset(
    {
        "contact_time",
        "flight_time",
        "step_time",
        "step_frequency",
        "stride_time",
        "speed",
        "thigh_angular_velocity_forward",
        "thigh_angular_velocity_back",
        "leg_stiffness",
        "vertical_stiffness",
        "hip_moment_swing_flexion",
        "hip_moment_swing_extension",
        "hip_power_swing_peak",
    }
)
"""Measures that a wrong time base spoils; ratios of times and positions in space it doesn't."""
WHY: Final = "the time base is wrong (see the notes); give the true capture rate"


def fall_of(m: Motion) -> Fall | None:
    """The fall of the centre of mass over all flights of a clip."""
    flights = _flights(m)
    metres, scale_sd = m.metres_per_px, m.scale_sd
    if metres is None:
        metres, scale_sd = STANDARD_LEG_M / m.leg_px, STANDARD_LEG_SD
    height = centre_of_mass(m.mass_points, m.table)[:, 1] * metres
    noise_m = float(m.noise[..., 1].max()) * metres / 3.0
    return fall_in_flight(m.time_s, height, flights, noise_m, scale_sd)


def _flights(m: Motion) -> list[tuple[float, float]]:
    """Begin and end of each flight, s."""
    return [
        (s.toe_off.time_s, s.next_other.time_s)
        for s in m.steps
        if s.toe_off and s.next_other and s.next_other.time_s > s.toe_off.time_s
    ]


def checked_times(
    m: Motion, measures: Sequence[Measure], told: bool = False
) -> tuple[tuple[Measure, ...], tuple[str, ...]]:
    """Measures with spoilt times taken out, and what to tell the user.

    Parameters
    ----------
    m : Motion
    measures : sequence of Measure
    told : bool
        The user said how many frames make a second.

    Returns
    -------
    measures : tuple of Measure
        Times, rates and speeds are not measurable where the step frequency is none of running, and
        the fall in flight says so too or there are flights at all (so it is no walking) at a rate
        that only the file tells. One sign alone, or against the user's own word, only warns.
    notes : tuple of str
    """
    warning = time_base_warning(fall_of(m))
    rate = next((x.value for x in measures if x.key == "step_frequency"), None)
    low, high = PLAUSIBLE_STEPS_PER_MIN
    strange = rate is not None and not low <= rate <= high
    runs = len(_flights(m)) > len(m.steps) / 2
    notes: list[str] = [warning] if warning else []
    if strange:
        but = "There are flights between the steps, so" if runs else "Unless this is walking,"
        notes.append(
            f"The step frequency comes out at {rate:.0f} steps a minute; running lies between {low:.0f} and "
            f"{high:.0f}. {but} the capture rate is wrong: give the {FRAMES_PER_SECOND}."
        )
    if not (strange and (warning or (runs and not told))):
        return tuple(measures), tuple(notes)
    return tuple(
        replace(
            x, value=None, low=None, high=None, status="not_measurable", why=WHY, label=None, error_parts={}
        )
        if x.key in TIMED_KEYS and x.status == "measured"
        else x
        for x in measures
    ), tuple(notes)
