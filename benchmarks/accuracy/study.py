"""All that the benchmark reports, as tables: fitted on one half of the cases, checked on the other."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from benchmarks.accuracy import judged as j
from benchmarks.accuracy.cases import LONGEST, Case
from benchmarks.accuracy.fitting import bare, fitted_table
from benchmarks.accuracy.seen import seen_cases
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


def study(chosen: list[Case], folder: Path, start: ErrorTable) -> Study:
    """Run the technique stage on everything in the cache and hold it against the truth.

    Parameters
    ----------
    chosen : list of Case
    folder : Path
        The cache that `seen.look` filled.
    start : ErrorTable
        Rows for what the cases cannot tell.
    """
    everything = [j.held(s) for s in seen_cases(chosen, folder)]
    good = [h for h in everything if h.motion is not None]
    usable = [h for h in good if not j.sides_turned(h)]
    zero = bare(start)
    plain = {h.seen.case.number: _with_view(h, j.measure_rows(h, zero)) for h in good}
    fit_rows = {h.seen.case.number: plain[h.seen.case.number] for h in usable}
    made = f"fitted on {len(fit_rows)} rendered runners; rows with n = 0 from literature or judged"
    source = f"{len(fit_rows)} {SOURCE}"
    tables = []
    for fold in (0, 1):
        train = [r for n, rows in fit_rows.items() if fold_of(n) != fold for r in rows]
        tables.append(fitted_table(train, start, made, source))
    final = fitted_table([r for rows in fit_rows.values() for r in rows], start, made, source)
    measures: list[dict[str, Any]] = []
    for h in good:
        rows = with_inside(_with_view(h, j.measure_rows(h, tables[fold_of(h.seen.case.number)])))
        raw = {(r["key"], r["side"]): r.get("error") for r in plain[h.seen.case.number]}
        for r in rows:
            r["raw_error"] = raw.get((r["key"], r["side"]))
        measures += rows
    angles = [
        {
            "case": h.seen.case.number,
            "angle": name,
            "n": len(e),
            "mae": _mean_abs(e),
            "bias": _mean(e),
            "rms": _rms(e),
        }
        for h in good
        for name, e in j.angle_errors(h).items()
        if len(e)
    ]
    legs = []
    for h in good:
        bad, told = j.exchanged(h.track, h.seen.truth)
        legs.append({"case": h.seen.case.number, "bad": bad, "told": told})
    return Study(
        cases=pd.DataFrame([_case_facts(h) for h in everything]),
        measures=pd.DataFrame(measures),
        events=pd.DataFrame([r for h in good for r in j.event_rows(h)]),
        angles=pd.DataFrame(angles),
        legs=pd.DataFrame(legs),
        table=final,
    )


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
