"""Keeping a finished result for an athlete, at the end of the result."""

from __future__ import annotations

import time
from datetime import date

import streamlit as st

from shared import history as H
from shared.errors import LanesideError
from ui.history_find import id_of, session_text
from ui.history_record import record
from ui.screens import store
from ui.screens.kept import ATHLETE
from ui.screens.style import problem, words

NEW = "a new athlete"


def keep_result(job: store.Job) -> None:
    """Ask whose run it is, when and in which condition, and keep it."""
    st.header("Keep it, to compare later", anchor="keep")
    words(
        "<p>Clips of one athlete, day and condition are passes of one session. Film one more take each time "
        "with nothing changed, and tick it as a repeat: from these the program learns the athlete's own error.</p>"
    )
    if said := st.session_state.pop("kept_said", None):
        st.success(said)
    with H.open_history() as h:
        people = {p.id or "": p for p in H.athletes(h)}
        ids = [*people, NEW]
        last = st.session_state.get(ATHLETE)
        with st.form(f"keep_{job.key}"):
            left, right = st.columns(2)
            who = left.selectbox(
                "Athlete",
                ids,
                index=ids.index(last) if last in ids else 0,
                format_func=lambda i: people[i].name if i in people else NEW,
            )
            name = right.text_input("Name or code, if new", "", max_chars=80)
            left, middle, right = st.columns(3)
            day = left.date_input("Day of filming", date.fromtimestamp(job.created or time.time()))
            condition = middle.text_input(
                "Condition", job.label, max_chars=80, help="usual, new shoes, with the belt ..."
            )
            pain = right.number_input("Pain, 0 (none) to 10 (worst)", 0, 10, None)
            repeat = st.checkbox(
                "A repeat of the unchanged condition", help="Nothing was changed since the take before it."
            )
            notes = st.text_input("Notes of the session", "", max_chars=200)
            if not st.form_submit_button("Keep this result"):
                return
        try:
            with H.writing(h):
                # A typed name goes before the list, so that no run is kept for somebody else by oversight.
                athlete = _new(h, name, job) if name.strip() or who not in people else people[who]
                made = record(
                    h,
                    _session(h, athlete, day.isoformat(), condition.strip(), pain, repeat, notes),
                    [store.result_folder(job)],
                )
        except LanesideError as error:
            problem(f"Not kept: {error.why}; {error.mend}.")
            return
        st.session_state[ATHLETE] = athlete.id
        clip = made.clips[0].saved
        again = "" if clip.new_clip else " This clip was kept before; it counts once."
        passes = len(H.clips(h, id_of(made.session)))
        st.session_state["kept_said"] = (
            f"Kept for {athlete.name}, {session_text(made.session)}: pass {passes} of that session.{again}"
        )
        st.rerun()


def _new(h: H.History, name: str, job: store.Job) -> H.Athlete:
    o = job.options
    for p in H.athletes(h):
        if p.name.casefold() == name.strip().casefold():
            return p
    return H.save_athlete(
        h,
        H.Athlete(
            name,
            o.stature_m,
            o.mass_kg,
            o.leg_length_m,
            sex=o.sex,
            minor=o.minor,
            notes="Invented: a sample clip." if job.invented else "",
        ),
    )


def _session(
    h: H.History, athlete: H.Athlete, day: str, condition: str, pain: int | None, repeat: bool, notes: str
) -> H.Session:
    """The kept session of that day, condition and kind, or a new one."""
    group = (condition or "usual") if repeat else None
    for s in H.sessions(h, id_of(athlete)):
        if (s.date[:10], s.condition, s.repeat_group) == (day, condition, group):
            return s
    return H.Session(id_of(athlete), day, condition=condition, pain=pain, notes=notes, repeat_group=group)
