"""Number fields in feet, inches, pounds and miles per hour: what comes out is metric, and comes back.

Oracle: the international yard and pound agreement of 1959 (1 in = 0.0254 m, 1 mile = 1609.344 m,
1 lb = 0.45359237 kg, all exact).
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from ui.screens import unit_inputs, units


def _page(field: str, value: float | None, choice: str) -> Any:
    def script(field: str, value: float | None) -> None:
        import streamlit as st

        from ui.screens import unit_inputs, units

        units.choose("test")
        given = unit_inputs.number_input(getattr(unit_inputs, field), value, "asked")
        st.session_state["given"] = given

    page = AppTest.from_function(script, kwargs={"field": field, "value": value})
    page.session_state[units.KEY] = choice
    page.run()
    assert not page.exception
    return page


def _set(page: Any, label: str, value: float | None) -> None:
    next(n for n in page.number_input if n.label == label).set_value(value).run()
    assert not page.exception


def _shown(page: Any) -> dict[str, Any]:
    return {n.label: n.value for n in page.number_input}


def _choose(page: Any, choice: str) -> None:
    page.session_state[units.KEY] = choice
    page.run()
    assert not page.exception


def test_feet_and_inches_give_metres() -> None:
    page = _page("HEIGHT", None, units.IMPERIAL)
    assert page.session_state["given"] is None
    _set(page, "Body height, ft", 5)
    assert page.session_state["given"] == pytest.approx(1.524, abs=1e-12)
    _set(page, "and inches", 9.0)
    assert page.session_state["given"] == pytest.approx(1.7526, abs=1e-12)
    _set(page, "Body height, ft", None)
    _set(page, "and inches", None)
    assert page.session_state["given"] is None


@pytest.mark.parametrize(
    ("field", "label", "other", "metric"),
    [
        ("MASS", "Body mass, lb", 154.0, 154 * 0.45359237),
        ("BELT_SPEED", "Belt speed, mph", 7.5, 7.5 * 1609.344 / 3600),
        ("LEG", "Leg length, hip to ground, in", 36.0, 0.9144),
    ],
)
def test_the_other_units_give_metric_ones(field: str, label: str, other: float, metric: float) -> None:
    page = _page(field, None, units.IMPERIAL)
    _set(page, label, other)
    assert page.session_state["given"] == pytest.approx(metric, rel=1e-12)
    assert _shown(page) == {label: other}


@pytest.mark.parametrize(
    ("field", "value", "shown"),
    [
        ("HEIGHT", 1.75, {"Body height, ft": 5, "and inches": 8.9}),
        ("DISTANCE", 5.0, {"Length, ft": 16, "and inches": 4.9}),
        ("MASS", 70.3, {"Body mass, lb": 155.0}),
        ("BELT_SPEED", 3.33, {"Belt speed, mph": 7.4}),
        ("LEG", 0.91, {"Leg length, hip to ground, in": 35.8}),
        ("MASS", 300.0, {"Body mass, lb": 661.3}),
        ("MASS", 15.0, {"Body mass, lb": 33.1}),
    ],
)
def test_what_is_only_looked_at_stays_as_it_was(field: str, value: float, shown: dict[str, float]) -> None:
    page = _page(field, value, units.IMPERIAL)
    assert _shown(page) == shown
    assert page.session_state["given"] == value
    _choose(page, units.METRIC)
    assert page.session_state["given"] == value
    assert list(_shown(page).values()) == [value]
    _choose(page, units.IMPERIAL)
    assert _shown(page) == shown
    assert page.session_state["given"] == value


def test_what_was_typed_is_kept_through_a_change_of_units() -> None:
    page = _page("HEIGHT", None, units.METRIC)
    _set(page, "Body height, m", 1.8)
    _choose(page, units.IMPERIAL)
    assert _shown(page) == {"Body height, ft": 5, "and inches": 10.9}  # 1.8 / 0.0254 = 70.866 in
    assert page.session_state["given"] == 1.8
    _set(page, "and inches", 11.0)
    _choose(page, units.METRIC)
    assert page.session_state["given"] == pytest.approx(1.8034, abs=1e-12)


@pytest.mark.parametrize(("feet", "inches"), [(8, 11.0), (1, 0.0)])
def test_a_height_that_cannot_be_is_said_in_the_same_units(feet: int, inches: float) -> None:
    page = _page("HEIGHT", None, units.IMPERIAL)
    _set(page, "Body height, ft", feet)
    _set(page, "and inches", inches)
    # 0.8 m are 31.496 in, 2.5 m are 98.425 in: the tenths that lie within.
    assert page.error[0].value == "Body height: give something between 2 ft 7.5 in and 8 ft 2.4 in."
    assert page.session_state["given"] != page.session_state["given"]  # NaN


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(32, 98), st.integers(0, 3))
def test_a_height_in_feet_and_inches_comes_back(inches: int, tenths: int) -> None:
    feet, rest = divmod(inches + tenths / 10, 12)
    metres = (12 * feet + rest) * 0.0254
    page = _page("HEIGHT", metres, units.IMPERIAL)
    assert _shown(page) == {"Body height, ft": feet, "and inches": pytest.approx(rest, abs=1e-9)}
    assert page.session_state["given"] == metres


def test_no_field_lets_through_what_the_measurement_refuses() -> None:
    """The ends of the fields are those of `ui.options.Options`."""
    from shared.errors import OptionError
    from ui.options import MarkedDistance, Options

    for field, name in (
        (unit_inputs.HEIGHT, "stature_m"),
        (unit_inputs.MASS, "mass_kg"),
        (unit_inputs.LEG, "leg_length_m"),
        (unit_inputs.BELT_SPEED, "belt_speed_mps"),
    ):
        for end in (field.low, field.high):
            Options(**{name: end})  # type: ignore[arg-type]
        for beyond in (0.99 * field.low, 1.01 * field.high):
            with pytest.raises(OptionError):
                Options(**{name: beyond})  # type: ignore[arg-type]
    for end in (unit_inputs.DISTANCE.low, unit_inputs.DISTANCE.high):
        Options(marked=MarkedDistance(0, 0, 1, 1, end))
