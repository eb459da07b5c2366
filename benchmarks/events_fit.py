"""Fit the event model on treadmill force data and write `technique/data/events_model.npz`.

    python -m benchmarks.events_fit

Data: Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298 (see `events_data`). What is written are
moments (means and covariances) of dimensionless windows, no recorded path.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.events_data import SIDES, Trial, moved_points, track_at, trials
from benchmarks.events_figures import figures
from shared.analysis import EventKind
from technique.events_estimate import estimates
from technique.events_model import NOISE_LEVELS, RATE_CLASSES_HZ, Key, Model, Pace, moments, to_arrays
from technique.events_paths import Support, leg_path
from technique.events_window import COARSE, FINE, Windower, window, windower
from technique.smoothing import smooth

FloatArray = NDArray[np.float64]
KINDS: tuple[EventKind, EventKind] = ("touchdown", "toe_off")
TARGET = Path(__file__).resolve().parents[1] / "technique" / "data" / "events_model.npz"
DRAWS = 3
"""Copies of every trial: the markers as they are, and with every landmark moved on its segment."""
MOVE = 0.015
"""SD of those moves, leg lengths (13 mm): pose models sit 1-50 mm off (Needham et al. 2021)."""
STARTS = 2
START_SPREAD = 0.035
"""Fine windows start up to this far from the truth, in spans, so that they learn to come back."""
PACES: tuple[Pace, ...] = ("walk", "run", "fast")
MEASURED_WEIGHT = 0.7
"""Weight of force data against invented figures where both are there."""
FOLDS = 8
UNLIKE_FIGURES = 0.01
"""SD added, in spans, where invented figures make up most of what is fitted: figures with another
foot and knee course than those fitted were off by this much (docs/events.md)."""
CALIBRATED = 60
"""Samples the extra error is measured on."""
TRIMMED_MEAN = 0.6230
"""Mean of the lowest nine tenths of squares of a standard normal variable."""


@dataclass(frozen=True)
class Sample:
    """A trial to learn from: which pace's model it feeds, its fold for held-out figures."""

    trial: Trial
    pace: Pace
    measured: bool
    fold: int
    moved: bool


@dataclass(frozen=True)
class Rows:
    """Windows and times of one model part, with fold and source of each."""

    x: FloatArray
    y: FloatArray
    fold: NDArray[np.int64]
    measured: NDArray[np.bool_]


AllRows = dict[Key, Rows]


def faster(trial: Trial, factor: float) -> Trial:
    """The same movement in a shorter time: a stand-in for sprinting with measured contacts."""
    return replace(
        trial,
        speed_mps=trial.speed_mps / factor,
        time_s=trial.time_s * factor,
        contacts={side: c * factor for side, c in trial.contacts.items()},
    )


def samples(seed: int = 1) -> list[Sample]:
    """Force data at its own pace and quickened, and invented figures from walk to sprint."""
    rng = np.random.default_rng(seed)
    measured = list(trials())
    runners = sorted({t.runner for t in measured})
    out = []
    for t in measured:
        fold = runners.index(t.runner)
        out += [Sample(t, "run", True, fold, draw > 0) for draw in range(DRAWS)]
        if t.speed_mps > 4.0:
            out += [Sample(faster(t, f), "fast", True, fold, f < 1.0) for f in (1.0, 0.8, 0.65, 0.5)]
    spans: tuple[tuple[Pace, float, float, int], ...] = (
        ("walk", 1.0, 2.05, 24),
        ("run", 2.2, 5.6, 16),
        ("fast", 4.4, 10.0, 24),
    )
    for pace, low, high, count in spans:
        speeds = np.linspace(low, high, count) + rng.uniform(-0.05, 0.05, count)
        made = figures(np.maximum(speeds, 1.0), int(rng.integers(1 << 30)), 5.0 if pace == "walk" else 3.0)
        for number, t in enumerate(made):
            out += [Sample(t, pace, False, number % FOLDS, draw > 0) for draw in range(2)]
    return out


def contact_of(support: Support, contacts: FloatArray) -> FloatArray | None:
    """The contact that lies in a support, if any."""
    if not len(contacts):
        return None
    middle = support.front_s + 0.45 * support.span_s
    best = contacts[int(np.argmin(np.abs(contacts.mean(axis=1) - middle)))]
    return best if abs(best.mean() - middle) < 0.35 * support.span_s else None


def legs_of(
    sample: Sample, rate: int, rng: np.random.Generator, noise: float = 0.0
) -> list[tuple[Windower, tuple[Support, ...], FloatArray]]:
    """Both legs of a sample at a frame rate: whole supports and their true contacts (n, 2)."""
    paths = moved_points(sample.trial, rng, MOVE, tip=sample.measured) if sample.moved else None
    phase = float(rng.uniform())
    smoothed = smooth(track_at(sample.trial, rate, phase=phase, paths=paths, noise=noise, rng=rng))
    out = []
    for side in SIDES:
        path = leg_path(smoothed, side)
        w = windower(path) if path else None
        if path is None or w is None:
            continue
        pairs = [
            (support, contact)
            for support in path.supports
            if support.front_seen
            and support.back_seen
            and (contact := contact_of(support, sample.trial.contacts[side])) is not None
        ]
        if pairs:
            out.append((w, tuple(p[0] for p in pairs), np.array([p[1] for p in pairs])))
    return out


