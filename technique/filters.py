"""Zero-lag low-pass filters for landmark coordinates, and how much noise they let through.

All arrays have time along axis 0 and an even sampling rate. Nothing here knows about landmarks.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import signal

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

PASSES = 2
ORDER = 2
"""A second-order Butterworth run forward and backward: fourth order, no lag (Winter 2009)."""

HIGHEST_SHARE_OF_RATE = 0.45
"""A cut-off may not pass this share of the sampling rate; above it the dual pass is unstable in shape."""

STRAIGHT_WITHIN = 0.05
"""The tail of a residual curve is straight when a line fits it within this share of its intercept."""


def dual_pass_correction(order: int = ORDER, passes: int = PASSES) -> float:
    """Factor by which a cut-off shrinks when a Butterworth filter is applied several times.

    Parameters
    ----------
    order : int
        Order of the single pass.
    passes : int
        Number of passes.

    Returns
    -------
    float
        About 0.802 for a second-order filter applied twice.

    References
    ----------
    Winter DA. Biomechanics and Motor Control of Human Movement, 4th ed. 2009, chapter 3.
    """
    return float((2.0 ** (1.0 / passes) - 1.0) ** (1.0 / (2.0 * order)))


def single_pass_cutoff(cutoff_hz: float, rate_hz: float) -> float:
    """Cut-off of the single pass so that the dual pass has its half-power point at `cutoff_hz`.

    The correction is made on the pre-warped (tangent) frequency, where it is exact.

    Parameters
    ----------
    cutoff_hz : float
        Wanted -3 dB frequency of the whole filter, Hz.
    rate_hz : float
        Sampling rate, Hz.

    Returns
    -------
    float
        Hz, larger than `cutoff_hz`.

    Raises
    ------
    ValueError
        If the cut-off is not between 0 and half the sampling rate.
    """
    if not 0.0 < cutoff_hz < 0.5 * rate_hz:
        raise ValueError(f"`cutoff_hz` must lie between 0 and {0.5 * rate_hz} Hz, got {cutoff_hz}")
    warped = np.tan(np.pi * cutoff_hz / rate_hz) / dual_pass_correction()
    return float(np.arctan(warped) * rate_hz / np.pi)


@lru_cache(maxsize=1024)
def _sections(cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Second-order sections of the single pass."""
    sos = signal.butter(ORDER, single_pass_cutoff(cutoff_hz, rate_hz), fs=rate_hz, output="sos")
    return np.asarray(sos, dtype=np.float64)


