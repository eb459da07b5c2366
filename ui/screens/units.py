"""Lengths and speeds in feet, inches and miles per hour, on the screen only."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import streamlit as st

from shared.analysis import Analysis
from ui import report
from ui.report import AreaBlock, Row

KEY: Final = "units"
METRIC, IMPERIAL = "metric", "feet and inches"
IN: Final = 1 / 0.0254
"""Inches in a metre, exact by definition (international yard and pound agreement of 1959)."""
FT: Final = 1 / 0.3048
MPH: Final = 3600 / 1609.344
CHANGED: Final[dict[str, tuple[str, float, int]]] = {
    "step_length": ("ft", FT, 1),
    "speed": ("mph", MPH, 1),
    "vertical_oscillation": ("in", IN, 1),
    "td_distance": ("in", IN, 1),
    "td_distance_com": ("in", IN, 1),
    "hand_past_hip_back": ("in", IN, 1),
}
"""Measure: unit, factor from the metric one, digits."""


def chosen() -> str:
    """The units of this visit."""
    return str(st.session_state.get(KEY, METRIC))


def choose() -> None:
    """Let the user choose."""
    st.segmented_control(
        "Units",
        [METRIC, IMPERIAL],
        default=chosen(),
        key=f"{KEY}_control",
        on_change=lambda: st.session_state.update({KEY: st.session_state.get(f"{KEY}_control") or METRIC}),
        help="On this screen only; files, pictures and targets stay metric.",
    )


def number(value: float, key: str) -> str:
    """A value of a changed measure in its other unit, with a true minus sign."""
    _, factor, digits = CHANGED[key]
    text = f"{value * factor:.{digits}f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "\N{MINUS SIGN}")


def converted(blocks: tuple[AreaBlock, ...], analysis: Analysis) -> tuple[AreaBlock, ...]:
    """The same tables with lengths and speeds in the other units."""
    return tuple(replace(b, rows=tuple(_converted(r, analysis) for r in b.rows)) for b in blocks)


def _converted(row: Row, analysis: Analysis) -> Row:
    if row.key not in CHANGED:
        return row
    unit = CHANGED[row.key][0]
    measure = next(
        (
            m
            for m in analysis.measures
            if m.key == row.key and report.side_text(m.side, analysis.near_side) == row.side
        ),
        None,
    )
    if measure is None or measure.value is None or measure.low is None or measure.high is None:
        return row
    score = next((s for s in analysis.scores if s.key == row.key and s.side == measure.side), None)
    target = ""
    if score is not None:
        low, high = score.target
        ends = [None if v is None else number(v, row.key) for v in (low, high)]
        target = (
            f"{ends[0]} to {ends[1]} {unit}"
            if None not in ends
            else f"at least {ends[0]} {unit}"
            if ends[0] is not None
            else f"at most {ends[1]} {unit}"
        )
    return replace(
        row,
        value=f"{number(measure.value, row.key)} {unit}",
        interval=f"{number(measure.low, row.key)} to {number(measure.high, row.key)}",
        target=target,
    )
