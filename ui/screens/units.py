"""Lengths and speeds in feet, inches and miles per hour, on the screen only.

What is turned into what stands in `shared.units`; here it is put into the screens' own words.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, Final

import streamlit as st

from shared.analysis import Analysis, Measure
from shared.catalogue import MEASURES
from shared.units import in_other_units, number_in, other_number, other_unit
from technique.cues import UNIT_WORDS, number_text
from ui import report
from ui.report import AreaBlock, Row

KEY: Final = "units"
METRIC, IMPERIAL = "metric", "feet and inches"
_TARGET: Final = re.compile(r"(the target is at (?:least|most) )([\N{MINUS SIGN}-]?\d+(?:\.\d+)?)")
"""The end of a target as a cue writes it, in the unit of the number before it."""


def imperial() -> bool:
    """Whether this visit asked for feet and inches."""
    return str(st.session_state.get(KEY, METRIC)) == IMPERIAL


def choose(place: str) -> None:
    """Let the user choose; `place` tells several choices on several pages apart."""
    control = f"{KEY}_{place}"
    st.segmented_control(
        "Units",
        [METRIC, IMPERIAL],
        default=IMPERIAL if imperial() else METRIC,
        key=control,
        on_change=lambda: st.session_state.update({KEY: st.session_state.get(control) or METRIC}),
        help="In results and targets on the screen. Files, pictures and the history stay metric.",
    )


def shown(value: float, key: str, feet: bool) -> str:
    """A value without its unit, with the digits worth showing."""
    other = other_unit(key) if feet else None
    return other_number(value, other) if other else report.shown(value, key)


def unit_text(key: str, unit: str, feet: bool) -> str:
    """The unit as it is written after a number."""
    other = other_unit(key) if feet else None
    return f" {other.unit}" if other else report.unit_text(unit)


def unit_words(key: str, feet: bool) -> str:
    """The unit of a measure by itself: for an axis, or in a definition."""
    unit = MEASURES[key].unit
    other = other_unit(key) if feet else None
    return other.words if other else UNIT_WORDS.get(unit, unit)


def target_text(low: float | None, high: float | None, key: str, unit: str, feet: bool) -> str:
    """A target range in words; open ends are said."""
    if not feet or other_unit(key) is None:
        return report.target_text(low, high, key, unit)
    ends = [None if v is None else shown(v, key, feet) for v in (low, high)]
    u = unit_text(key, unit, feet)
    if None not in ends:
        return f"{ends[0]} to {ends[1]}{u}"
    return f"at least {ends[0]}{u}" if ends[0] is not None else f"at most {ends[1]}{u}"


def converted(blocks: tuple[AreaBlock, ...], analysis: Analysis) -> tuple[AreaBlock, ...]:
    """The same tables with lengths and speeds in the other units."""
    return tuple(replace(b, rows=tuple(_converted(r, analysis) for r in b.rows)) for b in blocks)


def _converted(row: Row, analysis: Analysis) -> Row:
    if other_unit(row.key) is None:
        return row
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
    return replace(
        row,
        value=shown(measure.value, row.key, True) + unit_text(row.key, measure.unit, True),
        interval=f"{shown(measure.low, row.key, True)} to {shown(measure.high, row.key, True)}",
        target=target_text(*score.target, row.key, measure.unit, True) if score else "",
    )


def converted_cue(cue: dict[str, Any], analysis: Analysis) -> dict[str, Any]:
    """A cue with the numbers it was seen by in the other units; its advice and sources stay as written.

    The cue's own words are kept as they were stored: the numbers of the measures are looked for in
    them and put in from the measures themselves, so that cue and table round the same value.
    """
    seen = str(cue["seen"])
    for m in analysis.measures:
        metric, turned = _number(m, False), _number(m, True)
        if metric and turned:
            # Older results were stored with a hyphen for a minus.
            for stored in (metric, metric.replace("\N{MINUS SIGN}", "-")):
                seen = seen.replace(stored, turned)
    other = other_unit(cue["key"])
    if other is not None:
        seen = _TARGET.sub(lambda found: found[1] + other_number(number_in(found[2]), other), seen)
    return cue | {"seen": seen}


def _number(m: Measure, feet: bool) -> str | None:
    """A measure as the cues write it: ``0.34 ± 0.02 metres``; None where both systems agree."""
    other = other_unit(m.key)
    if other is None or m.value is None:
        return None
    low, high = (m.value if end is None else end for end in (m.low, m.high))
    half = max(m.value - low, high - m.value)
    if not feet:
        return number_text(m.value, half, m.unit, MEASURES[m.key].decimals)
    return f"{other_number(m.value, other)} ± {other_number(half, other)} {other.words}"


def sentence(text: str, feet: bool) -> str:
    """A sentence, its lengths and speeds in the chosen units."""
    return in_other_units(text) if feet else text
