"""What a number means: definition, target and its source, how well this clip measures it, what moves it."""

from __future__ import annotations

from html import escape
from typing import Final

import streamlit as st

from shared.analysis import Analysis, Measure
from shared.catalogue import MEASURES, MeasureKind
from technique.profile_schema import NO_SOURCE
from ui import report
from ui.screens import definitions, store
from ui.screens.style import svg_img, words

NEED_WORD: Final[dict[str, str]] = {
    "nothing": "Needs nothing but the clip.",
    "scale": "Needs a scale: body height, a marked distance or the belt speed.",
    "scale or belt": "Needs a scale or the belt speed.",
    "mass": "Needs the body mass.",
    "scale and mass": "Needs a scale and the body mass.",
}
MOVES: Final[dict[str, str]] = {
    "rhythm": "Speed first of all: compare only at the same speed. Then step frequency, tiredness, slope, wind, "
    "shoes and ground.",
    "trunk": "Speed and slope (the trunk leans more when accelerating or running uphill), tiredness, and a "
    "camera that is not level.",
    "legs": "Speed: nearly every leg angle grows with it. Then step frequency, tiredness and slope.",
    "foot strike": "Step frequency (a higher one lands the foot nearer), speed, shoes and slope.",
    "arms": "Speed, tiredness, and something carried in the hand. Wide swing to the side is not seen from here.",
    "forces": "Everything that moves contact and flight time. These are estimates from a simple model, not "
    "measured forces.",
}
"""What usually changes a number, by body area (common practice, no source)."""


def definition_words(kind: MeasureKind) -> str:
    """Name, plain words, unit and needs."""
    unit = "degrees" if kind.unit == "deg" else "a class" if kind.unit == "class" else kind.unit
    estimate = " An estimate from a model." if kind.estimate else ""
    return f"{kind.plain[:1].upper()}{kind.plain[1:]}; in {unit}. {NEED_WORD[kind.needs]}{estimate}"


def error_words(measure: Measure) -> list[tuple[str, str]]:
    """How the 95 % interval of a measure came about: part and half-width, largest first."""
    kind = MEASURES[measure.key]
    unit = report.unit_text(kind.unit)
    digits = kind.decimals + 1
    parts = sorted(measure.error_parts.items(), key=lambda item: -abs(item[1]))
    return [(name.replace("_", " "), f"± {half:.{digits}f}{unit}") for name, half in parts]


def meaning_html(analysis: Analysis, key: str) -> str:
    """Everything about one measure, for this clip."""
    kind = MEASURES[key]
    scored = [s for s in analysis.scores if s.key == key]
    sides = []
    for m in (m for m in analysis.measures if m.key == key):
        side = report.side_text(m.side, analysis.near_side)
        if m.status != "measured" or m.value is None or m.low is None or m.high is None:
            sides.append(
                f"<dt>{escape(side)}</dt><dd>not measurable here: {escape(m.why or 'no reason given')}</dd>"
            )
            continue
        value = (
            m.label
            if m.label and kind.unit == "class"
            else f"{report.shown(m.value, key)}{report.unit_text(m.unit)}"
        )
        parts = ", ".join(f"{escape(name)} {escape(half)}" for name, half in error_words(m))
        sides.append(
            f"<dt>{escape(side)}</dt><dd><strong>{escape(value)}</strong>, 95 % interval "
            f"{escape(report.shown(m.low, key))} to {escape(report.shown(m.high, key))}, from {m.n} "
            f"{'step' if m.n == 1 else 'steps or strides'}"
            + (f"<br><span class='quiet'>The interval is made of: {parts}</span>" if parts else "")
            + "</dd>"
        )
    norm = "<p>This profile has no target for it.</p>"
    if scored:
        target = report.target_text(*scored[0].target, key, kind.unit)
        source = scored[0].source
        said = "a rule of coaching; nobody has published it" if source == NO_SOURCE else source
        norm = f"<p><strong>{escape(target)}</strong><br><span class='quiet'>{escape(said)}</span></p>"
    picture = svg_img(definitions.drawing(key), f"Drawing: {kind.name}, {kind.plain}")
    return (
        f'<div class="meaning"><div>{picture}</div><div><p>{escape(definition_words(kind))}</p>'
        f"<h4>Held against</h4>{norm}<h4>How well this clip measures it</h4>"
        f'<dl class="facts">{"".join(sides)}</dl><h4>What usually changes it</h4><p>{escape(MOVES[kind.area])} '
        f"<span class='quiet'>(common practice, no source)</span></p></div></div>"
    )


@st.fragment
def meaning(job: store.Job, analysis: Analysis) -> None:
    """Choose a measure, read about it."""
    present = {m.key for m in analysis.measures}
    keys = [k for k in MEASURES if k in present]
    if not keys:
        return
    key = st.selectbox("Measure", keys, format_func=lambda k: MEASURES[k].name, key=f"meaning_{job.key}")
    words(meaning_html(analysis, key))
