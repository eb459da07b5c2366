"""Athletes and their sessions: add, change, delete, export, import."""

from __future__ import annotations

import math
import tempfile
from dataclasses import replace
from html import escape
from pathlib import Path

import streamlit as st

from shared import history as H
from shared.errors import HistoryError, LanesideError, OptionError
from technique.rulers import speed_ruler
from ui.history_find import id_of, session_text
from ui.history_record import remove_results
from ui.options import Options
from ui.screens import units
from ui.screens.edit_session import edit_sessions
from ui.screens.kept import ATHLETE, athlete_choice, kept_number, screen_head, session_choice, table
from ui.screens.style import problem, words
from ui.screens.unit_inputs import HEIGHT, LEG, MASS


def athletes_screen() -> None:
    """Show the chosen athlete with all sessions, and what can be done with them."""
    screen_head("Athletes and sessions")
    st.caption(
        "The history lies in one file on this machine; whoever uses this page here sees it. Nothing leaves it."
    )
    if said := st.session_state.pop("history_said", None):
        st.success(said)
    with H.open_history() as h:
        athlete = athlete_choice(h)
        if athlete is not None:
            _sessions(h, athlete)
            edit_sessions(h, athlete)
            _edit(h, athlete)
            _delete(h, athlete)
        _add(h, open_=athlete is None)
        _files(h)


def _sessions(h: H.History, athlete: H.Athlete) -> None:
    found = H.sessions(h, id_of(athlete))
    if not found:
        words("<p>No session yet. Measure a clip and keep its result for this athlete.</p>")
        return
    rows = "".join(
        f"<tr><td class='num'><strong>{escape(s.date)}</strong></td><td>{escape(s.condition or 'no label')}</td>"
        f"<td class='num'>{_clips(len(H.clips(h, id_of(s))))}</td>"
        f"<td class='small'>{escape(_facts(s))}</td></tr>"
        for s in found
    )
    words(table(("Day", "Condition", "Clips", "Notes"), rows))
    groups = H.repeats(h, id_of(athlete))
    days = sum(len(g.sessions) for g in groups)
    words(
        f"<p class='small quiet'>Takes of the unchanged condition: {days}. From about 4 days of them the program "
        "knows this athlete's own error; until then published values stand in.</p>"
    )


def _clips(n: int) -> str:
    return "1 clip" if n == 1 else f"{n} clips"


def _facts(s: H.Session) -> str:
    parts = [s.place, s.surface, s.shoes]
    if s.speed_mps is not None:
        parts.append(speed_ruler(units.chosen(), 1).change(s.speed_mps))
    if s.pain is not None:
        parts.append(f"pain {s.pain} of 10")
    if s.repeat_group:
        parts.append("repeat of the unchanged condition")
    return " · ".join(x for x in (*parts, s.notes) if x)


def _body(athlete: H.Athlete | None) -> H.Athlete:
    """The fields of an athlete; nothing is checked yet."""
    a = athlete or H.Athlete("")
    mark = a.id or "new"
    name = st.text_input("Name or code", a.name, key=f"name_{mark}", max_chars=80)
    left, middle, right = st.columns(3)
    with left:
        stature = kept_number(HEIGHT, a.stature_m, f"stature_{mark}")
    with middle:
        mass = kept_number(MASS, a.mass_kg, f"mass_{mark}")
    with right:
        leg = kept_number(LEG, a.leg_length_m, f"leg_{mark}")
    minor = st.checkbox("Under 18", a.minor, key=f"minor_{mark}")
    consent = st.text_input(
        "Consent: who agreed to the filming, to what and when", a.consent, key=f"consent_{mark}"
    )
    notes = st.text_area("Notes", a.notes, key=f"notes_{mark}", height=80)
    return replace(
        a,
        name=name,
        stature_m=stature,
        mass_kg=mass,
        leg_length_m=leg,
        minor=minor,
        consent=consent,
        notes=notes,
    )


