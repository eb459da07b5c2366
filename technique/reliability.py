"""How well a measurement repeats: ICC, standard error of measurement, agreement, smallest change.

References
----------
Shrout PE, Fleiss JL (1979) Intraclass correlations: uses in assessing rater reliability. Psychol Bull
    86:420-428.
Bland JM, Altman DG (1986) Statistical methods for assessing agreement between two methods of clinical
    measurement. Lancet 1:307-310.
Weir JP (2005) Quantifying test-retest reliability using the intraclass correlation coefficient and
    the SEM. J Strength Cond Res 19:231-240.
Hopkins WG (2000) Measures of reliability in sports medicine and science. Sports Med 30:1-15 (typical
    error; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

FloatArray = NDArray[np.float64]

Z95: Final[float] = 1.959963984540054


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of n subjects measured k times.

    Attributes
    ----------
    between, occasions, error, within : float
        Mean squares between subjects, between occasions (judges, sessions), of what is left, and
        within subjects (occasions and error together).
    n, k : int
    """

    between: float
    occasions: float
    error: float
    within: float
    n: int
    k: int


@dataclass(frozen=True)
class Icc:
    """The six intraclass correlations of Shrout and Fleiss.

    `one_*`: each subject has its own judges; `two_*`: judges are a sample, agreement counts;
    `three_*`: judges are fixed, consistency counts; `*_single` for one measurement, `*_mean` for the
    mean of k.
    """

    one_single: float
    two_single: float
    three_single: float
    one_mean: float
    two_mean: float
    three_mean: float


@dataclass(frozen=True)
class Repeatability:
    """Error of one measurement of the unchanged thing.

    Attributes
    ----------
    sem : float
        Standard error of measurement, 1 SD, in the unit of the measure.
    freedom : float
        Degrees of freedom behind it; infinite for a value taken as known.
    """

    sem: float
    freedom: float

    @property
    def detectable(self) -> float:
        """Minimal detectable change between two single measurements, 95 %."""
        return minimal_detectable_change(self.sem, self.freedom)


@dataclass(frozen=True)
class Agreement:
    """Bland-Altman agreement of two measurements; every `*_low`, `*_high` is a 95 % interval.

    Attributes
    ----------
    bias, sd : float
        Mean and SD of the differences.
    lower, upper : float
        Limits of agreement.
    """

    bias: float
    bias_low: float
    bias_high: float
    sd: float
    lower: float
    lower_low: float
    lower_high: float
    upper: float
    upper_low: float
    upper_high: float
    n: int


@dataclass(frozen=True)
class PairedDifference:
    """Mean of paired differences with its 95 % interval and t test."""

    mean: float
    low: float
    high: float
    t: float
    freedom: int
    p: float