def zero_lag(x: FloatArray, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Low-pass an array along axis 0 without lag (fourth-order Butterworth, dual pass).

    Parameters
    ----------
    x : (N, ...) array
        No NaN. Shorter than three samples: returned as it is.
    cutoff_hz : float
        -3 dB frequency of the whole filter, Hz.
    rate_hz : float
        Samples per second.

    Returns
    -------
    (N, ...) array

    Notes
    -----
    The ends are continued by odd reflection over 1.5 periods of the cut-off.
    """
    n = len(x)
    if n < 3:
        return np.array(x, dtype=np.float64)
    sos = _sections(float(cutoff_hz), float(rate_hz))
    pad = int(min(n - 1, max(9, np.ceil(1.5 * rate_hz / cutoff_hz - 1e-6))))
    # A straight line passes unchanged; taking it out makes that exact for short stretches too.
    line = np.linspace(x[0], x[-1], n)
    smooth = signal.sosfiltfilt(sos, x - line, axis=0, padtype="odd", padlen=pad)
    return np.asarray(smooth + line, dtype=np.float64)


def noise_gain(cutoff_hz: float, rate_hz: float) -> tuple[float, float]:
    """Share of white noise that `zero_lag` keeps and that it takes away.

    Parameters
    ----------
    cutoff_hz, rate_hz : float
        As for `zero_lag`.

    Returns
    -------
    kept, removed : float
        Standard deviation of the filtered noise, and of (noise - filtered noise), each for
        white noise of standard deviation 1.

    Notes
    -----
    With W the warped single-pass cut-off and u = tan(w/2)/W, the dual pass has the gain
    1/(1 + u^4), so the variances are integrals of rational functions of u that close in
    elementary terms (partial fractions in u^2).
    """
    w = float(np.tan(np.pi * single_pass_cutoff(cutoff_hz, rate_hz) / rate_hz))
    a = w * w
    k = 1.0 / (1.0 + a * a)
    root2 = np.sqrt(2.0)
    whole = np.pi / (2.0 * w)  # integral of 1/(1 + a u^2)
    once = k * a * a * whole + k * (1.0 - a) * np.pi / (2.0 * root2)
    twice = k * a * a * once + k * (3.0 - a) * np.pi / (8.0 * root2)
    mean_gain = 2.0 * w / np.pi * once
    mean_square = 2.0 * w / np.pi * twice
    return float(np.sqrt(mean_square)), float(np.sqrt(1.0 - 2.0 * mean_gain + mean_square))


def residuals(x: FloatArray, cutoffs_hz: FloatArray, rate_hz: float) -> FloatArray:
    """RMS of what each cut-off takes away.

    Parameters
    ----------
    x : (N, K) array
        No NaN.
    cutoffs_hz : (F,) array
    rate_hz : float

    Returns
    -------
    (F, K) array
        Same unit as `x`.
    """
    return np.stack([np.sqrt(np.mean((x - zero_lag(x, float(f), rate_hz)) ** 2, axis=0)) for f in cutoffs_hz])


def residual_cutoff(x: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Cut-off by residual analysis, and the noise it implies, for each column.

    The residual is drawn against the cut-off. Where it falls along a straight line the filter
    only takes away noise; that line, carried back to 0 Hz, gives the noise, and the cut-off is
    where the residual equals it.

    Parameters
    ----------
    x : (N, K) array
        Coordinates, no NaN, at least about half a second long.
    rate_hz : float

    Returns
    -------
    cutoff_hz : (K,) array
        Hz.
    noise : (K,) array
        RMS noise, same unit as `x`.

    Notes
    -----
    The straight part is taken to start at the lowest frequency from which a line fits the rest
    of the curve within `STRAIGHT_WITHIN` of its intercept. Residual analysis tends to
    over-smooth quick movements: bound it from below for feet and hands.

    References
    ----------
    Winter DA. Biomechanics and Motor Control of Human Movement, 4th ed. 2009, section 3.4.
    """
    top = HIGHEST_SHARE_OF_RATE * rate_hz
    grid = np.linspace(max(1.0, top / 60.0), top, 30)
    res = residuals(x, grid, rate_hz)
    noise = _tail_intercept(grid, res)
    cutoff = np.empty(x.shape[1])
    for column, level in enumerate(noise):
        r = res[:, column]
        below = np.nonzero(r <= level)[0]
        if len(below) == 0 or level == 0.0:
            cutoff[column] = top
        elif below[0] == 0:
            cutoff[column] = grid[0]
        else:
            i = int(below[0])
            cutoff[column] = np.interp(-level, [-r[i - 1], -r[i]], [grid[i - 1], grid[i]])
    return cutoff, noise


def _tail_intercept(grid: FloatArray, res: FloatArray) -> FloatArray:
    """Intercept at 0 Hz of the straight tail of each residual curve, (K,), never negative."""
    last = len(grid) - 6
    found = np.full(res.shape[1], np.nan)
    for start in range(last + 1):
        f, r = grid[start:], res[start:]
        slope, intercept = np.polyfit(f, r, 1)
        misfit = np.max(np.abs(r - (f[:, None] * slope + intercept)), axis=0)
        straight = (misfit <= STRAIGHT_WITHIN * np.abs(intercept)) | (start == last)
        found = np.where(np.isnan(found) & straight, intercept, found)
    return np.maximum(found, 0.0)


def outliers(x: FloatArray, least: float, threshold: float = 6.0) -> BoolArray:
    """Single samples that jump away from their neighbours and back (Hampel identifier).

    Parameters
    ----------
    x : (N,) array
        One coordinate; NaN allowed (never marked).
    least : float
        Jumps below this size are never marked, same unit as `x`.
    threshold : float
        Marked above this many robust standard deviations.

    Returns
    -------
    (N,) bool array

    Notes
    -----
    The identifier is applied to x minus its running median of five, and the sample must also
    stand off the line between its neighbours, more than they do, so that neither the sharp turn
    of a foot at landing nor the sample beside an outlier is taken for an error.

    References
    ----------
    Hampel FR. The influence curve and its role in robust estimation. J Am Stat Assoc 1974.
    """
    n = len(x)
    if n < 7:
        return np.zeros(n, dtype=np.bool_)
    padded = np.pad(x, 2, mode="reflect", reflect_type="odd")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    off = x - np.median(windows, axis=1)
    bend = np.zeros(n)
    bend[1:-1] = x[1:-1] - 0.5 * (x[:-2] + x[2:])
    usable = np.isfinite(off) & np.isfinite(bend)
    if usable.sum() < 7:
        return np.zeros(n, dtype=np.bool_)
    scale = 1.4826 * np.median(np.abs(off[usable])), 1.4826 * np.median(np.abs(bend[usable]))
    off_limit = max(least, threshold * float(scale[0]))
    bend_limit = max(least, threshold * float(scale[1]))
    size = np.abs(np.nan_to_num(bend))
    sharpest = (size >= np.r_[0.0, size[:-1]]) & (size >= np.r_[size[1:], 0.0])
    with np.errstate(invalid="ignore"):
        jumps = (np.abs(off) > off_limit) & (size > bend_limit)
    return np.asarray(usable & sharpest & jumps, dtype=np.bool_)
