"""The speed profile of a sprint from its split times, and horizontal force, velocity and power.

Model: v(t) = v_max (1 - exp(-t / tau)), so x(t) = v_max (t - tau (1 - exp(-t / tau))). The time at x has
a closed form with Lambert's W. Splits are fitted by weighted least squares on their times. The model
knows no slowing down, so splits after the fastest section are left out of the fit (and named).

References
----------
Furusawa K, Hill AV, Parkinson JL (1927) The dynamics of "sprint" running. Proc R Soc B 102:29-42.
Samozino P, Rabita G, Dorel S, et al. (2016) A simple method for measuring power, force, velocity
    properties, and mechanical effectiveness in sprint running. Scand J Med Sci Sports 26:648-658.
Arsac LM, Locatelli E (2002) Modeling the energetics of 100-m running by using speed curves of world
    champions. J Appl Physiol 92:1781-1788 (air drag; constants from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import lambertw

from shared.errors import OptionError
from shared.history_values import RunTime, Split
from technique.reliability import t95
from technique.run_times import checked_run
from technique.time_comparison import timing_sd

FloatArray = NDArray[np.float64]

G: Final[float] = 9.81
RF_FROM_S: Final[float] = 0.3
"""Ratio of forces is taken from 0.3 s on (Samozino et al. 2016, from memory)."""
DRAWS: Final[int] = 2000
OFFSET_FROM: Final[int] = 4
"""Splits from which a start delay is fitted too."""
PRIOR_FREEDOM: Final[float] = 4.0
"""Weight of the known timing error against the scatter of the splits (a judgement, as for strides)."""
LARGEST_OFFSET_S: Final[float] = 1.0
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
class Interval:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class SpeedProfile:
    """The fitted profile.

    Attributes
    ----------
    v_max : Interval
        m/s.
    tau : Interval
        s.
    acceleration : Interval
        At the start, v_max / tau, m/s^2.
    offset : Interval or None
        Start delay (clock before movement), s; None where none was fitted.
    covariance : (p, p) array
        Of log v_max, log tau and, where fitted, the offset.
    freedom : float
    residual_s : float
        Root mean square of the fitted splits' residuals.
    used, left_out : tuple of Split
    sentence : str
        To be printed unchanged.
    notes : tuple of str
    """

    v_max: Interval
    tau: Interval
    acceleration: Interval
    offset: Interval | None
    covariance: FloatArray
    freedom: float
    residual_s: float
    used: tuple[Split, ...]
    left_out: tuple[Split, ...]
    sentence: str
    notes: tuple[str, ...]


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
    sentence : str
    """

    f0: Interval
    v0: Interval
    p_max: Interval
    rf_max: Interval
    drf: Interval
    slope: Interval
    drag: bool
    sentence: str


def speed_at(t: FloatArray, v_max: float, tau: float) -> FloatArray:
    """v(t), m/s."""
    out: FloatArray = v_max * (1.0 - np.exp(-t / tau))
    return out


def distance_at(t: FloatArray, v_max: float, tau: float) -> FloatArray:
    """x(t), m."""
    out: FloatArray = v_max * (t - tau * (1.0 - np.exp(-t / tau)))
    return out


def time_at(x: FloatArray, v_max: float, tau: float) -> FloatArray:
    """The time at which x metres are run, s; closed form.

    With s = t / tau and c = x / (v_max tau): c = s - 1 + exp(-s), so s = 1 + c + W(-exp(-1 - c)).
    """
    c = np.asarray(x, dtype=float) / (v_max * tau)
    w = np.real(lambertw(-np.exp(-1.0 - c)))
    out: FloatArray = tau * (1.0 + c + w)
    return out


def run_splits(run: RunTime) -> tuple[Split, ...]:
    """The splits of a run with its end."""
    ends = (
        ()
        if run.splits and abs(run.splits[-1].distance_m - run.distance_m) < 0.01
        else (Split(run.distance_m, run.time_s),)
    )
    return (*run.splits, *ends)


def run_profile(run: RunTime, frame_rate_hz: float = 60.0, fit_offset: bool | None = None) -> SpeedProfile:
    """The speed profile of a timed run, with the timing error of its method.

    Raises
    ------
    OptionError
        If something about the run can't be right, or its splits are too few or don't fit a sprint.
    """
    checked_run(run)
    return speed_profile(run_splits(run), timing_sd(run.method, frame_rate_hz), fit_offset)


