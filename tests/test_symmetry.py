"""Left against right: published index, units, error of both sides."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.analysis import Measure
from shared.catalogue import MEASURES
from technique.measures import measured
from technique.profile_schema import target_unit
from technique.symmetry import stands_out, symmetries, symmetry_index
from tests.true_motion import true_run


@pytest.mark.parametrize(
    ("left", "right", "index"), [(10, 12, -18.1818), (100, 110, -9.5238), (0.25, 0.24, 4.0816)]
)
def test_symmetry_index(left: float, right: float, index: float) -> None:
    # Robinson et al. 1987, worked numbers (18.1818, 9.5238, 4.0816 %); here left minus right.
    assert symmetry_index(left, right) == pytest.approx(index, abs=5e-5)


def pair(key: str, left: float, right: float, halves: tuple[float, float] = (1.0, 2.0)) -> list[Measure]:
    unit = MEASURES[key].unit
    return [
        Measure(key, side, v, unit, v - h, v + h, 5, "measured", None, 3, {"model": h})  # type: ignore[arg-type]
        for side, v, h in (("left", left, halves[0]), ("right", right, halves[1]))
    ]


def test_angles_are_subtracted_in_degrees() -> None:
    (found,) = symmetries(pair("knee_flexion_td", 3.0, -1.0))
    assert (found.key, found.side, found.unit) == ("symmetry_knee_flexion_td", "both", "deg")
    assert found.value == pytest.approx(4.0)
    assert found.high - found.value == pytest.approx(5**0.5)  # type: ignore[operator]


def test_times_are_a_share_of_the_mean_with_the_error_of_both() -> None:
    (found,) = symmetries(pair("contact_time", 0.25, 0.24, (0.005, 0.012)))
    assert found.unit == "%" and found.value == pytest.approx(4.0816, abs=1e-4)
    # Derivatives of the index by hand: 400 R / (L + R)^2 and 400 L / (L + R)^2.
    left, right = 400 * 0.24 / 0.49**2 * 0.005, 400 * 0.25 / 0.49**2 * 0.012
    assert found.high - found.value == pytest.approx((left**2 + right**2) ** 0.5, rel=1e-6)  # type: ignore[operator]


@settings(deadline=None)
@given(st.floats(-60, 60), st.floats(-60, 60))
def test_exchanging_the_sides_changes_the_sign(left: float, right: float) -> None:
    (one,), (other,) = (
        symmetries(pair("thigh_angle_max", left, right)),
        symmetries(pair("thigh_angle_max", right, left)),
    )
    assert one.value == pytest.approx(-other.value)  # type: ignore[operator]


@pytest.mark.parametrize(("difference", "flag"), [(2.0, False), (2.3, True), (-2.3, True)])
def test_a_difference_counts_only_above_its_own_error(difference: float, flag: bool) -> None:
    (found,) = symmetries(pair("thigh_angle_max", 40.0 + difference, 40.0))  # error sqrt(5) = 2.236
    assert stands_out(found) is flag


def test_a_side_that_is_missing_is_named() -> None:
    left, right = pair("elbow_angle_mean", 90.0, 90.0)
    gone = Measure(left.key, "left", None, "deg", None, None, 0, "not_measurable", "the arm is hidden")
    (found,) = symmetries([gone, right])
    assert found.value is None and found.why == "the left side is not measurable: the arm is hidden"
    assert not stands_out(found)


def test_no_percentage_of_nearly_nothing() -> None:
    (found,) = symmetries(pair("td_distance", 0.02, -0.01, (0.05, 0.05)))
    assert found.value is None and "too near zero" in (found.why or "")


def test_errors_that_both_sides_share_are_left_out() -> None:
    sides = [
        Measure(
            "step_length",
            s,
            v,
            "m",
            v - 0.1,
            v + 0.1,
            5,
            "measured",
            None,
            3,
            {"scale": 0.0995, "model": 0.01},
        )  # type: ignore[arg-type]
        for s, v in (("left", 1.20), ("right", 1.10))
    ]
    (found,) = symmetries(sides)
    assert found.high - found.value < 2.0 and stands_out(found)  # type: ignore[operator]


def test_a_runner_who_is_not_alike_and_one_who_is() -> None:
    t, m = true_run(4.0, left_thigh_max_deg=24.0, right_thigh_max_deg=48.0)
    found = {x.key: x for x in symmetries(measured(m).measures)}
    true = t.athlete.measures["thigh_angle_max_left"] - t.athlete.measures["thigh_angle_max_right"]
    assert true < -20.0  # one knee is lifted far lower than the other
    assert found["symmetry_thigh_angle_max"].value == pytest.approx(true, abs=0.1)
    assert stands_out(found["symmetry_thigh_angle_max"])
    _, m = true_run(4.0)
    for x in symmetries(measured(m).measures):
        assert not stands_out(x), x.key
        assert x.unit == target_unit(x.key), x.key
