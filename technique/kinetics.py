"""Forces that are reckoned, not measured: spring-mass stiffness and the effort of the swinging leg.

All of them are estimates and are labelled so wherever they are shown.

References
----------
Morin JB, Dalleau G, Kyrolainen H, Jeannin T, Belli A (2005) A simple method for measuring stiffness
    during running. J Appl Biomech 21:167-180. The method reads 0.67 to 6.93 % below a force plate.
Winter DA, Biomechanics and Motor Control of Human Movement (planar inverse dynamics).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared.landmarks import Side
from technique.angles import foot_angle, hip_flexion, place, shank_angle, thigh_angle
from technique.body import SEGMENTS, BodyTable, limb_centre, limb_ends

FloatArray = NDArray[np.float64]

GRAVITY: Final[float] = 9.81
"""m/s^2."""
SINE_BIAS_SHARE: Final[float] = 0.07
"""The sine-wave method against a force plate, largest difference found (Morin et al. 2005)."""
SWING_LEG: Final[tuple[str, ...]] = ("thigh", "shank", "foot")


def vertical_force_peak(contact_s: float, flight_s: float) -> float:
    """Peak vertical force of a half sine wave, in body weights: pi/2 (flight / contact + 1)."""
    return float(np.pi / 2.0 * (flight_s / contact_s + 1.0))


def centre_drop(contact_s: float, flight_s: float) -> float:
    """How far the centre of mass sinks in contact, m, by the sine-wave method."""
    force_per_kg = vertical_force_peak(contact_s, flight_s) * GRAVITY
    return float(force_per_kg * contact_s**2 / np.pi**2 - GRAVITY * contact_s**2 / 8.0)


def vertical_stiffness(contact_s: float, flight_s: float, mass_kg: float) -> float:
    """Peak force over the sinking of the centre of mass, kN/m."""
    force = vertical_force_peak(contact_s, flight_s) * GRAVITY * mass_kg
    return float(force / centre_drop(contact_s, flight_s) / 1000.0)


def leg_stiffness(contact_s: float, flight_s: float, mass_kg: float, speed_mps: float, leg_m: float) -> float:
    """Peak force over the shortening of the leg, kN/m.

    Parameters
    ----------
    contact_s, flight_s : float
    mass_kg : float
    speed_mps : float
    leg_m : float
        Hip to ground, standing.

    Returns
    -------
    float
        NaN where half the way travelled in contact is longer than the leg.
    """
    half_way = speed_mps * contact_s / 2.0
    if half_way >= leg_m:
        return float("nan")
    shortening = leg_m - (leg_m**2 - half_way**2) ** 0.5 + centre_drop(contact_s, flight_s)
    return float(vertical_force_peak(contact_s, flight_s) * GRAVITY * mass_kg / shortening / 1000.0)


def rise_in_flight(flight_s: float) -> float:
    """How far the centre of mass rises in flight, m: g t^2 / 8."""
    return GRAVITY * flight_s**2 / 8.0


def hip_moment_swing(
    points_m: FloatArray, rate_hz: float, side: Side, table: BodyTable = "mean"
) -> FloatArray:
    """Moment about the hip that moves the free leg, flexion positive.

    Parameters
    ----------
    points_m : (N, 33, 2) array
        x forward, y up, metres, on an even time grid.
    rate_hz : float
    side : {"left", "right"}
    table : str
        Body table of `technique.body`.

    Returns
    -------
    (N,) array, N m per kg of body mass
        True only while the foot is in the air. Sum over thigh, shank and foot of the moment of
        inertia times the angular acceleration plus the moment about the hip of mass times
        (acceleration minus gravity). The hip itself may accelerate.
    """
    step = 1.0 / rate_hz
    hip = place(points_m, "hip", side)
    total = np.zeros(len(points_m))
    for name, of in zip(SWING_LEG, (thigh_angle, shank_angle, foot_angle)):
        row = SEGMENTS[table][name]
        first, last = limb_ends(points_m, name, side)
        length = float(np.nanmedian(np.linalg.norm(last - first, axis=-1)))
        turning = _second(np.radians(_unwrapped(of(points_m, side))), step)
        centre = limb_centre(points_m, name, side, table)
        pull = _second(centre, step) + np.array([0.0, GRAVITY])
        arm = centre - hip
        about_hip = arm[:, 0] * pull[:, 1] - arm[:, 1] * pull[:, 0]
        total = total + row.mass * ((row.gyration * length) ** 2 * turning + about_hip)
    return total


def hip_power(points: FloatArray, moment: FloatArray, rate_hz: float, side: Side) -> FloatArray:
    """Moment times the rate of hip flexion (thigh against trunk), W per kg, (N,)."""
    rate = np.gradient(np.radians(_unwrapped(hip_flexion(points, side))), 1.0 / rate_hz)
    out: FloatArray = moment * rate
    return out


def _unwrapped(angle_deg: FloatArray) -> FloatArray:
    """Angles without jumps of 360 degrees; gaps stay gaps."""
    seen = np.isfinite(angle_deg)
    out = angle_deg.copy()
    out[seen] = np.unwrap(angle_deg[seen], period=360.0)
    return out


def _second(x: FloatArray, step: float) -> FloatArray:
    """Second derivative by central differences along the first axis; NaN at the two ends."""
    out = np.full_like(x, np.nan)
    out[1:-1] = (x[2:] - 2.0 * x[1:-1] + x[:-2]) / step**2
    return out
