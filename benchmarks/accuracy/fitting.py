"""From cases with known truth to rows of the error table.

The bias of a row is the mean error. Its spread is the least that makes the claimed 95 % intervals
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
from technique.error_model import Distance, ErrorRow, ErrorTable, EventRow, View

FloatArray = NDArray[np.float64]
LEFT_OUT: Final = ("model", "model bias", "strides")
"""Parts that are fitted, and the one that exact repeats do not have."""
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
CANCELLING: Final = frozenset(("step_frequency", "stride_time"))
"""Times from one landing to another: an event that ends one step begins the next, so that over n
steps in a row its error shrinks with n, not with the root of n."""
LEAST_TIMING_SHARE: Final = 0.5
LEAST_SHARE: Final = 0.75
"""Of an event's own interval not more than this much is taken away, whatever rendered runners show."""
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


def row_of(
    key: str, unit: str, distance: Distance, view: View, rows: list[dict[str, Any]], source: str
) -> ErrorRow:
    """One row of the table from judged cases (see `judged.measure_rows`)."""
    relative = key in RELATIVE
    size = np.array([abs(r["value"]) if relative else 1.0 for r in rows])
    errors = np.array([r["error"] for r in rows]) / size
    bias = float(errors.mean())
    share = _timing_share(rows, errors, bias) if key in CANCELLING else 1.0
    needed = []
    for r, e, unit_size in zip(rows, errors, size):
        timing = {k: share * r["parts"].get(k, 0.0) for k in em.TIMING_PARTS}
        square, linear = others({**r["parts"], **timing})
        needed.append(needed_spread(e, bias, square / unit_size, linear / unit_size))
    return ErrorRow(
        key=key,
        unit=unit,
        distance=distance,
        view=view,
        bias=_rounded(bias),
        # Not less than what the bias itself is uncertain by.
        sd=_rounded(max(fitted_spread(np.array(needed)), float(errors.std(ddof=1)) / len(rows) ** 0.5)),
        n=len(rows),
        source=source,
        relative=relative,
        timing_share=share,
    )


def _timing_share(rows: list[dict[str, Any]], errors: FloatArray, bias: float) -> float:
    """Share of the timing parts at which 95 % of cases are just held, rounded up."""
    claimed = np.array([others(r["parts"])[0] for r in rows])
    share = fitted_spread(np.maximum(np.abs(errors) - abs(bias), 0.0) / np.maximum(claimed, 1e-9))
    return float(np.clip(np.ceil(20 * share) / 20, LEAST_TIMING_SHARE, 1.0))


def event_rows_of(judged: list[dict[str, Any]], source: str) -> tuple[EventRow, ...]:
    """Rows for events from `judged.event_rows`; the spread as for measures."""
    out = []
    kinds: tuple[Literal["touchdown", "toe_off"], ...] = ("touchdown", "toe_off")
    places: tuple[Distance, ...] = ("near", "far")
    for kind in kinds:
        for place in places:
            own = [r for r in judged if r["kind"] == kind and r["side"] == place and "error_ms" in r]
            if len(own) < LEAST_GROUP:
                continue
            errors = np.array([r["error_ms"] for r in own]) / 1000
            bias = float(errors.mean())
            halves = np.array([r["half_ms"] for r in own]) / 1000
            share = fitted_spread(np.maximum(np.abs(errors) - abs(bias), 0.0) / halves)
            share = float(np.clip(share, LEAST_SHARE, 1.0))
            needed = [needed_spread(e, bias, share * h, 0.0) for e, h in zip(errors, halves)]
            out.append(
                EventRow(
                    kind=kind,
                    distance=place,
                    bias=_rounded(bias),
                    sd=_rounded(fitted_spread(np.array(needed))),
                    n=len(own),
                    source=source,
                    share=_rounded(share),
                )
            )
    return tuple(out)


def _rounded(value: float) -> float:
    return float(f"{value:.3g}")


def bare(table: ErrorTable) -> ErrorTable:
    """The table without any model error, so that every reading shows and only the other parts count."""
    rows = tuple(r.model_copy(update={"bias": 0.0, "sd": 0.0}) for r in table.model_error)
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
    made_rows: dict[tuple[str, Distance, View], ErrorRow] = {}
    for (key, place, view), rows in groups.items():
        if len(rows) >= LEAST_GROUP:
            made_rows[key, place, view] = row_of(key, rows[0]["unit"], place, view, rows, source)
    kept = [r for r in start.model_error if (r.key, r.distance, "any") not in made_rows and r.view == "any"]
    order = {r.key: i for i, r in enumerate(start.model_error)}
    whole = sorted(
        [*made_rows.values(), *kept], key=lambda r: (order.get(r.key, 999), r.distance == "far", r.view)
    )
    return start.model_copy(update={"made": made, "model_error": tuple(whole)})
