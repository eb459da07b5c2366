"""All that the benchmark reports, as tables: fitted on one half of the cases, checked on the other."""

from __future__ import annotations

import hashlib
import pickle
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from benchmarks.accuracy import judged as j
from benchmarks.accuracy.cases import LONGEST, Case
from benchmarks.accuracy.fitting import bare, event_rows_of, fitted_arm_out, fitted_table
from benchmarks.accuracy.seen import seen_case
from shared.analysis import Measure
from technique import error_model as em
from technique.angles import elbow_in_space
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
        of the cases claims (``low``, ``high``), the same without the parts that drawn runners cannot
        have (``half_exact``), ``inside`` / ``inside_exact``, and the error of the value as read
        (``raw_error``) beside that of the corrected one (``error``).
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
    """Adds ``inside`` and ``inside_exact`` to measured rows.

    "Exact" leaves out the parts that drawn runners cannot have: their strides repeat exactly, and
    the corrections were found on their like.
    """
    for r in rows:
        if "error" in r:
            r["half"] = (r["high"] - r["low"]) / 2
            r["half_exact"] = half_without(r["parts"], "strides", "model bias")
            r["inside"] = abs(r["error"]) <= r["half"]
            r["inside_exact"] = abs(r["error"]) <= r["half_exact"]
    return rows


@dataclass(frozen=True)
class _Case:
    """One case after the first stage; kept in the cache."""

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


