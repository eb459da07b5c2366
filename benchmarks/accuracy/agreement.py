"""Agreement of measured with true values: bias, limits of agreement, coverage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Agreement:
    """Errors (measured minus true) in one line.

    Attributes
    ----------
    n : int
    bias, sd, mae, rms : float
    low, high : float
        95 % limits of agreement, bias -/+ 1.96 SD.
    bias_ci, limit_ci : float
        95 % half-widths of the bias and of each limit.
    """

    n: int
    bias: float
    sd: float
    mae: float
    rms: float
    low: float
    high: float
    bias_ci: float
    limit_ci: float


def agreement(errors: Sequence[float] | FloatArray) -> Agreement:
    """Bland-Altman figures of a set of errors.

    Parameters
    ----------
    errors : (n,) array
        n >= 3.

    Returns
    -------
    Agreement
        The standard error of a limit is SD sqrt(1/n + 1.96^2 / (2 (n - 1))), about sqrt(3/n) SD.

    Raises
    ------
    ValueError
        Fewer than 3 errors.

    References
    ----------
    Bland JM, Altman DG (1986) Lancet 327:307; (1999) Stat Methods Med Res 8:135.
    """
    e = np.asarray(errors, dtype=np.float64)
    n = len(e)
    if n < 3:
        raise ValueError("give at least 3 errors")
    bias, sd = float(e.mean()), float(e.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    return Agreement(
        n=n,
        bias=bias,
        sd=sd,
        mae=float(np.abs(e).mean()),
        rms=float(np.sqrt((e**2).mean())),
        low=bias - 1.96 * sd,
        high=bias + 1.96 * sd,
        bias_ci=t * sd / n**0.5,
        limit_ci=t * sd * (1.0 / n + 1.96**2 / (2.0 * (n - 1))) ** 0.5,
    )


@dataclass(frozen=True)
class Coverage:
    """How many intervals held the truth, with the exact 95 % interval of that share."""

    held: int
    n: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """0..1."""
        return self.held / self.n


def coverage(inside: Sequence[bool] | NDArray[np.bool_]) -> Coverage:
    """Share of intervals that held the truth; interval of Clopper and Pearson (1934, Biometrika 26:404)."""
    k, n = int(np.sum(inside)), len(inside)
    ci = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    return Coverage(k, n, float(ci.low), float(ci.high))


def verdict(c: Coverage, low: float = 0.90, high: float = 0.99) -> str:
    """Is the coverage between 90 and 99 %? Says "inside", "below" or "above", "(within chance)" if the
    exact interval still reaches in."""
    if low <= c.share <= high:
        return "inside"
    side = "below" if c.share < low else "above"
    reaches = c.high >= low if side == "below" else c.low <= high
    return f"{side} (within chance)" if reaches else side
