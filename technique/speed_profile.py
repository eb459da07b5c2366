"""The speed profile of a sprint from its split times.

Model: v(t) = v_max (1 - exp(-t / tau)), so x(t) = v_max (t - tau (1 - exp(-t / tau))). The time at x has
a closed form with Lambert's W. Splits are fitted by weighted least squares on their times. The model
knows no slowing down, so splits after the fastest section are left out of the fit (and named).

References
----------
Furusawa K, Hill AV, Parkinson JL (1927) The dynamics of "sprint" running. Proc R Soc B 102:29-42.
Samozino P, Rabita G, Dorel S, et al. (2016) A simple method for measuring power, force, velocity
    properties, and mechanical effectiveness in sprint running. Scand J Med Sci Sports 26:648-658.
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
from shared.units import M_PER_FOOT, Units
from technique.reliability import t95
from technique.rulers import Ruler, speed_ruler
from technique.run_times import checked_run
from technique.time_comparison import timing_sd

FloatArray = NDArray[np.float64]

OFFSET_FROM: Final[int] = 4
"""Splits from which a start delay is fitted too."""
PRIOR_FREEDOM: Final[float] = 4.0
"""Weight of the known timing error against the scatter of the splits (a judgement, as for strides)."""
LARGEST_OFFSET_S: Final[float] = 1.0


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
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The result in plain words, to be printed unchanged."""
        return profile_sentence(self)


def profile_sentence(p: SpeedProfile, units: Units = "metric") -> str:
    """Top speed, time constant and acceleration with their intervals; m/s² or ft/s²."""
    shown = speed_ruler(units)
    rate = Ruler("ft/s²", 1 / M_PER_FOOT, 1, "") if units == "imperial" else Ruler("m/s²", 1.0, 1, "")
    v, tau, a = p.v_max, p.tau, p.acceleration
    return (
        f"Top speed {shown.change(v.value)} ({shown.between(v.low, v.high)}), time constant {tau.value:.2f} s "
        f"({tau.low:.2f} to {tau.high:.2f}), acceleration at the start {rate.change(a.value)} "
        f"({rate.between(a.low, a.high)})."
    )


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
    rms = float(np.sqrt(np.mean(residual_s**2)))
    return SpeedProfile(v, tau, a, delay, covariance, freedom, rms, used, left_out, tuple(notes))


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
