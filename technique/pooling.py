"""Several passes of one session made one: a still camera sees only two or three strides a pass.

Passes are pooled by the random-effects model: pass i shows y_i = mu + b_i + e_i, where e_i is its
own error over strides (variance v_i) and b_i is how much this pass differs (variance tau^2, found
by Paule and Mandel). Weights are 1 / (v_i + tau^2), so passes with more strides count more, though
never so much that one long pass silences the others. Parts of the error:

=============  ===============================================================================
over strides   ("strides", "frame rate", "events", "landmark noise") shrink: root of the sum of
               squares of weight times half-width
passes         Student t times the root of tau^2 times the sum of squared weights
all others     (pose model, scale, camera, ...) are the same in every pass and do not shrink: the
               weighted mean
=============  ===============================================================================

Two or three passes give a poor tau^2 (often 0), so, as strides are in `technique.error_model`, it is
pooled with a typical value that counts as `PRIOR_PASSES` passes: half the typical SD of strides.

Each side is taken from the passes in which it was nearest to the camera; only where there is none
from the others. So a pass from the left and one from the right give both sides well.

References
----------
DerSimonian R, Laird N (1986) Meta-analysis in clinical trials. Control Clin Trials 7:177-188.
Paule RC, Mandel J (1982) Consensus values and weighting factors. J Res Natl Bur Stand 87:377-385.
Veroniki AA et al. (2016) Methods to estimate the between-study variance and its uncertainty in
meta-analysis. Res Synth Methods 7:55-79 (recommends Paule and Mandel's).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import brentq

from shared.analysis import Analysis, Curve, Measure
from shared.catalogue import CURVES, SYMMETRY_PREFIX
from shared.history_values import SeriesPoint, Session
from shared.landmarks import Side, SideOrBoth
from technique import error_model as em
from technique.curves import TYPICAL_SD_DEG
from technique.error_model import ErrorTable
from technique.measures import limited, strike_label
from technique.measures_readings import RANDOM_PARTS
from technique.reliability import t95
from technique.symmetry import symmetries

FloatArray = NDArray[np.float64]

PRIOR_PASSES: Final[float] = 4.0
"""Weight of the typical pass-to-pass spread, in passes (a judgement, as for strides)."""
PRIOR_SHARE: Final[float] = 0.5
"""Typical pass-to-pass SD as a share of the typical SD of strides (a judgement, no source)."""
STRIDE_PARTS: Final[tuple[str, ...]] = ("strides", *RANDOM_PARTS)
OWN_OF_A_PASS: Final[tuple[str, ...]] = ("camera roll", "scale")
"""Shared by both sides of one pass; two passes in opposite directions do not share them."""


def dersimonian_laird(values: FloatArray, variances: FloatArray) -> FloatArray:
    """Variance between passes in closed form.

    Parameters
    ----------
    values, variances : (k, ...) array
        Value and squared standard error of each pass.

    Returns
    -------
    (...) array
        tau^2 = (Q - (k - 1)) / (S1 - S2 / S1), not below 0; DerSimonian and Laird 1986.
    """
    w = 1.0 / variances
    s1, s2 = w.sum(axis=0), (w**2).sum(axis=0)
    mean = (w * values).sum(axis=0) / s1
    q = (w * (values - mean) ** 2).sum(axis=0)
    tau2: FloatArray = np.maximum((q - (len(values) - 1)) / (s1 - s2 / s1), 0.0)
    return tau2


def paule_mandel(values: FloatArray, variances: FloatArray) -> float:
    """Variance between passes: the tau^2 at which Q, with weights 1 / (v + tau^2), is k - 1.

    Parameters
    ----------
    values, variances : (k,) array, k >= 2
        Value and squared standard error (above 0) of each pass.
    """

    def excess(tau2: float) -> float:
        w = 1.0 / (variances + tau2)
        mean = (w * values).sum() / w.sum()
        return float((w * (values - mean) ** 2).sum() - (len(values) - 1))

    if excess(0.0) <= 0.0:
        return 0.0
    # Q falls below sum((y - mean)^2) / tau^2, so beyond this it is under k - 1.
    upper = float(((values - values.mean()) ** 2).sum()) / (len(values) - 1) + float(variances.max())
    return float(brentq(excess, 0.0, upper, xtol=1e-14 * upper, rtol=1e-12))


def moderated(tau2: float | FloatArray, passes: int, typical_sd: float) -> tuple[float | FloatArray, float]:
    """The spread between passes pooled with the typical one, and its degrees of freedom."""
    freedom = PRIOR_PASSES + passes - 1
    prior = (PRIOR_SHARE * typical_sd) ** 2
    return (PRIOR_PASSES * prior + (passes - 1) * tau2) / freedom, freedom


def pooled_measure(
    measures: Sequence[Measure], near_sides: Sequence[Side], table: ErrorTable | None = None
) -> Measure:
    """One value of the passes of a session.

    Parameters
    ----------
    measures : sequence of Measure
        The same key and side of each pass, at least one.
    near_sides : sequence of {"left", "right"}
        Side towards the camera in each pass.
    table : ErrorTable, optional

    Returns
    -------
    Measure
        `n` counts all strides behind it. With one pass that measures it, that pass's own measure.
        `frame` is None otherwise: frames belong to clips.

    Raises
    ------
    ValueError
        If keys, sides or units differ, or there is nothing to pool.
    """
    kinds = {(m.key, m.side, m.unit) for m in measures}
    if len(kinds) != 1 or len(measures) != len(near_sides):
        raise ValueError("give at least one measure, all of one key, side and unit, with a near side each")
    used = _chosen(measures, near_sides)
    if len(used) < 2:
        return used[0]
    first = used[0]
    table = table or em.error_table()
    typical = _typical_sd(first.key, used, table)
    values = np.array([m.value for m in used], dtype=float)
    variances = np.array([_stride_variance(m, typical) for m in used])
    tau2, freedom = moderated(paule_mandel(values, variances), len(used), typical)
    weights = 1.0 / (variances + tau2)
    weights /= weights.sum()
    value = float(weights @ values)
    parts = {}
    for name in sorted({name for m in used for name in m.error_parts}):
        each = np.array([m.error_parts.get(name, 0.0) for m in used])
        random = name in STRIDE_PARTS
        parts[name] = float(np.sqrt(np.sum((weights * each) ** 2)) if random else weights @ each)
    spread = np.sqrt(tau2 * np.sum(weights**2))
    parts["passes"] = float(t95(freedom) * spread)
    half = em.combined(parts)
    low, high = value - half, value + half
    label = strike_label(low, high) if first.key == "strike_pattern" else None
    n = sum(m.n for m in used)
    made = replace(first, value=value, low=low, high=high, n=n, frame=None, error_parts=parts, label=label)
    return made if first.key.startswith(SYMMETRY_PREFIX) else limited(made)


def _chosen(measures: Sequence[Measure], near_sides: Sequence[Side]) -> list[Measure]:
    """What is measured, on the near side where there is any; else one reason why not."""
    side = measures[0].side
    near = [m for m, s in zip(measures, near_sides) if side in ("both", s)]
    for group in (near, measures):
        if found := [m for m in group if m.value is not None]:
            return found
    return [(near or list(measures))[0]]


def _stride_variance(m: Measure, typical: float) -> float:
    """Squared standard error over strides of a pass, from the half-widths it carries."""
    t = t95(em.PRIOR_STRIDES + max(m.n, 1) - 1)
    squares = (m.error_parts.get("strides", 0.0) / t) ** 2
    squares += sum((m.error_parts.get(name, 0.0) / em.Z95) ** 2 for name in RANDOM_PARTS)
    # Made of other measures (stiffness) or told by the user (belt speed): weighted by strides alone.
    return float(squares) if squares > 0 else typical**2 / max(m.n, 1)


def _typical_sd(key: str, used: Sequence[Measure], table: ErrorTable) -> float:
    """Typical SD of strides; for measures made of others, as much as their interval allows."""
    try:
        return table.typical(key)
    except KeyError:
        return max(em.combined(m.error_parts) for m in used) / em.Z95


def pooled(analyses: Sequence[Analysis], table: ErrorTable | None = None) -> tuple[Measure, ...]:
    """All measures of a session from the analyses of its passes.

    Parameters
    ----------
    analyses : sequence of Analysis
        Passes of one athlete in one condition, each clip once.
    table : ErrorTable, optional

    Returns
    -------
    tuple of Measure
        In the order of the first analysis that has them; symmetries are made anew of the pooled
        sides.

    Raises
    ------
    ValueError
        If there is no analysis, or a clip stands in it twice (its strides would count double).
    """
    _demand_once(analyses)
    if len(analyses) == 1:
        return analyses[0].measures
    return pooled_passes([a.measures for a in analyses], [a.near_side for a in analyses], table)


def pooled_passes(
    passes: Sequence[Sequence[Measure]], near_sides: Sequence[Side], table: ErrorTable | None = None
) -> tuple[Measure, ...]:
    """As `pooled`, from the measures of each pass alone (the history has them at hand).

    A symmetry whose two sides are not among them is pooled from the passes' own symmetries.
    """
    found: dict[tuple[str, SideOrBoth], list[tuple[Measure, Side]]] = {}
    sided = {(m.key, m.side) for measures in passes for m in measures}
    for measures, near in zip(passes, near_sides, strict=True):
        for m in measures:
            base = m.key.removeprefix(SYMMETRY_PREFIX)
            if base == m.key or not {(base, "left"), (base, "right")} <= sided:
                found.setdefault((m.key, m.side), []).append((m, near))
    out = [pooled_measure([m for m, _ in own], [s for _, s in own], table) for own in found.values()]
    two_directions = len(set(near_sides)) > 1
    paired = {m.key for m in out if m.side == "left"} & {m.key for m in out if m.side == "right"}
    sides = [m for m in out if m.side != "both" and m.key in paired]
    return (*out, *symmetries([_own_parts(m) for m in sides] if two_directions else sides))


def pooled_sessions(
    points: Sequence[SeriesPoint], table: ErrorTable | None = None
) -> tuple[tuple[Session, tuple[Measure, ...]], ...]:
    """Sessions with their pooled measures, from points of the history.

    Parameters
    ----------
    points : sequence of SeriesPoint
        As `shared.history` gives them: one measure over time (`series`), a session
        (`session_points`) or an athlete of the squad.
    table : ErrorTable, optional

    Returns
    -------
    tuple of (Session, tuple of Measure)
        In the order of `points`. A session of one clip keeps that clip's measures.
    """
    days: dict[str | None, Session] = {}
    clips: dict[str | None, dict[str, list[SeriesPoint]]] = {}
    for p in points:
        days.setdefault(p.session.id, p.session)
        clips.setdefault(p.session.id, {}).setdefault(p.analysis.clip, []).append(p)
    out = []
    for key, day in days.items():
        passes = [[p.measure for p in own] for own in clips[key].values()]
        near = [own[0].analysis.near_side for own in clips[key].values()]
        out.append((day, tuple(passes[0]) if len(passes) == 1 else pooled_passes(passes, near, table)))
    return tuple(out)


def _own_parts(m: Measure) -> Measure:
    """The measure with errors that belong to its passes alone under names of their own."""
    parts = {f"{k} of the passes" if k in OWN_OF_A_PASS else k: v for k, v in m.error_parts.items()}
    return replace(m, error_parts=parts)


def pooled_curves(analyses: Sequence[Analysis]) -> tuple[Curve, ...]:
    """The ensemble curves of a session: all strides of its passes, near sides preferred.

    Parameters
    ----------
    analyses : sequence of Analysis
        As for `pooled`.

    Returns
    -------
    tuple of Curve
        Every stride counts alike. The half-width takes the strides' share of each pass together,
        adds the spread between passes (DerSimonian and Laird at each percent, moderated as for
        measures), and keeps the rest as in the passes.

    Raises
    ------
    ValueError
        As for `pooled`.
    """
    _demand_once(analyses)
    found: dict[tuple[str, SideOrBoth], list[tuple[Curve, bool]]] = {}
    for a in analyses:
        for c in a.curves:
            found.setdefault((c.key, c.side), []).append((c, c.side in ("both", a.near_side)))
    out = []
    for own in found.values():
        near = [c for c, is_near in own if is_near]
        out.append(_pooled_curve(near or [c for c, _ in own]))
    order = {key: i for i, key in enumerate(CURVES)}
    return tuple(sorted(out, key=lambda c: (order.get(c.key, len(order)), c.side)))


def _pooled_curve(own: Sequence[Curve]) -> Curve:
    if len(own) == 1:
        return own[0]
    strides = np.concatenate([c.strides for c in own])
    n = len(strides)
    share = np.array([c.n / n for c in own])[:, None]
    freedom = np.array([em.PRIOR_STRIDES + c.n - 1 for c in own])[:, None]
    sd = np.stack([c.sd if c.n > 1 else np.zeros(101) for c in own])
    variance = (em.PRIOR_STRIDES * TYPICAL_SD_DEG**2 + (freedom - em.PRIOR_STRIDES) * sd**2) / freedom
    variance /= np.array([c.n for c in own])[:, None]
    random = stats.t.ppf(0.975, freedom) * np.sqrt(variance)
    rest = np.sqrt(np.maximum(np.stack([c.half_width for c in own]) ** 2 - random**2, 0.0))
    tau2, passes = moderated(
        dersimonian_laird(np.stack([c.mean for c in own]), variance), len(own), TYPICAL_SD_DEG
    )
    squares = ((share * random) ** 2).sum(axis=0) + (share * rest).sum(axis=0) ** 2
    squares = squares + stats.t.ppf(0.975, passes) ** 2 * tau2 * (share**2).sum()
    first = own[0]
    return Curve(
        first.key, first.side, strides.mean(axis=0), strides.std(axis=0, ddof=1), np.sqrt(squares), strides, n
    )


def _demand_once(analyses: Sequence[Analysis]) -> None:
    if not analyses:
        raise ValueError("there is no pass to pool")
    if len({a.clip.sha256 for a in analyses}) < len(analyses):
        raise ValueError("a clip stands in it twice")
