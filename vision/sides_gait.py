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

BINS: Final = 64
FINE: Final = 512
FREEDOM: Final = 3.0
"""Degrees of freedom of the heavy-tailed misfit: one wild joint must not decide a frame."""
TEMPER: Final = 0.4
"""Weight of the summed misfit: errors of the joints of one leg come together."""
WANDER: Final = 0.04
"""Standard deviation, strides per square root of a stride, of the phase against a steady rhythm."""
LEAK: Final = 1e-7
RATES_HZ: Final[FloatArray] = np.geomspace(0.15, 2.8, 36)
"""Stride frequencies tried; the low ones are for slow motion whose capture rate is not known yet."""
SEARCH_FRAMES: Final = 240
START_SPREAD: Final = 0.15
"""Misfit allowed to the first path, leg lengths."""
LEARN_FRAMES: Final = 4000

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
    if variance < 0.5:
        row = np.where(lag == 0, 1.0 - variance, np.where(np.abs(lag) == 1, variance / 2, 0.0))
    else:
        row = np.exp(-0.5 * lag**2 / variance)
    row = row / row.sum() * (1 - LEAK) + LEAK / BINS
    return np.stack([np.roll(row, k) for k in range(BINS)])


def _posterior(evidence: FloatArray, strides: FloatArray) -> tuple[FloatArray, float]:
    """Forward-backward pass: probability of every phase bin, (T, BINS), and the log-likelihood."""
    count = len(evidence)
    top = evidence.max(axis=1, keepdims=True)
    likely = np.exp(evidence - top)
    variance = np.round(np.maximum(strides, 0.0) * (WANDER * BINS) ** 2, 3)
    kernels = {float(v): _wander_kernel(float(v)) for v in np.unique(variance)}
    forward = np.empty((count, BINS))
    scale = np.empty(count)
    state = np.full(BINS, 1.0 / BINS)
    for t in range(count):
        if t:
            state = kernels[float(variance[t - 1])] @ state
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
            back = kernels[float(variance[t - 1])] @ (back * likely[t])
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


def _steady(time_s: FloatArray, rate_hz: float) -> FloatArray:
    return np.asarray(2 * np.pi * rate_hz * (time_s - time_s[0]))


def _smooth_rhythm(phase: FloatArray, time_s: FloatArray, rate_hz: float) -> FloatArray:
    """Phase without its jitter: deviations from steady are averaged over about a stride."""
    steady = _steady(time_s, rate_hz)
    width = 0.3 / (rate_hz * float(np.median(np.diff(time_s))))
    # The deviation is made level first, so that the ends are not bent by a wrong frequency.
    line = np.polyval(np.polyfit(steady, phase - steady, 1), steady)
    return np.asarray(steady + line + gaussian_filter1d(phase - steady - line, width, mode="nearest"))


def _start_likelihoods(leg: FloatArray, time_s: FloatArray, speed_mps: float) -> FloatArray:
    """Log-likelihood of a stretch for each of `RATES_HZ`, (R,), with the path of one speed."""
    grid = 2 * BINS
    table = position(start_path(speed_mps), np.arange(grid) * (2 * np.pi / grid))
    wide = np.full(4, START_SPREAD)
    straight = misfit(leg[:, 0, None], table, wide) + np.roll(
        misfit(leg[:, 1, None], table, wide), BINS, axis=1
    )
    evidence = np.logaddexp(straight, np.roll(straight, BINS, axis=1))
    bins = np.arange(BINS) * 2
    turns = RATES_HZ * np.diff(time_s, prepend=time_s[0])[:, None]
    index = np.round(np.cumsum(turns, axis=0) * grid).astype(np.int64)
    spread = np.minimum(turns * (WANDER * BINS) ** 2, 0.5)[:, :, None] / 2
    state = np.full((len(RATES_HZ), BINS), 1.0 / BINS)
    total = np.zeros(len(RATES_HZ))
    for t in range(len(leg)):
        beside = np.roll(state, 1, axis=1) + np.roll(state, -1, axis=1)
        state = (1 - 2 * spread[t]) * state + spread[t] * beside + LEAK / BINS
        here = evidence[t][(index[t][:, None] + bins) % grid]
        state = state * np.exp(here - evidence[t].max())
        scale = state.sum(axis=1)
        total += np.log(scale)
        state = state / scale[:, None]
    # The term common to all rates; needed to compare speeds.
    return np.asarray(total + evidence.max(axis=1).sum())


def _best_start(leg: FloatArray, time_s: FloatArray) -> tuple[float, FloatArray]:
    """Stride frequency and first path that explain a part of the spell best."""
    step = max(1, round(1 / (70 * np.median(np.diff(time_s)))))
    length = min(len(leg), SEARCH_FRAMES * step)
    a = (len(leg) - length) // 2
    part, when = leg[a : a + length : step], time_s[a : a + length : step]
    found = np.stack([_start_likelihoods(part, when, speed) for speed in START_SPEEDS_MPS])
    speed, rate = np.unravel_index(int(found.argmax()), found.shape)
    return float(RATES_HZ[rate]), start_path(START_SPEEDS_MPS[int(speed)])


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
    rate, path = _best_start(leg, time_s)
    rhythm = _steady(time_s, rate)
    spread = np.full(4, START_SPREAD)
    strides = rate * (time_s[-1] - time_s[0])
    gait = follow(leg, rhythm, path, spread)
    for k in range(rounds):
        order = 2 if strides < 2 or k == 0 else 3
        path, spread = _robust_path(leg, gait, order, widest=max(START_SPREAD - 0.02 * k, 0.09))
        rhythm = _smooth_rhythm(gait.phase, time_s, rate)
        gait = follow(leg, rhythm, path, spread)
    return gait
