"""Changing what is kept of a session, and what was changed before."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

import streamlit as st

from shared import history as H
from shared.errors import LanesideError
from shared.units import MPH
from technique.run_times import FASTEST_MPS
from ui.history_find import id_of, session_text
from ui.history_words import edit_text
from ui.screens import units
from ui.screens.kept import bullets, kept_number, session_choice
from ui.screens.style import problem, words
from ui.screens.unit_inputs import Field

SHOWN_EDITS: Final = 20
SPEED: Final = Field("Speed aimed at", 0.1, FASTEST_MPS, "m/s", 0.1, other=MPH)


def edit_sessions(h: H.History, athlete: H.Athlete) -> None:
    """A form for the chosen session, and the log of edits."""
    found = H.sessions(h, id_of(athlete))
    if found:
        with st.expander("Change a session"):
            chosen = session_choice("Session to change", found)
            if chosen is not None:
                _form(h, chosen)
    edits = H.edits(h, id_of(athlete))
    if edits:
        with st.expander(f"What was changed: {len(edits)}"):
            days = {s.id: s for s in found}
            lines = [edit_text(e, days.get(e.session), units.chosen()) for e in edits[:SHOWN_EDITS]]
            words(bullets(lines) + "<p class='small quiet'>Times are UTC.</p>")


def _form(h: H.History, s: H.Session) -> None:
    mark = f"{s.id} {s.changed}"
    with st.form(f"edit_session {mark}", border=False):
        a, b = st.columns(2)
        day = a.date_input("Day of filming", date.fromisoformat(s.date[:10]), key=f"day {mark}")
        condition = b.text_input("Condition", s.condition, key=f"condition {mark}", max_chars=80)
        a, b, c = st.columns(3)
        place = a.text_input("Place", s.place, key=f"place {mark}", max_chars=80)
        surface = b.text_input("Surface", s.surface, key=f"surface {mark}", max_chars=80)
        shoes = c.text_input("Shoes", s.shoes, key=f"shoes {mark}", max_chars=80)
        a, b = st.columns(2)
        with a:
            speed = kept_number(SPEED, s.speed_mps, f"speed {mark}")
        pain = b.number_input(
            "Pain, 0 (none) to 10 (worst)", value=s.pain, min_value=0, max_value=10, key=f"pain {mark}"
        )
        repeat = st.checkbox(
            "A take of the unchanged condition", s.repeat_group is not None, key=f"repeat {mark}"
        )
        notes = st.text_area("Notes of the session", s.notes, key=f"notes {mark}", height=80)
        if not st.form_submit_button("Save the session"):
            return
        changes: dict[str, Any] = {
            "condition": condition.strip(),
            "place": place.strip(),
            "surface": surface.strip(),
            "shoes": shoes.strip(),
            "speed_mps": speed,
            "pain": None if pain is None else int(pain),
            "notes": notes,
        }
        if day.isoformat() != s.date[:10]:
            changes["date"] = day.isoformat() + s.date[10:]
        if repeat != (s.repeat_group is not None):
            changes["repeat_group"] = (condition.strip() or "usual") if repeat else None
        try:
            kept = H.edit_session(h, id_of(s), **changes)
        except LanesideError as error:
            problem(f"Not changed: {error.why}; {error.mend}.")
            return
        st.session_state["history_said"] = f"The session {session_text(kept)} is changed."
        st.rerun()
