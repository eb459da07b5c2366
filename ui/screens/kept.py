"""What every screen of the history needs: the open file, the chosen athlete, a way in when it is empty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from html import escape
from typing import Final

import streamlit as st

from shared import history as H
from ui.history_find import filmed_sessions, is_invented_athlete, session_text
from ui.screens import units
from ui.screens.style import words
from ui.screens.unit_inputs import Field, number_input

ATHLETE: Final = "history_athlete"
EMPTY: Final = (
    "Nothing is kept yet. Measure a clip, then keep its result for an athlete at the end of the result; or add an "
    "athlete first under <strong>Athletes</strong>."
)


_CSS: Final = """
<style>
.ls table.kept td, .ls table.kept th { overflow-wrap: break-word; }
.ls .panels { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 19rem), 1fr)); gap: .6rem; }
.ls .panels img { width: 100%; }
@media (max-width: 40rem) {
  .ls table.kept thead { position: absolute; left: -999rem; }
  .ls table.kept tr { display: block; padding: .6rem 0; border-bottom: 1px solid var(--rule); }
  .ls table.kept td { display: block; border: 0; padding: .08rem 0; white-space: normal; }
}
</style>
"""


def screen_head(title: str) -> None:
    """The title, the choice of units, and the style sheet of the history's tables and rows of plots."""
    st.title(title)
    st.html(_CSS)
    units.choose(title)


def table(heads: Sequence[str], rows: str) -> str:
    """A table whose rows stand below each other on a phone; `rows` is HTML."""
    head = "".join(f"<th scope='col'>{escape(x)}</th>" for x in heads)
    return f"<table class='kept'><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def kept_number(field: Field, value: float | None, key: str) -> float | None:
    """A number of an athlete or a session in the visitor's units; metric, or None where nothing is given.

    A metric field takes more than can be right, so that 175 for 1.75 m is answered with a sentence when
    the form is sent; what is kept already fits in any case.
    """
    known = field.low if value is None else value
    room = (min(field.low, known), max(field.high, known)) if units.imperial() else (0.0, max(1000.0, known))
    return number_input(replace(field, low=room[0], high=room[1]), value, key)


def changed_at() -> tuple[float, ...]:
    """When the history file and its log were last written: results that are kept in memory hang on it."""
    file = H.history_path()
    found = (file, file.with_name(file.name + "-wal"))
    return tuple(p.stat().st_mtime for p in found if p.exists())


def athlete_choice(h: H.History) -> H.Athlete | None:
    """The athlete that all screens of the history speak of; None when there is none."""
    people = H.athletes(h)
    if not people:
        words(f'<p class="lead">{EMPTY}</p>')
        return None
    ids = [p.id for p in people]
    kept = st.session_state.get(ATHLETE)
    chosen = st.selectbox(
        "Athlete",
        ids,
        index=ids.index(kept) if kept in ids else 0,
        format_func=lambda id_: next(p.name for p in people if p.id == id_),
    )
    st.session_state[ATHLETE] = chosen
    athlete = next(p for p in people if p.id == chosen)
    if is_invented_athlete(athlete):
        words('<p class="note">Invented example: no real person was filmed.</p>')
    return athlete


def session_choice(
    label: str, found: Sequence[H.Session], index: int = 0, none: str | None = None
) -> H.Session | None:
    """A session from a list; with `none`, an entry for no session stands first."""
    ids = ([""] if none is not None else []) + [s.id or "" for s in found]
    texts = {s.id or "": session_text(s) for s in found}
    chosen = st.selectbox(label, ids, index=index, format_func=lambda id_: texts.get(id_, none or ""))
    return next((s for s in found if s.id == chosen), None)


def filmed(h: H.History, athlete: H.Athlete) -> tuple[H.Session, ...]:
    """Sessions with a measured clip, newest first; says so when there is none."""
    found = tuple(reversed(filmed_sessions(h, athlete)))
    if not found:
        words(f"<p>No clip of {escape(athlete.name)} is kept yet. Measure one and keep its result.</p>")
    return found


def bullets(lines: Sequence[str], sign: str = "") -> str:
    """A list of sentences."""
    front = f"<strong>{sign}</strong> " if sign else ""
    return "<ul>" + "".join(f"<li>{front}{escape(line)}</li>" for line in lines) + "</ul>"