def code_version() -> str:
    """Short hash of all that lies between the pixels and the errors."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parents[2]
    vision = (
        "sides", "sides_*", "world", "scale", "quality", "passes", "pan", "roll", "yaw", "lane", "track_clip",
        "time_sections", "timebase",
    )  # fmt: skip
    technique = ("smooth*", "filters", "angles", "body", "events*", "measures*", "error_*")
    files = [f for name in vision for f in root.glob(f"vision/{name}.py")]
    files += [f for name in technique for f in root.glob(f"technique/{name}.py")]
    files += [root / "technique/data/events_model.npz", Path(__file__).with_name("judged.py")]
    files.append(Path(__file__).with_name("truths.py"))
    for file in sorted(set(files)):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def _first(job: tuple[Case, Path, str]) -> _Case | None:
    case, folder, version = job
    kept, looked = folder / f"{case.name}.held.pkl", folder / f"{case.name}.seen.pkl"
    if kept.exists() and looked.exists() and kept.stat().st_mtime > looked.stat().st_mtime:
        stored: tuple[str, _Case] = pickle.loads(kept.read_bytes())
        if version in ("any", stored[0]):
            return stored[1]
    seen = seen_case(case, folder)
    if seen is None:
        return None
    h = j.held(seen)
    if h.motion is None:
        return _Case(h, [], [], {})
    bad, told = j.exchanged(h.track, h.seen.truth)
    angles = [_angle_row(case.number, name, e) for name, e in j.angle_errors(h).items() if len(e)]
    made = _Case(h, j.event_rows(h), angles, {"case": case.number, "bad": bad, "told": told})
    kept.write_bytes(pickle.dumps((code_version() if version == "any" else version, made)))
    return made


def _angle_row(number: int, name: str, e: Any) -> dict[str, Any]:
    return {
        "case": number, "angle": name, "n": len(e), "mae": _mean_abs(e), "bias": _mean(e), "rms": _rms(e),
    }  # fmt: skip


def _told_elbow(c: _Case, arm_out_deg: float) -> dict[str, Any] | None:
    """The near elbow as the program tells it, against the angle in space."""
    arm = j.near_arm(c.held)
    if arm is None:
        return None
    return _angle_row(c.number, "elbow_told_near", elbow_in_space(arm[0], arm_out_deg) - arm[1])


def _measured_with(
    pool: ProcessPoolExecutor, good: list[_Case], tables: dict[int, ErrorTable]
) -> dict[int, tuple[Measure, ...]]:
    """Measures of each case by the table of the half it is not in."""
    jobs = [(c.held, tables[fold_of(c.number)]) for c in good]
    return dict(zip([c.number for c in good], pool.map(_plain, jobs)))


def _plain(job: tuple[j.Held, ErrorTable]) -> tuple[Measure, ...]:
    return j.measures_of(*job)


def study(
    chosen: list[Case], folder: Path, start: ErrorTable, workers: int = 1, any_version: bool = False
) -> Study:
    """Run the technique stage on everything in the cache and hold it against the truth.

    What widens a case's events is fitted on the half of the cases it is not in, and so is the table
    that its measures are tested with.

    Parameters
    ----------
    chosen : list of Case
    folder : Path
        The cache that `seen.look` filled.
    start : ErrorTable
        Rows for what the cases cannot tell.
    workers : int
        Processes.
    any_version : bool
        Use what older code of the technique stage left in the cache.
    """
    version = "any" if any_version else code_version()
    with ProcessPoolExecutor(workers) as pool:
        done = [c for c in pool.map(_first, [(c, folder, version) for c in chosen]) if c is not None]
        good = [c for c in done if c.held.motion is not None]
        train = {k: [c for c in good if c.fit and k in (2, 1 - fold_of(c.number))] for k in (0, 1, 2)}
        source = {k: f"{len(train[k])} {SOURCE}" for k in train}
        events_of = {k: event_rows_of([r for c in train[k] for r in c.events], source[k]) for k in train}
        models = tuple(sorted({c.held.track.model for c in good}))
        ways = {
            k: {
                "event_error": events_of[k],
                "pose_models": models,
                "arm_out_deg": fitted_arm_out([a for c in train[k] if (a := j.near_arm(c.held)) is not None]),
            }
            for k in train
        }
        bases = {k: bare(start).model_copy(update=ways[k]) for k in train}
        plain = _measured_with(pool, good, bases)
    rows = {c.number: _with_view(c.held, j.measure_rows(c.held, plain[c.number])) for c in good}
    made = f"fitted on {len(train[2])} rendered runners; n = 0: from literature or judged"
    tables = {
        k: fitted_table([r for c in train[k] for r in rows[c.number]], start, made, source[k]).model_copy(
            update=ways[k]
        )
        for k in train
    }
    told = [_told_elbow(c, tables[fold_of(c.number)].arm_out_deg) for c in good]
    with ProcessPoolExecutor(workers) as pool:
        final = _measured_with(pool, good, tables)
    measures: list[dict[str, Any]] = []
    events: list[dict[str, Any]] = []
    for c in good:
        table = tables[fold_of(c.number)]
        raw = {(r["key"], r["side"]): r.get("error") for r in rows[c.number]}
        tested = _with_view(c.held, j.measure_rows(c.held, final[c.number]))
        for r in with_inside(tested):
            r["raw_error"] = raw.get((r["key"], r["side"]))
            measures.append(r)
        events += _with_widened(c.events, table)
    return Study(
        cases=pd.DataFrame([_case_facts(c.held) for c in done]),
        measures=pd.DataFrame(measures),
        events=pd.DataFrame(events),
        angles=pd.DataFrame([r for c in good for r in c.angles] + [r for r in told if r]),
        legs=pd.DataFrame([c.legs for c in good]),
        table=tables[2],
    )


def _with_widened(rows: list[dict[str, Any]], table: ErrorTable) -> list[dict[str, Any]]:
    """Event rows with whether the widened interval holds."""
    known = {(r.kind, r.distance): r for r in table.event_error}
    out = []
    for r in rows:
        row = known.get((r["kind"], r["side"]))
        if row is not None and "error_ms" in r:
            own = max(r["half_ms"] ** 2 - r["shared_ms"] ** 2, 0.0) ** 0.5
            half = 1000 * row.half_widths(r["shared_ms"] / 1000, own / 1000)[1]
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
