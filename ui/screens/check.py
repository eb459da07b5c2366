"""The posture check before a return to sprinting, for the clinician."""

from __future__ import annotations

import tempfile
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from shared import history as H
from technique.return_check import ReturnCheck
from ui.history_check_report import check_content, write_check
from ui.history_find import id_of, is_invented_athlete
from ui.history_views import BASELINE, RETURN_PROFILE, check_view
from ui.screens import units
from ui.screens.kept import athlete_choice, bullets, filmed, screen_head, session_choice, table
from ui.screens.style import words


def check_screen() -> None:
    """Left and right, posture points, progression and flags of one session."""
    screen_head("Return-to-sprint posture check")
    with H.open_history() as h:
        athlete = athlete_choice(h)
        found = filmed(h, athlete) if athlete is not None else ()
        if athlete is None or not found:
            return
        left, right = st.columns(2)
        with left:
            session = session_choice("Session to look at", found)
        others = [s for s in found if session is None or s.id != session.id]
        kept = next((i for i, s in enumerate(others, 1) if s.condition.casefold() == BASELINE), 0)
        with right:
            baseline = session_choice(
                "The athlete's own baseline, from before the injury", others, index=kept, none="none stored"
            )
        if session is None:
            return
        made, chosen, own = check_view(
            h,
            athlete,
            id_of(session),
            "" if baseline is None else id_of(baseline),
            RETURN_PROFILE,
            units.chosen(),
        )
    shown = check_content(made, athlete, chosen, own, invented=False)
    _show(shown)
    _download(made, athlete, chosen, own)


def _show(shown: dict[str, Any]) -> None:
    words(f'<div class="note caution">{bullets(shown["fixed"])}</div>')
    st.header("For the clinician to look at")
    words(bullets(shown["flags"], "▲") if shown["flags"] else f"<p>{escape(shown['nothing'])}</p>")
    st.header("Progression")
    if shown["log"]:
        rows = "".join(
            f"<tr><td class='num'>{escape(day)}</td><td>{escape(speed)}</td><td>pain {escape(pain)}</td><td>{escape(note)}</td></tr>"
            for day, speed, pain, note in shown["log"]
        )
        words(table(("Day", "Speed reached", "Pain entered", "Note"), rows))
    else:
        words("<p>No session with a speed or a pain score is stored.</p>")
    st.header("Left against right")
    rows = "".join(
        f"<tr><td><strong>{escape(r['name'])}</strong></td><td>left {escape(r['left'])}<br>right {escape(r['right'])}</td>"
        f"<td class='num'><span class='value'>{escape(r['difference'])}</span><br><span class='small'>{escape(r['interval'])}</span></td>"
        f"<td>{escape(r['sign'])} {escape(r['word'])}</td></tr>"
        for r in shown["sides"]
    )
    words(
        "<p class='small quiet'>Left minus right: degrees for angles, else per cent of the mean of both.</p>"
        + table(("Measure", "Both sides", "Left − right, 95 % interval", "Verdict"), rows)
    )
    st.header("Posture points")
    rows = "".join(
        f"<tr><td><strong>{escape(r['name'])}</strong></td><td class='num'><span class='value'>{escape(r['value'])}</span>"
        f"<br><span class='small'>{escape(r['interval'])}</span></td>"
        f"<td><span class='small'>range</span> {escape(r['range'])}<br><span class='quiet small'>{escape(r['source'])}</span></td>"
        f"<td><span class='word' style='color:{shown['ink'][r['verdict']]}'>{escape(r['sign'])} {escape(r['word'])}</span></td></tr>"
        for r in shown["points"]
    )
    words(table(("Measure", "Value, 95 % interval", "Range of the profile", "Verdict"), rows))
    if shown["against_summary"]:
        with st.expander("Against the athlete's own baseline"):
            words(f"<p>{escape(shown['against_summary'])}</p>" + bullets(shown["against"]))
    st.header("What was measured, and what was not")
    words(
        "<h3>Not measured</h3>" + bullets(shown["not_measured"]) + "<h3>Notes</h3>" + bullets(shown["notes"])
    )
    with st.expander("Measured"):
        words(bullets(shown["measured"]))


def _download(made: ReturnCheck, athlete: H.Athlete, session: H.Session, own: H.Session | None) -> None:
    def pdf() -> bytes:
        with tempfile.TemporaryDirectory(prefix="laneside-check-") as room:
            files, _ = write_check(
                made, athlete, session, own, Path(room), invented=is_invented_athlete(athlete)
            )
            return files[-1].read_bytes()

    st.download_button(
        "This check to print (PDF)", pdf, "return_check.pdf", "application/pdf", on_click="ignore"
    )
