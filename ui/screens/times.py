"""Timed runs: add, read from a table, fit the speed profile, compare conditions."""

from __future__ import annotations

from datetime import date
from html import escape
from typing import Any

import streamlit as st

from shared import history as H
from shared.errors import LanesideError, OptionError
from shared.units import celsius
from technique.rulers import shown_value
from technique.run_times import checked_run, run_times_from_text
from technique.speed_profile import profile_sentence, run_profile
from technique.speed_profile_forces import force_sentence, force_velocity
from technique.time_comparison import METHOD_WORDS
from ui.history_cli_times import keep_new, splits_of
from ui.history_find import id_of
from ui.history_views import filmed_steps, times_compared
from ui.screens import units
from ui.screens.charts import CONFIG
from ui.screens.history_charts import speed_chart
from ui.screens.kept import athlete_choice, bullets, screen_head, table
from ui.screens.style import problem, words


def times_screen() -> None:
    """Show an athlete's timed runs."""
    screen_head("Run times")
    if said := st.session_state.pop("times_said", None):
        st.success(said)
    if units.imperial():
        st.caption("Distances stay in metres and wind in m/s, as tracks and wind gauges give them.")
    with H.open_history() as h:
        athlete = athlete_choice(h)
        if athlete is None:
            return
        runs = H.run_times(h, id_of(athlete))
        if runs:
            words(_table(runs))
            _profile(h, athlete, runs)
            _compare(h, athlete, runs)
            _delete(h, runs)
        else:
            words("<p>No timed run is kept of this athlete yet.</p>")
        _add(h, athlete, open_=not runs)
        _import(h, athlete)


def _name(r: H.RunTime) -> str:
    return f"{r.distance_m:g} m, {r.date[:10]}, {r.time_s:.2f} s" + (
        f", {r.condition}" if r.condition else ""
    )


def _table(runs: tuple[H.RunTime, ...]) -> str:
    rows = "".join(
        f"<tr><td class='num'>{escape(r.date)}</td><td class='num'>{r.distance_m:g} m</td>"
        f"<td class='num'><span class='value'>{r.time_s:.2f} s</span><br><span class='small'>{METHOD_WORDS[r.method]}</span></td>"
        f"<td>{escape(r.condition)}{_wind(r.wind_mps)}</td>"
        f"<td class='small'>{escape(', '.join(f'{s.distance_m:g} m {s.time_s:.2f}' for s in r.splits))}</td></tr>"
        for r in runs
    )
    return table(("Day", "Distance", "Time", "Condition", "Splits"), rows)


def _wind(wind_mps: float | None) -> str:
    if wind_mps is None:
        return ""
    return f"<br><span class='small'>wind {escape(shown_value(wind_mps, 'm/s', 1, sign=True))}</span>"


def _choice(label: str, runs: tuple[H.RunTime, ...]) -> H.RunTime:
    ids = [r.id for r in runs]
    chosen = st.selectbox(label, ids, format_func=lambda i: _name(next(r for r in runs if r.id == i)))
    return next(r for r in runs if r.id == chosen)


def _profile(h: H.History, athlete: H.Athlete, runs: tuple[H.RunTime, ...]) -> None:
    st.header("Speed profile")
    split = tuple(r for r in runs if r.splits)
    if not split:
        words("<p>Times at distances within a run are needed: add a run with splits.</p>")
        return
    run = _choice("Run", split)
    try:
        made = run_profile(run)
    except LanesideError as error:
        words(f"<p>No speed profile: {escape(error.why)}; {escape(error.mend)}.</p>")
        return
    force = force_velocity(made, athlete.stature_m, athlete.mass_kg, run.wind_mps, run.temperature_c)
    words(f'<p class="lead">{escape(profile_sentence(made, units.chosen()))}</p>')
    st.plotly_chart(speed_chart(made, run, units.chosen()), config=CONFIG, width="stretch")
    words(
        f"<p>{escape(force_sentence(force, units.chosen()))}</p>"
        + (bullets(made.notes) if made.notes else "")
    )
    steps = filmed_steps(h, athlete, run, made.v_max.value, units.chosen())
    words("<h3>Step frequency and step length of that day's clips</h3>")
    if steps:
        words(bullets([s.sentence for s in steps]))
    else:
        words("<p>No clip of that day is kept.</p>")


