"""What could make joint angles better: ways of treating landmarks against the program's own.

Run as ``python -m benchmarks.joints_study FOLDER [--count N]``: FOLDER is the cache of the accuracy
benchmark. Prints the tables of docs/joints.md; the last one needs the measured running data
beside the checkout.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.accuracy.cases import cases, spec_of
from benchmarks.accuracy.judged import MASS_KG, Held, angle_errors, measure_rows
from benchmarks.accuracy.seen import SeenCase, seen_cases
from benchmarks.accuracy.truths import known_values
from benchmarks.events_data import FOLDER, track_at, trials
from benchmarks.joints_ways import all_ways, lower_shoulders, refiltered, smoothed_with
from shared import landmarks as lm
from shared.errors import LanesideError
from technique.angles import SIDES, foot_angle, knee_flexion, shank_angle, thigh_angle
from technique.events import events
from technique.measures_motion import Athlete, motion, points_at
from technique.smoothed import Smoothed
from technique.smoothing import smooth

FloatArray = NDArray[np.float64]
ANGLES: Final = (
    "trunk_body",
    "thigh_near",
    "knee_near",
    "shank_near",
    "foot_near",
    "elbow_near",
    "upper_arm_near",
)
KEYS: Final = (
    "thigh_angle_max",
    "knee_flexion_swing_max",
    "knee_flexion_td",
    "shank_angle_td",
    "foot_angle_td",
    "elbow_angle_front",
    "elbow_angle_back",
    "elbow_angle_mean",
    "arm_swing_front",
    "arm_swing_back",
    "arm_swing_range",
    "hand_height_front",
)
SQUARE_DEG: Final = 10.0
HARMONICS: Final = 5
DROPS: Final = (0.0, 0.02, 0.035, 0.05, 0.07, 0.09)


def held_ways(seen: SeenCase) -> dict[str, Held]:
    """One case after each way; a way that leaves no whole step is left out."""
    if seen.track is None:
        return {}
    athlete = Athlete(stature_m=seen.stature_m, mass_kg=MASS_KG)
    known = known_values(seen.truth, spec_of(seen.case), athlete)
    out = {}
    for name, s in all_ways(seen.track, seen.truth.athlete.near_side).items():
        try:
            found = events(s)
            m = motion(seen.track, s, found, athlete)
            if any(step.next_other for step in m.steps):
                out[name] = Held(seen, s, m, found, known, "")
        except LanesideError:
            continue
    return out


def mean_errors(ones: Iterable[Held]) -> dict[str, tuple[float, float, float]]:
    """By angle: mean over cases of the MAE, of the bias, and of the MAE about the case's median."""
    rows: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    for one in ones:
        for name, e in angle_errors(one).items():
            if name in ANGLES and len(e):
                about = e - np.median(e)
                rows[name].append(
                    (float(np.mean(np.abs(e))), float(np.mean(e)), float(np.mean(np.abs(about))))
                )
    return {k: tuple(np.mean(v, axis=0)) for k, v in rows.items()}


def repeated_part(error: FloatArray, time_s: FloatArray, stride_s: float) -> tuple[float, float]:
    """MAE about the median before and after what repeats with every stride is taken out.

    Parameters
    ----------
    error : (N,) array
        NaN left out.
    time_s : (N,) array
    stride_s : float

    Returns
    -------
    before, after : float
        Unit of `error`.
    """
    ok = np.isfinite(error)
    y, turn = error[ok] - np.median(error[ok]), 2.0 * np.pi * time_s[ok] / stride_s
    columns = [np.ones_like(turn)]
    for k in range(1, HARMONICS + 1):
        columns += [np.sin(k * turn), np.cos(k * turn)]
    x = np.stack(columns, axis=1)
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    # A fit of 2 K + 1 terms takes up that share of pure noise too.
    given_back = np.sqrt(len(y) / max(1, len(y) - x.shape[1]))
    return float(np.mean(np.abs(y))), float(np.mean(np.abs(rest)) * given_back)


def print_ways(done: list[dict[str, Held]]) -> None:
    """Angles of every frame and measures, way by way."""
    for title, chosen in (
        ("square views, 120/s and more", [d for d in done if _good(d["as it is"].seen)]),
        ("all", done),
    ):
        print(f"\nMAE (bias) of every frame, deg; {title}: {len(chosen)} cases")
        print("| way | " + " | ".join(a.rsplit("_", 1)[0] for a in ANGLES) + " |")
        print("|" + "---|" * (len(ANGLES) + 1))
        for way in done[0]:
            table = mean_errors(d[way] for d in chosen if way in d)
            print(
                f"| {way} | " + " | ".join(f"{table[a][0]:.2f} ({table[a][1]:+.1f})" for a in ANGLES) + " |"
            )
    print("\nMAE (bias) of measures, near side, deg or %")
    print("| measure | " + " | ".join(done[0]) + " |")
    print("|" + "---|" * (len(done[0]) + 1))
    rows = {way: [r for d in done if way in d for r in measure_rows(d[way])] for way in done[0]}
    for key in KEYS:
        cells = []
        for way in done[0]:
            e = [r["error"] for r in rows[way] if r["key"] == key and r["side"] == "near" and "error" in r]
            cells.append(f"{np.mean(np.abs(e)):.1f} ({np.mean(e):+.1f}) n {len(e)}" if e else "-")
        print(f"| {key} | " + " | ".join(cells) + " |")


