"""A measure across weeks."""

from __future__ import annotations

from html import escape

import streamlit as st

from shared import history as H
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from technique.comparison import measure_name
from ui.history_find import id_of
from ui.history_views import TREND_KEYS, TrendView, measured_sides, trend_view
from ui.history_words import capital
from ui.screens import units
from ui.screens.charts import CONFIG
from ui.screens.history_charts import trend_chart
from ui.screens.kept import athlete_choice, bullets, filmed, screen_head, table
from ui.screens.style import words


def trend_screen() -> None:
    """Show one measure of an athlete over time."""
    screen_head("Trend")
    with H.open_history() as h:
        athlete = athlete_choice(h)
        if athlete is None or not filmed(h, athlete):
            return
        key, side, condition = _choice(h, athlete)
        if side is None:
            words("<p>This measure has no value in any session.</p>")
            return
        view = trend_view(h, athlete, key, side, condition, units=units.chosen())
        notes = {s.id or "": s.notes for s in H.sessions(h, id_of(athlete))}
    words(f'<p class="lead">{escape(capital(view.trend.sentence))}</p>')
    st.plotly_chart(trend_chart(view, notes), config=CONFIG, width="stretch")
    words(
        f'<p class="small quiet">{escape(capital(MEASURES[key.removeprefix(SYMMETRY_PREFIX)].plain))}'
        + (f". Target of the profile {escape(view.target_from)}." if view.target else "")
        + "</p>"
    )
    if view.trend.notes:
        words(bullets(view.trend.notes))
    words(_table(view, notes))


def _choice(h: H.History, athlete: H.Athlete) -> tuple[str, SideOrBoth | None, str | None]:
    keys = [*TREND_KEYS, *(k for k, kind in MEASURES.items() if k not in TREND_KEYS and kind.unit != "class")]
    keys += [
        SYMMETRY_PREFIX + k for k, kind in MEASURES.items() if kind.sided == "side" and kind.unit != "class"
    ]
    left, middle, right = st.columns([2, 1, 1])
    key = left.selectbox("Measure", keys, format_func=lambda k: capital(measure_name(k, "both")))
    sides = measured_sides(h, athlete, key)
    side = (
        middle.selectbox("Side", sides, format_func=lambda s: "whole body" if s == "both" else s)
        if sides
        else None
    )
    labels = sorted({s.condition for s in H.sessions(h, id_of(athlete)) if s.condition})
    every = "all conditions"
    said = right.selectbox("Condition", [every, *labels])
    return key, side, None if said == every else said


def _table(view: TrendView, notes: dict[str, str]) -> str:
    shown = view.shown
    rows = "".join(
        f"<tr><td class='num'>{escape(p.date)}</td>"
        f"<td class='num'><span class='value'>{escape(shown.value(p.value))}</span></td>"
        f"<td class='num'>{escape('' if p.low is None or p.high is None else shown.between(p.low, p.high))}</td>"
        f"<td>{escape(p.label)}</td>"
        f"<td class='small'>{'▲ far off the line ' if odd else ''}{escape(notes.get(p.session or '', ''))}</td></tr>"
        for p, odd in zip(view.trend.points, view.trend.outliers)
    )
    return table(("Day", "Value", "95 % interval", "Condition", "Notes"), rows)
