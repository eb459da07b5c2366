"""Plots of weeks and sprints that can be pointed at."""

from __future__ import annotations

from datetime import date

import numpy as np
import plotly.graph_objects as go

from shared.history import RunTime
from shared.units import Units
from technique.rulers import speed_ruler
from technique.speed_profile import SpeedProfile, distance_at, run_splits, speed_at
from technique.trend import TrendPoint
from ui import look
from ui.history_plots import ends
from ui.history_views import TrendView
from ui.screens.charts import _base, add_target_band, mark_in_feet

FILL = "rgba(10,95,115,0.16)"


def trend_chart(view: TrendView, notes: dict[str, str]) -> go.Figure:
    """Sessions with error bars, the fitted line with its interval, the target band, and notes.

    Parameters
    ----------
    view : TrendView
    notes : dict
        Words of a session by its id, shown when it is pointed at.
    """
    made = view.trend
    shown, by = view.shown, view.shown.factor
    figure = _base("", "", shown.words)
    days = [date.fromisoformat(p.date[:10]) for p in made.points]
    values = [p.value * by for p in made.points]
    bars = [tuple(by * end for end in ends(p.value, p.low, p.high, p.half_width)) for p in made.points]
    if len(made.line):
        figure.add_trace(
            go.Scatter(
                x=[*days, *days[::-1]],
                y=[*(by * made.line_high), *(by * made.line_low[::-1])],
                fill="toself",
                fillcolor=FILL,
                line={"width": 0},
                mode="lines",
                name="95 % interval of the line",
                hoverinfo="skip",
            )
        )
        figure.add_trace(
            go.Scatter(
                x=days,
                y=by * made.line,
                mode="lines",
                name="fitted line",
                line={"color": look.NEAR, "width": 2.4},
                hoverinfo="skip",
            )
        )
    for odd, name, symbol, colour in (
        (False, "sessions", "circle", look.INK),
        (True, "far off the line, counted all the same", "square-open", look.FAR),
    ):
        rows = [i for i, o in enumerate(made.outliers) if o == odd]
        if rows:
            figure.add_trace(
                go.Scatter(
                    x=[days[i] for i in rows],
                    y=[values[i] for i in rows],
                    error_y={
                        "type": "data",
                        "symmetric": False,
                        "thickness": 1.4,
                        "width": 4,
                        "array": [bars[i][1] - values[i] for i in rows],
                        "arrayminus": [values[i] - bars[i][0] for i in rows],
                    },
                    customdata=[
                        [shown.value(made.points[i].value), _label(made.points[i], notes)] for i in rows
                    ],
                    mode="markers",
                    name=name,
                    marker={"symbol": symbol, "size": 10, "color": colour},
                    hovertemplate="%{customdata[0]}, %{x|%d %b %Y}<br>%{customdata[1]}<extra></extra>",
                )
            )
    if view.target is not None:
        target = (
            None if view.target[0] is None else by * view.target[0],
            None if view.target[1] is None else by * view.target[1],
        )
        add_target_band(figure, target, [v for bar in bars for v in bar])
    if shown.long:
        mark_in_feet(figure, *_reach(view))
    figure.update_layout(
        height=430,
        margin={"l": 50, "r": 12, "t": 16, "b": 44},
        legend={"y": -0.16, "yanchor": "top", "x": 0},
    )
    return figure


def _reach(view: TrendView) -> tuple[float, float]:
    """Least and largest that is drawn."""
    made, by = view.trend, view.shown.factor
    drawn = [v for p in made.points for v in ends(p.value, p.low, p.high, p.half_width)]
    drawn += [*made.line_low, *made.line_high, *(v for v in view.target or () if v is not None)]
    return by * min(drawn), by * max(drawn)


def _label(point: TrendPoint, notes: dict[str, str]) -> str:
    return " · ".join(x for x in (point.label, notes.get(point.session or "", "")) if x)


def speed_chart(profile: SpeedProfile, run: RunTime, units: Units = "metric") -> go.Figure:
    """Speed over distance: the fitted curve, and the mean speed of each section; distances stay metres."""
    shown = speed_ruler(units)
    by = shown.factor
    figure = _base(f"Speed profile, {run.distance_m:g} m on {run.date[:10]}", "metres", shown.words)
    v, tau = profile.v_max.value, profile.tau.value
    delay = profile.offset.value if profile.offset is not None else 0.0
    t = np.linspace(0.0, max(profile.used[-1].time_s - delay, 0.1), 160)
    figure.add_hrect(
        y0=by * profile.v_max.low,
        y1=by * profile.v_max.high,
        fillcolor=FILL,
        line_width=0,
        layer="below",
        annotation_text="top speed, 95 % interval",
        annotation_position="top left",
    )
    figure.add_trace(
        go.Scatter(
            x=distance_at(t, v, tau),
            y=by * speed_at(t, v, tau),
            mode="lines",
            name="fitted profile",
            line={"color": look.NEAR, "width": 2.6},
            hovertemplate=f"%{{y:.2f}} {shown.unit} at %{{x:.0f}} m<extra></extra>",
        )
    )
    left = {s.distance_m for s in profile.left_out}
    for out, name, dash, colour in (
        (False, "mean speed of a section", "solid", look.INK),
        (True, "section left out of the fit", "dot", look.FAR),
    ):
        xs: list[float | None] = []
        ys: list[float | None] = []
        start = (0.0, 0.0)
        for s in run_splits(run):
            if (s.distance_m in left) == out:
                mean = by * (s.distance_m - start[0]) / (s.time_s - start[1])
                xs += [start[0], s.distance_m, None]
                ys += [mean, mean, None]
            start = (s.distance_m, s.time_s)
        if xs:
            figure.add_trace(
                go.Scatter(
                    x=xs,
                    y=ys,
                    mode="lines",
                    name=name,
                    line={"color": colour, "width": 3, "dash": dash},
                    hovertemplate=f"%{{y:.2f}} {shown.unit}<extra></extra>",
                )
            )
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(
        height=400,
        margin={"l": 50, "r": 12, "t": 40, "b": 44},
        legend={"y": -0.24, "yanchor": "top", "x": 0},
    )
    return figure
