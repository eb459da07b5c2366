"""A line across weeks, against ordinary regression and known slopes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy import stats

from shared.analysis import Measure
from shared.history_values import SeriesPoint, Session, StoredAnalysis
from technique import trend as trend_module
from technique.rulers import Ruler
from technique.trend import TrendPoint, line_fit, series_points, series_trend, trend

DEG = Ruler("deg", 1.0, 1, "degrees")


def _points(values: list[float], half: float, days: list[int] | None = None) -> list[TrendPoint]:
    start = date(2026, 1, 5)
    offsets = days or [7 * i for i in range(len(values))]
    return [TrendPoint((start + timedelta(days=d)).isoformat(), v, half) for d, v in zip(offsets, values)]


def test_equal_weights_give_ordinary_regression() -> None:
    """Reference: scipy.stats.linregress, slope, standard error and interval."""
    y = [50.0, 51.5, 50.5, 53.0, 52.0, 54.5]
    plain = stats.linregress(np.arange(6.0), y)
    half = plain.stderr * stats.t.ppf(0.975, 4)
    found = trend(_points(y, 0.01), "x", DEG)
    assert found.slope == pytest.approx(plain.slope, rel=1e-6)
    assert (found.slope_low, found.slope_high) == pytest.approx(
        (plain.slope - half, plain.slope + half), rel=1e-4
    )
    assert found.verdict == "rising"
    assert found.line == pytest.approx(plain.intercept + plain.slope * np.arange(6), rel=1e-6)


def test_weights_count() -> None:
    """Closed form: with no spread between sessions the line is the weighted one."""
    t = np.array([0.0, 1.0, 2.0, 3.0])
    v = np.array([100.0, 400.0, 100.0, 900.0])
    y = np.array([1.0, 2.5, 3.0, 4.2])
    slope, level = np.polyfit(t, y, 1, w=1 / np.sqrt(v))
    found = line_fit(t, y, v)
    assert found.spread == 0.0
    assert found.slope == pytest.approx(slope)
    assert found.at(np.zeros(1))[0] == pytest.approx(level)
    # Scatter far smaller than the errors must not narrow the interval: 1 / root of the weighted spread.
    w = 1 / v
    assert found.slope_sd == pytest.approx((1 / (w @ (t - w @ t / w.sum()) ** 2)) ** 0.5)


def test_interval_holds_the_true_slope_in_19_of_20() -> None:
    """Invented sessions whose slope, own error and spread between sessions are known."""
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(600):
        n = int(rng.integers(3, 12))
        t = np.sort(rng.uniform(0, 10, n))
        sd = rng.uniform(0.5, 3.0, n)
        slope = rng.normal()
        y = 60 + slope * t + rng.normal(size=n) * np.hypot(sd, 1.5)
        fit = line_fit(t, y, sd**2)
        inside += abs(fit.slope - slope) <= stats.t.ppf(0.975, n - 2) * fit.slope_sd
    assert 0.93 <= inside / 600 <= 0.99


@pytest.mark.parametrize("seed", range(6))
def test_screening_marks_the_same_outliers_as_trying_every_session(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Long series, uneven errors, gaps in time, none to some sessions far off."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 70))
    days = sorted(int(d) for d in rng.integers(0, 300, n))
    if seed % 2:
        days[-1] = 2000  # far from all others in time
    y = 50.0 + 0.01 * np.array(days) + rng.normal(0, 1.0 + seed, n)
    y[rng.integers(0, n, seed)] += rng.choice([-1, 1], seed) * rng.uniform(4, 12, seed) * (1.0 + seed)
    points = [
        replace(p, half_width=float(h)) for p, h in zip(_points(list(y), 1.0, days), rng.uniform(0.5, 6.0, n))
    ]
    screened = trend(points, "x", DEG).outliers
    monkeypatch.setattr(trend_module, "SCREENED_FROM", 10**9)
    assert screened == trend(points, "x", DEG).outliers


def test_outlier_is_marked_and_still_counts() -> None:
    values = [50.0, 50.4, 49.8, 50.1, 70.0, 50.2, 49.9, 50.3]
    found = trend(_points(values, 0.6), "x", DEG)
    assert found.outliers == tuple(v == 70.0 for v in values)
    assert len(found.points) == 8
    assert found.slope == pytest.approx(stats.linregress(np.arange(8.0), values).slope, rel=0.05)
    assert any("Shown and counted" in n for n in found.notes)


@pytest.mark.parametrize("count, words", [(0, "no session"), (1, "1 session"), (2, "2 sessions")])
def test_few_sessions(count: int, words: str) -> None:
    found = trend(_points([50.0, 60.0][:count], 1.0), "knee lift", DEG)
    assert found.verdict == "too few sessions" and words in found.sentence
    assert found.slope is None and len(found.line) == 0 and len(found.points) == count


def test_sessions_on_one_date() -> None:
    found = trend(_points([50.0, 51.0, 52.0], 1.0, [0, 0, 0]), "knee lift", DEG)
    assert found.verdict == "one date" and "one date" in found.sentence
    some = trend(_points([50.0, 51.0, 52.0, 55.0], 1.0, [0, 0, 0, 14]), "knee lift", DEG)
    assert some.slope == pytest.approx((55 - 51) / 2)


def test_three_sessions_give_a_wide_honest_interval() -> None:
    found = trend(_points([50.0, 55.0, 57.0], 1.0), "x", DEG)
    assert found.slope_low is not None and found.slope_high is not None
    assert found.slope_high - found.slope_low > 10
    assert found.verdict == "no trend beyond error"


def test_falling_and_order_of_dates() -> None:
    up = _points([60.0, 58.1, 55.9, 54.0, 52.1], 0.5)
    found = trend(list(reversed(up)), "x", Ruler("s", 1.0, 3, "s"))
    assert found.verdict == "falling"
    assert [p.date for p in found.points] == sorted(p.date for p in up)
    assert "−" in found.sentence and "a week" in found.sentence


def _stored(
    day: str, value: float | None, clip: str, near: str = "left", session: str | None = None
) -> SeriesPoint:
    m = Measure(
        "thigh_angle_max",
        "left",
        value,
        "deg",
        None if value is None else value - 8,
        None if value is None else value + 8,
        3,
        "measured" if value is not None else "not_measurable",
        None,
        None,
        {} if value is None else {"strides": 1.5, "model": 7.84},
    )
    head = StoredAnalysis(
        clip,
        clip,
        session or day,
        "a",
        day,
        "0.1.0",
        "full",
        "easy-run",
        near,
        "right",
        "still",
        120.0,
        True,
        None,  # type: ignore[arg-type]
    )
    return SeriesPoint(Session("a", day, id=session or day, speed_mps=4.0), head, m)


def test_clips_of_a_session_make_one_point() -> None:
    points = [
        _stored("2026-01-05", 50.0, "c1"),
        _stored("2026-01-05", 52.0, "c2"),
        _stored("2026-01-12", None, "c3"),
        _stored("2026-01-19", 55.0, "c4"),
    ]
    found = series_points(points)
    assert [p.date for p in found] == ["2026-01-05", "2026-01-19"]
    assert 50.0 < found[0].value < 52.0
    # What the model does alike in every session is not in the error of a session against the others.
    assert found[1].half_width == pytest.approx(np.hypot(1.5, 0.25 * 7.84))


def test_stored_series_says_what_differs() -> None:
    points = [
        _stored(f"2026-01-{d:02d}", 50.0 + d / 7, f"c{d}", "left" if d < 20 else "right")
        for d in (5, 12, 19, 26)
    ]
    points[2] = replace(points[2], session=replace(points[2].session, speed_mps=5.0))
    points[3] = replace(points[3], analysis=replace(points[3].analysis, camera="treadmill"))
    found = series_trend(points)
    text = " ".join(found.notes)
    assert "treadmill" in text and "towards the camera in some" in text and "speed" in text
    with pytest.raises(ValueError):
        series_trend([])
