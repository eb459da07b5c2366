"""Feet, inches and miles per hour, by their exact definitions (international yard and pound, 1959)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import units
from shared.catalogue import MEASURES


@pytest.mark.parametrize(
    ("key", "metric", "said"),
    [
        # 1 in = 25.4 mm, 1 ft = 304.8 mm, 1 mile = 1609.344 m.
        ("step_length", 1.524, "5.0"),
        ("speed", 4.4704, "10.0"),
        ("vertical_oscillation", 0.0762, "3.0"),
        ("td_distance", -0.254, "−10.0"),
        ("td_distance_com", -0.0001, "0.0"),
    ],
)
def test_other_units_by_their_exact_definitions(key: str, metric: float, said: str) -> None:
    other = units.other_unit(key)
    assert other is not None
    assert units.other_number(metric, other) == said


@pytest.mark.parametrize("key", sorted(MEASURES))
def test_only_lengths_and_speeds_change(key: str) -> None:
    assert (units.other_unit(key) is not None) == (MEASURES[key].unit in ("m", "m/s"))


def test_a_difference_of_sides_keeps_its_unit() -> None:
    assert units.other_unit("symmetry_step_length") is None


@pytest.mark.parametrize(
    ("metric", "said"),
    [
        # 2.5, 3.5 and 4.5 m/s are 5.59, 7.83 and 10.07 mph; 7.2 cm are 2.83 in; 1.48 m are 4.86 ft.
        ("on average at 2.5, 3.5 and 4.5 m/s, 26 runners", "on average at 5.6, 7.8 and 10.1 mph, 26 runners"),
        ("7.2, 6.5 and 5.7 cm in 15 runners", "2.8, 2.6 and 2.2 in in 15 runners"),
        ("1.48 m on average", "4.9 ft on average"),
        ("0.5 ± 0.1 metres", "1.6 ± 0.3 feet"),
        # 20 m are 65.62 ft, 40 m 131.23 ft; 5 cm are 1.97 in.
        ("from about 20 m, for sprinters 40 m", "from about 66 ft, for sprinters 131 ft"),
        ("the last 5 to 10 m", "the last 16 to 33 ft"),
        ("within 5 cm", "within 2.0 in"),
        ("outside what it suits (3.5 to 7 m/s)", "outside what it suits (7.8 to 15.7 mph)"),
    ],
)
def test_quantities_within_a_sentence(metric: str, said: str) -> None:
    assert units.in_other_units(metric) == said


@pytest.mark.parametrize(
    "text",
    [
        "161, 171 and 183 steps/min",
        "0.269, 0.224 and 0.195 s on average",
        "7.0 to 16.3 kN/m",
        "12 men of 24 met it",
        "acceleration of 3 m/s² and 2 m/s^2",
        "12 months",
        "17.8 ± 4.0 degrees",
    ],
)
def test_everything_else_stays(text: str) -> None:
    assert units.in_other_units(text) == text


@pytest.mark.parametrize(
    ("metric", "said"),
    [
        ("a heel −0.254 m from it", "a heel −0.8 ft from it"),
        ("between -2.54 and 5.08 cm", "between −1.0 and 2.0 in"),
        ("a wind of −0.01 m/s", "a wind of 0.0 mph"),
    ],
)
def test_below_zero_within_a_sentence(metric: str, said: str) -> None:
    assert units.in_other_units(metric) == said


@given(
    st.floats(-1e6, 1e6).filter(lambda v: abs(v) > 1e-300 or v == 0),
    st.integers(0, 4),
    st.booleans(),
)
def test_a_written_number_reads_back_and_a_zero_has_no_sign(value: float, decimals: int, sign: bool) -> None:
    text = units.written(value, decimals, sign)
    read = units.number_in(text)
    assert read == round(value, decimals)  # both round the same binary number to the nearest decimal
    assert "-" not in text
    assert text.startswith("\N{MINUS SIGN}") == (read < 0)
    assert text.startswith("+") == (sign and read > 0)


def test_feet_inches_and_pounds_by_their_exact_definitions() -> None:
    # International yard and pound agreement, 1959: 1 in = 25.4 mm, 1 lb = 0.45359237 kg.
    assert units.in_metres(5, 9) == pytest.approx(1.7526, abs=1e-12)
    assert units.feet_and_inches(1.7526) == (5, 9.0)
    assert units.feet_and_inches(1.8287) == (6, 0.0)  # 5 ft 11.996 in is not "5 ft 12 in"
    assert units.height_text(1.7526, imperial=True) == "5 ft 9 in"
    assert units.height_text(1.75, imperial=True) == "5 ft 8.9 in"
    assert units.height_text(1.75) == "1.75 m"
    assert units.mass_text(0.45359237 * 154, imperial=True) == "154 lb"
    assert units.mass_text(70, imperial=True) == "154.3 lb"
    assert units.mass_text(70.5) == "70.5 kg"


@given(st.integers(0, 700), st.integers(0, 119))
def test_feet_and_inches_come_back_as_they_were_given(feet: int, tenths: int) -> None:
    assert units.feet_and_inches(units.in_metres(feet, tenths / 10)) == (feet, tenths / 10)


@given(st.floats(0.0, 200.0))
def test_a_length_is_written_to_the_nearest_tenth_of_an_inch(metres: float) -> None:
    feet, inches = units.feet_and_inches(metres)
    assert 0 <= inches < 12
    assert units.in_metres(feet, inches) == pytest.approx(metres, abs=0.0501 * units.M_PER_INCH)


@given(st.floats(0.01, 50.0))
def test_there_and_back(value: float) -> None:
    for other, exact in (
        (units.INCHES, units.M_PER_INCH),
        (units.FEET, units.M_PER_FOOT),
        (units.MPH, units.MPS_PER_MPH),
    ):
        assert float(units.other_number(value, other)) * exact == pytest.approx(value, abs=0.051 * exact)