def mean_squares(table: ArrayLike) -> MeanSquares:
    """Mean squares of a table of n subjects (rows) by k occasions (columns), without gaps.

    Raises
    ------
    ValueError
        With fewer than 2 subjects or 2 occasions, or a value that is not a number.
    """
    x = np.asarray(table, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError("give at least 2 subjects by 2 occasions, all numbers")
    n, k = x.shape
    grand = x.mean()
    subjects = x.mean(axis=1, keepdims=True) - grand
    occasions = x.mean(axis=0, keepdims=True) - grand
    # Residuals themselves, not what is left of the whole: that would be all rounding where they are small.
    within = x - grand - subjects
    return MeanSquares(
        k * float((subjects**2).sum()) / (n - 1),
        n * float((occasions**2).sum()) / (k - 1),
        float(((within - occasions) ** 2).sum()) / ((n - 1) * (k - 1)),
        float((within**2).sum()) / (n * (k - 1)),
        n,
        k,
    )


def icc(table: ArrayLike) -> Icc:
    """The six forms of the intraclass correlation; table as for `mean_squares`."""
    m = mean_squares(table)
    b, j, e, w, n, k = m.between, m.occasions, m.error, m.within, m.n, m.k
    return Icc(
        (b - w) / (b + (k - 1) * w),
        (b - e) / (b + (k - 1) * e + k * (j - e) / n),
        (b - e) / (b + (k - 1) * e),
        (b - w) / b,
        (b - e) / (b + (j - e) / n),
        (b - e) / b,
    )


def standard_error(table: ArrayLike, *, agreement: bool = False) -> Repeatability:
    """SEM as the root of the error mean square, which does not depend on how subjects differ.

    Parameters
    ----------
    table : (n, k) array
    agreement : bool
        Count a shift between the occasions as error too (root of the within mean square).
    """
    m = mean_squares(table)
    if agreement:
        return Repeatability(m.within**0.5, m.n * (m.k - 1))
    return Repeatability(m.error**0.5, (m.n - 1) * (m.k - 1))


def pooled_repeatability(groups: Sequence[Sequence[float]]) -> Repeatability | None:
    """SEM from groups of repeats, each of one unchanged thing; groups may differ in size.

    Returns
    -------
    Repeatability or None
        Pooled within-group SD with n - 1 degrees of freedom a group; None with no group of two.
    """
    # Plain numbers: groups are a few values long, and a comparison asks this for every measure.
    used = [(g, sum(g) / len(g)) for g in groups if len(g) > 1]
    freedom = sum(len(g) - 1 for g, _ in used)
    if not freedom:
        return None
    squares = sum((x - mean) ** 2 for g, mean in used for x in g)
    return Repeatability((squares / freedom) ** 0.5, freedom)


def t95(freedom: float) -> float:
    """Two-sided 95 % point of Student's t; 1.96 for infinite degrees of freedom."""
    return Z95 if not np.isfinite(freedom) else float(special.stdtrit(freedom, 0.975))


def minimal_detectable_change(sem: float, freedom: float = float("inf")) -> float:
    """1.96 times root 2 times SEM; Student's t in place of 1.96 when the SEM rests on few repeats."""
    return float(t95(freedom) * 2.0**0.5 * sem)


def typical_error(first: ArrayLike, second: ArrayLike) -> float:
    """SD of the differences of two occasions over root 2 (a shift between them is left out)."""
    d = _differences(first, second)
    return float(d.std(ddof=1) / 2.0**0.5)


def repeatability_coefficient(first: ArrayLike, second: ArrayLike, factor: float = Z95) -> float:
    """Two single measurements differ by less than this in 95 %: factor times root mean square difference.

    Bland and Altman 1986 used a factor of 2.
    """
    d = _differences(first, second)
    return float(factor * np.sqrt(np.mean(d**2)))


def limits_of_agreement(first: ArrayLike, second: ArrayLike, factor: float = Z95) -> Agreement:
    """Mean difference first - second, limits at factor times SD, and the intervals of all three.

    The standard error of a limit is SD times root of 3 / n (Bland and Altman 1986), with Student's t.
    """
    d = _differences(first, second)
    n = len(d)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = t95(n - 1)
    of_bias, of_limit = t * sd / n**0.5, t * sd * (3.0 / n) ** 0.5
    lower, upper = bias - factor * sd, bias + factor * sd
    return Agreement(
        bias,
        bias - of_bias,
        bias + of_bias,
        sd,
        lower,
        lower - of_limit,
        lower + of_limit,
        upper,
        upper - of_limit,
        upper + of_limit,
        n,
    )


def paired_difference(first: ArrayLike, second: ArrayLike) -> PairedDifference:
    """Paired t test of first - second, two-sided."""
    d = _differences(first, second)
    n = len(d)
    mean, error = float(d.mean()), float(d.std(ddof=1) / n**0.5)
    if error == 0.0:
        raise ValueError("all differences are the same, so there is no error to judge them by")
    t = mean / error
    half = t95(n - 1) * error
    return PairedDifference(mean, mean - half, mean + half, t, n - 1, float(2.0 * stats.t.sf(abs(t), n - 1)))


def holm(p: Sequence[float], weights: Sequence[float] | None = None) -> tuple[float, ...]:
    """Holm's adjusted p values: below 0.05 in any of them happens by chance in at most 5 % of families.

    Parameters
    ----------
    p : sequence of float
    weights : sequence of float, optional
        Above 0, chosen before looking at p: a question with twice the weight may use twice the share of
        the 5 %. Default: all alike.

    References
    ----------
    Holm S (1979) A simple sequentially rejective multiple test procedure. Scand J Stat 6:65-70 (the
        weighted form is its section 5).
    """
    values = np.asarray(p, dtype=float)
    w = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    if len(w) != len(values) or (w <= 0).any():
        raise ValueError("give one weight above 0 for each p")
    order = np.argsort(values / w, kind="stable")
    left = np.cumsum(w[order][::-1])[::-1]
    steps = values[order] / w[order] * left
    adjusted = np.empty(len(values))
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0) if len(values) else steps
    return tuple(float(x) for x in adjusted)


