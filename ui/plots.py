"""Plots as SVG text: gait-cycle curves, and the strip that sets a value against its target."""

from __future__ import annotations

import io
import math
from typing import Any, Final
from xml.sax.saxutils import escape

import numpy as np

from shared.analysis import Analysis, Curve, Measure
from shared.catalogue import ANGLES, CURVES
from ui import look
from ui.in_units import strip_words

CURVE_TITLE: Final[dict[str, str]] = {
    "trunk": "Trunk lean",
    "thigh": "Thigh",
    "hip": "Hip",
    "knee": "Knee",
    "ankle": "Ankle",
    "elbow": "Elbow",
    "upper_arm": "Upper arm",
}
CURVE_AXIS: Final[dict[str, tuple[str, str]]] = {
    "trunk": ("forward", "back"),
    "thigh": ("forward", "back"),
    "hip": ("flexed", "extended"),
    "knee": ("flexed", "straight"),
    "ankle": ("toes up", "toes down"),
    "elbow": ("straight", "bent"),
    "upper_arm": ("forward", "back"),
}


def cycle_curves(analysis: Analysis) -> str:
    """All measurable curves over the gait cycle, as one SVG.

    The band is the mean with its 95 % interval; thin lines are single strides; the upright line
    is the mean toe-off of that side.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    shown = [key for key in CURVES if any(c.key == key and c.n > 0 for c in analysis.curves)]
    if not shown:
        return ""
    columns = 2
    rows = math.ceil(len(shown) / columns)
    # `svg.hashsalt` and no date: the same analysis gives the same file. Text stays text.
    with rc_context(
        {"svg.hashsalt": "laneside", "svg.fonttype": "none", "font.family": "DejaVu Sans", "font.size": 9}
    ):
        figure = Figure(figsize=(7.6, 2.15 * rows), layout="constrained")
        axes = figure.subplots(rows, columns, squeeze=False)
        for place, key in enumerate(shown):
            _curve_panel(axes[place // columns][place % columns], key, analysis)
        for place in range(len(shown), rows * columns):
            axes[place // columns][place % columns].set_visible(False)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def _curve_panel(ax: Any, key: str, analysis: Analysis) -> None:
    percent = np.arange(101)
    near = analysis.near_side
    for curve in _ordered(analysis, key):
        is_near = curve.side in (near, "both")
        colour = look.NEAR if is_near else look.FAR
        name = "both sides" if curve.side == "both" else f"{'near' if is_near else 'far'} ({curve.side})"
        ax.fill_between(
            percent,
            curve.mean - curve.half_width,
            curve.mean + curve.half_width,
            color=colour,
            alpha=0.16,
            lw=0,
        )
        for stride in curve.strides:
            ax.plot(percent, stride, color=colour, alpha=0.25, lw=0.6)
        ax.plot(
            percent,
            curve.mean,
            color=colour,
            lw=1.8,
            ls="-" if is_near else (0, (4, 2)),
            label=f"{name}, n = {curve.n}",
        )
        duty = analysis.measure("duty_factor", curve.side) if curve.side != "both" else None
        if duty is not None and duty.value is not None:
            ax.axvline(duty.value, color=colour, lw=0.8, ls=":")
    up, down = CURVE_AXIS[key]
    ax.set_title(CURVE_TITLE[key], loc="left", fontsize=10, fontweight="bold")
    ax.set_ylabel(f"{down}  ·  ° ·  {up}", fontsize=8)
    ax.set_xlabel("% of the gait cycle, touchdown to touchdown", fontsize=8)
    ax.set_xlim(0, 100)
    ax.grid(True, color=look.LINE, lw=0.6)
    ax.set_axisbelow(True)
    for edge in ("top", "right"):
        ax.spines[edge].set_visible(False)
    ax.legend(fontsize=7, frameon=False, loc="best")


def _ordered(analysis: Analysis, key: str) -> list[Curve]:
    """Far side first, so that the near side is drawn over it."""
    found = [c for c in analysis.curves if c.key == key and c.n > 0]
    return sorted(found, key=lambda c: c.side == analysis.near_side)


def curve_caption(key: str) -> str:
    """The definition of a curve's angle, in words."""
    return ANGLES[key]


def target_strip(
    measure: Measure, target: tuple[float | None, float | None], width: int = 220, feet: bool = False
) -> str:
    """A value with its 95 % interval over its target band, as a small inline SVG.

    The band is hatched as well as tinted and the value is a diamond, so that nothing rests on
    colour. An open target (no lower or no upper edge) runs to the end of the strip.
    """
    if measure.value is None or measure.low is None or measure.high is None:
        return ""
    edges = [
        v for v in (*target, measure.low, measure.high, measure.value) if v is not None and math.isfinite(v)
    ]
    low, high = min(edges), max(edges)
    room = 0.18 * (high - low) or max(1e-6, 0.1 * abs(high) or 1.0)
    low, high = low - room, high + room

    def x(v: float) -> float:
        return round(6 + (v - low) / (high - low) * (width - 12), 1)

    left = 6.0 if target[0] is None else x(target[0])
    right = width - 6.0 if target[1] is None else x(target[1])
    ident = f"band-{measure.key}-{measure.side}"
    middle = 13
    words = strip_words(measure, feet)
    parts = [
        f'<svg class="strip" role="img" viewBox="0 0 {width} 26" width="{width}" height="26"><title>{escape(words)}</title>',
        f'<defs><pattern id="{ident}" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<line x1="0" y1="0" x2="0" y2="5" stroke="{look.TARGET}" stroke-width="1.4" stroke-opacity=".55"/></pattern></defs>',
        f'<line x1="6" y1="{middle}" x2="{width - 6}" y2="{middle}" stroke="{look.LINE}" stroke-width="2"/>',
        f'<rect x="{left}" y="4" width="{max(0.0, right - left):.1f}" height="18" fill="url(#{ident})" '
        f'stroke="{look.TARGET}" stroke-width="1"/>',
        f'<line x1="{x(measure.low)}" y1="{middle}" x2="{x(measure.high)}" y2="{middle}" stroke="{look.INK}" stroke-width="2.4"/>',
    ]
    for end in (measure.low, measure.high):
        parts.append(
            f'<line x1="{x(end)}" y1="8" x2="{x(end)}" y2="18" stroke="{look.INK}" stroke-width="2"/>'
        )
    v = x(measure.value)
    parts.append(
        f'<path d="M{v - 5} {middle} L{v} {middle - 6} L{v + 5} {middle} L{v} {middle + 6}Z" fill="{look.INK}"/></svg>'
    )
    return "".join(parts)
