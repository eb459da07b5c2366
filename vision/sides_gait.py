"""Which leg is which, from the gait cycle: one phase for both legs, half a cycle apart.

Both legs trace the same closed path round the hip, half a stride apart. The path is learnt
from the clip itself; what is followed through the clip is the phase, so frames in which the
legs cross, merge or stick are bridged by the rhythm instead of by their neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import expit

from vision.raw import FloatArray
from vision.sides_path import BINS, FREEDOM, LEAK, START_SPREAD, WANDER, harmonics, misfit, position
from vision.sides_rhythm import first_rhythm

FINE: Final = 512
LEARN_FRAMES: Final = 4000
KERNEL_BINS: Final = 1.0
"""Wander is let in once it has grown to this variance, bins squared: on a grid of bins a smaller
step is far too unlikely, and a steady error of the rhythm would end in a slip by a stride."""


@dataclass(frozen=True)
class Gait:
    """Rhythm and path of the legs in one spell.

    Attributes
    ----------
    phase : (T,) array
        Phase of the first chain of legs, rad, growing; the second runs half a cycle off.
    path : (8, 1 + 2 K) array
        Fourier coefficients of the path, see `FAST_PATH`.
    spread : (4,) array
        Typical misfit of knee, ankle, heel and tip of the foot, leg lengths.
    first_is_left : (T,) array
        Probability that the first chain is the leg the model calls left.
    likelihood : float
        Mean log-likelihood per frame, to compare starts.
    """

    phase: FloatArray
    path: FloatArray
    spread: FloatArray
    first_is_left: FloatArray
    likelihood: float


def _assignments(
    leg: FloatArray, rhythm: FloatArray, path: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log-likelihood of (first chain = left) and (first chain = right) at each phase bin, (T, BINS)."""
    table = position(path, np.arange(FINE) * (2 * np.pi / FINE))
    offset = np.arange(BINS) * (FINE // BINS)
    straight = np.empty((len(leg), BINS))
    for a in range(0, len(leg), 4096):
        part = slice(a, a + 4096)
        index = np.round(rhythm[part] / (2 * np.pi) * FINE).astype(np.int64)
        expected = table[(index[:, None] + offset) % FINE]
        left = misfit(leg[part, 0, None], expected, spread)
        right = misfit(leg[part, 1, None], expected, spread)
        straight[part] = left + np.roll(right, BINS // 2, axis=1)
    return straight, np.roll(straight, BINS // 2, axis=1)


def _wander_kernel(variance: float) -> FloatArray:
    """Transition matrix of a circular random walk with a variance in bins squared, (BINS, BINS)."""
    lag = (np.arange(BINS) + BINS // 2) % BINS - BINS // 2
    row = np.exp(-0.5 * lag**2 / variance)
    row = row / row.sum() * (1 - LEAK) + LEAK / BINS
    return np.stack([np.roll(row, k) for k in range(BINS)])


def _steps(strides: FloatArray) -> FloatArray:
    """Variance let in before each sample but the first, bins squared: 0 or at least `KERNEL_BINS`."""
    grown = np.cumsum(np.maximum(strides, 0.0)) * (WANDER * BINS) ** 2
    whole = np.floor(grown / KERNEL_BINS)
    return np.asarray(np.diff(whole, prepend=0.0) * KERNEL_BINS)


def _posterior(evidence: FloatArray, strides: FloatArray) -> tuple[FloatArray, float]:
    """Forward-backward pass: probability of every phase bin, (T, BINS), and the log-likelihood."""
    count = len(evidence)
    top = evidence.max(axis=1, keepdims=True)
    likely = np.exp(evidence - top)
    step = _steps(strides)
    kernels = {float(v): _wander_kernel(float(v)) for v in np.unique(step) if v > 0}
    forward = np.empty((count, BINS))
    scale = np.empty(count)
    state = np.full(BINS, 1.0 / BINS)
    for t in range(count):
        if t and step[t - 1] > 0:
            state = kernels[float(step[t - 1])] @ state
        state = state * likely[t]
        scale[t] = state.sum()
        state = state / scale[t]
        forward[t] = state
    result = np.empty((count, BINS))
    back = np.full(BINS, 1.0)
    for t in range(count - 1, -1, -1):
        both = forward[t] * back
        result[t] = both / both.sum()
        if t:
            back = back * likely[t]
            if step[t - 1] > 0:
                back = kernels[float(step[t - 1])] @ back
            back = back / back.sum()
    return result, float(np.log(scale).sum() + top.sum())


def _anchor(leg: FloatArray, straight: FloatArray) -> int:
    """A well-fitting frame with the legs far apart, from which chains are counted."""
    apart = np.nan_to_num(np.linalg.norm(leg[:, 0, 1] - leg[:, 1, 1], axis=-1), nan=0.0)
    fit = straight.max(axis=1) - 5.0 * (apart < np.median(apart))
    return int(fit.argmax())


def _phase_of(probability: FloatArray) -> FloatArray:
    """Circular mean of phase bins, continuous over time, (T,) rad."""
    angle = np.arange(BINS) * (2 * np.pi / BINS)
    return np.asarray(np.unwrap(np.angle(probability @ np.exp(1j * angle))))


def follow(leg: FloatArray, rhythm: FloatArray, path: FloatArray, spread: FloatArray) -> Gait:
    """Follow both legs through a spell with a given path.

    Parameters
    ----------
    leg : (T, 2, 4, 2) array
        As in `BodyFrame.leg`.
    rhythm : (T,) array
        Expected phase, rad; the true one may wander about it.
    path : (8, 1 + 2 K) array
    spread : (4,) array
        Leg lengths.

    Returns
    -------
    Gait
    """
    straight, crossed = _assignments(leg, rhythm, path, spread)
    evidence = np.logaddexp(straight, crossed) - np.log(2.0)
    start = _anchor(leg, straight)
    # Without this the mirror image (both chains named the other way) is just as likely.
    evidence[start] = straight[start]
    probability, likelihood = _posterior(evidence, np.diff(rhythm) / (2 * np.pi))
    left = (probability * expit(straight - crossed)).sum(axis=1)
    left[start] = 1.0
    return Gait(rhythm + _phase_of(probability), path, spread, left, likelihood / len(leg))


def _robust_path(leg: FloatArray, gait: Gait, order: int, widest: float) -> tuple[FloatArray, FloatArray]:
    """Path and spread learnt from assigned legs: weighted least squares with heavy tails."""
    if len(leg) > LEARN_FRAMES:
        keep = np.linspace(0, len(leg) - 1, LEARN_FRAMES).astype(np.int64)
        leg = leg[keep]
        gait = replace(gait, phase=gait.phase[keep], first_is_left=gait.first_is_left[keep])
    points = np.concatenate([leg[:, 0], leg[:, 1], leg[:, 1], leg[:, 0]])
    phase = np.concatenate([gait.phase, gait.phase + np.pi] * 2)
    trust = np.concatenate([gait.first_is_left] * 2 + [1 - gait.first_is_left] * 2)
    expected = position(gait.path, phase)
    terms = harmonics(phase, order)
    path = np.zeros((2 * points.shape[1], terms.shape[1]))
    spread = np.empty(points.shape[1])
    # A little pull to a plain path keeps short spells from learning their own errors.
    ridge = np.diag(np.concatenate([[1e-6], np.repeat(np.arange(1, order + 1) ** 4 * 3e-4, 2)]))
    for j in range(points.shape[1]):
        squared = ((points[:, j] - expected[:, j]) ** 2).sum(axis=1) / gait.spread[j] ** 2
        weight = trust * (FREEDOM + 2) / (FREEDOM + squared)
        good = np.isfinite(weight) & (weight > 1e-4)
        if not good.any():
            path[2 * j : 2 * j + 2], spread[j] = 0.0, widest
            continue
        w = weight[good, None]
        normal = terms[good].T @ (w * terms[good])
        total = max(float(w.sum()), 1.0)
        path[2 * j : 2 * j + 2] = np.linalg.solve(
            normal + total * ridge, terms[good].T @ (w * points[good, j])
        ).T
        left = np.linalg.norm(points[good, j] - terms[good] @ path[2 * j : 2 * j + 2].T, axis=1)
        # Median of a Rayleigh distance is 1.18 standard deviations.
        by_size = np.argsort(left)
        half = np.searchsorted(np.cumsum(trust[good][by_size]), 0.5 * trust[good].sum())
        spread[j] = left[by_size][min(int(half), len(left) - 1)] / 1.18
    return path, np.clip(1.5 * spread, 0.04, widest)


def _smooth_rhythm(phase: FloatArray, rhythm: FloatArray) -> FloatArray:
    """Phase without its jitter: what it adds to the rhythm is averaged over about a stride."""
    strides = max((rhythm[-1] - rhythm[0]) / (2 * np.pi), 1e-6)
    added = phase - rhythm
    # Made level first, so that the ends are not bent by a wrong frequency.
    line = np.polyval(np.polyfit(rhythm, added, 1), rhythm)
    smooth = gaussian_filter1d(added - line, 0.3 * len(phase) / strides, mode="nearest")
    return np.asarray(rhythm + line + smooth)


def learn_gait(leg: FloatArray, time_s: FloatArray, rounds: int = 5) -> Gait:
    """Rhythm, path and assignment of the legs of one spell, from unlabelled legs.

    Parameters
    ----------
    leg : (T, 2, 4, 2) array
        As in `BodyFrame.leg`.
    time_s : (T,) array
    rounds : int
        Rounds of following and learning.

    Returns
    -------
    Gait
    """
    rhythm, path = first_rhythm(leg, time_s)
    strides = (rhythm[-1] - rhythm[0]) / (2 * np.pi)
    gait = follow(leg, rhythm, path, np.full(4, START_SPREAD))
    for k in range(rounds):
        order = 2 if strides < 2 or k == 0 else 3
        path, spread = _robust_path(leg, gait, order, widest=max(START_SPREAD - 0.02 * k, 0.09))
        rhythm = _smooth_rhythm(gait.phase, rhythm)
        gait = follow(leg, rhythm, path, spread)
    return gait
