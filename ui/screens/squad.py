"""The squad: every athlete in a row."""

from __future__ import annotations

from datetime import date
from html import escape
from pathlib import Path

import streamlit as st

from shared import history as H
from ui.history_find import session_text
from ui.history_rows import moved_text
from ui.history_views import DUE_DAYS, SquadLine, squad_lines
from ui.screens import units
from ui.screens.kept import EMPTY, changed_at, screen_head, table
from ui.screens.style import words


@st.cache_data(max_entries=8, show_spinner="Looking at everybody ...")
def _lines(file: str, changed: tuple[float, ...], days: int, today: date) -> tuple[SquadLine, ...]:
    """Made anew when the history has changed, or on another day."""
    with H.open_history(Path(file)) as h:
        return squad_lines(h, days, today)


def squad_screen() -> None:
    """Athletes by row: latest session, what moved beyond error, who is due."""
    screen_head("Squad")
    st.caption(
        "Everybody who is kept here: when last filmed, and what moved by more than its error since then."
    )
    days = st.number_input("An athlete is due after this many days", 1, 365, DUE_DAYS)
    lines = _lines(str(H.history_path()), changed_at(), int(days), date.today())
    if not lines:
        words(f'<p class="lead">{EMPTY}</p>')
        return
    rows = "".join(
        f"<tr><td><strong>{escape(line.athlete.name)}</strong></td>"
        f"<td>{escape('no clip yet' if line.session is None else session_text(line.session))}</td>"
        f"<td>{escape(moved_text(line, units.chosen()))}</td>"
        f"<td class='num'>{_due(line.days, line.due)}</td></tr>"
        for line in lines
    )
    words(
        table(("Athlete", "Latest session", "Moved beyond error since the session before", "Due"), rows)
        + "<p class='small quiet'>↑ ↓ give the direction of the number, not better or worse. A session is held against "
        "the last one before it with the same condition.</p>"
    )


def _due(days: int | None, due: bool) -> str:
    if days is None:
        return "▲ due: never filmed"
    ago = "today" if days == 0 else "1 day ago" if days == 1 else f"{days} days ago"
    return f"▲ due: {ago}" if due else ago