def speed_profile(
    splits: Sequence[Split], timing_sd_s: float, fit_offset: bool | None = None
) -> SpeedProfile:
    """The profile from running times at rising distances.

    Parameters
    ----------
    splits : sequence of Split
        From the start, the end of the run among them.
    timing_sd_s : float
        1 SD of one time, s.
    fit_offset : bool, optional
        Fit a start delay (reaction, first gate). Default: with `OFFSET_FROM` splits or more.

    Returns
    -------
    SpeedProfile
        Intervals take the larger of the timing error and what the splits scatter about the curve.

    Raises
    ------
    OptionError
    """
    used, left_out = _rising(splits)
    offset = len(used) >= OFFSET_FROM if fit_offset is None else fit_offset
    least = 3 if offset else 2
    if len(used) < least:
        raise OptionError(
            "speed profile",
            f"{len(used)} split{'' if len(used) == 1 else 's'} up to the fastest section "
            f"{'is' if len(used) == 1 else 'are'} too few",
            f"give at least {least} times on the way to top speed, for example at 5, 10, 20 and 30 m",
        )
    x = np.array([s.distance_m for s in used])
    y = np.array([s.time_s for s in used])
    start = _start(x, y, offset)

    def residuals(q: FloatArray) -> FloatArray:
        shift = q[2] if offset else 0.0
        out: FloatArray = (time_at(x, np.exp(q[0]), np.exp(q[1])) + shift - y) / timing_sd_s
        return out

    low = [np.log(1.0), np.log(0.05), -LARGEST_OFFSET_S][: len(start)]
    high = [np.log(20.0), np.log(10.0), LARGEST_OFFSET_S][: len(start)]
    fit = least_squares(residuals, start, bounds=(low, high), x_scale="jac", xtol=1e-12, ftol=1e-12)
    n, p = len(x), len(start)
    if not fit.success or np.any(fit.active_mask):
        raise OptionError(
            "speed profile",
            "the splits don't have the shape of a sprint from standing",
            "check the times, or time more distances before top speed",
        )
    chi2 = float((fit.fun**2).sum())
    # The timing error is known beforehand; splits that scatter more are pooled with it.
    scatter = (PRIOR_FREEDOM + chi2) / (PRIOR_FREEDOM + n - p)
    larger = scatter > 1.0
    freedom = PRIOR_FREEDOM + n - p if larger else float("inf")
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * max(scatter, 1.0)
    return _profile(fit.x, covariance, freedom, fit.fun * timing_sd_s, used, left_out, offset, larger, n - p)


def _profile(
    q: FloatArray,
    covariance: FloatArray,
    freedom: float,
    residual_s: FloatArray,
    used: tuple[Split, ...],
    left_out: tuple[Split, ...],
    offset: bool,
    larger: bool,
    spare: int,
) -> SpeedProfile:
    t = t95(freedom)
    sd = np.sqrt(np.diag(covariance))
    v = _log_interval(q[0], t * sd[0])
    tau = _log_interval(q[1], t * sd[1])
    of_acceleration = covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1]
    a = _log_interval(q[0] - q[1], t * float(max(of_acceleration, 0.0)) ** 0.5)
    delay = Interval(float(q[2]), float(q[2] - t * sd[2]), float(q[2] + t * sd[2])) if offset else None
    notes = []
    if left_out:
        notes.append(
            f"Splits after the fastest section ({', '.join(f'{s.distance_m:g} m' for s in left_out)}) show slowing "
            "down, which the curve does not know: shown, not fitted."
        )
    if spare == 0:
        notes.append(
            "There are as many splits as unknowns, so the fit can't be checked: time one more distance."
        )
    if larger:
        notes.append(
            "The splits scatter about the curve by more than the timing error; the intervals allow for it."
        )
    if used[-1].time_s < 2.5 * tau.value:
        notes.append("The last split comes before top speed is near, so the top speed is an extrapolation.")
    if delay is None:
        notes.append(
            "No start delay was fitted: reaction time in the splits makes the acceleration look smaller."
        )
    sentence = (
        f"Top speed {v.value:.2f} m/s ({v.low:.2f} to {v.high:.2f}), time constant {tau.value:.2f} s "
        f"({tau.low:.2f} to {tau.high:.2f}), acceleration at the start {a.value:.1f} m/s² ({a.low:.1f} to {a.high:.1f})."
    )
    rms = float(np.sqrt(np.mean(residual_s**2)))
    return SpeedProfile(v, tau, a, delay, covariance, freedom, rms, used, left_out, sentence, tuple(notes))


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
    air = (
        "" if drag else " Air drag is left out (stature and mass are not given), so these are a little small."
    )
    sentence = (
        f"Force F0 {of[0].value:.1f} N/kg ({of[0].low:.1f} to {of[0].high:.1f}), velocity V0 {of[1].value:.1f} m/s "
        f"({of[1].low:.1f} to {of[1].high:.1f}), power {of[2].value:.1f} W/kg ({of[2].low:.1f} to {of[2].high:.1f}); "
        f"estimates of the body's mean horizontal push.{air}"
    )
    return ForceVelocity(of[0], of[1], of[2], of[3], of[4], of[5], drag > 0, sentence)


def _rising(splits: Sequence[Split]) -> tuple[tuple[Split, ...], tuple[Split, ...]]:
    """Splits up to the end of the fastest section, and the rest."""
    given = tuple(splits)
    for a, b in pairwise(given):
        if b.distance_m <= a.distance_m or b.time_s <= a.time_s:
            raise OptionError(
                "speed profile", "the splits are out of order", "give running times at rising distances"
            )
    if not given or given[0].distance_m <= 0 or given[0].time_s <= 0:
        raise OptionError("speed profile", "there is no split above zero", "give times from the start")
    ends = (Split(0.0, 0.0), *given)
    speeds = [(b.distance_m - a.distance_m) / (b.time_s - a.time_s) for a, b in pairwise(ends)]
    # A section within 1 % of the fastest is still top speed, not slowing down.
    last = max(i for i, v in enumerate(speeds) if v >= 0.99 * max(speeds))
    return given[: last + 1], given[last + 1 :]


def _start(x: FloatArray, y: FloatArray, offset: bool) -> FloatArray:
    sections = np.diff(np.concatenate([[0.0], x])) / np.diff(np.concatenate([[0.0], y]))
    v = min(float(sections.max()) * 1.02, 19.0)
    # At top speed x = v (t - tau).
    tau = float(np.clip(y[-1] - x[-1] / v, 0.3, 4.0))
    return np.array([np.log(v), np.log(tau), 0.0][: 3 if offset else 2])


def _log_interval(log_value: float, half: float) -> Interval:
    return Interval(
        float(np.exp(log_value)), float(np.exp(log_value - half)), float(np.exp(log_value + half))
    )