def _compare(h: H.History, athlete: H.Athlete, runs: tuple[H.RunTime, ...]) -> None:
    st.header("Compare")
    distances = sorted({r.distance_m for r in runs})
    left, middle, right = st.columns(3)
    distance = left.selectbox("Distance, m", distances, format_func=lambda d: f"{d:g}")
    fit = [r for r in runs if r.distance_m == distance]
    names = [
        *dict.fromkeys(r.condition for r in reversed(fit) if r.condition),
        *dict.fromkeys(r.date[:10] for r in fit),
    ]
    if len(names) < 2:
        words("<p>One day of runs over this distance is kept; a second one is needed.</p>")
        return
    before = middle.selectbox("Times before", names, index=0)
    after = right.selectbox("Times after", names, index=1)
    try:
        made = times_compared(h, athlete, before, after, distance)
    except LanesideError as error:
        problem(f"{error.what}: {error.why}; {error.mend}.")
        return
    words(f'<p class="lead">{escape(made.sentence)}</p>' + (bullets(made.notes) if made.notes else ""))


def _delete(h: H.History, runs: tuple[H.RunTime, ...]) -> None:
    with st.popover("Delete a run"):
        run = _choice("Run to delete", runs)
        if st.button("Yes, delete this run"):
            H.delete_run_time(h, run.id or "")
            st.session_state["times_said"] = f"Deleted: {_name(run)}."
            st.rerun()


def _add(h: H.History, athlete: H.Athlete, open_: bool) -> None:
    with st.expander("Add a run", expanded=open_), st.form("add_run", border=False):
        a, b, c = st.columns(3)
        day = a.date_input("Day", date.today())
        distance = b.number_input("Distance, m", value=None, min_value=0.0, format="%.1f")
        time_s = c.number_input("Time, s", value=None, min_value=0.0, format="%.2f")
        a, b, c = st.columns(3)
        method: Any = a.selectbox(
            "How it was timed", list(METHOD_WORDS), format_func=lambda m: METHOD_WORDS[m]
        )
        wind = b.number_input(
            "Wind, m/s (tail wind positive)", value=None, format="%.1f", help="As a track's gauge gives it."
        )
        sign = "°F" if units.imperial() else "°C"
        low, high = (-58.0, 140.0) if units.imperial() else (-50.0, 60.0)
        warm = c.number_input(
            f"Temperature, {sign}", low, high, None, format="%.0f", key=f"temperature_{sign}"
        )
        splits = st.text_input("Splits: times from the start, as 10=1.95, 20=3.10", "")
        condition = st.text_input("Condition", "", max_chars=80)
        if st.form_submit_button("Add this run"):
            try:
                if distance is None or time_s is None:
                    raise OptionError("run", "distance or time is missing", "fill in both")
                run = H.RunTime(
                    id_of(athlete),
                    day.isoformat(),
                    distance,
                    time_s,
                    method,
                    splits_of(splits.replace(" ", "")),
                    wind,
                    celsius(warm) if warm is not None and units.imperial() else warm,
                    condition.strip(),
                )
                H.save_run_time(h, checked_run(run))
            except LanesideError as error:
                problem(f"Not added: {error.why}; {error.mend}.")
                return
            st.session_state["times_said"] = f"Kept: {_name(run)}."
            st.rerun()


def _import(h: H.History, athlete: H.Athlete) -> None:
    with st.expander("Read runs from a table (CSV)"):
        st.caption(
            "Columns: date, distance_m, time_s, method; then, if you like, split_10, split_20 ..., wind_mps, temperature_c, condition, notes."
        )
        file = st.file_uploader("Table of runs", type=["csv"], key="runs_import")
        if file is not None and st.button("Keep these runs"):
            try:
                runs = run_times_from_text(file.getvalue().decode("utf-8-sig"), id_of(athlete), file.name)
                new = keep_new(h, runs)
            except UnicodeDecodeError:
                problem(f"{file.name}: it is not UTF-8 text; save the table as CSV, UTF-8.")
                return
            except LanesideError as error:
                problem(f"{error.what}: {error.why}; {error.mend}.")
                return
            st.session_state["times_said"] = f"{new} runs kept, {len(runs) - new} were there already."
            st.rerun()