def _good(seen: SeenCase) -> bool:
    return abs(seen.case.yaw_deg) <= SQUARE_DEG and seen.case.rate_hz >= 120.0


def print_repeats(done: list[dict[str, Held]]) -> None:
    """How much of the error repeats with every stride, which no filter can take away."""
    print("\nMAE about the clip's own median, and without what repeats in every stride, deg")
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for d in done:
        one = d["as it is"]
        m = one.motion
        stride = spec_of(one.seen.case).runners[0].stride_time_s
        if m is None or m.time_s[-1] - m.time_s[0] < 1.7 * stride:
            continue
        for name, e in angle_errors(one).items():
            if name in ANGLES and len(e) == len(m.time_s):
                found[name].append(repeated_part(e, m.time_s, stride))
    for name, pairs in found.items():
        before, after = np.mean(pairs, axis=0)
        print(f"| {name} | {before:.2f} | {after:.2f} | {len(pairs)} cases |")


def print_shoulder(done: list[dict[str, Held]]) -> None:
    """Lowering of the shoulders chosen on all cases but the one it is tried on."""
    names = ("elbow_near", "upper_arm_near")
    table = []
    for d in done:
        one = d["as it is"]
        assert one.motion is not None
        row = []
        for share in DROPS:
            s = one.motion.smoothed
            trusted = np.where(s.valid[:, :, None], s.world_px, np.nan)
            lowered = smoothed_with(lower_shoulders(trusted, share), s)
            m = motion(one.track, lowered, one.events, one.motion.athlete)
            errors = angle_errors(Held(one.seen, lowered, m, one.events, one.known, ""))
            row.append([float(np.mean(np.abs(errors[n]))) for n in names])
        table.append(row)
    mae = np.array(table)  # cases, drops, angles
    chosen = [int(np.argmin(np.delete(mae, i, axis=0).sum(axis=2).mean(axis=0))) for i in range(len(mae))]
    kept = np.array([mae[i, k] for i, k in enumerate(chosen)])
    print("\nShoulders lowered, share chosen on the other cases: MAE of elbow and upper arm, deg")
    print(f"as it is {mae[:, 0].mean(axis=0).round(2)}, lowered {kept.mean(axis=0).round(2)};")
    print(
        f"better in {(kept < mae[:, 0]).sum(axis=0)} of {len(mae)}; shares {[DROPS[k] for k in set(chosen)]}"
    )


def print_landing(rates: tuple[float, ...] = (60.0, 120.0, 240.0)) -> None:
    """Angles at touchdown and toe-off of measured running, by cut-off, with pose-like noise."""
    of = {"thigh": thigh_angle, "knee": knee_flexion, "shank": shank_angle, "foot": foot_angle}
    ways: dict[str, Callable[[Smoothed], FloatArray]] = {
        "as it is": lambda s: s.world_px,
        "x 1.5": lambda s: refiltered(s, 1.5).world_px,
        "x 2": lambda s: refiltered(s, 2.0).world_px,
        "light": lambda s: s.light_px,
    }
    print("\nMeasured running, noise of 1 % of the leg with 20 ms memory: MAE (bias) at the event, deg")
    print("| rate, event | way | " + " | ".join(of) + " |")
    print("|" + "---|" * (len(of) + 2))
    some = list(trials())[::2]
    for rate in rates:
        rng = np.random.default_rng(3)
        errors: dict[tuple[str, str, str], list[float]] = defaultdict(list)
        for trial in some:
            exact = np.full((len(trial.time_s), lm.COUNT, 2), np.nan)
            for name, path in trial.paths.items():
                exact[:, lm.INDEX[name]] = path
            s = smooth(track_at(trial, rate, noise=0.01, correlation_s=0.02, rng=rng, window_s=(1.0, 4.0)))
            tried = {way: f(s) for way, f in ways.items()}
            for side in SIDES:
                for contact in trial.contacts[side]:
                    for event, t in zip(("touchdown", "toe-off"), contact):
                        if not s.time_s[0] + 0.1 < t < s.time_s[-1] - 0.1:
                            continue
                        for name, f in of.items():
                            true = float(f(points_at(exact, trial.time_s, t), side))
                            for way, x in tried.items():
                                seen = float(f(points_at(x, s.time_s, t), side))
                                errors[event, way, name].append(seen - true)
        for event in ("touchdown", "toe-off"):
            for way in ways:
                cells = [errors[event, way, name] for name in of]
                text = " | ".join(f"{np.mean(np.abs(e)):.2f} ({np.mean(e):+.2f})" for e in cells)
                print(f"| {rate:.0f}/s {event} | {way} | {text} |")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=40)
    args = parser.parse_args()
    done = [d for d in map(held_ways, seen_cases(cases(args.count), args.folder)) if "as it is" in d]
    if done:
        print_ways(done)
        print_repeats(done)
        print_shoulder(done)
    if FOLDER.exists():
        print_landing()


if __name__ == "__main__":
    main()
