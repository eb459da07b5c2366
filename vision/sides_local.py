"""Which leg is which without a rhythm: legs keep their place and speed from frame to frame.

For stretches too short or too uneven for a gait cycle (a start, a stop, a few frames).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import expit, logsumexp

from vision.raw import FloatArray

PLACE: Final = 0.05
"""Error of a joint about its constant-velocity prediction, leg lengths."""
SPEED_CHANGE: Final = 25.0
"""Typical acceleration of a foot against the hip, leg lengths per second squared."""
VOTE: Final = 0.8
"""Log-odds per frame that the model names the legs rightly."""


def _change(a: FloatArray, b: FloatArray, c: FloatArray, back: float, on: float) -> float:
    """Misfit of positions c (on seconds later) to a straight run through a and b."""
    expected = b + (b - a) * (on / back)
    scale = np.hypot(PLACE * (1 + on / back), 0.5 * SPEED_CHANGE * on * (on + back))
    squared = ((c - expected) ** 2).sum(axis=-1) / scale**2
    each = np.log1p(squared / 3.0)
    return float(np.where(np.isfinite(each), each, 0.0).sum())


def first_leg_is_left(leg: FloatArray, time_s: FloatArray) -> FloatArray:
    """Probability that the first chain of legs is the model's left one, by continuity alone.

    Parameters
    ----------
    leg : (T, 2, 4, 2) array
        As in `BodyFrame.leg`.
    time_s : (T,) array

    Returns
    -------
    (T,) array
        The first frame seen names the chains: there the value is 1.
    """
    seen = np.flatnonzero(np.isfinite(leg).all(axis=3).any(axis=(1, 2)))
    result = np.full(len(leg), 0.5)
    if len(seen) < 2:
        result[seen] = 1.0
        return result
    ways = np.stack([leg[seen], leg[seen][:, ::-1]])
    when = time_s[seen]
    count = len(seen)
    # State: assignment of the frame before and of this frame (0 as named, 1 exchanged).
    step = np.zeros((count, 2, 2, 2))
    for t in range(2, count):
        back, on = when[t - 1] - when[t - 2], when[t] - when[t - 1]
        for b in (0, 1):
            for c in (0, 1):
                cost = _change(ways[0, t - 2], ways[b, t - 1], ways[c, t], back, on)
                # Only the relation of the three frames counts, so the mirrored case costs the same.
                step[t, 0, b, c] = step[t, 1, 1 - b, 1 - c] = -cost
    vote = np.array([VOTE, -VOTE]) / 2
    first = np.array([0.0, -np.inf])
    jump = np.array(
        [
            -float(
                np.nansum(np.log1p(((ways[b, 1] - ways[0, 0]) ** 2).sum(axis=-1) / (3 * (2 * PLACE) ** 2)))
            )
            for b in (0, 1)
        ]
    )
    forward = np.empty((count, 2, 2))
    forward[1] = first[:, None] + jump[None, :] + vote[None, :]
    for t in range(2, count):
        forward[t] = logsumexp(forward[t - 1][:, :, None] + step[t], axis=0) + vote
        forward[t] -= forward[t].max()
    back_ward = np.zeros((2, 2))
    result[seen[0]] = 1.0
    for t in range(count - 1, 0, -1):
        both = logsumexp(forward[t] + back_ward, axis=0)
        result[seen[t]] = expit(both[0] - both[1])
        if t > 1:
            back_ward = logsumexp(step[t] + vote + back_ward[None], axis=2)
            back_ward -= back_ward.max()
    return result
