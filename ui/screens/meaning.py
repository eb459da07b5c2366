"""What a number means: definition, target and its source, how well this clip measures it, what moves it."""

from __future__ import annotations

from html import escape
from typing import Final

import streamlit as st

from shared.analysis import Analysis, Measure
from shared.catalogue import MEASURES, MeasureKind
from technique.profile_schema import NO_SOURCE
from technique.rulers import ruler
from technique.what_moves import what_moves
from ui import report
from ui.in_units import between_text, ruler_of, target_text, unit_words, value_text
from ui.screens import definitions, store, units
from ui.screens.style import svg_img, words

NEED_WORD: Final[dict[str, str]] = {
    "nothing": "Needs nothing but the clip.",
    "scale": "Needs a scale: body height, a marked distance or the belt speed.",
    "scale or belt": "Needs a scale or the belt speed.",
    "mass": "Needs the body mass.",
    "scale and mass": "Needs a scale and the body mass.",
}
PART_WORD: Final[dict[str, str]] = {
    "strides": "differences from stride to stride",
    "passes": "differences from pass to pass",
    "frame rate": "time from one picture to the next",
    "events": "finding touchdown and toe-off",
    "event method": "how touchdown and toe-off are found",
    "model": "how well the joints are found",
    "model bias": "a constant offset of the joints",
    "landmark noise": "jitter of the joints",
    "out of plane": "limbs held out of the plane of travel",
    "view angle": "camera not quite square to the lane",
    "camera roll": "camera not quite level",
    "scale": "turning pixels into metres",
    "far arm": "the hidden far arm",
    "flat foot": "what counts as a flat foot",
    "segment masses": "how the leg's mass is spread",
    "method": "the simple model itself",
    "speed": "error of the speed",
    "mass": "error of the body mass",
    "leg length": "error of the leg length",
    "step time": "error of the step time",
    "contact time": "error of the contact time",
    "left": "error of the left side",
    "right": "error of the right side",
}
"""The parts of an error in plain words."""
NOBODY: Final = "a rule of coaching; nobody has published it"
NOT_FOUND: Final = "There is no published value that we could read."


def definition_words(kind: MeasureKind, feet: bool = False) -> str:
    """Plain words, unit and needs."""
    plain = kind.plain
    if plain.startswith("the same as"):  # a relative form: say what it is relative of
        absolute = MEASURES[kind.key.rpartition("_")[0]].plain
        plain = f"{absolute}, {plain.removeprefix('the same ')}"
    unit = "a class" if kind.unit == "class" else unit_words(kind.key, feet)
    estimate = " An estimate from a model." if kind.estimate else ""
    return f"{plain[:1].upper()}{plain[1:]}; in {unit}. {NEED_WORD[kind.needs]}{estimate}"


def part_words(name: str) -> str:
    """A part of an error in plain words; by its own name where it has none."""
    plain = name.replace("_", " ")
    own = plain.removesuffix(" of the passes")
    words_ = PART_WORD.get(own, own)
    return words_ if own == plain else f"{words_} (within the passes)"


def error_words(measure: Measure, feet: bool = False) -> list[tuple[str, str]]:
    """How the 95 % interval of a measure came about: part and half-width, largest first."""
    kind = MEASURES[measure.key]
    made = ruler_of(measure.key, feet) or ruler(measure.key, kind.unit, decimals=kind.decimals)
    parts = sorted(measure.error_parts.items(), key=lambda item: -abs(item[1]))
    return [(part_words(name), f"± {made.finer().change(half)}") for name, half in parts]


def _told(text: str, source: str) -> str:
    """A sentence with where it is from beside it."""
    return f"<p>{escape(text)}<br><span class='quiet small'>{escape(source)}</span></p>"


def meaning_html(analysis: Analysis, key: str, feet: bool = False) -> str:
    """Everything about one measure, for this clip.

    Parameters
    ----------
    analysis : Analysis
    key : str
        A measure of the catalogue.
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.
    """
    kind = MEASURES[key]
    scored = [s for s in analysis.scores if s.key == key]
    sides = []
    near_first = sorted(analysis.measures, key=lambda m: m.side != analysis.near_side)
    for m in (m for m in near_first if m.key == key):
        side = report.side_text(m.side, analysis.near_side)
        if m.status != "measured" or m.value is None or m.low is None or m.high is None:
            sides.append(
                f"<dt>{escape(side)}</dt><dd>not measurable here: {escape(m.why or 'no reason given')}</dd>"
            )
            continue
        value = m.label if m.label and kind.unit == "class" else value_text(m.value, key, m.unit, feet)
        parts = ", ".join(f"{escape(name)} {escape(half)}" for name, half in error_words(m, feet))
        sides.append(
            f"<dt>{escape(side)}</dt><dd><strong>{escape(value)}</strong>, 95 % interval "
            f"{escape(between_text(m.low, m.high, key, feet))}, from {m.n} "
            f"{'step' if m.n == 1 else 'steps or strides'}"
            + (f"<br><span class='quiet small'>Where the error comes from: {parts}</span>" if parts else "")
            + "</dd>"
        )
    norm = "<p>This profile has no target for it.</p>"
    if scored:
        target = target_text(*scored[0].target, key, kind.unit, feet)
        source = scored[0].source
        norm = _told(target, NOBODY if source == NO_SOURCE else source)
    known = what_moves(key)
    found = f"<p>{NOT_FOUND}</p>"
    if known.usual and known.usual_source:
        found = _told(units.sentence(known.usual, feet), known.usual_source)
    picture = svg_img(definitions.drawing(key), f"Drawing: {kind.name}, {kind.plain}")
    return (
        f'<div class="meaning"><div>{picture}</div><div><p>{escape(definition_words(kind, feet))}</p>'
        f"<h4>Held against</h4>{norm}<h4>Found in other runners</h4>{found}"
        f'<h4>How well this clip measures it</h4><dl class="facts">{"".join(sides)}</dl>'
        f"<h4>What usually changes it</h4>{_told(units.sentence(known.moves, feet), known.source)}</div></div>"
    )


@st.fragment
def meaning(job: store.Job, analysis: Analysis) -> None:
    """Choose a measure, read about it."""
    present = {m.key for m in analysis.measures}
    keys = [k for k in MEASURES if k in present]
    if not keys:
        return
    key = st.selectbox("Measure", keys, format_func=lambda k: MEASURES[k].name, key=f"meaning_{job.key}")
    words(meaning_html(analysis, key, units.imperial()))
