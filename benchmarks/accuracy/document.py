"""The page docs/accuracy.md, written from the study."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from benchmarks.accuracy.agreement import agreement, coverage, verdict
from benchmarks.accuracy.aims import Aim
from benchmarks.accuracy.study import Study
from shared.catalogue import MEASURES

PLACES: Final = ("body", "near", "far")
LEAST: Final = 5
JUDGED: Final = 15
"""Cases from which a coverage is judged."""
MAIN: Final = (
    "contact_time",
    "flight_time",
    "step_length",
    "speed",
    "trunk_lean",
    "thigh_angle_max",
    "thigh_angle_min",
    "knee_flexion_td",
    "knee_flexion_swing_max",
    "shank_angle_td",
    "foot_angle_td",
    "td_distance",
    "arm_swing_range",
    "elbow_angle_mean",
)
ELBOWS: Final = {
    "elbow": "elbow as seen, against what a perfect point would show",
    "elbow_space": "elbow as seen, against the angle in space",
    "elbow_told": "elbow as told, against the angle in space",
    "elbow_plane": "elbow of perfect points from the side, against the angle in space",
}
CLASSES: Final = (
    ("speed_mps", (0, 5, 7, 99), ("< 5 m/s", "5-7 m/s", "> 7 m/s")),
    ("rate_hz", (0, 61, 121, 999), ("60/s", "120/s", "240/s")),
    ("abs_yaw", (-1, 5, 15, 99), ("≤ 5° off", "5-15° off", "> 15° off")),
    ("camera", None, ("still", "panning", "treadmill")),
    ("abs_roll", (-1, 0.5, 99), ("level", "rolled")),
    ("true_height_px", (0, 200, 300, 9999), ("< 200 px", "200-300 px", "> 300 px")),
    ("light", (0, 0.5, 1.01), ("good light", "poor light")),
)


def scaled(key: str) -> tuple[float, str, int]:
    """Factor, unit and digits to show a measure in."""
    unit = MEASURES[key].unit
    if unit == "s":
        return 1000.0, "ms", 0
    if unit == "m":
        return 100.0, "cm", 1
    if unit in ("m/s", "N·m/kg", "body weights"):
        return 1.0, unit, 2
    return 1.0, {"deg": "°", "class": "°"}.get(unit, unit), 0 if unit == "deg/s" else 1


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(r) + " |" for r in rows])


def measured(s: Study) -> pd.DataFrame:
    """Measured rows with the factors of their case."""
    cases = s.cases.assign(abs_yaw=s.cases.yaw_deg.abs(), abs_roll=s.cases.roll_deg.abs())
    return s.measures[s.measures["error"].notna()].merge(cases.drop(columns=["why", "view"]), on="case")


def aims_table(found: Sequence[Aim]) -> str:
    """The aims, met or not."""
    said = {True: "met", False: "**not met**", None: "–"}
    return table(
        ("aim", "limit", "reached", "", "over"),
        [(a.words, a.limit, a.reached, said[a.met], a.n) for a in found],
    )


def measures_table(s: Study) -> str:
    """One line per measure and side."""
    m, rows = measured(s), []
    for key in MEASURES:
        for place in PLACES:
            every = s.measures[(s.measures.key == key) & (s.measures.side == place)]
            own = m[(m.key == key) & (m.side == place)]
            if len(own) < LEAST:
                if len(every) >= LEAST:
                    why = f"refused or absent in {len(every) - len(own)} of {len(every)}"
                    rows.append((f"`{key}`", place, str(len(own)), "", "", "", "", "", why, ""))
                continue
            f, unit, d = scaled(key)
            a = agreement(f * own.error.to_numpy(float))
            # Where the value as read was refused there is nothing to hold the corrected one against.
            both = own[own.raw_error.notna()]
            read, told = (f * float(both[c].abs().mean()) for c in ("raw_error", "error"))
            c = coverage(own.inside_exact.astype(bool))
            whole = coverage(own.inside.astype(bool))
            judged = verdict(c) if c.n >= JUDGED else "few"
            rows.append(
                (
                    f"`{key}`",
                    place,
                    f"{len(own)} of {len(every)}",
                    f"{a.bias:+.{d}f} {unit}",
                    f"{a.mae:.{d}f}" + (f" (as read {read:.{d}f})" if abs(read - told) > 0.05 * read else ""),
                    f"{a.sd:.{d}f}",
                    f"{a.low:+.{d}f} to {a.high:+.{d}f} (± {a.limit_ci:.{d}f})",
                    f"± {f * own.half.median():.{d}f}",
                    f"{c.held}/{c.n} = {100 * c.share:.0f} % ({100 * c.low:.0f}-{100 * c.high:.0f}) {judged}",
                    f"{100 * whole.share:.0f} %",
                )
            )
    return table(
        (
            "measure", "side", "n", "bias", "MAE", "SD", "95 % limits of agreement (± 95 % of each)",
            "claimed, median", "held-out coverage", "the whole interval",
        ),
        rows,
    )  # fmt: skip


def angles_table(s: Study) -> str:
    """Per-frame errors of the joint angles."""
    a = s.angles.merge(s.cases[["case", "view", "rate_hz"]], on="case")
    good = (a["view"] == "good") & (a.rate_hz >= 120)
    rows = []
    for name in (
        "trunk",
        "thigh",
        "hip",
        "knee",
        "shank",
        "ankle",
        "foot",
        "upper_arm",
        "elbow",
        "elbow_space",
        "elbow_told",
        "elbow_plane",
    ):
        cells = [ELBOWS.get(name, name.replace("_", " "))]
        for place, which in (("near", good), ("near", ~good), ("far", good), ("far", ~good)):
            if name == "trunk" and place == "far":
                cells.append("")
                continue
            own = a[(a.angle == ("trunk_body" if name == "trunk" else f"{name}_{place}")) & which]
            cells.append(f"{own.mae.mean():.1f} ({own.bias.mean():+.1f}), {len(own)}" if len(own) else "–")
        rows.append(cells)
    return table(
        (
            "angle, °",
            "near, good view, ≥ 120/s",
            "near, other clips",
            "far, good view, ≥ 120/s",
            "far, other",
        ),
        rows,
    )


def events_table(s: Study, real: pd.DataFrame | None) -> str:
    """Event errors by frame rate."""
    rows = []
    for kind, words in (("touchdown", "touchdown"), ("toe_off", "toe-off")):
        for rate in sorted(s.events.rate_hz.unique()):
            for place in ("near", "far"):
                own = s.events[
                    (s.events.kind == kind) & (s.events.rate_hz == rate) & (s.events.side == place)
                ]
                rows.append(_event_cells(f"rendered, {place}", words, rate, own))
        if real is None:
            continue
        for (rate, noise), own in real[real.kind == kind].groupby(["rate_hz", "noise"]):
            label = "force" + (
                f", noise {100 * noise:.0f} % of the leg" if noise else ", markers as they are"
            )
            rows.append(_event_cells(label, words, rate, own))
    if real is not None:
        for (rate, noise), own in real[real.kind == "contact"].groupby(["rate_hz", "noise"]):
            label = "force" + (
                f", noise {100 * noise:.0f} % of the leg" if noise else ", markers as they are"
            )
            rows.append(_event_cells(label, "contact time", rate, own))
    return table(
        ("truth", "event", "frames/s", "n", "bias, ms", "MAE, ms", "RMS, ms", "95 % of errors, ms",
         "intervals hold", "missed"),
        rows,
    )  # fmt: skip


def _event_cells(label: str, words: str, rate: float, own: pd.DataFrame) -> tuple[str, ...]:
    e = own.error_ms.dropna().to_numpy(float) if "error_ms" in own else np.array([])
    if len(e) < 3:
        return (label, words, f"{rate:.0f}", str(len(e)), "", "", "", "", "", "")
    inside = own.inside.dropna().astype(bool) if "inside" in own else []
    held = f"{100 * np.mean(inside):.0f} %" if len(inside) else ""
    missed = own.missed.dropna().astype(bool) if "missed" in own else []
    low, high = np.percentile(e, [2.5, 97.5])
    return (
        label, words, f"{rate:.0f}", str(len(e)), f"{e.mean():+.1f}", f"{np.abs(e).mean():.1f}",
        f"{np.sqrt(np.mean(e**2)):.1f}", f"{low:+.0f} to {high:+.0f}", held,
        f"{100 * np.mean(missed):.0f} %" if len(missed) else "",
    )  # fmt: skip


def breakdown_table(s: Study) -> str:
    """Mean absolute error by factor, near side (or body); bold where half as much again as overall."""
    m = measured(s)
    names = [w for _, _, words in CLASSES for w in words]
    rows = []
    for key in MAIN:
        f, unit, d = scaled(key)
        own = m[(m.key == key) & (m.side != "far")]
        if len(own) < LEAST:
            continue
        overall = float(own.error.abs().mean())
        cells = [f"`{key}`, {unit}", f"{f * overall:.{d}f}"]
        for column, edges, words in CLASSES:
            for i, word in enumerate(words):
                part = (
                    own[own[column] == word]
                    if edges is None
                    else own[(own[column] > edges[i]) & (own[column] <= edges[i + 1])]
                )
                if len(part) < 4:
                    cells.append("–")
                    continue
                mae = float(part.error.abs().mean())
                text = f"{f * mae:.{d}f}"
                cells.append(f"**{text}**" if mae > 1.5 * overall else text)
        far = m[(m.key == key) & (m.side == "far")]
        cells.append(f"{f * float(far.error.abs().mean()):.{d}f}" if len(far) >= 4 else "–")
        rows.append(cells)
    return table(("measure", "all", *names, "far side"), rows)


def coverage_summary(s: Study) -> str:
    """Counts of measures by where their held-out coverage lies."""
    m = measured(s)
    said: dict[str, list[str]] = {}
    held = total = 0
    for key in MEASURES:
        for place in PLACES:
            own = m[(m.key == key) & (m.side == place)]
            if len(own) < JUDGED:
                continue
            c = coverage(own.inside_exact.astype(bool))
            held, total = held + c.held, total + c.n
            said.setdefault(verdict(c), []).append(f"`{key}` {place} {100 * c.share:.0f} %")
    if not total:
        return "Too few cases to judge."
    lines = [f"All intervals together: {held} of {total} held the truth, {100 * held / total:.1f} %."]
    order = ("inside", "above (within chance)", "below (within chance)", "above", "below")
    for name in order:
        if name in said:
            some = "" if name == "inside" else ": " + ", ".join(said[name])
            lines.append(f"- {name} 90-99 %: {len(said[name])} of {sum(map(len, said.values()))}{some}")
    return "\n".join(lines)


def views_table(s: Study) -> str:
    """Claimed half-widths and coverage by view: poor views must widen or refuse."""
    m, rows = measured(s), []
    for key in MAIN:
        f, unit, d = scaled(key)
        cells = [f"`{key}`, {unit}"]
        for view in ("good", "poor"):
            for places in (("near", "body"), ("far",)):
                every = s.measures[
                    (s.measures.key == key) & s.measures.side.isin(places) & (s.measures["view"] == view)
                ]
                own = m[(m.key == key) & m.side.isin(places) & (m["view"] == view)]
                if len(own) < 3:
                    cells.append("" if not len(every) else f"refused {len(every) - len(own)}/{len(every)}")
                    continue
                refused = 100 * (1 - len(own) / len(every))
                cells.append(
                    f"± {f * own.half.median():.{d}f}, MAE {f * own.error.abs().mean():.{d}f}, "
                    f"holds {100 * own.inside_exact.astype(bool).mean():.0f} %"
                    + (f", refused {refused:.0f} %" if refused >= 1 else "")
                )
        rows.append(cells)
    return table(("measure", "near, good view", "far, good view", "near, poor view", "far, poor view"), rows)


def real_table(real: pd.DataFrame) -> str:
    """The technique stage on real people: errors and coverage."""
    rows = []
    for key in MEASURES:
        own = real[(real.key == key) & real.error.notna()]
        if len(own) < LEAST:
            continue
        f, unit, d = scaled(key)
        for (rate, noise), part in own.groupby(["rate_hz", "noise"]):
            a = agreement(f * part.error.to_numpy(float))
            c = coverage(part.inside.astype(bool))
            rows.append(
                (
                    f"`{key}`",
                    f"{rate:.0f}/s{', noise' if noise else ''}",
                    str(len(part)),
                    f"{a.bias:+.{d}f} {unit}",
                    f"{a.mae:.{d}f}",
                    f"{a.sd:.{d}f}",
                    f"± {f * part.half.median():.{d}f}",
                    f"{100 * c.share:.0f} % ({100 * c.low:.0f}-{100 * c.high:.0f}) {verdict(c)}",
                )
            )
    head = ("measure", "clips", "n", "bias", "MAE", "SD", "claimed without pose model", "coverage")
    return table(head, rows)


def corrections_table(s: Study) -> str:
    """What is taken out of the values of the pose model's points."""
    rows = []
    for r in s.table.model_error:
        if r.view != "any" or not r.correction:
            continue
        f, unit, d = (100.0, "% of the value", 1) if r.relative else scaled(r.key)
        sides = "body" if MEASURES[r.key].sided == "both" else r.distance
        rows.append((f"`{r.key}`", sides, f"{-f * r.correction:+.{d}f} {unit}", str(r.n)))
    return table(("measure", "side", "added to the value", "clips"), rows)