def rows_of(all_samples: list[Sample], seed: int = 2, rates: tuple[int, ...] = RATE_CLASSES_HZ) -> AllRows:
    """All windows of all samples."""
    rng = np.random.default_rng(seed)
    got: dict[Key, list[tuple[FloatArray, float, int, bool]]] = {}
    for rate in rates:
        for sample in all_samples:
            tag = (sample.fold, sample.measured)
            found = [
                (w, support, contact)
                for w, supports, contacts in legs_of(sample, rate, rng)
                for support, contact in zip(supports, contacts)
            ]
            for w, support, contact in found:
                events_at = (contact - support.front_s) / support.span_s
                for kind, true, share in zip(KINDS, contact, events_at):
                    coarse = window(w, support, support.front_s, COARSE)
                    if coarse is not None and coarse[1].all():
                        rows = got.setdefault((sample.pace, rate, kind, "coarse"), [])
                        rows.append((coarse[0], share, *tag))
                    for shift in rng.uniform(-START_SPREAD, START_SPREAD, STARTS):
                        fine = window(w, support, true - shift * support.span_s, FINE)
                        if fine is not None and fine[1].all():
                            rows = got.setdefault((sample.pace, rate, kind, "fine"), [])
                            rows.append((fine[0], shift, *tag))
    return {
        key: Rows(
            np.array([r[0] for r in rows]),
            np.array([r[1] for r in rows]),
            np.array([r[2] for r in rows]),
            np.array([r[3] for r in rows]),
        )
        for key, rows in got.items()
    }


def fitted(rows: AllRows, without: int | None = None) -> Model:
    """Moments of all windows but those of one fold."""
    model: Model = {}
    for key, r in rows.items():
        use = r.fold != without
        counts = [max(int((use & (r.measured == m)).sum()), 1) for m in (False, True)]
        both = bool((use & r.measured).any()) and bool((use & ~r.measured).any())
        shares = (1.0 - MEASURED_WEIGHT, MEASURED_WEIGHT) if both else (1.0, 1.0)
        weight = np.where(r.measured[use], shares[1] / counts[1], shares[0] / counts[0])
        model[key] = moments(r.x[use], r.y[use], weight)
    return model


def held_out_models(rows: AllRows) -> list[Model]:
    """For each fold the model fitted on the others."""
    return [fitted(rows, fold) for fold in range(FOLDS)]


Extra = dict[tuple[Pace, int, EventKind], FloatArray]


def with_extra(model: Model, extra: Extra) -> Model:
    """The model with the error variance of people it has not seen filled in."""
    return {
        key: replace(m, extra=extra[key[0], key[1], key[2]]) if key[3] == "fine" else m
        for key, m in model.items()
    }


def held_out_extra(all_samples: list[Sample], models: list[Model], seed: int = 3) -> Extra:
    """Error variance beyond what the moments expect, in folds not fitted on, spans squared."""
    rng = np.random.default_rng(seed)
    chosen = [s for s in all_samples if s.moved]
    chosen = [chosen[i] for i in rng.permutation(len(chosen))[:CALIBRATED]]
    out: Extra = {}
    for rate in RATE_CLASSES_HZ:
        beyond: dict[tuple[Pace, EventKind], list[float]] = {}
        for noise in NOISE_LEVELS:
            pairs: dict[tuple[Pace, EventKind], list[tuple[float, float]]] = {}
            for sample in chosen:
                _hold(pairs, sample, rate, noise, models[sample.fold], rng)
            for key, values in pairs.items():
                e = np.array(values)
                # Without the largest tenth, so that one misjudged figure does not widen every
                # interval.
                square = np.sort(e[:, 0] ** 2)
                middle = float(np.mean(square[: int(0.9 * len(square))])) / TRIMMED_MEAN
                beyond.setdefault(key, []).append(max(middle - float(np.mean(e[:, 1])), 0.0))
        for (pace, kind), values in beyond.items():
            floor = 0.0 if pace == "run" else UNLIKE_FIGURES**2
            out[pace, rate, kind] = np.maximum.accumulate(np.array(values)) + floor
    return out


def _hold(
    pairs: dict[tuple[Pace, EventKind], list[tuple[float, float]]],
    sample: Sample,
    rate: int,
    noise: float,
    model: Model,
    rng: np.random.Generator,
) -> None:
    """Append (error, expected variance) of every whole support of a sample, in spans."""
    for w, whole, contacts in legs_of(sample, rate, rng, noise):
        for column, kind in enumerate(KINDS):
            for support, contact, got in zip(whole, contacts, estimates(w, whole, kind, model, sample.pace)):
                if got is not None:
                    error = (got.time_s - contact[column]) / support.span_s
                    pairs.setdefault((sample.pace, kind), []).append(
                        (error, (got.sd_s / support.span_s) ** 2)
                    )


def main() -> None:
    """Fit and write."""
    all_samples = samples()
    rows = rows_of(all_samples)
    extra = held_out_extra(all_samples, held_out_models(rows))
    for key, value in sorted(extra.items()):
        print(key, "extra SD, % of the span, by noise level:", np.round(np.sqrt(value) * 100, 2))
    TARGET.parent.mkdir(exist_ok=True)
    np.savez_compressed(TARGET, **to_arrays(with_extra(fitted(rows), extra)))  # type: ignore[arg-type]
    print(f"{TARGET.name}: {TARGET.stat().st_size // 1024} kB")


if __name__ == "__main__":
    main()
