"""All that the benchmark reports, as tables: fitted on one half of the cases, checked on the other."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from benchmarks.accuracy import judged as j
from benchmarks.accuracy.cases import LONGEST, Case
from benchmarks.accuracy.fitting import bare, event_rows_of, fitted_table
from benchmarks.accuracy.seen import seen_case
from technique import error_model as em
from technique.error_model import ErrorTable

SPLIT_SEED: Final = 5
SOURCE: Final = "rendered runners, python -m benchmarks.accuracy"


@dataclass(frozen=True)
class Study:
    """What came out.

    Attributes
    ----------
    cases : DataFrame
        One row per case: factors, what the program saw of the view, refusals.
    measures : DataFrame
        One row per case, measure and side, with the interval that a table fitted on the other half
        of the cases claims (``low``, ``high``), the same without the strides' own variation
        (``half_exact``), and ``inside`` / ``inside_exact``.
    events, angles, legs : DataFrame
    table : ErrorTable
        Fitted on all cases.
    """

    cases: pd.DataFrame
    measures: pd.DataFrame
    events: pd.DataFrame
    angles: pd.DataFrame
    legs: pd.DataFrame
    table: ErrorTable


def fold_of(number: int) -> int:
    """Half (0 or 1) of a case; the same whatever the number of cases run."""
    order = np.random.default_rng(SPLIT_SEED).permutation(LONGEST)
    return int(order[number] % 2)


def half_without(parts: dict[str, float], *names: str) -> float:
    """The combined half-width without some of its parts."""
    return em.combined({k: v for k, v in parts.items() if k not in names})


def with_inside(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Adds ``inside`` and ``inside_exact`` to measured rows."""
    for r in rows:
        if "error" in r:
            r["half"] = (r["high"] - r["low"]) / 2
            r["half_exact"] = half_without(r["parts"], "strides")
            r["inside"] = abs(r["error"]) <= r["half"]
            r["inside_exact"] = abs(r["error"]) <= r["half_exact"]
    return rows


@dataclass(frozen=True)
class _Case:
    """One case after the first stage."""

    held: j.Held
    events: list[dict[str, Any]]
    angles: list[dict[str, Any]]
    legs: dict[str, Any]

    @property
    def number(self) -> int:
        return self.held.seen.case.number

    @property
    def fit(self) -> bool:
        """True where the case tells of errors, and not of sides taken the wrong way round."""
        return self.held.motion is not None and not j.sides_turned(self.held)


def _first(number_and_folder: tuple[Case, Path]) -> _Case | None:
    case, folder = number_and_folder
    seen = seen_case(case, folder)
    if seen is None:
        return None
    h = j.held(seen)
    if h.motion is None:
        return _Case(h, [], [], {})
    bad, told = j.exchanged(h.track, h.seen.truth)
    angles = [
        {
            "case": case.number,
            "angle": name,
            "n": len(e),
            "mae": _mean_abs(e),
            "bias": _mean(e),
            "rms": _rms(e),
        }
        for name, e in j.angle_errors(h).items()
        if len(e)
    ]
    return _Case(h, j.event_rows(h), angles, {"case": case.number, "bad": bad, "told": told})


def _rows(one_and_table: tuple[j.Held, ErrorTable]) -> list[dict[str, Any]]:
    one, table = one_and_table
    return _with_view(one, j.measure_rows(one, table))


def study(chosen: list[Case], folder: Path, start: ErrorTable, workers: int = 1) -> Study:
    """Run the technique stage on everything in the cache and hold it against the truth.

    Parameters
    ----------
    chosen : list of Case
    folder : Path
        The cache that `seen.look` filled.
    start : ErrorTable
        Rows for what the cases cannot tell.
    workers : int
        Processes.
    """
    with ProcessPoolExecutor(workers) as pool:
        done = [c for c in pool.map(_first, [(c, folder) for c in chosen]) if c is not None]
        good = [c for c in done if c.held.motion is not None]
        made = f"fitted on {sum(c.fit for c in good)} rendered runners; n = 0: from literature or judged"

        def fitted(train: list[_Case]) -> tuple[ErrorTable, dict[int, list[dict[str, Any]]]]:
            source = f"{len(train)} {SOURCE}"
            events = event_rows_of([r for c in train for r in c.events], source)
            plain = bare(start).model_copy(update={"event_error": events})
            rows = dict(zip([c.number for c in train], pool.map(_rows, [(c.held, plain) for c in train])))
            table = fitted_table([r for own in rows.values() for r in own], start, made, source)
            return table.model_copy(update={"event_error": events}), rows

        halves = [fitted([c for c in good if c.fit and fold_of(c.number) != fold])[0] for fold in (0, 1)]
        final, plain_rows = fitted([c for c in good if c.fit])
        tested = pool.map(_rows, [(c.held, halves[fold_of(c.number)]) for c in good])
        measures: list[dict[str, Any]] = []
        for c, rows in zip(good, tested):
            raw = {(r["key"], r["side"]): r.get("error") for r in plain_rows.get(c.number, [])}
            for r in with_inside(rows):
                r["raw_error"] = raw.get((r["key"], r["side"]))
                measures.append(r)
    events = []
    for c in good:
        events += _with_widened(c.events, halves[fold_of(c.number)])
    return Study(
        cases=pd.DataFrame([_case_facts(c.held) for c in done]),
        measures=pd.DataFrame(measures),
        events=pd.DataFrame(events),
        angles=pd.DataFrame([r for c in good for r in c.angles]),
        legs=pd.DataFrame([c.legs for c in good]),
        table=final,
    )


def _with_widened(rows: list[dict[str, Any]], table: ErrorTable) -> list[dict[str, Any]]:
    """Event rows with whether the widened interval holds."""
    known = {(r.kind, r.distance): r for r in table.event_error}
    out = []
    for r in rows:
        row = known.get((r["kind"], r["side"]))
        if row is not None and "error_ms" in r:
            half = np.hypot(r["half_ms"], 1000 * em.Z95 * row.sd) + 1000 * abs(row.bias)
            r = r | {"inside": abs(r["error_ms"]) <= half, "inside_own": r["inside"], "claimed_ms": half}
        out.append(r)
    return out


def _case_facts(h: j.Held) -> dict[str, Any]:
    out = j.facts(h)
    out["view"] = _view(h) if h.motion is not None else "poor"
    return out


def _view(h: j.Held) -> str:
    assert h.motion is not None
    return em.view_class(h.motion.yaw_deg, h.motion.leg_px)


def _with_view(h: j.Held, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [r | {"view": _view(h)} for r in rows]


def _mean(e: Any) -> float:
    return float(np.mean(e))


def _mean_abs(e: Any) -> float:
    return float(np.abs(e).mean())


def _rms(e: Any) -> float:
    return float(np.sqrt((e**2).mean()))
