"""From cases with known truth to rows of the error table.

The bias of a row is the mean error. What of it is taken out of the value (`ErrorRow.correction`) is
the mean over all views, drawn towards zero by what it is uncertain by, and nothing where it is not
clear. The row's spread is the least that makes the claimed 95 % intervals of the corrected values
hold the truth in 95 % of cases like those fitted: for each case the spread that its own error
would need is worked out, and the ceil(0.95 (n + 1))-th smallest of them taken. Where errors of
cases can be exchanged for one another this holds for the next case in at least 95 % of times
(split conformal prediction; Vovk, Gammerman and Shafer 2005, from memory), whatever their
distribution; with fewer than 19 cases the largest is taken, and an allowance for few cases added.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from technique import error_model as em
from technique.angles import elbow_in_space
from technique.error_model import Distance, ErrorRow, ErrorTable, EventRow, View

FloatArray = NDArray[np.float64]
LEFT_OUT: Final = ("model", "model bias", "bias not taken out", "strides")
"""Parts that are fitted, and those that drawn runners do not have: their strides repeat exactly, and
the corrections were found on their like."""
NOT_CORRECTED: Final = frozenset(
    (
        "contact_time",
        "flight_time",
        "step_time",
        "step_frequency",
        "stride_time",
        "duty_factor",
        "step_length",
        "speed",
        "leg_stiffness",
        "vertical_stiffness",
        "vertical_force_peak",
        "hip_moment_swing_flexion",
        "hip_moment_swing_extension",
        "hip_power_swing_peak",
    )
)
"""Times, held against force on real people without a bias; lengths, whose scale is not the pose
model's; and estimates, whose error is no constant."""
CLEAR: Final = 2.0
"""A mean error is taken out when it is this many times its own standard error."""
RELATIVE: Final = frozenset(
    (
        "step_length",
        "speed",
        "thigh_angular_velocity_forward",
        "thigh_angular_velocity_back",
        "hip_moment_swing_flexion",
        "hip_moment_swing_extension",
        "hip_power_swing_peak",
    )
)
"""Measures that are some times larger in a sprint than in a jog: their error is a share of the value."""
LEAST_SHARE: Final = 0.75
"""Of what an event or the budget claims by itself not less than this is kept, whatever drawn runners show."""
LEAST_FISHER: Final = 1.282
"""How alike both feet are is taken at the lower end of its one-sided 90 % interval."""
LARGEST_ARM_OUT_DEG: Final = 35.0
LEAST_GROUP: Final = 6
"""Cases that a row of its own needs; fewer are pooled with all views."""


def others(parts: dict[str, float], leave_out: Iterable[str] = LEFT_OUT) -> tuple[float, float]:
    """Half-width of the other parts: (root of the sum of squares, sum of linear ones)."""
    left = {k: v for k, v in parts.items() if k not in leave_out}
    linear = sum(abs(left.get(k, 0.0)) for k in em.LINEAR_PARTS)
    return float(np.sqrt(sum(v * v for k, v in left.items() if k not in em.LINEAR_PARTS))), linear


def needed_spread(error: float, bias: float, square_part: float, linear_part: float) -> float:
    """The SD (of the part "model") at which an interval just holds its truth."""
    over = max(abs(error) - abs(bias) - linear_part, 0.0)
    return float(max(over**2 - square_part**2, 0.0) ** 0.5 / em.Z95)


def fitted_spread(needed: FloatArray) -> float:
    """The ceil(0.95 (n + 1))-th smallest; with fewer than 19 the largest, a little widened."""
    n = len(needed)
    rank = int(np.ceil(0.95 * (n + 1)))
    ordered = np.sort(needed)
    if rank <= n:
        return float(ordered[rank - 1])
    # The largest of n holds the next in n / (n + 1); what is missing to 95 % by the normal tail.
    from scipy import stats

    reached = stats.norm.ppf(0.5 + 0.5 * n / (n + 1))
    return float(ordered[-1] * em.Z95 / reached)


def _left(errors: FloatArray, correction: FloatArray) -> FloatArray:
    """Errors after the correction, as each case would have them if the mean were that of the others."""
    n = len(errors)
    return (errors - correction) * (n / (n - 1) if n > 1 and np.any(correction) else 1.0)


def _sizes(key: str, rows: list[dict[str, Any]]) -> FloatArray:
    return np.array([abs(r["value"]) if key in RELATIVE else 1.0 for r in rows])


