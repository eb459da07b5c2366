"""Plots of the accuracy study as SVG, in the program's own look."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import matplotlib

matplotlib.use("svg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from benchmarks.accuracy.agreement import agreement, coverage
from benchmarks.accuracy.study import Study
from shared.catalogue import MEASURES
from ui.look import FAR, INK, LINE, NEAR, QUIET, TRUNK, WASH

COLOUR: Final = {"near": NEAR, "far": FAR, "body": TRUNK}
MARK: Final = {"near": "o", "far": "^", "body": "s"}
ANGLE_AIM: Final = {"trunk": 2.0, "thigh": 2.0, "knee": 3.0, "shank": 2.0, "elbow": 5.0, "foot": 4.0}
AGREEMENT_KEYS: Final = (
    "contact_time",
    "step_frequency",
    "speed",
    "trunk_lean",
    "thigh_angle_max",
    "knee_flexion_td",
    "shank_angle_td",
    "td_distance",
    "elbow_angle_mean",
)
FACTORS: Final = (
    ("speed_mps", "speed, m/s"),
    ("rate_hz", "frames per second"),
    ("abs_yaw", "degrees off a side view"),
    ("true_height_px", "height of the runner, px"),
    ("light", "light and noise, 0 good to 1 poor"),
)
FACTOR_KEYS: Final = ("thigh_angle_max", "knee_flexion_td", "contact_time", "td_distance")
STYLE: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": QUIET,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.hashsalt": "accuracy",
    "svg.fonttype": "none",
}
LEAST: Final = 8
"""Fewer cases than this are not drawn."""


def write_plots(
    s: Study, real: pd.DataFrame | None, real_events: pd.DataFrame | None, folder: Path
) -> list[Path]:
    """All plots; returns their paths."""
    with plt.rc_context(STYLE):
        made = {
            "accuracy-angles": _angles(s),
            "accuracy-agreement": _agreement(s),
            "accuracy-coverage": _coverage(s, real),
            "accuracy-factors": _factors(s),
            "accuracy-events": _events(s, real_events),
        }
    paths = []
    for name, figure in made.items():
        path = folder / f"{name}.svg"
        path.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(path, metadata={"Date": None}, bbox_inches="tight")
        plt.close(figure)
        paths.append(path)
    return paths


def _measured(s: Study) -> pd.DataFrame:
    return s.measures[s.measures["error"].notna()].merge(
        s.cases.assign(abs_yaw=s.cases.yaw_deg.abs()).drop(columns=["why", "view"]), on="case"
    )


def _angles(s: Study) -> Any:
    a = s.angles.merge(s.cases[["case", "view", "rate_hz"]], on="case")
    figure, ax = plt.subplots(figsize=(7.2, 3.4))
    names = list(ANGLE_AIM)
    for i, name in enumerate(names):
        for shift, place, good in ((-0.24, "near", True), (0.0, "near", False), (0.24, "far", None)):
            key = "trunk_body" if name == "trunk" else f"{name}_{place}"
            rows = a[a.angle == key]
            if good is not None:
                fine = (rows["view"] == "good") & (rows.rate_hz >= 120)
                rows = rows[fine if good else ~fine]
            elif name == "trunk":
                continue
            values = rows.mae.to_numpy()
            if not len(values):
                continue
            x = i + shift + np.linspace(-0.07, 0.07, len(values))
            colour = COLOUR[place] if good is not False else QUIET
            ax.plot(x, values, MARK[place], ms=3, mfc="none", mec=colour, mew=0.8)
            ax.plot([i + shift - 0.1, i + shift + 0.1], [np.mean(values)] * 2, color=colour, lw=2.5)
        ax.plot([i - 0.4, i + 0.4], [ANGLE_AIM[name]] * 2, color=INK, lw=1, ls=(0, (2, 2)))
    ax.set_xticks(range(len(names)), names)
    ax.set_ylim(0, min(20, ax.get_ylim()[1]))
    ax.set_ylabel("mean absolute error of all frames, deg")
    ax.set_title(
        "left: near side, good view, 120/s or more · middle (grey): near side, other clips · right: far side\n"
        "bar: mean over clips · dashed: aim",
        fontsize=8,
        color=QUIET,
        loc="left",
    )
    ax.grid(axis="y", color=LINE, lw=0.6)
    return figure


def _agreement(s: Study) -> Any:
    m = _measured(s)
    figure, axes = plt.subplots(3, 3, figsize=(8.6, 7.2))
    for ax, key in zip(axes.flat, AGREEMENT_KEYS):
        kind = MEASURES[key]
        factor, unit = (
            (1000.0, "ms") if kind.unit == "s" else (100.0, "cm") if kind.unit == "m" else (1.0, kind.unit)
        )
        for place in ("near", "body", "far"):
            rows = m[(m.key == key) & (m.side == place)]
            if not len(rows):
                continue
            ax.plot(
                factor * rows.true, factor * rows.error, MARK[place], ms=3.5, mfc="none", mec=COLOUR[place]
            )
            if place != "far" and len(rows) >= LEAST:
                a = agreement(rows.error.to_numpy(float) * factor)
                ax.axhline(a.bias, color=COLOUR[place], lw=1.4)
                for limit in (a.low, a.high):
                    ax.axhline(limit, color=COLOUR[place], lw=1, ls=(0, (4, 2)))
                    ax.axhspan(limit - a.limit_ci, limit + a.limit_ci, color=WASH, zorder=0)
        ax.axhline(0, color=LINE, lw=0.8, zorder=0)
        ax.set_title(kind.name, fontsize=9, loc="left")
        ax.set_xlabel(f"true, {unit}", fontsize=8)
        ax.set_ylabel(f"measured - true, {unit}", fontsize=8)
    figure.tight_layout()
    return figure


def _coverage(s: Study, real: pd.DataFrame | None) -> Any:
    m = _measured(s)
    keys = [k for k in MEASURES if (m.key == k).sum() >= LEAST]
    figure, ax = plt.subplots(figsize=(7.2, 0.21 * len(keys) + 1.2))
    ax.axvspan(90, 99, color=WASH, zorder=0)
    ax.axvline(95, color=LINE, lw=1, zorder=0)
    for i, key in enumerate(keys):
        for shift, place in ((-0.2, "near"), (-0.2, "body"), (0.08, "far")):
            rows = m[(m.key == key) & (m.side == place)]
            if len(rows) >= LEAST:
                _share(ax, i + shift, coverage(rows.inside_exact.astype(bool)), COLOUR[place], MARK[place])
        if real is not None:
            rows = real[(real.key == key) & real["error"].notna()]
            if len(rows) >= LEAST:
                _share(ax, i + 0.34, coverage(rows.inside.astype(bool)), QUIET, "x")
    ax.set_yticks(range(len(keys)), [MEASURES[k].name for k in keys], fontsize=7)
    ax.invert_yaxis()
    ax.set_xlim(50, 101)
    ax.set_xlabel("held-out 95 % intervals that hold the truth, % (bar: exact 95 % interval of that share)")
    ax.set_title(
        "● near or body · ▲ far · x people on a treadmill, technique alone",
        fontsize=8,
        color=QUIET,
        loc="left",
    )
    return figure


def _share(ax: Any, y: float, c: Any, colour: str, mark: str) -> None:
    ax.plot([100 * c.low, 100 * c.high], [y, y], color=colour, lw=0.8)
    ax.plot(100 * c.share, y, mark, ms=4, color=colour)


def _factors(s: Study) -> Any:
    m = _measured(s)
    figure, axes = plt.subplots(len(FACTOR_KEYS), len(FACTORS), figsize=(10.5, 7.6), sharey="row")
    for row, key in zip(axes, FACTOR_KEYS):
        kind = MEASURES[key]
        factor, unit = (
            (1000.0, "ms") if kind.unit == "s" else (100.0, "cm") if kind.unit == "m" else (1.0, kind.unit)
        )
        for ax, (name, words) in zip(row, FACTORS):
            for place in ("near", "far"):
                rows = m[(m.key == key) & (m.side == place)]
                ax.plot(
                    rows[name],
                    factor * rows.error.abs(),
                    MARK[place],
                    ms=3,
                    mfc="none",
                    mec=COLOUR[place],
                    mew=0.8,
                )
            if ax is row[0]:
                ax.set_ylabel(f"{kind.name}\nabsolute error, {unit}", fontsize=7)
            if key == FACTOR_KEYS[-1]:
                ax.set_xlabel(words, fontsize=7)
            ax.set_ylim(bottom=0)
            ax.tick_params(labelsize=7)
    figure.tight_layout()
    return figure


def _events(s: Study, real: pd.DataFrame | None) -> Any:
    figure, axes = plt.subplots(1, 2, figsize=(7.6, 3.2), sharey=True)
    for ax, (kind, words) in zip(axes, (("touchdown", "touchdown"), ("toe_off", "toe-off"))):
        rates = sorted(s.events.rate_hz.unique())
        for i, rate in enumerate(rates):
            for shift, place in ((-0.22, "near"), (0.0, "far")):
                rows = s.events[
                    (s.events.kind == kind) & (s.events.rate_hz == rate) & (s.events.side == place)
                ].error_ms.dropna()
                x = i + shift + np.linspace(-0.08, 0.08, max(len(rows), 1))[: len(rows)]
                ax.plot(x, rows, MARK[place], ms=2.5, mfc="none", mec=COLOUR[place], mew=0.7)
            if real is not None:
                rows = real[(real.kind == kind) & (real.rate_hz == rate)].error_ms.dropna()
                if len(rows):
                    low, middle, high = np.percentile(rows, [2.5, 50, 97.5])
                    ax.plot([i + 0.24] * 2, [low, high], color=QUIET, lw=2)
                    ax.plot(i + 0.24, middle, "x", color=QUIET, ms=5)
        ax.axhline(0, color=LINE, lw=0.8)
        ax.set_xticks(range(len(rates)), [f"{r:.0f}/s" for r in rates])
        ax.set_title(words, fontsize=9, loc="left")
        ax.set_ylim(-40, 40)
    axes[0].set_ylabel("seen - true, ms")
    figure.suptitle(
        "● near · ▲ far (rendered) · grey: 95 % of errors against force, people on a treadmill",
        fontsize=8,
        color=QUIET,
    )
    figure.tight_layout()
    return figure