@dataclass(frozen=True)
class VariancePrior:
    """What the other measures of the same takes say of one measure's variance.

    Attributes
    ----------
    scale : float
        Variance as a multiple of what was expected.
    freedom : float
        Degrees of freedom it counts as; 0 for no prior.
    """

    scale: float
    freedom: float


NO_PRIOR: Final[VariancePrior] = VariancePrior(1.0, 0.0)
PRIOR_FREEDOMS: Final[tuple[float, ...]] = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
"""Between these the prior freedom is found. The measures of one take go together, so their agreement is
not trusted further than the last (a judgement)."""
SMALLEST_RATIO: Final[float] = 1e-6
"""Below: the same number again and again, which says nothing of error."""
PRIOR_MEASURES_LEAST: Final[int] = 10
"""Fewer measures say too little of how far they agree (a judgement)."""


def variance_prior(ratios: ArrayLike, freedom: ArrayLike) -> VariancePrior:
    """How far variances agree with what was expected of them, so that few repeats can lean on it.

    Empirical Bayes after Smyth 2004: ratio ~ scale * F(freedom, prior freedom). Scale and prior freedom are
    those whose median, and whose mean square of log ratio above the median, are as found. The lower half is
    left out: a measure that wanders less than expected is only judged too carefully by the prior, one that
    wanders more too boldly.

    Parameters
    ----------
    ratios : (n,) array
        Found over expected variance; only those above 0 count.
    freedom : (n,) array
        Degrees of freedom of the found variances.

    References
    ----------
    Smyth GK (2004) Linear models and empirical Bayes methods. Stat Appl Genet Mol Biol 3:3.
    """
    x, nu = np.asarray(ratios, dtype=float), np.asarray(freedom, dtype=float)
    used = np.isfinite(x) & (x > SMALLEST_RATIO) & (nu > 0)
    x, nu = x[used], nu[used]
    if len(x) < PRIOR_MEASURES_LEAST:
        return NO_PRIOR
    e = np.log(x)
    middle = float(np.median(e))
    spread = float(np.mean((e[e >= middle] - middle) ** 2))
    typical = float(np.round(np.median(nu)))
    choices = [_upper_half(typical, d) for d in PRIOR_FREEDOMS]
    # The spread falls with more prior freedom.
    found = float(
        np.interp(-spread, [-c[1] for c in choices], PRIOR_FREEDOMS)
        if spread < choices[0][1]
        else PRIOR_FREEDOMS[0]
    )
    at = float(np.interp(found, PRIOR_FREEDOMS, [c[0] for c in choices]))
    return VariancePrior(float(np.exp(middle - at)), found)


@cache
def _upper_half(freedom: float, prior: float) -> tuple[float, float]:
    """Median of log F, and mean square above it."""
    u = 0.5 + (np.arange(200) + 0.5) / 400.0
    log_f = np.log(stats.f.ppf(u, freedom, prior))
    middle = float(np.log(stats.f.ppf(0.5, freedom, prior)))
    return middle, float(np.mean((log_f - middle) ** 2))


def moderated_repeatability(own: Repeatability, expected_sem: float, prior: VariancePrior) -> Repeatability:
    """The own SEM pooled with the expected one, each counting by its degrees of freedom (Smyth 2004)."""
    if prior.freedom <= 0.0:
        return own
    freedom = own.freedom + prior.freedom
    squares = own.freedom * own.sem**2 + prior.freedom * prior.scale * expected_sem**2
    return Repeatability(float((squares / freedom) ** 0.5), freedom)


def _differences(first: ArrayLike, second: ArrayLike) -> FloatArray:
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.ndim != 1 or a.shape != b.shape or len(a) < 2:
        raise ValueError("give two lists of the same length, at least 2 long")
    d: FloatArray = a - b
    if not np.isfinite(d).all():
        raise ValueError("every value must be a number")
    return d
