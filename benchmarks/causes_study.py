"""Where the errors of the touchdown distance and of the elbow come from, and what would mend them.

Run as ``python -m benchmarks.causes_study FOLDER [--count N]``: FOLDER is the cache of the accuracy
benchmark. Prints the tables of docs/joints.md, "Causes". Everything that is learnt is learnt on the
other runners (no two cases share a body or a motion).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchmarks.accuracy import judged as j
from benchmarks.accuracy.cases import cases
from benchmarks.accuracy.command import START
from benchmarks.accuracy.fitting import bare
from benchmarks.accuracy.judged import Held
from benchmarks.accuracy.seen import seen_cases
from benchmarks.accuracy.truths import elbow_in_space
from shared import landmarks as lm
from technique import error_model as em
from technique.angles import SIDES, elbow_angle, middle, place, upper_arm_angle
from technique.angles import elbow_in_space as told
from technique.measures_motion import points_at

FloatArray = NDArray[np.float64]
GOOD_RATE_HZ: Final = 120.0
ARM: Final = ("shoulder", "elbow", "wrist")
LINEAR: Final = (
    "knee_flexion_td",
    "knee_flexion_to",
    "shank_angle_td",
    "td_distance",
    "arm_swing_range",
    "elbow_angle_back",
    "hand_height_front",
    "trunk_lean",
)


def good_view(h: Held) -> bool:
    """True for the clips that the aims are judged on."""
    assert h.motion is not None
    view = em.view_class(h.motion.yaw_deg, h.motion.leg_px)
    return view == "good" and h.seen.case.rate_hz >= GOOD_RATE_HZ


def true_points(h: Held) -> FloatArray:
    """Where perfect points lie in the track's world, per frame of the track, (T, 33, 2) px."""
    truth, track = h.seen.truth, h.track
    row = np.round(track.time_s * truth.capture_rate_hz).astype(int)
    seen = truth.athlete.px[np.clip(row, 0, len(truth.time_s) - 1)]
    out = np.full(seen.shape, np.nan)
    for i in range(len(row)):
        # The way from picture to world is affine; it is read off the seen points themselves.
        ok = np.isfinite(track.xy_px[i]).all(axis=1) & np.isfinite(track.world_px[i]).all(axis=1)
        if ok.sum() < 6:
            continue
        given = np.c_[track.xy_px[i][ok], np.ones(ok.sum())]
        way = np.linalg.lstsq(given, track.world_px[i][ok], rcond=None)[0]
        out[i] = np.c_[seen[i], np.ones(lm.COUNT)] @ way
    return out


def landing_rows(h: Held) -> list[dict[str, Any]]:
    """The touchdown distance of each landing, cm, step by step from what is told to what is true."""
    m = h.motion
    if m is None or h.smoothed is None or m.metres_per_px is None:
        return []
    light = h.smoothed.light_px
    truth, scale, perfect = h.seen.truth, 100.0 * m.metres_per_px, true_points(h)
    rows = []
    for side in SIDES:

        def ahead(p: FloatArray, side: Any = side) -> FloatArray:
            return place(p, "ankle", side)[..., 0] - middle(p, "hip")[..., 0]

        exact = 100.0 * ahead(truth.athlete.metres[..., :2])
        for e in (x for x in h.events if x.kind == "touchdown" and x.side == side):
            near = [t for t in truth.athlete.event_times("touchdown", side) if abs(t - e.time_s) < j.MATCH_S]
            if not near:
                continue
            t = near[0]
            steps = {
                "told": scale * float(ahead(points_at(m.points, m.time_s, e.time_s))),
                "at the true moment": scale * float(ahead(points_at(m.points, m.time_s, t))),
                "with the lighter filter": scale * float(ahead(points_at(light, m.time_s, t))),
                "perfect points": float(scale * np.interp(t, h.track.time_s, ahead(perfect))),
                "without projection": float(np.interp(t, truth.time_s, exact)),
                "true": 100.0 * h.known.values[f"td_distance_{side}"],
            }
            names = list(steps)
            parts = {a: steps[a] - steps[b] for a, b in pairwise(names)}
            found = points_at(light, m.time_s, t) - points_at(perfect, h.track.time_s, t)
            rows.append(
                {
                    "case": h.seen.case.number,
                    "near": side == truth.athlete.near_side,
                    "good": good_view(h),
                    "ms": 1000.0 * (e.time_s - t),
                    "error": steps["told"] - steps["true"],
                    **parts,
                    "ankle": scale * float(place(found, "ankle", side)[0]),
                    "mid-hip": scale * float(middle(found, "hip")[0]),
                }
            )
    return rows


