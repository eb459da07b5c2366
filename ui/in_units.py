"""What a result says, in metric units or in feet, inches and miles per hour.

What is turned into what stands in `shared.units`; here it is put into the words of tables, cues,
stills and reports, on the page and in files alike.
"""

from __future__ import annotations

import math
import re
from typing import Any, Final

from shared.analysis import Analysis, Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.units import (
    INCHES,
    height_text,
    in_other_units,
    mass_text,
    number_in,
    other_number,
    other_unit,
    with_minus,
    written,
)
from technique.cues import UNIT_WORDS, number_text
from technique.rulers import Ruler, ruler

UNITS_FACT: Final = "feet, inches and miles per hour; the data files beside this report stay metric"
_TARGET: Final = re.compile(r"(the target is at (?:least|most) )([\N{MINUS SIGN}-]?\d+(?:\.\d+)?)")
"""The end of a target as a cue writes it, in the unit of the number before it."""


def ruler_of(key: str, feet: bool) -> Ruler | None:
    """How the numbers of a measure are written in the other system; None where both systems agree."""
    kind = MEASURES.get(key)
    if not feet or kind is None or other_unit(key) is None:
        return None
    return ruler(key, kind.unit, "imperial", kind.decimals)


def shown(value: float, key: str, feet: bool = False) -> str:
    """A value without its unit, with the digits worth showing."""
    made = ruler_of(key, feet)
    if made is not None:
        return made.number(value)
    return written(value, MEASURES[key.removeprefix(SYMMETRY_PREFIX)].decimals)


def unit_text(key: str, unit: str, feet: bool = False) -> str:
    """The unit as it is written after the number of `shown`."""
    return (ruler_of(key, feet) or Ruler(unit, 1.0, 0, unit)).sign


def value_text(value: float, key: str, unit: str, feet: bool = False) -> str:
    """A value with its unit; a long length in feet and inches."""
    made = ruler_of(key, feet)
    return made.value(value) if made is not None else shown(value, key) + unit_text(key, unit)


def between_text(low: float, high: float, key: str, feet: bool = False) -> str:
    """The two ends of an interval."""
    made = ruler_of(key, feet)
    return made.between(low, high) if made is not None else f"{shown(low, key)} to {shown(high, key)}"


def measured_text(value: float, half: float, key: str, unit: str, feet: bool = False) -> str:
    """A value with half its interval and its unit: ``0.27 ± 0.04 m``; a half that isn't finite is left out."""
    made = ruler_of(key, feet)
    if not math.isfinite(half):
        return value_text(value, key, unit, feet)
    if made is not None and made.long:
        return f"{made.value(value)} ± {made.change(half)}"
    return f"{shown(value, key, feet)} ± {shown(half, key, feet)}{unit_text(key, unit, feet)}"


def unit_words(key: str, feet: bool = False) -> str:
    """The unit of a measure by itself: for an axis, or in a definition."""
    unit = MEASURES[key].unit
    made = ruler_of(key, feet)
    return made.words if made is not None else UNIT_WORDS.get(unit, unit)


def target_text(low: float | None, high: float | None, key: str, unit: str, feet: bool = False) -> str:
    """A target range in words; open ends are said."""
    made = ruler_of(key, feet)
    if low is not None and high is not None:
        whole = between_text(low, high, key, feet)
        return whole if made is not None and made.long and low >= 0 else whole + unit_text(key, unit, feet)
    if low is not None:
        return f"at least {value_text(low, key, unit, feet)}"
    return f"at most {value_text(high, key, unit, feet)}" if high is not None else ""


def strip_words(measure: Measure, feet: bool = False) -> str:
    """Value and interval of a measure as its strip says them."""
    made = ruler_of(measure.key, feet)
    value, low, high = (
        "not known" if v is None else made.number(v) if made is not None else with_minus(f"{v:g}")
        for v in (measure.value, measure.low, measure.high)
    )
    return f"value {value}, interval {low} to {high}"


def cue_in_units(cue: dict[str, Any], analysis: Analysis, feet: bool = False) -> dict[str, Any]:
    """A cue with the numbers it was seen by in the chosen units; its advice and sources stay as written.

    The cue's own words are kept as they were stored: the numbers of the measures are looked for in
    them and put in from the measures themselves, so that cue and table round the same value.
    """
    if not feet:
        return cue
    seen = str(cue["seen"])
    for m in analysis.measures:
        metric, turned = _number(m, False), _number(m, True)
        if metric and turned:
            # Older results were stored with a hyphen for a minus.
            for stored in (metric, metric.replace("\N{MINUS SIGN}", "-")):
                seen = seen.replace(stored, turned)
    made = ruler_of(cue["key"], True)
    if made is not None:
        end = made.value if made.long else made.number
        seen = _TARGET.sub(lambda found: found[1] + end(number_in(found[2])), seen)
    return cue | {"seen": seen}


def _number(m: Measure, feet: bool) -> str | None:
    """A measure as the cues write it: ``0.34 ± 0.02 metres``; None where both systems agree."""
    made = ruler_of(m.key, True)
    if made is None or m.value is None:
        return None
    low, high = (m.value if end is None else end for end in (m.low, m.high))
    half = max(m.value - low, high - m.value)
    if not feet:
        return number_text(m.value, half, m.unit, MEASURES[m.key].decimals)
    if made.long:
        return f"{made.value(m.value)} ± {made.change(half)}"
    return f"{made.number(m.value)} ± {made.number(half)} {made.words}"


def sentence(text: str, feet: bool = False) -> str:
    """A sentence, its lengths and speeds in the chosen units."""
    return in_other_units(text) if feet else text


def _leg_text(metres: float, feet: bool) -> str:
    return f"{other_number(metres, INCHES)} in" if feet else f"{metres:.4g} m"


def athlete_text(analysis: Analysis, feet: bool = False) -> str:
    """What was said of the athlete, with its units; empty where nothing was."""
    said = analysis.athlete
    told = []
    for key, words, text in (
        ("stature_m", "body height", height_text),
        ("mass_kg", "body mass", mass_text),
        ("leg_length_m", "leg length", _leg_text),
    ):
        value = said.get(key)
        if isinstance(value, (int, float)) and value:
            told.append(f"{words} {text(value, feet)}")
    if said.get("sex"):
        told.append(str(said["sex"]))
    if said.get("minor"):
        told.append("under 18")
    if said.get("injury"):
        told.append("pain or a recent injury")
    if said.get("face"):
        told.append(f"face {said['face']}")
    return ", ".join(told)
