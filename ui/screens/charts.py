"""Plots that can be clicked: angles in time, curves over the gait cycle, values step by step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from shared.analysis import Analysis, Curve
from shared.catalogue import MEASURES
from shared.landmarks import Side, opposite
from technique.rulers import foot_marks, ruler
from ui import look, plots
from ui.in_units import ruler_of, value_text

CONFIG: Final[dict[str, Any]] = {"displaylogo": False, "displayModeBar": False, "scrollZoom": False}
HEIGHT_PX: Final = 330
BAND_OF: Final[dict[str, tuple[str, float, float]]] = {
    "trunk_lean": ("trunk", 0, 100),
    "thigh_angle_max": ("thigh", 55, 100),
    "thigh_angle_min": ("thigh", 25, 55),
    "knee_flexion_td": ("knee", 0, 4),
    "knee_flexion_stance_max": ("knee", 6, 30),
    "knee_flexion_swing_max": ("knee", 50, 90),
    "elbow_angle_mean": ("elbow", 0, 100),
}
"""Where on a curve the target of a measure is drawn: curve, and from and to % of the cycle."""


def _base(title: str, x: str, y: str) -> go.Figure:
    figure = go.Figure()
    figure.update_layout(
        title={"text": title, "x": 0, "font": {"size": 15}},
        height=HEIGHT_PX,
        margin={"l": 50, "r": 12, "t": 64, "b": 44},
        font={"family": "Source Sans, sans-serif", "color": look.INK, "size": 13},
        paper_bgcolor=look.PAPER,
        plot_bgcolor=look.PAPER,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        hovermode="closest",
        clickmode="event+select",
        dragmode=False,
        uirevision="keep",
    )
    figure.update_xaxes(title=x, gridcolor=look.LINE, zeroline=False, fixedrange=True)
    figure.update_yaxes(title=y, gridcolor=look.LINE, zerolinecolor=look.QUIET, fixedrange=True)
    return figure


def _axis_words(angle: str) -> str:
    up, down = plots.CURVE_AXIS[angle]
    return f"{down} · degrees · {up}"


def _styles(near: Side) -> list[tuple[Side, str, str, dict[str, Any]]]:
    """Far first, so that the near side lies above it."""
    far = opposite(near)
    return [
        (far, f"far ({far})", look.FAR, {"dash": "dash", "width": 2}),
        (near, f"near ({near})", look.NEAR, {"width": 2.6}),
    ]


def angle_in_time(analysis: Analysis, angle: str, now_s: float) -> go.Figure:
    """One joint's angle through the clip; each point stands for a frame and can be clicked."""
    figure = _base(plots.CURVE_TITLE[angle], "seconds", _axis_words(angle))
    if angle == "trunk":
        series = [("trunk_lean", "trunk", look.TRUNK, {"width": 2.6})]
    else:
        series = [
            (f"{angle}_{s}", name, colour, line) for s, name, colour, line in _styles(analysis.near_side)
        ]
    for key, name, colour, line in series:
        values = analysis.angles.get(key)
        if values is None or not np.isfinite(values).any():
            continue
        figure.add_trace(
            go.Scatter(
                x=analysis.time_s,
                y=values,
                customdata=analysis.frame,
                mode="lines+markers",
                name=name,
                line={"color": colour, **line},
                marker={"size": 5, "color": colour},
                hovertemplate="%{y:.0f}°, %{x:.3f} s, frame %{customdata}<extra>" + name + "</extra>",
                selected={"marker": {"opacity": 1}},
                unselected={"marker": {"opacity": 1}},
            )
        )
    _event_marks(figure, analysis)
    figure.add_vline(x=now_s, line={"color": look.INK, "width": 2})
    return figure