def landing_table(rows: pd.DataFrame) -> str:
    """Mean (SD) over clips of each step."""
    said = {
        "ms": "touchdown, ms late",
        "error": "distance: told minus true",
        "told": "of this: touchdown told early or late",
        "at the true moment": "the filter for angles",
        "with the lighter filter": "the pose model's points",
        "perfect points": "projection and scale",
        "without projection": "a kink at landing, between frames",
        "ankle": "ankle of the pose model, cm forward",
        "mid-hip": "mid-hip of the pose model, cm forward",
    }
    clips = rows.groupby(["case", "near", "good"]).mean().reset_index()
    groups = (clips[clips.near & clips.good], clips[clips.near], clips[~clips.near])
    lines = ["| cm | near, good view, ≥ 120/s | near, all | far, all |", "|---|---|---|---|"]
    for column, words in said.items():
        cells = [f"{g[column].mean():+.1f} ({g[column].std():.1f})" for g in groups]
        lines.append(f"| {words} | {' | '.join(cells)} |")
    return "\n".join(lines)


class Arm:
    """The near arm of one clip: points, truth, and where the pose model sets its joints."""

    def __init__(self, h: Held) -> None:
        m = h.motion
        assert m is not None
        truth = h.seen.truth
        self.points, self.side, self.good = m.points, truth.athlete.near_side, good_view(h)
        space = elbow_in_space(truth.athlete.metres, self.side)
        self.elbow = np.interp(m.time_s, truth.time_s, space)
        self.swing = np.interp(m.time_s, truth.time_s, truth.athlete.angles[f"upper_arm_{self.side}"])
        flat = true_points(h).reshape(len(h.track.time_s), -1)
        perfect = np.stack([np.interp(m.time_s, h.track.time_s, c) for c in flat.T], axis=1)
        error = self.points - perfect.reshape(self.points.shape)
        self.offset = {}
        for joint in ARM:
            along, across, length = self.axes(joint)
            own = place(error, joint, self.side)
            parts = [np.nanmean((own * axis).sum(axis=1)) / length for axis in (along, across)]
            self.offset[joint] = np.array(parts)

    def axes(self, joint: str) -> tuple[FloatArray, FloatArray, float]:
        """Unit vectors along and across the joint's segment, each (T, 2), and its length."""
        p, s = self.points, self.side
        segment = {
            "shoulder": middle(p, "hip") - middle(p, "shoulder"),
            "elbow": place(p, "elbow", s) - place(p, "shoulder", s),
            "wrist": place(p, "wrist", s) - place(p, "elbow", s),
        }[joint]
        size = np.linalg.norm(segment, axis=1)
        along = segment / size[:, None]
        return along, np.c_[-along[:, 1], along[:, 0]], float(np.nanmedian(size))

    def shifted(self, shifts: dict[str, FloatArray]) -> FloatArray:
        """Points with joints moved by shares of their segments."""
        out = self.points.copy()
        for joint, (a, b) in shifts.items():
            along, across, length = self.axes(joint)
            for side in SIDES if joint == "shoulder" else (self.side,):
                out[:, lm.index(joint, side)] -= length * (a * along + b * across)
        return out


def _mae(x: FloatArray) -> float:
    return float(np.nanmean(np.abs(x)))


