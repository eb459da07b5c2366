"""Plots of two takes, of weeks and of a sprint, as SVG text."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from shared.history_values import RunTime
from shared.units import Units
from technique.curve_comparison import CurveComparison
from technique.rulers import Ruler, foot_marks, speed_ruler
from technique.speed_profile import SpeedProfile, distance_at, run_splits, speed_at
from technique.trend import Trend
from ui import look
from ui.history_words import AFTER, BEFORE, PART
from ui.plots import CURVE_AXIS, CURVE_TITLE

SHOWN_AT_MOST = 10


@contextmanager
def _style() -> Iterator[None]:
    """The same plot gives the same file; text stays text."""
    from matplotlib import rc_context

    with rc_context(
        {
            "svg.hashsalt": "laneside",
            "svg.fonttype": "none",
            "font.family": "DejaVu Sans",
            "font.size": 9,
            "hatch.linewidth": 0.6,
        }
    ):
        yield


def _svg(figure: Any) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def _plain_axes(ax: Any) -> None:
    ax.grid(True, color=look.LINE, lw=0.6)
    ax.set_axisbelow(True)
    for edge in ("top", "right"):
        ax.spines[edge].set_visible(False)


def curves_shown(curves: Sequence[CurveComparison], near_sides: Sequence[str]) -> list[CurveComparison]:
    """The curves worth a panel: sides that were near the camera, in the order given."""
    return [c for c in curves if c.side in ("both", *near_sides)][:SHOWN_AT_MOST]


def curve_panels(curves: Sequence[CurveComparison]) -> tuple[str, ...]:
    """Two ensembles each, mean and one SD, and the parts of the cycle that differ; a drawing per curve.

    A part that is more than the repeat error is hatched and framed; one that is not is only framed.
    """
    from matplotlib.figure import Figure

    out = []
    with _style():
        for c in curves:
            figure = Figure(figsize=(4.2, 2.5), layout="constrained")
            ax: Any = figure.subplots()
            _pair_panel(ax, c)
            ax.legend(fontsize=7, frameon=False, loc="best")
            out.append(_svg(figure))
    return tuple(out)


def _pair_panel(ax: Any, c: CurveComparison) -> None:
    for part in c.parts:
        ax.axvspan(
            part.start,
            part.end,
            facecolor="none",
            edgecolor=PART,
            hatch="////" if part.beyond_repeat else None,
            alpha=0.55,
            lw=1.2,
            zorder=0,
        )
    for mean, sd, colour, dash, name in (
        (c.before_mean, c.before_sd, BEFORE, (0, (4, 2)), "before"),
        (c.after_mean, c.after_sd, AFTER, "-", "after"),
    ):
        ax.fill_between(c.percent, mean - sd, mean + sd, color=colour, alpha=0.18, lw=0)
        ax.plot(c.percent, mean, color=colour, lw=1.8, ls=dash, label=f"{name} (mean ± 1 SD)")
    up, down = CURVE_AXIS[c.key]
    side = "" if c.side == "both" else f", {c.side}"
    ax.set_title(
        f"{CURVE_TITLE[c.key]}{side} ({c.before_n} and {c.after_n} strides)",
        loc="left",
        fontsize=9,
        fontweight="bold",
    )
    ax.set_ylabel(f"{down}  ·  ° ·  {up}", fontsize=8)
    ax.set_xlabel("% of the gait cycle, touchdown to touchdown", fontsize=8)
    ax.set_xlim(0, 100)
    _plain_axes(ax)


def change_strip(
    difference: float, low: float, high: float, detectable: float, ident: str, words: str
) -> str:
    """A difference with its interval about nought, over what error alone can bring (hatched).

    `words` say the same to who does not see it.
    """
    width, middle = 180, 13
    reach = 1.15 * max(abs(low), abs(high), detectable, 1e-9)

    def x(v: float) -> float:
        return round(width / 2 + v / reach * (width / 2 - 6), 1)

    d = x(difference)
    parts = [
        f'<svg class="strip" role="img" viewBox="0 0 {width} 26" width="{width}" height="26"><title>{escape(words)}</title>',
        f'<defs><pattern id="{ident}" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<line x1="0" y1="0" x2="0" y2="5" stroke="{look.QUIET}" stroke-width="1.2" stroke-opacity=".5"/></pattern></defs>',
        f'<rect x="{x(-detectable)}" y="4" width="{x(detectable) - x(-detectable):.1f}" height="18" fill="url(#{ident})" '
        f'stroke="{look.QUIET}" stroke-width="1"/>',
        f'<line x1="{width / 2}" y1="2" x2="{width / 2}" y2="24" stroke="{look.INK}" stroke-width="1"/>',
        f'<line x1="{x(low)}" y1="{middle}" x2="{x(high)}" y2="{middle}" stroke="{look.INK}" stroke-width="2.4"/>',
        f'<path d="M{d - 5} {middle} L{d} {middle - 6} L{d + 5} {middle} L{d} {middle + 6}Z" fill="{look.INK}"/></svg>',
    ]
    return "".join(parts)


def trend_plot(
    made: Trend, title: str, axis: str, target: tuple[float | None, float | None] | None, shown: Ruler
) -> str:
    """Sessions with error bars, the fitted line with its interval, and the target band, as `shown` has it."""
    from matplotlib.figure import Figure

    if not made.points:
        return ""
    days = [date.fromisoformat(p.date[:10]) for p in made.points]
    with _style():
        figure = Figure(figsize=(7.6, 3.6), layout="constrained")
        ax: Any = figure.subplots()
        by = shown.factor
        values = [p.value * by for p in made.points]
        bars = [ends(p.value, p.low, p.high, p.half_width) for p in made.points]
        lows, highs = ([bar[i] * by for bar in bars] for i in (0, 1))
        wanted = None if target is None else tuple(None if v is None else v * by for v in target)
        room = 0.08 * (max(highs) - min(lows) or 1.0)
        bottom, top = min(lows) - room, max(highs) + room
        if wanted is not None:
            known = [v for v in wanted if v is not None]
            bottom, top = min([bottom, *[v - room for v in known]]), max([top, *[v + room for v in known]])
            ax.axhspan(
                bottom if wanted[0] is None else wanted[0],
                top if wanted[1] is None else wanted[1],
                facecolor="none",
                edgecolor=look.TARGET,
                hatch="////",
                alpha=0.35,
                label="target",
            )
        if len(made.line):
            ax.fill_between(
                days,
                made.line_low * by,
                made.line_high * by,
                color=AFTER,
                alpha=0.16,
                lw=0,
                label="95 % interval of the line",
            )
            ax.plot(days, made.line * by, color=AFTER, lw=1.6, label="fitted line")
        for value, day, low, high, odd in zip(values, days, lows, highs, made.outliers):
            ax.errorbar(
                [day],
                [value],
                yerr=[[value - low], [high - value]],
                fmt="s" if odd else "o",
                color=look.FAR if odd else look.INK,
                mfc="white" if odd else look.INK,
                ms=6,
                capsize=3,
                lw=1.3,
            )
        labels = sorted({p.label for p in made.points if p.label})
        if len(labels) > 1:
            for point, day, high in zip(made.points, days, highs):
                ax.annotate(
                    point.label[:18],
                    (day, high),
                    xytext=(0, 4),
                    textcoords="offset points",
                    ha="center",
                    fontsize=6.5,
                    color=look.QUIET,
                )
        ax.set_ylim(bottom, top + 0.06 * (top - bottom))
        if shown.long:
            ax.set_yticks(*foot_marks(bottom, top))
        ax.set_title(title, loc="left", fontsize=10, fontweight="bold")
        ax.set_ylabel(axis, fontsize=8)
        ax.tick_params(axis="x", labelrotation=0, labelsize=7.5)
        _plain_axes(ax)
        if len(made.line) or target is not None:
            ax.legend(fontsize=7, frameon=False, loc="upper left", bbox_to_anchor=(0, -0.1), ncols=3)
        return _svg(figure)


def ends(value: float, low: float | None, high: float | None, half: float) -> tuple[float, float]:
    """The ends of an error bar."""
    return (value - half if low is None else low, value + half if high is None else high)


def profile_plot(profile: SpeedProfile, run: RunTime, units: Units = "metric") -> str:
    """Speed over distance: the fitted curve and the mean speed of each section; distances stay metres."""
    from matplotlib.figure import Figure

    splits = run_splits(run)
    last = max(s.time_s for s in profile.used)
    delay = profile.offset.value if profile.offset is not None else 0.0
    t = np.linspace(0.0, max(last - delay, 0.1), 200)
    v, tau = profile.v_max.value, profile.tau.value
    shown = speed_ruler(units)
    with _style():
        figure = Figure(figsize=(7.6, 3.4), layout="constrained")
        ax: Any = figure.subplots()
        ax.plot(
            distance_at(t, v, tau),
            speed_at(t, v, tau) * shown.factor,
            color=AFTER,
            lw=1.8,
            label="fitted speed profile",
        )
        ax.axhspan(
            profile.v_max.low * shown.factor,
            profile.v_max.high * shown.factor,
            color=AFTER,
            alpha=0.14,
            lw=0,
            label="top speed, 95 % interval",
        )
        left = {s.distance_m for s in profile.left_out}
        start = (0.0, 0.0)
        told: set[bool] = set()
        for s in splits:
            mean = (s.distance_m - start[0]) / (s.time_s - start[1])
            out = s.distance_m in left
            ax.hlines(
                mean * shown.factor,
                start[0],
                s.distance_m,
                color=look.FAR if out else look.INK,
                ls=":" if out else "-",
                lw=2,
                label=None
                if out in told
                else ("section left out of the fit" if out else "mean speed of a section"),
            )
            told.add(out)
            start = (s.distance_m, s.time_s)
        ax.set_xlim(0, splits[-1].distance_m)
        ax.set_ylim(0, None)
        ax.set_xlabel("distance, m", fontsize=8)
        ax.set_ylabel(f"speed, {shown.words}", fontsize=8)
        ax.set_title(
            f"Speed profile, {run.distance_m:g} m on {run.date[:10]}",
            loc="left",
            fontsize=10,
            fontweight="bold",
        )
        _plain_axes(ax)
        ax.legend(fontsize=7, frameon=False, loc="lower right")
        return _svg(figure)
