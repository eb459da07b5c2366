"""How well touchdown and toe-off are told, per method, frame rate, landmark noise and pace.

    python -m benchmarks.events_study [--quick]

Prints tables; about two minutes of one core. Force data: Fukuchi, Fukuchi and Duarte 2017
(contacts above 50 N). Every runner and every figure is judged by a model fitted without them.
Invented figures (exact first and last geometric contact) stand in for walking and sprinting.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from benchmarks.events_data import Trial, moved_points, track_at, trials
from benchmarks.events_figures import figures
from benchmarks.events_fit import KINDS, held_out_models, rows_of, samples, with_extra
from shared import landmarks as lm
from shared.analysis import Event, EventKind
from shared.landmarks import Side
from technique import filters
from technique.events import events
from technique.events_model import Model, fitted_model
from technique.smoothed import Smoothed
from technique.smoothing import smooth

FloatArray = NDArray[np.float64]
Found = list[tuple[EventKind, Side, float, float]]
"""Kind, side, time s, half-width of the 95 % interval s (NaN where a method gives none)."""


@dataclass(frozen=True)
class Condition:
    """One row of the table."""

    rate_hz: float
    noise: float = 0.0
    correlation_s: float = 0.0
    moved: float = 0.0

    def __str__(self) -> str:
        kind = "white" if not self.correlation_s else f"{self.correlation_s * 1e3:.0f} ms"
        noise = f"{self.noise * 100:.0f} % {kind}" if self.noise else "none"
        return f"{self.rate_hz:3.0f}/s  noise {noise:10s} points moved {self.moved * 100:3.1f} %"


CONDITIONS = (
    Condition(150),
    Condition(120),
    Condition(60),
    Condition(30),
    Condition(120, moved=0.02),
    *(Condition(rate, noise) for rate in (120, 60, 30) for noise in (0.01, 0.02, 0.03)),
    Condition(60, 0.02, 0.03),
)


def published(smoothed: Smoothed) -> dict[str, Found]:
    """Event times by published kinematic rules, searched about the fitted program's events.

    References
    ----------
    Hreljac and Marshall 2000 (touchdown: peak vertical acceleration of the heel; toe-off: peak
    horizontal acceleration of the toe); Handsaker et al. 2016 (touchdown: first vertical
    acceleration peak of heel or forefoot; toe-off: vertical jerk peak of the toe); Fellin et al.
    2010 (lowest heel; peak knee extension). Only the signals are theirs: search windows are ours.
    """
    out: dict[str, Found] = {k: [] for k in ("Hreljac, Marshall", "Handsaker", "Fellin")}
    t, rate = smoothed.time_s, smoothed.rate_hz
    for event in events(smoothed):
        around = (t > event.time_s - 0.07) & (t < event.time_s + 0.07)
        if around.sum() < 5:
            continue

        def point(name: str, side: Side = event.side) -> FloatArray:
            x = smoothed.light_px[:, lm.index(name, side)]
            return filters.zero_lag(np.nan_to_num(x), min(20.0, 0.4 * rate), rate)

        def peak(signal: FloatArray, around: NDArray[np.bool_] = around) -> float:
            peaks = find_peaks(signal[around])[0]
            i = peaks[np.argmax(signal[around][peaks])] if len(peaks) else int(np.argmax(signal[around]))
            return float(t[around][i])

        heel, toe = point("heel"), point("foot_index")
        heel_a, toe_a = (np.gradient(np.gradient(p, axis=0), axis=0) for p in (heel, toe))
        if event.kind == "touchdown":
            out["Hreljac, Marshall"].append(("touchdown", event.side, peak(heel_a[:, 1]), np.nan))
            first = min(peak(heel_a[:, 1]), peak(toe_a[:, 1]))
            out["Handsaker"].append(("touchdown", event.side, first, np.nan))
            out["Fellin"].append(("touchdown", event.side, peak(-heel[:, 1]), np.nan))
        else:
            jerk = np.gradient(toe_a[:, 1])
            out["Hreljac, Marshall"].append(("toe_off", event.side, peak(toe_a[:, 0]), np.nan))
            out["Handsaker"].append(("toe_off", event.side, peak(jerk), np.nan))
            thigh, shank = point("hip") - point("knee"), point("knee") - point("ankle")
            bend = np.unwrap(np.arctan2(thigh[:, 0], thigh[:, 1]) - np.arctan2(shank[:, 0], shank[:, 1]))
            out["Fellin"].append(("toe_off", event.side, peak(-np.abs(bend)), np.nan))
    return out


@dataclass(frozen=True)
class Errors:
    """Errors of one method under one condition, ms; `inside`: the interval held the truth."""

    by_kind: dict[EventKind, FloatArray]
    inside: dict[EventKind, FloatArray]
    contact: FloatArray
    expected: int
    spurious: int


def errors(runs: list[tuple[Trial, Found]]) -> Errors:
    """Match found events with true contacts (nearest within 0.1 s)."""
    by_kind: dict[EventKind, list[float]] = {k: [] for k in KINDS}
    inside: dict[EventKind, list[float]] = {k: [] for k in KINDS}
    contact: list[float] = []
    expected = spurious = 0
    for trial, found in runs:
        expected += 2 * sum(len(c) for c in trial.contacts.values())
        pairs: dict[tuple[Side, int], dict[EventKind, float]] = {}
        for kind, side, time, half in found:
            true = trial.contacts[side][:, KINDS.index(kind)]
            i = int(np.argmin(np.abs(true - time)))
            error = time - true[i]
            if abs(error) > 0.1:
                spurious += int(true[0] < time < true[-1])
                continue
            by_kind[kind].append(error * 1e3)
            inside[kind].append(float(abs(error) <= half))
            pairs.setdefault((side, i), {})[kind] = error * 1e3
        contact += [p["toe_off"] - p["touchdown"] for p in pairs.values() if len(p) == 2]
    return Errors(
        {k: np.array(v) for k, v in by_kind.items()},
        {k: np.array(v) for k, v in inside.items()},
        np.array(contact),
        expected,
        spurious,
    )


def row(name: str, e: Errors) -> str:
    """One printed line."""

    def part(x: FloatArray) -> str:
        if not len(x):
            return "      -      "
        low, high = np.quantile(x, [0.025, 0.975])
        return f"{x.mean():+5.1f} {np.sqrt(np.mean(x**2)):5.1f} ({low:+6.1f} {high:+6.1f})"

    cover = " ".join(f"{100 * np.mean(e.inside[k]):3.0f}" if len(e.inside[k]) else "  -" for k in KINDS)
    seen = len(e.by_kind["touchdown"]) + len(e.by_kind["toe_off"])
    parts = " | ".join(part(x) for x in (*e.by_kind.values(), e.contact))
    return f"{name:46s} | {parts} | {cover} | {seen}/{e.expected} {e.spurious}"


def as_found(found: tuple[Event, ...]) -> Found:
    """Events as plain rows."""
    return [(e.kind, e.side, e.time_s, 0.5 * (e.high_s - e.low_s)) for e in found]


def judged(
    trials_and_models: list[tuple[Trial, Model]],
    condition: Condition,
    method: Callable[[Smoothed, Model], Found],
    seed: int = 11,
) -> Errors:
    """Errors of a method over trials under one condition."""
    rng = np.random.default_rng(seed)
    runs = []
    for trial, model in trials_and_models:
        paths = moved_points(trial, rng, condition.moved) if condition.moved else None
        track = track_at(
            trial,
            condition.rate_hz,
            phase=float(rng.uniform()),
            noise=condition.noise,
            correlation_s=condition.correlation_s,
            rng=rng,
            paths=paths,
            window_s=(float(trial.time_s[0]), min(float(trial.time_s[-1]), 5.0)),
        )
        late = {s: c[c[:, 1] < track.time_s[-1]] for s, c in trial.contacts.items()}
        runs.append(
            (
                Trial(trial.runner, trial.speed_mps, trial.time_s, trial.paths, late, trial.leg_px),
                method(smooth(track), model),
            )
        )
    return errors(runs)


def main() -> None:
    """Print the tables."""
    quick = "--quick" in sys.argv
    all_samples = samples()
    shipped = fitted_model()
    extra = {(k[0], k[1], k[2]): m.extra for k, m in shipped.items() if k[3] == "fine"}
    models = [with_extra(m, extra) for m in held_out_models(rows_of(all_samples))]
    measured = list(trials())
    runners = sorted({t.runner for t in measured})
    pairs = [(t, models[runners.index(t.runner)]) for t in measured]

    def ours(s: Smoothed, m: Model) -> Found:
        return as_found(events(s, m))

    head = "bias   RMS (95 % of errors)"
    print(
        f"{'':46s} | touchdown, ms: {head} | toe-off | contact time | coverage % | events, spurious",
        flush=True,
    )
    print("Force-measured running, runner held out")
    for condition in CONDITIONS[:4] if quick else CONDITIONS:
        print(row(str(condition), judged(pairs, condition, ours)), flush=True)
    for speed in (2.5, 3.5, 4.5):
        chosen = [p for p in pairs if p[0].speed_mps == speed]
        print(row(f"150/s, {speed} m/s", judged(chosen, Condition(150), ours)), flush=True)
    for runner in runners:
        chosen = [p for p in pairs if p[0].runner == runner]
        print(row(f"150/s, {runner}", judged(chosen, Condition(150), ours)), flush=True)
    for rate in (150.0, 60.0):
        for name in ("Hreljac, Marshall", "Handsaker", "Fellin"):
            e = judged(pairs, Condition(rate), lambda s, _m, name=name: published(s)[name])  # type: ignore[misc]
            print(row(f"{rate:.0f}/s, signal of {name}", e), flush=True)
    print("Invented figures, drawn anew")
    for pace, low, high in (("walking", 1.1, 2.0), ("running", 2.4, 5.0), ("sprinting", 6.0, 10.0)):
        made = [(t, shipped) for t in figures(np.linspace(low, high, 6), seed=101)]
        for condition in (Condition(240), Condition(120, 0.01), Condition(60, 0.01), Condition(30, 0.01)):
            print(row(f"{pace:9s} {condition}", judged(made, condition, ours)), flush=True)


if __name__ == "__main__":
    main()
