"""Points that do not lie on their leg: stuck at the last stance, or laid on the other leg."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from vision.raw import FloatArray
from vision.sides_path import FREEDOM, harmonics, medians, position

BoolArray = NDArray[np.bool_]

FAR_OFF: Final = 4.5
"""A point is judged wrong beyond this many typical misfits ..."""
LEAST_OFF: Final = 0.11
"""... and at least this far off, leg lengths (about 5 % of stature)."""
COMPANY: Final = 0.6
"""Share of these limits that is enough beside a wrong point: the frame before or after, or another
point of the same foot."""
SLOW_STRIDES: Final = 0.35
"""Misfit that lasts longer than half of this is a change of the run, not a stuck point."""


def own_path(points: FloatArray, phase: FloatArray, order: int, rounds: int = 4) -> FloatArray:
    """Path of one leg by heavy-tailed least squares, (2 J, 1 + 2 order).

    Parameters
    ----------
    points : (T, J, 2) array
        Points of one leg, leg lengths.
    phase : (T,) array
        Its phase, rad.
    order : int
        Harmonics.
    rounds : int
        Rounds of reweighting.
    """
    terms = harmonics(phase, order)
    ridge = np.diag(np.concatenate([[1e-6], np.repeat(np.arange(1, order + 1) ** 4 * 1e-4, 2)]))
    path = np.zeros((2 * points.shape[1], terms.shape[1]))
    for j in range(points.shape[1]):
        good = np.isfinite(points[:, j]).all(axis=1)
        y, a = points[good, j], terms[good]
        w = np.ones(len(y))
        for _ in range(rounds):
            normal = a.T @ (w[:, None] * a) + max(1.0, float(w.sum())) * ridge
            fitted = np.linalg.solve(normal, a.T @ (w[:, None] * y))
            off = np.linalg.norm(y - a @ fitted, axis=1)
            spread = max(0.01, float(np.median(off)) / 1.18 if len(off) else 1.0)
            w = (FREEDOM + 2) / (FREEDOM + (off / spread) ** 2)
        path[2 * j : 2 * j + 2] = fitted.T
    return path


def misplaced(points: FloatArray, phase: FloatArray, order: int) -> BoolArray:
    """Which points lie off the path of their leg, (T, J).

    Parameters
    ----------
    points : (T, J, 2) array
        Points of one leg with its sides put right, leg lengths; all but the first belong to the foot.
    phase : (T,) array
        Its phase, rad.
    order : int
        Harmonics of the path.
    """
    expected = position(own_path(points, phase, order), phase)
    off = points - expected
    strides = max((phase[-1] - phase[0]) / (2 * np.pi), 1e-6)
    width = max(3, round(SLOW_STRIDES * len(phase) / strides)) | 1
    at = np.arange(len(off))
    quick = np.full(off.shape, np.nan)
    for j in range(off.shape[1]):
        good = np.isfinite(off[:, j]).all(axis=1)
        if not good.any():
            continue
        for k in (0, 1):
            filled = np.interp(at, at[good], off[good, j, k])
            quick[:, j, k] = off[:, j, k] - median_filter(filled, size=width, mode="mirror")
    least = np.minimum(np.linalg.norm(off, axis=2), np.linalg.norm(quick, axis=2))
    spread = medians(np.linalg.norm(quick, axis=2)) / 1.18
    limit = np.maximum(FAR_OFF * spread, LEAST_OFF)
    surely, perhaps = least > limit, least > COMPANY * limit
    beside = np.zeros_like(surely)
    beside[1:] |= surely[:-1]
    beside[:-1] |= surely[1:]
    beside[:, 1:] |= surely[:, 1:].any(axis=1, keepdims=True)
    return np.asarray(surely | (perhaps & beside))