def correction_of(key: str, rows: list[dict[str, Any]]) -> float:
    """What is taken out of a value: the mean error b, as b (1 - (se / b)^2); 0 where it is not clear.

    Parameters
    ----------
    key : str
    rows : list of dict
        Judged cases of one key and distance, all views.

    Returns
    -------
    float
        In the unit of the measure, or as a share of the value.
    """
    if key in NOT_CORRECTED or len(rows) < LEAST_GROUP:
        return 0.0
    errors = np.array([r["error"] for r in rows]) / _sizes(key, rows)
    bias, uncertain = float(errors.mean()), float(errors.std(ddof=1)) / len(rows) ** 0.5
    if abs(bias) <= CLEAR * uncertain:
        return 0.0
    return _rounded(bias * (1.0 - (uncertain / bias) ** 2))


def row_of(
    key: str,
    unit: str,
    distance: Distance,
    view: View,
    rows: list[dict[str, Any]],
    source: str,
    correction: float = 0.0,
    share: float = 1.0,
) -> ErrorRow:
    """One row of the table from judged cases (see `judged.measure_rows`) with values as read."""
    size = _sizes(key, rows)
    errors = np.array([r["error"] for r in rows]) / size
    left = _left(errors, np.full(len(rows), correction))
    needed = []
    for r, e, unit_size in zip(rows, left, size):
        square, linear = others(_shared(r["parts"], share))
        needed.append(needed_spread(e, 0.0, square / unit_size, linear / unit_size))
    return ErrorRow(
        key=key,
        unit=unit,
        distance=distance,
        view=view,
        bias=_rounded(float(errors.mean())),
        # Not less than what the mean error itself is uncertain by.
        sd=_rounded(max(fitted_spread(np.array(needed)), float(errors.std(ddof=1)) / len(rows) ** 0.5)),
        n=len(rows),
        source=source,
        relative=key in RELATIVE,
        share=share,
        correction=correction,
    )


def share_of(key: str, rows: list[dict[str, Any]], correction: float = 0.0) -> float:
    """Share of the tested parts with which, alone, 95 % of cases are just held, in steps of 0.05.

    Not less than `LEAST_SHARE`; 1 where even all of them do not hold so many.

    Parameters
    ----------
    key : str
    rows : list of dict
        Judged cases of one key and distance, all views.
    correction : float
        What is taken out of the value.
    """
    size = _sizes(key, rows)
    left = np.abs(_left(np.array([r["error"] for r in rows]), correction * size))
    rank = min(int(np.ceil(0.95 * (len(rows) + 1))), len(rows))
    for share in np.arange(LEAST_SHARE, 1.0, 0.05):
        claimed = np.array([sum(others(_shared(r["parts"], share))) for r in rows])
        if int((left <= claimed).sum()) >= rank:
            return _rounded(float(share))
    return 1.0


def _shared(parts: dict[str, float], share: float) -> dict[str, float]:
    return {k: share * v if k in em.TESTED_PARTS else v for k, v in parts.items()}


def event_rows_of(judged: list[dict[str, Any]], source: str) -> tuple[EventRow, ...]:
    """Rows for events from `judged.event_rows`.

    What single events are off by about the mean of their clip gives `own_sd`; what is beyond that
    gives the share of what the event itself says that all strides have in common, and the spread
    beyond this, as for measures.
    """
    out = []
    kinds: tuple[Literal["touchdown", "toe_off"], ...] = ("touchdown", "toe_off")
    places: tuple[Distance, ...] = ("near", "far")
    for kind in kinds:
        for place in places:
            own = [r for r in judged if r["kind"] == kind and r["side"] == place and "error_ms" in r]
            if len(own) < LEAST_GROUP:
                continue
            clips = _by_clip(own, "error_ms")
            freedom = sum(len(e) - 1 for e in clips.values())
            apart = sum(float(((e - e.mean()) ** 2).sum()) for e in clips.values())
            own_sd = (apart / max(freedom, 1)) ** 0.5 / 1000
            errors, whole, common = (
                np.array([r[column] for r in own]) / 1000 for column in ("error_ms", "half_ms", "shared_ms")
            )
            single = np.maximum(np.sqrt(np.maximum(whole**2 - common**2, 0.0)), em.Z95 * own_sd)
            over = np.sqrt(np.maximum(errors**2 - single**2, 0.0))
            share = float(np.clip(fitted_spread(over / common), LEAST_SHARE, 1.0))
            needed = [needed_spread(e, 0.0, share * h, 0.0) for e, h in zip(over, common)]
            out.append(
                EventRow(
                    kind=kind,
                    distance=place,
                    bias=_rounded(float(errors.mean())),
                    sd=_rounded(fitted_spread(np.array(needed))),
                    n=len(own),
                    source=source,
                    share=_rounded(share),
                    own_sd=_rounded(own_sd),
                    feet_alike=_feet_alike(judged, kind),
                )
            )
    return tuple(out)


