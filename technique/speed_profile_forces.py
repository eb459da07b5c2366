"""Horizontal force, velocity and power per body mass, from the speed profile of a sprint.

References
----------
Samozino P, Rabita G, Dorel S, et al. (2016) A simple method for measuring power, force, velocity
    properties, and mechanical effectiveness in sprint running. Scand J Med Sci Sports 26:648-658.
Arsac LM, Locatelli E (2002) Modeling the energetics of 100-m running by using speed curves of world
    champions. J Appl Physiol 92:1781-1788 (air drag; constants from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared.units import Units
from technique.rulers import speed_ruler
from technique.speed_profile import Interval, SpeedProfile

FloatArray = NDArray[np.float64]

G: Final[float] = 9.81
RF_FROM_S: Final[float] = 0.3
"""Ratio of forces is taken from 0.3 s on (Samozino et al. 2016, from memory)."""
DRAWS: Final[int] = 2000
DRAG: Final[dict[str, float]] = {
    "air density at 0 degC, 760 mmHg (kg/m^3)": 1.293,
    "frontal share of body surface": 0.266,
    "body surface factor": 0.2025,
    "stature exponent": 0.725,
    "mass exponent": 0.425,
    "drag coefficient": 0.9,
}
"""Arsac and Locatelli 2002, as used by Samozino et al. 2016 (from memory)."""


@dataclass(frozen=True)
class ForceVelocity:
    """Horizontal force, velocity and power per body mass.

    Attributes
    ----------
    f0 : Interval
        Force at no speed, N/kg.
    v0 : Interval
        Speed at no force, m/s.
    p_max : Interval
        F0 V0 / 4, W/kg.
    rf_max : Interval
        Horizontal share of the ground force 0.3 s after the start, %.
    drf : Interval
        Change of that share with speed, % per m/s.
    slope : Interval
        Of force against velocity, N s/(m kg).
    drag : bool
        Air drag was taken into account (needs stature and mass).
    """

    f0: Interval
    v0: Interval
    p_max: Interval
    rf_max: Interval
    drf: Interval
    slope: Interval
    drag: bool

    @property
    def sentence(self) -> str:
        """The result in plain words, to be printed unchanged."""
        return force_sentence(self)


def force_sentence(f: ForceVelocity, units: Units = "metric") -> str:
    """Force, velocity and power with their intervals; force and power per kilogram in both systems."""
    f0, v0, p = f.f0, f.v0, f.p_max
    shown = speed_ruler(units, 1)
    air = (
        ""
        if f.drag
        else " Air drag is left out (stature and mass are not given), so these are a little small."
    )
    return (
        f"Force F0 {f0.value:.1f} N/kg ({f0.low:.1f} to {f0.high:.1f}), velocity V0 {shown.change(v0.value)} "
        f"({shown.between(v0.low, v0.high)}), power {p.value:.1f} W/kg ({p.low:.1f} to {p.high:.1f}); "
        f"estimates of the body's mean horizontal push.{air}"
    )


def drag_per_mass(
    stature_m: float, mass_kg: float, temperature_c: float = 20.0, pressure_mmhg: float = 760.0
) -> float:
    """k / m of air drag: the force per body mass is k/m (v - wind)^2, 1/m."""
    d = list(DRAG.values())
    density = d[0] * pressure_mmhg / 760.0 * 273.0 / (273.0 + temperature_c)
    area = d[2] * stature_m ** d[3] * mass_kg ** d[4] * d[1]
    return float(0.5 * density * area * d[5] / mass_kg)


def force_velocity_values(
    v_max: FloatArray | float, tau: FloatArray | float, drag: float = 0.0, wind_mps: float = 0.0
) -> FloatArray:
    """F0, V0, Pmax, RFmax (%), DRF (% per m/s) and slope, all per body mass.

    Parameters
    ----------
    v_max, tau : float or (n,) array
    drag : float
        As by `drag_per_mass`; 0 without.
    wind_mps : float
        Tail wind positive.

    Returns
    -------
    (..., 6) array

    Notes
    -----
    Force is a + drag; without air it falls in a straight line from v_max / tau to 0 at v_max. The line
    is fitted over the run's first 5 tau, in even steps of time. The vertical force is the weight.
    """
    top = np.asarray(v_max, dtype=float)[..., None]
    constant = np.asarray(tau, dtype=float)[..., None]
    t = np.linspace(0.0, 5.0, 301) * constant
    v = top * (1.0 - np.exp(-t / constant))
    against = v - wind_mps
    force = (top - v) / constant + drag * against * np.abs(against)
    slope, f0 = _lines(v, force, np.ones_like(v))
    ratio = 100.0 * force / np.hypot(force, G)
    drf, _ = _lines(v, ratio, (t >= RF_FROM_S).astype(float))
    v3 = top * (1.0 - np.exp(-RF_FROM_S / constant))
    force3 = (top - v3) / constant + drag * (v3 - wind_mps) * np.abs(v3 - wind_mps)
    rf_max = (100.0 * force3 / np.hypot(force3, G))[..., 0]
    v0 = -f0 / slope
    return np.stack([f0, v0, f0 * v0 / 4.0, rf_max, drf, slope], axis=-1)


def _lines(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope and value at 0 of the least-squares lines along the last axis."""
    total = weight.sum(axis=-1, keepdims=True)
    mx = (weight * x).sum(axis=-1, keepdims=True) / total
    my = (weight * y).sum(axis=-1, keepdims=True) / total
    slope = (weight * (x - mx) * (y - my)).sum(axis=-1) / (weight * (x - mx) ** 2).sum(axis=-1)
    return slope, my[..., 0] - slope * mx[..., 0]


def force_velocity(
    profile: SpeedProfile,
    stature_m: float | None = None,
    mass_kg: float | None = None,
    wind_mps: float | None = None,
    temperature_c: float | None = None,
) -> ForceVelocity:
    """Horizontal force, velocity and power from a profile, with intervals.

    Parameters
    ----------
    profile : SpeedProfile
    stature_m, mass_kg : float, optional
        Both are needed for the air drag; without it force and power come out a little too small.
    wind_mps, temperature_c : float, optional
        Default 0 and 20.

    Returns
    -------
    ForceVelocity
        Intervals: the 2.5 and 97.5 % points over draws from the fit's own error, always the same ones,
        with Student's t where the error rests on few splits.
    """
    drag = 0.0
    if stature_m and mass_kg:
        drag = drag_per_mass(stature_m, mass_kg, 20.0 if temperature_c is None else temperature_c)
    wind = wind_mps or 0.0
    best = force_velocity_values(profile.v_max.value, profile.tau.value, drag, wind)
    rng = np.random.default_rng(20160501)
    centre = np.log([profile.v_max.value, profile.tau.value])
    normal = rng.multivariate_normal(np.zeros(2), profile.covariance[:2, :2], DRAWS)
    if np.isfinite(profile.freedom):
        normal /= np.sqrt(rng.chisquare(profile.freedom, DRAWS) / profile.freedom)[:, None]
    draws = np.exp(centre + np.clip(normal, -1.5, 1.5))
    many = force_velocity_values(draws[:, 0], draws[:, 1], drag, wind)
    ends = np.percentile(many, [2.5, 97.5], axis=0)
    of = [Interval(float(b), float(min(lo, b)), float(max(hi, b))) for b, lo, hi in zip(best, *ends)]
    return ForceVelocity(of[0], of[1], of[2], of[3], of[4], of[5], drag > 0)
