"""Where in the gait cycle two sets of strides differ: statistical parametric mapping.

The test treats every stride as a draw of its own. Strides of one clip are not quite that, and they
say nothing of another day, so a part that differs describes these clips; whether it is more than the
repeat error is said beside it.

References
----------
Pataky TC (2012) One-dimensional statistical parametric mapping in Python. Comput Methods Biomech
    Biomed Engin 15:295-301.
Nichols TE, Holmes AP (2002) Nonparametric permutation tests for functional neuroimaging. Hum Brain
    Mapp 15:1-25.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Final, Literal

import numpy as np
import spm1d
from numpy.typing import NDArray

from shared.analysis import Curve
from shared.landmarks import SideOrBoth
from shared.units import written
from technique.reliability import minimal_detectable_change
from technique.repeat_table import curve_row

FloatArray = NDArray[np.float64]
Method = Literal["parametric", "permutation", "none"]

PARAMETRIC_FROM: Final[int] = 7
"""Strides in each set from which the random-field form is used (a judgement, after the 7 steps of
Dingenen et al. 2018)."""
ALPHA: Final[float] = 0.05
PERMUTATIONS: Final[int] = 2000
CURVE_NAMES: Final[dict[str, str]] = {
    "trunk": "trunk lean",
    "thigh": "thigh angle",
    "hip": "hip angle",
    "knee": "knee angle",
    "ankle": "ankle angle",
    "elbow": "elbow angle",
    "upper_arm": "upper-arm angle",
}


@dataclass(frozen=True)
class SpmResult:
    """A two-tailed test along the cycle.

    Attributes
    ----------
    t : (101,) array
    threshold : float
        |t| beyond it happens by chance anywhere in the cycle in 5 %.
    parts : tuple of (start %, end %, p)
        Where |t| is beyond it.
    method : {"parametric", "permutation"}
    """

    t: FloatArray
    threshold: float
    parts: tuple[tuple[float, float, float], ...]
    method: Method


@dataclass(frozen=True)
class DifferingPart:
    """A part of the cycle in which two curves differ.

    Attributes
    ----------
    start, end : float
        % of the gait cycle.
    difference : float
        Mean of second minus first over the part, deg.
    p : float
    beyond_repeat : bool
        That difference is larger than the repeat error of a point allows (minimal detectable change).
    """

    start: float
    end: float
    difference: float
    p: float
    beyond_repeat: bool


@dataclass(frozen=True)
class CurveComparison:
    """Two curves of one joint and side.

    Attributes
    ----------
    key, side : str
    percent : (101,) array
    before_mean, before_sd, after_mean, after_sd : (101,) array
        deg.
    before_n, after_n : int
        Strides.
    parts : tuple of DifferingPart
    detectable : float
        Minimal detectable change of a point of the curve, deg.
    method : {"parametric", "permutation", "none"}
    sentence : str
        To be printed unchanged.
    """

    key: str
    side: SideOrBoth
    percent: FloatArray
    before_mean: FloatArray
    before_sd: FloatArray
    after_mean: FloatArray
    after_sd: FloatArray
    before_n: int
    after_n: int
    parts: tuple[DifferingPart, ...]
    detectable: float
    method: Method
    sentence: str


def differing_parts(
    first: FloatArray,
    second: FloatArray,
    *,
    paired: bool = False,
    permutation: bool = False,
    equal_spread: bool = False,
    alpha: float = ALPHA,
) -> SpmResult:
    """Where two sets of curves differ; the one place where the mapping library is used.

    Parameters
    ----------
    first, second : (n, 101) array
        Curves without gaps.
    paired : bool
        Row i of both belongs together.
    permutation : bool
        The non-parametric form, for few curves.
    equal_spread : bool
        Two sets, parametric form: take both to vary alike (else Welch's degrees of freedom).
    alpha : float

    Returns
    -------
    SpmResult
        t is that of first minus second.

    Raises
    ------
    ValueError
        Fewer than 2 curves in a set, gaps, or points without any spread.
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if min(len(a), len(b)) < 2 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise ValueError("each set needs at least 2 curves without gaps")
    spread = (a - b).std(axis=0) if paired else a.std(axis=0) + b.std(axis=0)
    if not (spread > 0).all():
        raise ValueError("the curves do not vary somewhere, so there is nothing to judge a difference by")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if permutation:
            test = spm1d.stats.nonparam.ttest_paired if paired else spm1d.stats.nonparam.ttest2
            made = test(a, b)
            possible = 2 ** len(a) if paired else comb(len(a) + len(b), len(a))
            # -1: every arrangement, where there are few.
            draws = -1 if possible <= PERMUTATIONS else PERMUTATIONS
            state = np.random.get_state()  # noqa: NPY002 - the library draws from the global state
            np.random.seed(0)  # noqa: NPY002
            try:
                found = made.inference(alpha, two_tailed=True, iterations=draws)
            finally:
                np.random.set_state(state)  # noqa: NPY002
        else:
            made = (
                spm1d.stats.ttest_paired(a, b) if paired else spm1d.stats.ttest2(a, b, equal_var=equal_spread)
            )
            found = made.inference(alpha, two_tailed=True)
    parts = tuple((float(c.endpoints[0]), float(c.endpoints[1]), float(c.P)) for c in found.clusters)
    return SpmResult(
        np.asarray(found.z, dtype=float),
        float(found.zstar),
        parts,
        "permutation" if permutation else "parametric",
    )


def compare_curves(before: Curve, after: Curve, same_day: bool, sem: float | None = None) -> CurveComparison:
    """Two curves of the same joint and side, and the parts of the cycle that differ.

    Parameters
    ----------
    before, after : Curve
        Of one take each (see `technique.pooling.pooled_curves`). Whether the takes may be compared at
        all is `technique.takes`' to say.
    same_day : bool
    sem : float, optional
        Repeat error of the curve, deg; default by the table.

    Raises
    ------
    ValueError
        If joint or side differ.
    """
    if (before.key, before.side) != (after.key, after.side):
        raise ValueError("give two curves of the same joint and side")
    error = curve_row(before.key).sem(1.0, same_day) if sem is None else sem
    detectable = minimal_detectable_change(error)
    a, b = _whole(before.strides), _whole(after.strides)
    method, why = _method(len(a), len(b))
    parts: tuple[DifferingPart, ...] = ()
    if method != "none":
        try:
            result = differing_parts(b, a, permutation=method == "permutation")
            parts = tuple(_part(p, before, after, detectable) for p in result.parts)
        except ValueError:
            method, why = "none", "the strides do not vary, so there is nothing to judge by"
    name = CURVE_NAMES.get(before.key, before.key) + ("" if before.side == "both" else f", {before.side}")
    return CurveComparison(
        before.key,
        before.side,
        np.arange(101, dtype=float),
        before.mean,
        before.sd,
        after.mean,
        after.sd,
        before.n,
        after.n,
        parts,
        detectable,
        method,
        _sentence(name, parts, method, why, detectable),
    )


def compare_all_curves(
    before: Sequence[Curve], after: Sequence[Curve], same_day: bool
) -> tuple[CurveComparison, ...]:
    """Every joint and side that both have."""
    other = {(c.key, c.side): c for c in after}
    return tuple(
        compare_curves(c, other[c.key, c.side], same_day) for c in before if (c.key, c.side) in other
    )


def _whole(strides: FloatArray) -> FloatArray:
    out: FloatArray = strides[np.isfinite(strides).all(axis=1)]
    return out


def _method(n: int, m: int) -> tuple[Method, str]:
    if min(n, m) >= PARAMETRIC_FROM:
        return "parametric", ""
    # The smallest p that the arrangements of n + m strides can give, two-tailed.
    if min(n, m) >= 2 and 2.0 / comb(n + m, n) <= ALPHA:
        return "permutation", ""
    return "none", f"{n} and {m} strides are too few for a test, 4 of each are needed"


def _part(found: tuple[float, float, float], before: Curve, after: Curve, detectable: float) -> DifferingPart:
    start, end, p = found
    inside = slice(int(np.floor(start)), int(np.ceil(end)) + 1)
    d = (after.mean - before.mean)[inside]
    # The mean, which is the number told: the largest of many points passes the limit of one too easily.
    return DifferingPart(start, end, float(d.mean()), p, bool(abs(d.mean()) > detectable))


def _sentence(name: str, parts: Sequence[DifferingPart], method: Method, why: str, detectable: float) -> str:
    if method == "none":
        return f"{name}: the curves are shown but not tested: {why}."
    if not parts:
        return f"{name}: no part of the cycle differs by more than the strides vary."
    beyond = [p for p in parts if p.beyond_repeat]
    told = ", ".join(f"{p.start:.0f}–{p.end:.0f} % ({written(p.difference, 1, sign=True)}°)" for p in parts)
    if not beyond:
        return (
            f"{name}: the strides of these clips differ at {told} of the cycle, but by no more than the "
            f"{detectable:.1f}° that repeating the take alone can bring."
        )
    which = "this is" if len(parts) == 1 else f"{len(beyond)} of {len(parts)} parts are"
    return (
        f"{name}: differs at {told} of the cycle; {which} more than the {detectable:.1f}° that repeating the "
        "take alone can bring."
    )
