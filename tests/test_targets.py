"""Verdicts in closed cases and as invariants; counts by body area."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.analysis import Measure
from shared.landmarks import SideOrBoth
from technique.profile_schema import Profile, profile_from_text
from technique.targets import FARTHEST, by_area, load_profile, scores, speed_mismatch, verdict_of

PROFILE = """\
format: laneside/profile/1
title: Test
description: Three targets.
version: 1
use: running
speed: {low: 2.0, high: 4.0, unit: m/s}
targets:
  - {measure: trunk_lean, side: both, unit: deg, low: 0, high: 10, importance: 2, source: A 2020, evidence: weak}
  - {measure: contact_time, side: each, unit: s, high: 0.3, importance: 1, source: A 2020, evidence: weak}
  - {measure: elbow_angle_mean, side: near, unit: deg, low: 80, importance: 1, source: A 2020, evidence: weak}
"""


def profile() -> Profile:
    return profile_from_text(PROFILE, "test", "test.yaml")


def measured(
    key: str, side: SideOrBoth, value: float, low: float, high: float, unit: str, frame: int | None = 7
) -> Measure:
    return Measure(key, side, value, unit, low, high, 8, "measured", frame=frame)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (2, 8, "inside"),
        (0, 10, "inside"),  # touching both ends from within
        (10, 10, "inside"),
        (-0.1, 8, "borderline"),
        (2, 10.1, "borderline"),
        (-1, 11, "borderline"),  # the interval is wider than the target
        (10, 12, "borderline"),  # touching from beyond: the end lies within the error
        (-3, 0, "borderline"),
        (10.1, 12, "outside"),
        (-3, -0.1, "outside"),
    ],
)
def test_closed_cases(low: float, high: float, verdict: str) -> None:
    assert verdict_of(low, high, 0, 10) == verdict


def test_open_ended_targets() -> None:
    assert verdict_of(-1e9, 10, None, 10) == "inside"
    assert verdict_of(11, 12, None, 10) == "outside"
    assert verdict_of(5, 1e9, 5, None) == "inside"
    assert verdict_of(3, 4, 5, None) == "outside"


def test_an_interval_upside_down_is_misuse() -> None:
    with pytest.raises(ValueError, match="low <= high"):
        verdict_of(2, 1, 0, 10)
    with pytest.raises(ValueError, match="low <= high"):
        verdict_of(float("nan"), 1, 0, 10)


number = st.floats(-1e6, 1e6)
width = st.floats(0, 1e6)


@given(number, width, width, number, width, width, width)
def test_widening_never_makes_a_verdict_firmer(
    middle: float, below: float, above: float, end: float, span: float, more_below: float, more_above: float
) -> None:
    before = verdict_of(middle - below, middle + above, end, end + span)
    after = verdict_of(middle - below - more_below, middle + above + more_above, end, end + span)
    assert after in (before, "borderline")


@given(number, width, number, width, number)
def test_verdict_is_the_same_from_the_mirror(
    low: float, wide: float, end: float, span: float, _: float
) -> None:
    mirrored = verdict_of(-(low + wide), -low, -(end + span), -end)
    assert verdict_of(low, low + wide, end, end + span) == mirrored


def test_distance_is_counted_in_half_widths_of_the_error() -> None:
    (lean, *_) = scores([measured("trunk_lean", "both", 16, 14, 18, "deg")], profile())
    assert (lean.verdict, lean.distance) == ("outside", pytest.approx(3.0))  # (16 - 10) / 2
    (lean, *_) = scores([measured("trunk_lean", "both", 11, 9, 13, "deg")], profile())
    assert (lean.verdict, lean.distance) == ("borderline", pytest.approx(0.5))
    (lean, *_) = scores([measured("trunk_lean", "both", -6, -9, -4, "deg")], profile())
    assert (lean.verdict, lean.distance) == ("outside", pytest.approx(3.0))  # 6 / the 2 towards the target
    (lean, *_) = scores([measured("trunk_lean", "both", 5, 4, 6, "deg")], profile())
    assert (lean.verdict, lean.distance, lean.target, lean.area) == ("inside", 0.0, (0, 10), "trunk")


@given(st.floats(-50, 50), st.floats(1e-3, 20))
def test_outside_means_more_than_one_error_away(value: float, half: float) -> None:
    (lean, *_) = scores([measured("trunk_lean", "both", value, value - half, value + half, "deg")], profile())
    if lean.verdict == "outside":
        assert lean.distance >= 1 - 1e-9
    elif lean.verdict == "borderline":
        assert lean.distance <= 1 + 1e-9
    else:
        assert lean.distance == 0


def test_an_error_of_nothing_is_capped() -> None:
    (lean, *_) = scores([measured("trunk_lean", "both", 11, 11, 11, "deg")], profile())
    assert (lean.verdict, lean.distance) == ("outside", FARTHEST)


def test_every_target_gets_a_score_even_without_its_measure() -> None:
    found = scores([], profile())
    assert {s.verdict for s in found} == {"not_measurable"}
    assert [(s.key, s.side) for s in found] == [
        ("trunk_lean", "both"),
        ("contact_time", "left"),
        ("contact_time", "right"),
        ("elbow_angle_mean", "left"),
        ("elbow_angle_mean", "right"),
    ]


def test_near_targets_look_at_the_near_side() -> None:
    arms = [
        measured("elbow_angle_mean", "left", 90, 85, 95, "deg"),
        measured("elbow_angle_mean", "right", 60, 55, 65, "deg"),
    ]
    near = [s for s in scores(arms, profile(), near_side="left") if s.key == "elbow_angle_mean"]
    assert [(s.side, s.verdict) for s in near] == [("left", "inside")]


@pytest.mark.parametrize(
    "measure",
    [
        Measure("trunk_lean", "both", None, "deg", None, None, 0, "not_measurable", why="hidden"),
        Measure("trunk_lean", "both", 50.0, "deg", None, None, 3, "measured"),
        Measure("trunk_lean", "both", float("nan"), "deg", 1.0, 2.0, 3, "measured"),
        Measure("trunk_lean", "both", 50.0, "deg", float("-inf"), float("inf"), 3, "measured"),
    ],
)
def test_without_value_or_error_bar_nothing_is_judged(measure: Measure) -> None:
    (lean, *_) = scores([measure], profile())
    assert (lean.verdict, lean.distance) == ("not_measurable", 0.0)


def test_a_wrong_unit_is_misuse() -> None:
    with pytest.raises(ValueError, match="contact_time is in 'ms', its target in 's'"):
        scores([measured("contact_time", "left", 300, 290, 310, "ms")], profile())


def test_counts_by_area() -> None:
    pictures = by_area(
        scores(
            [
                measured("trunk_lean", "both", 5, 4, 6, "deg"),
                measured("contact_time", "left", 0.35, 0.34, 0.36, "s"),
                measured("contact_time", "right", 0.30, 0.29, 0.31, "s"),
            ],
            profile(),
            near_side="right",
        )
    )
    assert [(p.area, p.inside, p.borderline, p.outside, p.not_measurable) for p in pictures] == [
        ("rhythm", 0, 1, 1, 0),
        ("trunk", 1, 0, 0, 0),
        ("arms", 0, 0, 0, 1),
    ]


@pytest.mark.parametrize("name", ["easy-run", "fast-run", "top-speed", "acceleration", "return-check"])
def test_counts_add_up_to_the_scores(name: str) -> None:
    found = scores([], load_profile(name), near_side="left")
    assert sum(p.inside + p.borderline + p.outside + p.not_measurable for p in by_area(found)) == len(found)


def test_speed_mismatch_only_when_the_whole_interval_is_beyond() -> None:
    assert speed_mismatch([], profile()) is None
    assert speed_mismatch([measured("speed", "both", 4.1, 3.9, 4.3, "m/s")], profile()) is None
    sentence = speed_mismatch([measured("speed", "both", 9.0, 8.8, 9.2, "m/s")], profile())
    assert sentence is not None
    assert "9.0 m/s" in sentence
    assert "2 to 4 m/s" in sentence
