"""How numbers are written where takes, weeks or sides are held against each other.

Oracle: the international yard and pound agreement of 1959: 1 in = 0.0254 m, 1 ft = 0.3048 m,
1 mile = 1609.344 m, all exact. Temperatures: water freezes at 32 °F = 0 °C and boils at 212 °F = 100 °C.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.units import Units, celsius, number_in
from technique.comparison import Change
from technique.comparison_words import sentence_of
from technique.posture_points import PosturePoint, point_ruler, point_sentence, range_text
from technique.rulers import Ruler, foot_marks, ruler, speed_ruler, telling_apart, turned
from technique.side_comparison import SidePair, side_ruler
from technique.speed_profile import Interval, profile_sentence, speed_profile
from technique.speed_profile_forces import force_sentence, force_velocity
from ui.history_rows import change_row

BOTH: tuple[Units, Units] = ("metric", "imperial")
NOT_COMPARED = Change(
    "speed", "both", "speed", "m/s", None, None, None, None, None, None, "not comparable",
    None, None, None, False, None, None, False, False,
)  # fmt: skip


@pytest.mark.parametrize(
    ("key", "metric", "value", "change"),
    [
        # 0.0508 m = 2 in; 1.524 m = 5 ft; 4.4704 m/s = 10 mph.
        ("step_length", 0.0508, "0 ft 2.0 in", "+2.0 in"),
        ("step_length", 1.524, "5 ft 0.0 in", "+60.0 in"),
        ("step_length", 1.8287, "6 ft 0.0 in", "+72.0 in"),
        ("td_distance", 0.0508, "2.0 in", "+2.0 in"),
        ("td_distance", -0.254, "−10.0 in", "−10.0 in"),
        ("vertical_oscillation", 0.0762, "3.00 in", "+3.00 in"),
        ("speed", 4.4704, "10.00 mph", "+10.00 mph"),
        ("contact_time", 0.2, "0.200 s", "+0.200 s"),
        ("trunk_lean", 6.0, "6.0°", "+6.0°"),
        ("thigh_angular_velocity_forward", 400.0, "400.0 °/s", "+400.0 °/s"),
    ],
)
def test_values_and_changes_by_the_exact_definitions(
    key: str, metric: float, value: str, change: str
) -> None:
    shown = ruler(key, MEASURES[key].unit, "imperial")
    assert (shown.value(metric), shown.change(metric, sign=True)) == (value, change)


def test_a_change_of_five_centimetres_is_two_inches_and_a_share_stays() -> None:
    assert ruler("step_length", "m", "imperial").change(0.05, sign=True) == "+2.0 in"
    for unit in ("%", "deg"):
        same = [ruler(SYMMETRY_PREFIX + "step_length", unit, u).change(3.0, sign=True) for u in BOTH]
        assert same[0] == same[1]


@pytest.mark.parametrize("key", sorted(MEASURES))
def test_no_other_unit_is_coarser_than_the_metric_number(key: str) -> None:
    metric, imperial = (ruler(key, MEASURES[key].unit, u) for u in BOTH)
    step = [10.0**-r.decimals / r.factor for r in (metric, imperial)]
    assert step[1] <= step[0] * (1 + 1e-12)
    assert (metric.unit == imperial.unit) == (MEASURES[key].unit not in ("m", "m/s"))


@given(st.integers(0, 1200), st.integers(1, 1200))
def test_marks_of_an_axis_of_inches_say_where_they_stand(low: int, more: int) -> None:
    at, said = foot_marks(low / 10, (low + more) / 10)
    assert 1 <= len(at) <= 10 or more < 2
    for value, text in zip(at, said):
        assert low / 10 - 1e-9 <= value <= (low + more) / 10 + 1e-9
        assert _inches(text) == pytest.approx(value, abs=1e-4)


def test_speeds_and_temperatures() -> None:
    assert speed_ruler("imperial").change(4.4704) == "10.00 mph"
    assert speed_ruler("imperial", 1).change(4.4704) == "10.0 mph"
    assert speed_ruler().change(4.4704) == "4.47 m/s"
    assert (celsius(32.0), celsius(212.0)) == (0.0, pytest.approx(100.0, abs=1e-12))


def test_a_name_in_quotes_is_left_alone() -> None:
    text = "not measurable in “flying 30 m”: it was run at 4.4704 m/s"
    assert turned(text, "imperial") == "not measurable in “flying 30 m”: it was run at 10.0 mph"
    assert turned(text, "metric") == text


def test_ends_of_a_long_value_are_told_in_feet_too() -> None:
    shown = ruler("step_length", "m", "imperial")
    assert shown.between(1.4986, 1.5494) == "4 ft 11.0 in to 5 ft 1.0 in"
    assert ruler("td_distance", "m", "imperial").between(0.0254, 0.0508) == "1.0 to 2.0"


def _row(key: str, before: float, after: float, half: float) -> Change:
    d = after - before
    return replace(
        NOT_COMPARED,
        key=key,
        name=key,
        unit=MEASURES[key].unit,
        before=before,
        after=after,
        difference=d,
        low=d - half,
        high=d + half,
        detectable=half,
        verdict="changed" if abs(d) > half else "no change beyond error",
    )


def _numbers(text: str) -> list[float]:
    return [number_in(part) for part in text.split(" to ")]


def _inches(text: str) -> float:
    """A value as it was written, in its smallest unit."""
    feet, _, rest = text.rpartition(" ft ")
    return 12 * float(feet or 0) + number_in(rest.split()[0].rstrip("°"))


@given(
    st.sampled_from(["step_length", "td_distance", "vertical_oscillation", "speed", "trunk_lean"]),
    st.integers(0, 3000),
    st.integers(-300, 300),
    st.integers(1, 300),
    st.sampled_from(BOTH),
)
@example("speed", 4500, 51, 50, "imperial")
@example("step_length", 1500, 51, 50, "metric")
@example("vertical_oscillation", 80, -5, 4, "imperial")
def test_what_is_shown_never_contradicts_the_verdict(
    key: str, before: int, d: int, half: int, units: Units
) -> None:
    """The verdict is the metric one; the numbers as written must bear it out, in both systems."""
    c = _row(key, before / 1000, (before + d) / 1000, half / 1000)
    assume(abs(abs(c.difference or 0.0) - half / 1000) > 1e-9)  # of equal ones rounding alone decides
    assert c.verdict == ("changed" if abs(d) > half else "no change beyond error")
    row = change_row(c, 0, units)
    difference = number_in(row.difference.split()[0].rstrip("°"))
    least = number_in(row.detectable.split()[0].rstrip("°"))
    low, high = _numbers(row.interval)
    changed = c.verdict == "changed"
    assert (abs(difference) > least) == changed
    assert (not low <= 0.0 <= high) == changed
    if changed:
        assert (_inches(row.after) > _inches(row.before)) == (difference > 0)
        assert row.sign == ("↑" if difference > 0 else "↓")
        assert f"{row.difference}, more than the {row.detectable}" in sentence_of(c, units)
    assert row.difference in row.strip and row.detectable in row.strip


def test_a_close_call_gets_the_digits_that_it_needs() -> None:
    # 0.051 m/s beyond an error of 0.050 m/s: with two digits both would be 0.05 m/s, or 0.11 mph.
    c = _row("speed", 4.5, 4.551, 0.05)
    assert "(+0.051 m/s, more than the 0.050 m/s" in c.sentence
    assert "10.066 mph to 10.180 mph (+0.114 mph, more than the 0.112 mph" in sentence_of(c, "imperial")
    assert "(+0.06 m/s, more than the 0.05 m/s" in _row("speed", 4.5, 4.56, 0.05).sentence


@given(st.integers(-400, 400), st.integers(1, 400))
def test_left_against_right_as_written_bears_out_its_verdict(d: int, half: int) -> None:
    low, high = (d - half) / 100, (d + half) / 100
    verdict: Any = "differs" if low > 0 or high < 0 else "no difference beyond error"
    pair = SidePair(
        "step_length", "step length", "m", 1.6, 1.5, 0.1, 0.1, d / 100, low, high, "%", verdict, None
    )
    shown = side_ruler(pair)
    a, b = number_in(shown.number(low)), number_in(shown.number(high))
    assert (a > 0 or b < 0) == (verdict == "differs")


def _point(low: float, high: float, target: tuple[float | None, float | None], verdict: Any) -> PosturePoint:
    middle = (low + high) / 2
    return PosturePoint(
        "td_distance", "left", "touchdown distance to hip, left", "m", middle, low, high, target,
        verdict, "a source", "weak", None, None,
    )  # fmt: skip


@given(st.integers(100, 400), st.integers(0, 100), st.integers(100, 400), st.sampled_from(BOTH))
def test_a_posture_point_as_written_bears_out_its_verdict(
    low: int, width: int, ceiling: int, units: Units
) -> None:
    verdict = "outside" if low > ceiling else "inside" if low + width <= ceiling else "borderline"
    p = _point(low / 1000, (low + width) / 1000, (None, ceiling / 1000), verdict)
    shown = point_ruler(p, units)
    end = number_in(range_text(p, units).split()[2])
    ends = _numbers(shown.between(p.low or 0.0, p.high or 0.0))
    if verdict == "outside":
        assert ends[0] > end
    elif verdict == "inside":
        assert ends[1] <= end
    else:
        assert ends[0] <= end <= ends[1]


def test_a_posture_point_in_both_units() -> None:
    # 0.3556 m = 14 in; 0.254 m = 10 in.
    p = _point(0.3302, 0.381, (None, 0.254), "outside")
    assert "0.356 m, outside the range by more than the error (at most 0.254 m;" in p.sentence
    assert "14.0 in, outside the range by more than the error (at most 10.0 in;" in point_sentence(
        p, "imperial"
    )


def test_telling_apart_leaves_equal_numbers_alone() -> None:
    one = Ruler("m", 1.0, 1, "m")
    assert telling_apart(one, (0.1, 0.1)).decimals == 1
    assert telling_apart(one, (0.101, 0.102)).decimals == 3


def test_a_sprint_in_miles_per_hour() -> None:
    """8.9408 m/s are 20 mph, and 3.048 m/s² are 10 ft/s²."""
    from shared.history_values import Split

    splits = [Split(d, t) for d, t in ((5.0, 1.41), (10.0, 2.19), (20.0, 3.49), (30.0, 4.71), (40.0, 5.9))]
    made = replace(
        speed_profile(splits, 0.01),
        v_max=Interval(8.9408, 4.4704, 13.4112),
        acceleration=Interval(3.048, 1.524, 6.096),
    )
    said = profile_sentence(made, "imperial")
    assert said.startswith("Top speed 20.00 mph (10.00 to 30.00), time constant")
    assert said.endswith("acceleration at the start 10.0 ft/s² (5.0 to 20.0).")
    assert made.sentence.startswith("Top speed 8.94 m/s (4.47 to 13.41)")
    force = replace(force_velocity(made), v0=Interval(8.9408, 4.4704, 13.4112))
    assert "velocity V0 20.0 mph (10.0 to 30.0), power" in force_sentence(force, "imperial")
    assert "N/kg" in force_sentence(force, "imperial")
