"""A first guess at the rhythm of the legs: stride frequency over time, from unlabelled legs."""

from __future__ import annotations

from typing import Final

import numpy as np

from vision.raw import FloatArray
from vision.sides_path import (
    BINS,
    LEAK,
    START_SPEEDS_MPS,
    START_SPREAD,
    WANDER,
    misfit,
    position,
    start_path,
)

RATES_HZ: Final[FloatArray] = np.geomspace(0.15, 2.8, 36)
"""Stride frequencies tried; the low ones are for slow motion whose capture rate is not known yet."""
NEARBY: Final[FloatArray] = np.geomspace(0.8, 1.25, 19)
"""Frequencies tried beside that of the stretch before, as a share of it."""
SEARCH_FRAMES: Final = 240
SEARCH_RATE_HZ: Final = 70.0
"""Frames per second that are enough to find a rhythm."""
STRETCH_STRIDES: Final = 4.0
"""Length of the stretches whose frequency is found one by one, half overlapping."""


def likelihoods(leg: FloatArray, time_s: FloatArray, path: FloatArray, rates_hz: FloatArray) -> FloatArray:
    """Log-likelihood of a stretch for each stride frequency, (R,).

    Parameters
    ----------
    leg : (T, 2, 4, 2) array
        As in `BodyFrame.leg`.
    time_s : (T,) array
    path : (8, 1 + 2 K) array
        Path of a leg to begin with.
    rates_hz : (R,) array
    """
    grid = 2 * BINS
    table = position(path, np.arange(grid) * (2 * np.pi / grid))
    wide = np.full(4, START_SPREAD)
    left, right = (misfit(leg[:, side, None], table, wide) for side in (0, 1))
    straight = left + np.roll(right, BINS, axis=1)
    evidence = np.logaddexp(straight, np.roll(straight, BINS, axis=1))
    bins = np.arange(BINS) * 2
    turns = rates_hz * np.diff(time_s, prepend=time_s[0])[:, None]
    index = np.round(np.cumsum(turns, axis=0) * grid).astype(np.int64)
    spread = np.minimum(turns * (WANDER * BINS) ** 2, 0.5)[:, :, None] / 2
    state = np.full((len(rates_hz), BINS), 1.0 / BINS)
    total = np.zeros(len(rates_hz))
    for t in range(len(leg)):
        beside = np.roll(state, 1, axis=1) + np.roll(state, -1, axis=1)
        state = (1 - 2 * spread[t]) * state + spread[t] * beside + LEAK / BINS
        here = evidence[t][(index[t][:, None] + bins) % grid]
        state = state * np.exp(here - evidence[t].max())
        scale = state.sum(axis=1)
        total += np.log(scale)
        state = state / scale[:, None]
    # The last term is common to all rates; it is needed to compare paths.
    return np.asarray(total + evidence.max(axis=1).sum())


def _local_rates(leg: FloatArray, time_s: FloatArray, path: FloatArray, rate_hz: float) -> FloatArray:
    """Stride frequency at every sample, (T,) Hz, followed outwards from the middle."""
    length = STRETCH_STRIDES / rate_hz
    count = max(1, round((time_s[-1] - time_s[0]) / length * 2 - 1))
    centres = np.linspace(time_s[0] + length / 2, time_s[-1] - length / 2, count) if count > 1 else None
    if centres is None:
        found = likelihoods(leg, time_s, path, rate_hz * NEARBY)
        return np.full(len(time_s), rate_hz * NEARBY[int(found.argmax())])
    rates = np.empty(count)
    middle = count // 2
    for k in (*range(middle, count), *range(middle - 1, -1, -1)):
        beside = rate_hz if k == middle else rates[k - 1 if k > middle else k + 1]
        a, b = np.searchsorted(time_s, [centres[k] - length / 2, centres[k] + length / 2])
        rates[k] = beside
        if b - a >= 8:
            found = likelihoods(leg[a:b], time_s[a:b], path, beside * NEARBY)
            rates[k] = beside * NEARBY[int(found.argmax())]
    return np.interp(time_s, centres, rates)


def first_rhythm(leg: FloatArray, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Expected phase of the legs and the path to begin with.

    Parameters
    ----------
    leg : (T, 2, 4, 2) array
        As in `BodyFrame.leg`.
    time_s : (T,) array

    Returns
    -------
    rhythm : (T,) array
        Phase up to a constant, rad, growing.
    path : (8, 5) array
    """
    step = max(1, round(1 / (SEARCH_RATE_HZ * float(np.median(np.diff(time_s))))))
    few, when = leg[::step], time_s[::step]
    a = max(0, (len(few) - SEARCH_FRAMES) // 2)
    part = slice(a, a + SEARCH_FRAMES)
    paths = [start_path(speed) for speed in START_SPEEDS_MPS]
    found = np.stack([likelihoods(few[part], when[part], path, RATES_HZ) for path in paths])
    speed, rate = np.unravel_index(int(found.argmax()), found.shape)
    path = paths[int(speed)]
    rates = np.interp(time_s, when, _local_rates(few, when, path, float(RATES_HZ[rate])))
    turns = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (rates[1:] + rates[:-1]) / 2)])
    return 2 * np.pi * turns, path
