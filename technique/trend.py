"""A measure across weeks: a fitted line with its interval, and what it says.

Model: y_i = a + b t_i + u_i + e_i. e_i is the session's own error (variance v_i, without what every
session has alike), u_i how far this session wanders (variance tau^2, the same for all, found by Paule
and Mandel). The line is fitted with weights 1 / (v_i + tau^2); its interval is that of Knapp and
Hartung with Student's t on n - 2, never narrower than the weights alone say. Every session counts;
those far off the line are marked, not left out.

References
----------
Knapp G, Hartung J (2003) Improved tests for a random effects meta-regression with a single covariate.
    Stat Med 22:2693-2710.
Paule RC, Mandel J (1982) Consensus values and weighting factors. J Res Natl Bur Stand 87:377-385.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.optimize import brentq

from shared.catalogue import SYMMETRY_PREFIX
from shared.history_values import SeriesPoint
from shared.units import Units
from technique.comparison import measure_name
from technique.comparison_errors import kept_half_width
from technique.pooling import pooled_measure
from technique.reliability import Z95, t95
from technique.rulers import Ruler, beyond_nought, ruler, telling_apart, turned

FloatArray = NDArray[np.float64]
TrendVerdict = Literal["rising", "falling", "no trend beyond error", "too few sessions", "one date"]

LEAST_SESSIONS: Final[int] = 3
OUTLIER_P: Final[float] = 0.05
"""A session is marked when a line through the others leaves it out at this level, counted over all."""

SCREENED_FROM: Final[int] = 30
"""From this many sessions on only those that may be far off are tried one by one."""


@dataclass(frozen=True)
class TrendPoint:
    """One session of a trend.

    Attributes
    ----------
    date : str
        ISO 8601.
    value : float
    half_width : float
        95 %, of this session alone against the others: without what all have alike.
    label : str
        Condition or note.
    session : str or None
        Id.
    low, high : float or None
        The full 95 % interval of the value, for the error bar.
    """

    date: str
    value: float
    half_width: float
    label: str = ""
    session: str | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Trend:
    """A line through sessions.

    Attributes
    ----------
    points : tuple of TrendPoint
        By date; all that were given.
    outliers : tuple of bool
        Per point: far off the line through the others. They count all the same.
    slope, slope_low, slope_high : float or None
        Per week, with 95 % interval.
    weeks, line, line_low, line_high : (n,) array
        At the points: weeks since the first date, the line, its 95 % interval. Empty without a line.
    spread : float or None
        SD between sessions beyond their own error.
    verdict : str
    sentence : str
        To be printed unchanged.
    notes : tuple of str
    """

    points: tuple[TrendPoint, ...]
    outliers: tuple[bool, ...]
    slope: float | None
    slope_low: float | None
    slope_high: float | None
    weeks: FloatArray
    line: FloatArray
    line_low: FloatArray
    line_high: FloatArray
    spread: float | None
    verdict: TrendVerdict
    sentence: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class LineFit:
    """Weighted line y = level + slope (t - centre); errors are 1 SD with `freedom`."""

    level: float
    slope: float
    centre: float
    level_sd: float
    slope_sd: float
    spread: float
    freedom: int

    def at(self, t: FloatArray) -> FloatArray:
        """The line at t."""
        out: FloatArray = self.level + self.slope * (t - self.centre)
        return out

    def half_width(self, t: FloatArray) -> FloatArray:
        """95 % half-width of the line at t."""
        sd = np.sqrt(self.level_sd**2 + (self.slope_sd * (t - self.centre)) ** 2)
        out: FloatArray = t95(self.freedom) * sd
        return out


def line_fit(t: FloatArray, y: FloatArray, variances: FloatArray) -> LineFit:
    """The weighted line; at least 3 points and 2 different t.

    Parameters
    ----------
    t, y : (n,) array
    variances : (n,) array
        Own error variance of each point; 0 is allowed where points wander.
    """
    n = len(t)
    if n < 3 or np.ptp(t) <= 0:
        raise ValueError("a line needs at least 3 points at 2 different times")

    def fitted(tau2: float) -> tuple[FloatArray, float, float, float, float]:
        w = 1.0 / (variances + tau2)
        centre = float(w @ t / w.sum())
        level = float(w @ y / w.sum())
        slope = float(w @ ((t - centre) * y) / (w @ (t - centre) ** 2))
        q = float(w @ (y - level - slope * (t - centre)) ** 2)
        return w, centre, level, slope, q

    plain = np.polyfit(t, y, 1)
    residual = float(((y - np.polyval(plain, t)) ** 2).sum()) / (n - 2)
    floor = 1e-12 * max(residual, float(variances.max()), 1e-12)
    tau2 = 0.0 if variances.min() > 0 else floor
    if fitted(tau2)[4] > n - 2:
        upper = residual * (n - 2) + float(variances.max()) + floor
        tau2 = float(brentq(lambda x: fitted(x)[4] - (n - 2), tau2, upper, xtol=1e-14 * upper, rtol=1e-12))
    w, centre, level, slope, q = fitted(tau2)
    factor = max(1.0, q / (n - 2))
    return LineFit(
        level,
        slope,
        centre,
        float((factor / w.sum()) ** 0.5),
        float((factor / (w @ (t - centre) ** 2)) ** 0.5),
        tau2**0.5,
        n - 2,
    )


def trend(points: Sequence[TrendPoint], name: str, shown: Ruler) -> Trend:
    """The line through sessions and what it says.

    Parameters
    ----------
    points : sequence of TrendPoint
        In any order; several of one date are fine.
    name : str
        For the sentence.
    shown : Ruler
        How the measure's numbers are written in it; a slope takes a digit more.

    Raises
    ------
    ValueError
        If a date is not ISO 8601.
    """
    ordered = tuple(sorted(points, key=lambda p: p.date))
    days = np.array([date.fromisoformat(p.date[:10]).toordinal() for p in ordered], dtype=float)
    weeks = (days - days.min()) / 7.0 if len(days) else days
    empty: FloatArray = np.empty(0)
    none = (None, None, None, weeks, empty, empty, empty, None)
    quiet = (False,) * len(ordered)
    if len(ordered) < LEAST_SESSIONS:
        count = {0: "no session", 1: "1 session"}.get(len(ordered), f"{len(ordered)} sessions")
        return Trend(
            ordered,
            quiet,
            *none,
            "too few sessions",
            f"{name}: {count}; a trend needs at least {LEAST_SESSIONS}. Compare two sessions with each other instead.",
            (),
        )
    if np.ptp(days) == 0:
        return Trend(
            ordered,
            quiet,
            *none,
            "one date",
            f"{name}: all {len(ordered)} sessions are of one date, so there is no trend over time to see.",
            (),
        )
    y = np.array([p.value for p in ordered])
    v = np.array([(p.half_width / Z95) ** 2 for p in ordered])
    fit = line_fit(weeks, y, v)
    half = t95(fit.freedom) * fit.slope_sd
    low, high = fit.slope - half, fit.slope + half
    verdict: TrendVerdict = "rising" if low > 0 else "falling" if high < 0 else "no trend beyond error"
    outliers = _outliers(weeks, y, v)
    told = () if verdict == "no trend beyond error" else (beyond_nought(low, high),)
    rate = telling_apart(shown.finer(), *told)
    slope = rate.change(fit.slope, sign=True)
    between = f"{rate.change(low)} to {rate.change(high)}"
    length = (
        f"{len(ordered)} sessions in {max(float(weeks.max()), 1 / 7):.0f} weeks"
        if weeks.max() >= 1
        else f"{len(ordered)} sessions in {days.max() - days.min():.0f} days"
    )
    sentence = f"{name}: {verdict}, {slope} a week (95 % interval {between}), {length}."
    around = fit.at(weeks)
    wide = fit.half_width(weeks)
    return Trend(
        ordered,
        outliers,
        fit.slope,
        low,
        high,
        weeks,
        around,
        around - wide,
        around + wide,
        fit.spread,
        verdict,
        sentence,
        _notes(ordered, outliers),
    )


def series_points(points: Sequence[SeriesPoint]) -> tuple[TrendPoint, ...]:
    """One trend point for each session of a stored series (`history.series`), by date.

    The clips of a session are pooled; sessions in which the measure can't be had are left out.
    """
    by_session: dict[str, list[SeriesPoint]] = {}
    for p in points:
        by_session.setdefault(p.session.id or p.session.date, []).append(p)
    out = []
    for own in by_session.values():
        measured = [p for p in own if p.measure.value is not None]
        if not measured:
            continue
        session = own[0].session
        label = session.condition or session.notes
        if measured[0].measure.key.startswith(SYMMETRY_PREFIX):
            values = [p.measure.value for p in measured if p.measure.value is not None]
            halves = [kept_half_width(p.measure, False, True) for p in measured]
            value = float(np.mean(values))
            half = float(np.sqrt(np.sum(np.square(halves))) / len(halves))
            out.append(TrendPoint(session.date, value, half, label, session.id, value - half, value + half))
            continue
        m = pooled_measure([p.measure for p in own], [p.analysis.near_side for p in own])
        if m.value is not None:
            half = kept_half_width(m, False, True)
            out.append(TrendPoint(session.date, m.value, half, label, session.id, m.low, m.high))
    return tuple(sorted(out, key=lambda p: p.date))


def series_trend(points: Sequence[SeriesPoint], units: Units = "metric") -> Trend:
    """The trend of a stored series of one key and side; `units` are those of its words.

    Raises
    ------
    ValueError
        If there is no point at all.
    """
    if not points:
        raise ValueError("there is no session with this measure")
    m = points[0].measure
    made = trend(series_points(points), measure_name(m.key, m.side), ruler(m.key, m.unit, units))
    return Trend(**{**made.__dict__, "notes": (*made.notes, *_series_notes(points, units))})


def _outliers(t: FloatArray, y: FloatArray, v: FloatArray) -> tuple[bool, ...]:
    """Each point against the line through all others; Bonferroni over the points."""
    n = len(t)
    out = []
    suspect = _suspects(t, y, v) if n >= SCREENED_FROM else np.ones(n, dtype=bool)
    for i in range(n):
        rest = np.arange(n) != i
        if n < 5 or not suspect[i] or np.ptp(t[rest]) <= 0:
            out.append(False)
            continue
        fit = line_fit(t[rest], y[rest], v[rest])
        sd = np.sqrt(v[i] + fit.spread**2 + fit.level_sd**2 + (fit.slope_sd * (t[i] - fit.centre)) ** 2)
        limit = float(special.stdtrit(fit.freedom, 1.0 - OUTLIER_P / (2 * n)))
        out.append(bool(abs(y[i] - float(fit.at(t[i : i + 1])[0])) > limit * sd))
    return tuple(out)


def _suspects(t: FloatArray, y: FloatArray, v: FloatArray) -> NDArray[np.bool_]:
    """Points that may lie far off the line through the others, judged by one line through all.

    With the spread between sessions as it is, leaving a point out changes its distance from the line, and the
    SD of that, in closed form: r / sqrt(w (1 - h)) with leverage h. The spread without it can only be so much
    smaller that a distance of d becomes d sqrt((n - 3) / (n - 2 - d^2)), so points below half of the distance
    that would then reach the limit are not tried one by one.
    """
    n = len(t)
    fit = line_fit(t, y, v)
    w = 1.0 / np.maximum(v + fit.spread**2, 1e-300)
    leverage = w * (1.0 / w.sum() + (t - fit.centre) ** 2 / (w @ (t - fit.centre) ** 2))
    distance = np.abs(y - fit.at(t)) * np.sqrt(w / np.maximum(1.0 - leverage, 1e-12))
    limit = float(special.stdtrit(n - 3, 1.0 - OUTLIER_P / (2 * n)))
    needed = limit * ((n - 2) / (n - 3 + limit**2)) ** 0.5
    found: NDArray[np.bool_] = (distance > 0.5 * needed) | (leverage > 0.5)
    return found


def _notes(points: Sequence[TrendPoint], outliers: Sequence[bool]) -> tuple[str, ...]:
    notes = []
    marked = [p.date[:10] for p, o in zip(points, outliers) if o]
    if marked:
        notes.append(
            f"Far off the line through the others: {', '.join(marked)}. Shown and counted like every session; "
            "look for a reason (speed, shoes, camera)."
        )
    if len({p.label for p in points}) > 1:
        notes.append("The sessions were not all in the same condition; a trend mixes them.")
    if len(points) < 5:
        notes.append("With fewer than 5 sessions the interval is wide and no session can be judged far off.")
    return tuple(notes)


def _series_notes(points: Sequence[SeriesPoint], units: Units) -> tuple[str, ...]:
    notes = []
    if len({p.analysis.model for p in points}) > 1:
        notes.append(
            "The landmarks were not found by the same model in all sessions: measure the clips again."
        )
    if len({p.analysis.camera == "treadmill" for p in points}) > 1:
        notes.append(
            "Some sessions were run on a treadmill and some on the ground: do not read them as one line."
        )
    side = points[0].measure.side
    if side != "both":
        near = {p.session.id for p in points if p.analysis.near_side == side}
        if 0 < len(near) < len({p.session.id for p in points}):
            notes.append(
                f"The {side} side was towards the camera in some sessions only; in the others it is seen less well."
            )
    rates = [p.analysis.capture_rate_hz for p in points]
    if max(rates) > 1.05 * min(rates):
        notes.append(
            f"The frame rate was not the same in all sessions ({min(rates):.0f} to {max(rates):.0f} frames/s)."
        )
    speeds = [p.session.speed_mps for p in points if p.session.speed_mps]
    if speeds and max(speeds) > 1.05 * min(speeds) and points[0].measure.key != "speed":
        between = turned(f"{min(speeds):.1f} to {max(speeds):.1f} m/s", units)
        notes.append(
            f"The speed of the sessions differs by more than 5 % ({between}): a change may be its doing."
        )
    return tuple(notes)
