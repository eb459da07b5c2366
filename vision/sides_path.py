"""The closed path of a leg round the hip, and how well points lie on it."""

from __future__ import annotations

from typing import Final

import numpy as np

from vision.raw import FloatArray

BINS: Final = 64
FREEDOM: Final = 3.0
"""Degrees of freedom of the heavy-tailed misfit: one wild joint must not decide a frame."""
TEMPER: Final = 0.4
"""Weight of the summed misfit: errors of the joints of one leg come together."""
WANDER: Final = 0.04
"""Standard deviation, strides per square root of a stride, of the phase against a steady rhythm."""
LEAK: Final = 1e-15
"""Chance of a break in the rhythm, per step of the walk."""
START_SPREAD: Final = 0.15
"""Misfit allowed to the first path, leg lengths."""

# Fourier coefficients (constant, cos, sin, cos 2, sin 2) of the path of a leg round the hip in leg
# lengths, x forward and y up of knee, ankle, heel, forefoot; mean over 8 runners at 2.5 and at
# 4.5 m/s. Fitted to the open data of Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298.
# Only a start: the path is learnt anew from every clip.
SLOW_MPS: Final = 2.5
FAST_MPS: Final = 4.5
SLOW_PATH: Final[FloatArray] = np.array(
    [
        [0.04, 0.16, -0.09, -0.06, 0.03],
        [-0.50, 0.01, 0.00, 0.00, -0.01],
        [-0.20, 0.35, 0.00, 0.03, -0.01],
        [-0.86, -0.09, -0.10, -0.03, 0.06],
        [-0.30, 0.36, 0.00, 0.04, 0.00],
        [-0.88, -0.17, -0.14, -0.04, 0.08],
        [-0.15, 0.43, 0.05, 0.03, -0.03],
        [-0.97, -0.06, -0.08, -0.04, 0.07],
    ]
)
FAST_PATH: Final[FloatArray] = np.array(
    [
        [0.04, 0.26, -0.12, -0.07, 0.02],
        [-0.47, 0.02, -0.01, 0.01, -0.04],
        [-0.22, 0.49, 0.00, 0.03, 0.03],
        [-0.76, -0.15, -0.19, -0.03, 0.07],
        [-0.31, 0.48, -0.02, 0.05, 0.06],
        [-0.75, -0.25, -0.25, -0.04, 0.08],
        [-0.21, 0.61, 0.07, 0.03, 0.01],
        [-0.85, -0.13, -0.18, -0.03, 0.10],
    ]
)
START_SPEEDS_MPS: Final = (2.5, 4.5, 7.5)


def start_path(speed_mps: float) -> FloatArray:
    """Path of a leg to begin with at a running speed, (8, 5), leg lengths."""
    share = (speed_mps - SLOW_MPS) / (FAST_MPS - SLOW_MPS)
    return np.asarray(SLOW_PATH + share * (FAST_PATH - SLOW_PATH))


def harmonics(phase: FloatArray, order: int) -> FloatArray:
    """Fourier terms (constant, cos, sin, cos 2, ...) at given phases, (..., 1 + 2 order)."""
    turns = phase[..., None] * np.arange(1, order + 1)
    waves = np.stack([np.cos(turns), np.sin(turns)], axis=-1).reshape(*phase.shape, 2 * order)
    return np.asarray(np.concatenate([np.ones((*phase.shape, 1)), waves], axis=-1))


def order_of(path: FloatArray) -> int:
    """Number of harmonics in a path."""
    return (path.shape[1] - 1) // 2


def position(path: FloatArray, phase: FloatArray) -> FloatArray:
    """Points of the path at given phases, (..., J, 2), leg lengths."""
    return np.asarray((harmonics(phase, order_of(path)) @ path.T).reshape(*phase.shape, -1, 2))


def misfit(points: FloatArray, expected: FloatArray, spread: FloatArray) -> FloatArray:
    """Heavy-tailed log-density of points about expected places, summed over joints.

    Parameters
    ----------
    points, expected : (..., J, 2) arrays
        Leg lengths; NaN points add nothing.
    spread : (J,) array
        Scale per joint, leg lengths.

    Returns
    -------
    (...) array
        Logarithm, up to a constant that is the same for both assignments.
    """
    squared = ((points - expected) ** 2).sum(axis=-1) / spread**2
    each = -0.5 * (FREEDOM + 2.0) * np.log1p(squared / FREEDOM)
    return np.asarray(TEMPER * np.where(np.isfinite(each), each, 0.0).sum(axis=-1))


def medians(off: FloatArray) -> FloatArray:
    """Median of every column, (J,) from (T, J); infinite where nothing was seen."""
    seen = np.isfinite(off)
    return np.array([np.median(c[s]) if s.any() else np.inf for c, s in zip(off.T, seen.T)])
