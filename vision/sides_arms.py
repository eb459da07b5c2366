"""Which arm is which: an arm swings against the leg of its own side."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import expit

from vision.raw import FloatArray
from vision.sides_path import harmonics, medians, misfit, position

SWING: Final = 0.12
"""Difference of the two wrists, leg lengths, at which antiphase becomes telling."""
ROUNDS: Final = 4
STAY: Final = 1.0
"""Log-odds that the model's naming of the arms lasts from one frame to the next."""


NAMES: Final = 0.75
"""Weight of the way the model names the arms most of the time, on the log-odds of its share."""


def _chain(log_odds: FloatArray, stay: float) -> FloatArray:
    """Posterior of a two-state chain that rarely changes, (T,), from per-frame log-odds."""
    keep = expit(stay)
    forward = np.empty(len(log_odds))
    likely = expit(log_odds)
    p = 0.5
    for t, q in enumerate(likely):
        p = p * keep + (1 - p) * (1 - keep)
        p = p * q / (p * q + (1 - p) * (1 - q))
        forward[t] = p
    back = 0.5
    result = np.empty(len(log_odds))
    for t in range(len(log_odds) - 1, -1, -1):
        result[t] = forward[t] * back / (forward[t] * back + (1 - forward[t]) * (1 - back))
        p = back * likely[t] / (back * likely[t] + (1 - back) * (1 - likely[t]))
        back = p * keep + (1 - p) * (1 - keep)
    return result


def first_arm_is_left(arm: FloatArray, phase: FloatArray) -> FloatArray:
    """Probability that the arm on the side of the first leg chain is the model's left one.

    Parameters
    ----------
    arm : (T, 2, 3, 2) array
        As in `BodyFrame.arm`.
    phase : (T,) array
        Phase of the first leg chain, rad.

    Returns
    -------
    (T,) array
    """
    # The foot of the first chain is in front at phase 0, so its arm is then behind.
    lead = np.nan_to_num(arm[:, 0, 1, 0] - arm[:, 1, 1, 0])
    left = _chain(np.clip(-np.cos(phase) * lead / SWING, -3, 3), STAY)
    terms = harmonics(phase, 2)
    spread = np.full(arm.shape[2], 0.12)
    ridge = np.diag([1e-6, 1e-3, 1e-3, 1e-2, 1e-2])
    for _ in range(ROUNDS):
        expected = []
        off = []
        for chain in (0, 1):
            share = left if chain == 0 else 1 - left
            path = np.zeros((2 * arm.shape[2], terms.shape[1]))
            for j in range(arm.shape[2]):
                points = np.concatenate([arm[:, 0, j], arm[:, 1, j]])
                weight = np.concatenate([share, 1 - share])
                good = np.isfinite(points).all(axis=1)
                both = np.concatenate([terms, terms])[good]
                w = weight[good, None]
                normal = both.T @ (w * both) + max(1.0, float(w.sum())) * ridge
                path[2 * j : 2 * j + 2] = np.linalg.solve(normal, both.T @ (w * points[good])).T
            expected.append(position(path, phase))
            off.append(np.where(left[:, None] > 0.5, *_misses(arm, expected[-1], chain)))
        spread = np.clip(1.5 * medians(np.concatenate(off)) / 1.18, 0.05, 0.15)
        straight = misfit(arm[:, 0], expected[0], spread) + misfit(arm[:, 1], expected[1], spread)
        crossed = misfit(arm[:, 1], expected[0], spread) + misfit(arm[:, 0], expected[1], spread)
        kept = float(np.clip(left.mean(), 0.01, 0.99))
        habit = NAMES * float(np.log(kept / (1 - kept)))
        left = _chain(np.clip(straight - crossed, -30, 30) + habit, STAY)
    return left


def _misses(arm: FloatArray, expected: FloatArray, chain: int) -> tuple[FloatArray, FloatArray]:
    """Distance of the arm from its path when the first arm is left, and when it is right."""
    straight = np.linalg.norm(arm[:, chain] - expected, axis=-1)
    crossed = np.linalg.norm(arm[:, 1 - chain] - expected, axis=-1)
    return straight, crossed