def _event_marks(figure: go.Figure, analysis: Analysis) -> None:
    """Touchdowns and toe-offs under the curve: the foot's letter, the arrow's direction."""
    values = [v for v in analysis.angles.values() if np.isfinite(v).any()]
    if not values:
        return
    for side, name, colour, _line in _styles(analysis.near_side):
        for kind, symbol, words in (
            ("touchdown", "triangle-down", "touchdown"),
            ("toe_off", "triangle-up-open", "toe-off"),
        ):
            events = [e for e in analysis.events if e.side == side and e.kind == kind]
            if events:
                figure.add_trace(
                    go.Scatter(
                        x=[e.time_s for e in events],
                        y=[0.0 if side == analysis.near_side else 0.06] * len(events),
                        yaxis="y2",
                        customdata=[e.frame for e in events],
                        mode="markers",
                        marker={"symbol": symbol, "size": 11, "color": colour},
                        name=f"{words}, {name}",
                        showlegend=False,
                        hovertemplate=f"{words}, {name}: " + "%{x:.3f} s<extra></extra>",
                        selected={"marker": {"opacity": 1}},
                        unselected={"marker": {"opacity": 1}},
                    )
                )
    figure.update_layout(
        yaxis2={"overlaying": "y", "range": [-0.04, 1], "visible": False, "fixedrange": True}
    )


def cycle_curve(analysis: Analysis, angle: str) -> go.Figure:
    """One joint over the gait cycle: mean, its 95 % band, single strides, targets."""
    figure = _base(
        plots.CURVE_TITLE[angle], "% of the gait cycle, touchdown to touchdown", _axis_words(angle)
    )
    figure.update_xaxes(range=[0, 100])
    _target_bands(figure, analysis, angle)
    percent = np.arange(101)
    found = [c for c in analysis.curves if c.key == angle and c.n > 0]
    for curve in sorted(found, key=lambda c: c.side == analysis.near_side):
        near = curve.side in (analysis.near_side, "both")
        colour = look.NEAR if near else look.FAR
        name = "whole body" if curve.side == "both" else f"{'near' if near else 'far'} ({curve.side})"
        _add_band(figure, percent, curve, colour)
        for stride in curve.strides:
            figure.add_trace(
                go.Scatter(
                    x=percent,
                    y=stride,
                    mode="lines",
                    line={"color": colour, "width": 0.8},
                    opacity=0.35,
                    showlegend=False,
                    hoverinfo="skip",
                )
            )
        figure.add_trace(
            go.Scatter(
                x=percent,
                y=curve.mean,
                mode="lines+markers",
                marker={"size": 4, "color": colour},
                line={"color": colour, "width": 2.6, "dash": "solid" if near else "dash"},
                name=f"{name}, n = {curve.n}",
                customdata=[curve.side] * 101,
                hovertemplate="%{y:.0f}° at %{x} %<extra>" + name + "</extra>",
                selected={"marker": {"opacity": 1}},
                unselected={"marker": {"opacity": 1}},
            )
        )
        duty = None if curve.side == "both" else analysis.measure("duty_factor", curve.side)
        if duty is not None and duty.value is not None:
            figure.add_vline(
                x=duty.value,
                line={"color": colour, "width": 1, "dash": "dot"},
                annotation_text="toe-off" if near else "",
                annotation_font_size=11,
                annotation_position="bottom right",
            )
    return figure


def _add_band(figure: go.Figure, percent: NDArray[np.int64], curve: Curve, colour: str) -> None:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    figure.add_trace(
        go.Scatter(
            x=np.concatenate([percent, percent[::-1]]),
            y=np.concatenate([curve.mean + curve.half_width, (curve.mean - curve.half_width)[::-1]]),
            fill="toself",
            fillcolor=f"rgba({red},{green},{blue},0.16)",
            line={"width": 0},
            mode="lines",
            showlegend=False,
            hoverinfo="skip",
        )
    )