def elbow_table(arms: list[Arm]) -> str:
    """Error of the elbow in space and of the arm's swing, deg, for each way; learnt on the other clips."""
    tried = np.arange(0.0, 30.0, 0.5)
    seen = [elbow_angle(a.points, a.side) for a in arms]
    by_tilt = np.array([[_mae(told(s, t) - a.elbow) for t in tried] for s, a in zip(seen, arms)])
    bias = np.array([np.nanmean(s - a.elbow) for s, a in zip(seen, arms)])

    def rest(values: FloatArray, i: int) -> FloatArray:
        return np.delete(values, i, axis=0)

    def moved(*joints: str) -> Callable[[int], FloatArray]:
        def points(i: int) -> FloatArray:
            shifts = {q: np.mean([a.offset[q] for k, a in enumerate(arms) if k != i], axis=0) for q in joints}
            return arms[i].shifted(shifts)

        return points

    def by_points(points: Callable[[int], FloatArray]) -> Callable[[int], tuple[FloatArray, FloatArray]]:
        def both(i: int) -> tuple[FloatArray, FloatArray]:
            p = points(i)
            return elbow_angle(p, arms[i].side), upper_arm_angle(p, arms[i].side)

        return both

    ways: dict[str, Callable[[int], tuple[FloatArray, FloatArray | None]]] = {
        "as seen": by_points(lambda i: arms[i].points),
        "shoulder moved": by_points(moved("shoulder")),
        "shoulder and elbow moved": by_points(moved("shoulder", "elbow")),
        "shoulder, elbow and wrist moved": by_points(moved(*ARM)),
        "mean error taken out": lambda i: (seen[i] - rest(bias, i).mean(), None),
        "arm taken to lead out of the plane (in the program)": lambda i: (
            told(seen[i], float(tried[rest(by_tilt, i).mean(axis=0).argmin()])),
            None,
        ),
        "own mean error known (no way to)": lambda i: (seen[i] - bias[i], None),
    }
    lines = ["| way | elbow, good view | elbow, all | upper arm, good view |", "|---|---|---|---|"]
    good = np.array([a.good for a in arms])
    for name, way in ways.items():
        found = [way(i) for i in range(len(arms))]
        elbow = np.array([[_mae(e - a.elbow), np.nanmean(e - a.elbow)] for (e, _), a in zip(found, arms)])
        cells = [f"{g[:, 0].mean():.1f} ({g[:, 1].mean():+.1f})" for g in (elbow[good], elbow)]
        swing = [_mae(u - a.swing) for (_, u), a in zip(found, arms) if u is not None and a.good]
        cells.append(f"{np.mean(swing):.1f}" if swing else "")
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return "\n".join(lines)


def offset_table(arms: list[Arm]) -> str:
    """Where the pose model sets the near arm's joints, % of the joint's segment."""
    lines = ["| joint | along its segment | across it, forward of a hanging arm |", "|---|---|---|"]
    for joint in ARM:
        off = 100.0 * np.array([a.offset[joint] for a in arms])
        cells = [f"{m:+.1f} ± {s:.1f}" for m, s in zip(off.mean(axis=0), off.std(axis=0, ddof=1))]
        lines.append(f"| {joint} | {' | '.join(cells)} |")
    return "\n".join(lines)


def linear_table(rows: pd.DataFrame) -> str:
    """A constant against a straight line in the measured value, leaving one clip out."""
    lines = [
        "| measure, near | true values, mean ± SD | MAE as read | constant out | line out | slope on the value | "
        "slope on the truth |",
        "|---|---|---|---|---|---|---|",
    ]
    for key in LINEAR:
        own = rows[(rows.key == key) & (rows.side != "far")]
        e, v, t = (own[c].to_numpy(float) for c in ("error", "value", "true"))
        factor = 100.0 if own.unit.iloc[0] == "m" else 1.0
        left: dict[str, list[float]] = {"constant": [], "line": []}
        for i in range(len(e)):
            k = np.arange(len(e)) != i
            left["constant"].append(abs(e[i] - e[k].mean()))
            left["line"].append(abs(e[i] - float(np.polyval(np.polyfit(v[k], e[k], 1), v[i]))))
        lines.append(
            f"| `{key}` | {factor * t.mean():.1f} ± {factor * t.std(ddof=1):.1f} | {factor * np.abs(e).mean():.1f} "
            f"| {factor * np.mean(left['constant']):.1f} | {factor * np.mean(left['line']):.1f} "
            f"| {np.polyfit(v, e, 1)[0]:+.2f} | {np.polyfit(t, e, 1)[0]:+.2f} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.causes_study")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=44)
    options = parser.parse_args()
    table = bare(em.load_error_table(START))
    landings: list[dict[str, Any]] = []
    measures: list[dict[str, Any]] = []
    arms: list[Arm] = []
    for seen in seen_cases(cases(options.count), options.folder):
        h = j.held(seen)
        if h.motion is None:
            continue
        landings += landing_rows(h)
        measures += [r for r in j.measure_rows(h, j.measures_of(h, table)) if "error" in r]
        if j.near_arm(h) is not None:
            arms.append(Arm(h))
    for title, text in (
        ("Touchdown distance", landing_table(pd.DataFrame(landings))),
        ("Joints of the near arm", offset_table(arms)),
        ("Elbow", elbow_table(arms)),
        ("Constant or line", linear_table(pd.DataFrame(measures))),
    ):
        print(f"\n**{title}**\n\n{text}")


if __name__ == "__main__":
    main()
