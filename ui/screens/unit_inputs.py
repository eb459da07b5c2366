"""Number fields in the visitor's units; what they give back is metric.

A field keeps the metric value itself: it is turned anew only when the visitor changes what is
shown, so that looking at 1.75 m as 5 ft 8.9 in and back leaves it 1.75 m.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, TypeVar

import streamlit as st

from shared.units import INCHES, M_PER_INCH, MPH, POUNDS, OtherUnit, feet_and_inches, height_text, in_metres
from ui.screens import units

NOT_GIVEN: Final = "not given"
NOTHING: Final = object()


@dataclass(frozen=True)
class Field:
    """A number that the visitor may give.

    Attributes
    ----------
    label : str
        Without its unit.
    low, high : float
        Least and largest, metric.
    unit : str
        The metric unit.
    step : float
        Of the metric field.
    shape : str
        How the metric field writes the number.
    other : OtherUnit or None
        None: in feet and inches.
    other_step : float
    """

    label: str
    low: float
    high: float
    unit: str
    step: float
    shape: str = "%.2f"
    other: OtherUnit | None = None
    other_step: float = 0.1


HEIGHT: Final = Field("Body height", 0.8, 2.5, "m", 0.01)
LEG: Final = Field("Leg length, hip to ground", 0.3, 1.5, "m", 0.01, other=INCHES, other_step=0.5)
DISTANCE: Final = Field("Length", 0.05, 200.0, "m", 0.5)
MASS: Final = Field("Body mass", 15.0, 300.0, "kg", 1.0, "%g", POUNDS, 1.0)
BELT_SPEED: Final = Field("Belt speed", 0.3, 13.0, "m/s", 0.1, "%.2f", MPH)


def number_input(field: Field, value: float | None, key: str, told: str | None = None) -> float | None:
    """Ask for a number in the visitor's units.

    Parameters
    ----------
    field : Field
    value : float or None
        What is known already, metric.
    key : str
        Of the widgets: itself for the metric field, with ``_other``, or ``_ft`` and ``_in``, for the others.
    told : str, optional
        Help beside the field.

    Returns
    -------
    float or None
        Metric; None where nothing is given, NaN for feet and inches that can't be (the field says so).
    """
    known = _known(value, key)
    if not units.imperial():
        found = _asked(
            f"{field.label}, {field.unit}", known, field.low, field.high, field.step, field.shape, key, told
        )
    elif field.other is not None:
        found = _in_other_unit(field, field.other, known, key, told)
    else:
        found = _in_feet(field, known, key, told)
    st.session_state[f"{key}_kept"] = (value, found)
    if found is not None and not field.low <= found <= field.high:
        low, high = (height_text(end / 10 * M_PER_INCH, True) for end in _tenths(field, 1 / M_PER_INCH))
        st.error(f"{field.label}: give something between {low} and {high}.")
        return math.nan
    return found


def _tenths(field: Field, factor: float) -> tuple[int, int]:
    """Least and largest in tenths of the other unit, both within the metric ends."""
    return math.ceil(10 * field.low * factor), math.floor(10 * field.high * factor)


def _known(value: float | None, key: str) -> float | None:
    """The metric value to show: as typed before, unless another one has been stored since."""
    stored, typed = st.session_state.get(f"{key}_kept", (NOTHING, None))
    if stored == value:
        known: float | None = typed
        return known
    for part in ("", "_other", "_ft", "_in"):
        st.session_state.pop(key + part, None)
    return value


Number = TypeVar("Number", int, float)


def _asked(
    label: str,
    value: Number | None,
    low: Number,
    high: Number,
    step: Number,
    shape: str,
    key: str,
    told: str | None = None,
) -> Number | None:
    if key not in st.session_state:
        st.session_state[key] = value
    return st.number_input(
        label,
        min_value=low,
        max_value=high,
        value=None,
        step=step,
        format=shape,
        key=key,
        placeholder=NOT_GIVEN,
        help=told,
    )


def _in_other_unit(
    field: Field, other: OtherUnit, known: float | None, key: str, told: str | None
) -> float | None:
    low, high = (end / 10 for end in _tenths(field, other.factor))
    shown = None if known is None else min(high, max(low, round(known * other.factor, 1)))
    given = _asked(
        f"{field.label}, {other.unit}", shown, low, high, field.other_step, "%.1f", f"{key}_other", told
    )
    if given == shown:
        return known
    return None if given is None else given / other.factor


def _in_feet(field: Field, known: float | None, key: str, told: str | None) -> float | None:
    shown = (None, None) if known is None else feet_and_inches(known)
    most = feet_and_inches(field.high)[0]
    with st.container(horizontal=True, gap="small", vertical_alignment="bottom"):
        feet = _asked(f"{field.label}, ft", shown[0], 0, most, 1, "%d", f"{key}_ft", told)
        inches = _asked("and inches", shown[1], 0.0, 11.9, 0.5, "%.1f", f"{key}_in")
    if (feet, inches) == shown:
        return known
    return None if feet is None and inches is None else in_metres(feet or 0, inches or 0.0)