def _target_bands(figure: go.Figure, analysis: Analysis, angle: str) -> None:
    """The targets that belong on this curve, framed and named."""
    drawn: set[str] = set()
    for score in analysis.scores:
        place = BAND_OF.get(score.key)
        if place is None or place[0] != angle or score.key in drawn:
            continue
        drawn.add(score.key)
        low, high = score.target
        values = [v for c in analysis.curves if c.key == angle for v in c.mean if np.isfinite(v)]
        bottom = low if low is not None else min([*values, high or 0.0]) - 5
        top = high if high is not None else max([*values, low or 0.0]) + 5
        figure.add_shape(
            type="rect",
            x0=place[1],
            x1=place[2],
            y0=bottom,
            y1=top,
            layer="below",
            fillcolor="rgba(75,122,43,.10)",
            line={"color": look.TARGET, "width": 1.5, "dash": "dot"},
        )
        figure.add_annotation(
            # On a phone there is room on one side only.
            x=place[1] if place[2] < 60 else place[2],
            y=top,
            xanchor="left" if place[2] < 60 else "right",
            yanchor="bottom",
            showarrow=False,
            text=f"target: {MEASURES[score.key].name.partition(' (')[0]}",
            font={"size": 11, "color": "#2F6417"},
        )


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else scale * value


def add_target_band(
    figure: go.Figure, target: tuple[float | None, float | None], reach: Sequence[float]
) -> None:
    """The target as a band over the whole plot; an open end runs beyond all that is drawn (`reach`)."""
    ends = [*reach, *(v for v in target if v is not None)]
    room = 0.08 * (max(ends) - min(ends)) or 1.0
    low = target[0] if target[0] is not None else min(ends) - room
    high = target[1] if target[1] is not None else max(ends) + room
    figure.update_yaxes(range=[min(ends) - room, max(ends) + room])
    figure.add_hrect(
        y0=low,
        y1=high,
        fillcolor="rgba(75,122,43,.10)",
        layer="below",
        line={"color": look.TARGET, "width": 1.5, "dash": "dot"},
        annotation_text="target",
        annotation_font_color="#2F6417",
        annotation_position="top left",
    )


def mark_in_feet(figure: go.Figure, low: float, high: float) -> None:
    """Mark an axis of inches in feet and inches, and leave room for the long words."""
    marks, words = foot_marks(low, high)
    figure.update_yaxes(tickvals=marks, ticktext=words, automargin=True, title_standoff=6)


def _ends(target: tuple[float | None, float | None] | None, reach: Sequence[float]) -> tuple[float, float]:
    ends = [*reach, *(v for v in target or () if v is not None)]
    return min(ends), max(ends)


def step_by_step(analysis: Analysis, key: str, feet: bool = False) -> go.Figure:
    """One measure, one point with its interval per step or stride, over its target.

    Parameters
    ----------
    analysis : Analysis
    key : str
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.
    """
    kind = MEASURES[key]
    made = ruler_of(key, feet) or ruler(key, kind.unit)
    scale = made.factor
    figure = _base(f"{kind.name[:1].upper()}{kind.name[1:]}, step by step", "seconds", made.words)
    target = next((s.target for s in analysis.scores if s.key == key), None)
    reach = [v for o in analysis.observations if o.key == key for v in (scale * o.low, scale * o.high)]
    if target is not None:
        target = (_scaled(target[0], scale), _scaled(target[1], scale))
        add_target_band(figure, target, reach)
    if made.long and reach:
        mark_in_feet(figure, *_ends(target, reach))
    sides: list[tuple[str, str, str, str]] = [
        (s, name, colour, "circle" if s == analysis.near_side else "square-open")
        for s, name, colour, _ in _styles(analysis.near_side)
    ]
    for side, name, colour, symbol in [*sides, ("both", "whole body", look.TRUNK, "diamond")]:
        found = [o for o in analysis.observations if o.key == key and o.side == side]
        if found:
            figure.add_trace(
                go.Scatter(
                    x=[o.time_s for o in found],
                    y=[scale * o.value for o in found],
                    error_y={
                        "type": "data",
                        "symmetric": False,
                        "thickness": 1.4,
                        "width": 4,
                        "array": [scale * (o.high - o.value) for o in found],
                        "arrayminus": [scale * (o.value - o.low) for o in found],
                    },
                    customdata=[o.frame for o in found],
                    text=[value_text(o.value, key, kind.unit, feet) for o in found],
                    mode="markers",
                    name=name,
                    marker={"symbol": symbol, "size": 10, "color": colour},
                    hovertemplate="%{text}, frame %{customdata}<extra>" + name + "</extra>",
                    selected={"marker": {"opacity": 1}},
                    unselected={"marker": {"opacity": 1}},
                )
            )
    return figure