def _checked(h: H.History, athlete: H.Athlete) -> H.Athlete:
    """Keep the athlete; LanesideError where something can't be right."""
    sizes = (athlete.stature_m, athlete.mass_kg, athlete.leg_length_m)
    if any(v is not None and math.isnan(v) for v in sizes):
        raise OptionError(athlete.name, "a size can't be right", "see the field")
    Options(stature_m=athlete.stature_m, mass_kg=athlete.mass_kg, leg_length_m=athlete.leg_length_m)
    taken = any(
        p.name.casefold() == athlete.name.strip().casefold() and p.id != athlete.id for p in H.athletes(h)
    )
    if taken:
        raise OptionError(athlete.name, "that name is taken", "give another name or a code")
    return H.save_athlete(h, athlete)


def _add(h: H.History, open_: bool) -> None:
    with st.expander("Add an athlete", expanded=open_), st.form("add_athlete", border=False):
        said = _body(None)
        if st.form_submit_button("Add"):
            try:
                kept = _checked(h, said)
            except LanesideError as error:
                problem(f"{said.name or 'New athlete'}: {error.why}; {error.mend}.")
                return
            st.session_state[ATHLETE] = kept.id
            st.session_state["history_said"] = f"{kept.name} is added." + (
                "" if kept.stature_m else " Without a body height there are no metres and no speed."
            )
            st.rerun()


def _edit(h: H.History, athlete: H.Athlete) -> None:
    with st.expander(f"Change what is kept of {athlete.name}"), st.form("edit_athlete", border=False):
        said = _body(athlete)
        if st.form_submit_button("Save"):
            try:
                kept = _checked(h, said)
            except LanesideError as error:
                problem(f"{athlete.name}: {error.why}; {error.mend}.")
                return
            st.session_state["history_said"] = f"{kept.name} is changed."
            st.rerun()


def _delete(h: H.History, athlete: H.Athlete) -> None:
    one, all_ = st.columns(2)
    found = H.sessions(h, id_of(athlete))
    if found:
        with one.popover("Delete a session", width="stretch"):
            session = session_choice("Session to delete", found)
            st.caption("Its clips, numbers, pictures and reports are removed from this machine.")
            if st.button("Yes, delete this session") and session is not None:
                _gone(H.delete_session(h, id_of(session)), session_text(session))
    with all_.popover(f"Delete {athlete.name}", width="stretch"):
        st.caption(
            "All sessions, clips, numbers, run times, pictures and reports of this athlete are removed from this "
            "machine. Files that you downloaded or exported are yours to delete."
        )
        if st.button("Yes, delete everything of this athlete"):
            _gone(H.delete_athlete(h, id_of(athlete)), athlete.name)


def _gone(gone: H.Deleted, name: str) -> None:
    left = remove_results(gone.folders)
    if left:
        raise HistoryError(
            str(left[0]), "some results in it could not be deleted", "delete the folder by hand"
        )
    if not gone.clean:
        raise HistoryError(name, "it is deleted, but traces may be left on the disk", gone.why or "try again")
    st.session_state["history_said"] = f"Deleted: {name}."
    st.rerun()


def _zip(h: H.History) -> bytes:
    with tempfile.TemporaryDirectory(prefix="laneside-export-") as room:
        file = Path(room) / "history.zip"
        H.export_history(h, file)
        return file.read_bytes()


def _files(h: H.History) -> None:
    with st.expander("Export and import"):
        st.caption("Everything as JSON and CSV in one zip; what is imported is merged, nothing is deleted.")
        if H.athletes(h) and st.button("Make the export"):
            st.download_button(
                "Download the history (ZIP)",
                _zip(h),
                "laneside-history.zip",
                "application/zip",
                on_click="ignore",
            )
        file = st.file_uploader("History to import (ZIP)", type=["zip"], key="history_import")
        if file is not None and st.button("Import it"):
            with tempfile.TemporaryDirectory(prefix="laneside-import-") as room:
                path = Path(room) / "history.zip"
                path.write_bytes(file.getvalue())
                try:
                    done = H.import_history(h, path)
                except LanesideError as error:
                    problem(f"{file.name}: {error.why}; {error.mend}.")
                    return
            st.success(f"{done.added} added, {done.updated} updated, {done.unchanged} unchanged.")
            for line in done.conflicts:
                st.info(line)