def _by_clip(rows: list[dict[str, Any]], column: str) -> dict[int, FloatArray]:
    found: dict[int, list[float]] = {}
    for r in rows:
        found.setdefault(r["case"], []).append(r[column])
    return {case: np.array(v) for case, v in found.items()}


def _feet_alike(judged: list[dict[str, Any]], kind: str) -> float:
    """Correlation over clips of the near and the far foot's mean error; its lower bound, not below 0."""
    told = [r for r in judged if r["kind"] == kind and "error_ms" in r]
    near, far = (_by_clip([r for r in told if r["side"] == side], "error_ms") for side in ("near", "far"))
    both = sorted(near.keys() & far.keys())
    if len(both) < LEAST_GROUP:
        return 0.0
    r = float(np.corrcoef([near[c].mean() for c in both], [far[c].mean() for c in both])[0, 1])
    return _rounded(max(float(np.tanh(np.arctanh(r) - LEAST_FISHER / (len(both) - 3) ** 0.5)), 0.0))


def fitted_arm_out(arms: list[tuple[FloatArray, FloatArray]]) -> float:
    """How far a bent arm is taken to lead out of the plane, deg: least mean error of the elbow.

    Parameters
    ----------
    arms : list of (seen, true)
        Per clip the elbow angle as seen and in space, each (T,) deg.

    Returns
    -------
    float
        To half a degree; 0 with fewer than `LEAST_GROUP` clips.
    """
    if len(arms) < LEAST_GROUP:
        return 0.0
    tried = np.arange(0.0, LARGEST_ARM_OUT_DEG, 0.5)
    errors = [
        np.mean([np.abs(elbow_in_space(seen, out) - true).mean() for seen, true in arms]) for out in tried
    ]
    return float(tried[int(np.argmin(errors))])


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")


def bare(table: ErrorTable) -> ErrorTable:
    """The table without any model error, so that every reading shows and only the other parts count."""
    rows = tuple(r.model_copy(update={"bias": 0.0, "sd": 0.0, "correction": 0.0}) for r in table.model_error)
    return table.model_copy(update={"model_error": rows})


def fitted_table(judged: list[dict[str, Any]], start: ErrorTable, made: str, source: str) -> ErrorTable:
    """The table with fitted rows wherever there are enough cases, the start's rows elsewhere.

    Parameters
    ----------
    judged : list of dict
        Rows of `judged.measure_rows`, each with "view" beside.
    start : ErrorTable
        Keeps what was not fitted.
    """
    groups: dict[tuple[str, Distance, View], list[dict[str, Any]]] = {}
    for r in judged:
        if "error" not in r:
            continue
        place: Distance = "far" if r["side"] == "far" else "near"
        for view in (r["view"], "any"):
            groups.setdefault((r["key"], place, view), []).append(r)
    pooled: dict[tuple[str, Distance], tuple[float, float]] = {}
    for (key, place, view), rows in groups.items():
        if view == "any":
            correction = correction_of(key, rows)
            pooled[key, place] = correction, share_of(key, rows, correction)
    made_rows: dict[tuple[str, Distance, View], ErrorRow] = {}
    for (key, place, view), rows in groups.items():
        if len(rows) >= LEAST_GROUP:
            made_rows[key, place, view] = row_of(
                key, rows[0]["unit"], place, view, rows, source, *pooled[key, place]
            )
    kept = [r for r in start.model_error if (r.key, r.distance, "any") not in made_rows and r.view == "any"]
    order = {r.key: i for i, r in enumerate(start.model_error)}
    whole = sorted(
        [*made_rows.values(), *kept], key=lambda r: (order.get(r.key, 999), r.distance == "far", r.view)
    )
    return start.model_copy(update={"made": made, "model_error": tuple(whole)})
