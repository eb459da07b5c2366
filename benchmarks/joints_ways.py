"""Ways of treating landmarks before angles are taken, to be held against the program's own.

None of them is in the program: what each was worth is in docs/joints.md.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from benchmarks.rts_smoother import rts_smoothed
from shared import landmarks as lm
from shared.landmarks import Side
from shared.track import Track
from technique import filters
from technique.angles import SIDES, middle
from technique.smoothed import Smoothed
from technique.smoothing import cutoff_limits, frame_interval, leg_length, runs, smooth, stride_frequency

FloatArray = NDArray[np.float64]

LEAST_CONFIDENCE: Final = 0.3
CONFIDENCE_FLOOR: Final = 0.02
SLIP_SDS: Final = 3.0
LEAST_SLIP: Final = 0.02
"""Share of the leg length."""
LONGEST_REPAIR_S: Final = 0.08
RTS_HALF: Final = 0.863
"""Frequency at which 1 / (1 + (f/f0)^6) is 1/sqrt(2), as a share of f0."""


def refiltered(s: Smoothed, factor: float) -> Smoothed:
    """The light points filtered again at `factor` times each cut-off (from 1 up)."""
    out = np.full_like(s.world_px, np.nan)
    top = 0.39 * s.rate_hz
    for j in range(lm.COUNT):
        for a, b in runs(np.isfinite(s.light_px[:, j, 0])):
            for axis in range(2):
                hz = min(factor * float(s.cutoff_hz[j, axis]), top)
                out[a:b, j, axis] = filters.zero_lag(s.light_px[a:b, j, axis], hz, s.rate_hz)
    return replace(s, world_px=out)


def rts(s: Smoothed) -> Smoothed:
    """The light points through a Rauch-Tung-Striebel smoother with the program's cut-offs."""
    out = np.full_like(s.world_px, np.nan)
    for j in range(lm.COUNT):
        for a, b in runs(np.isfinite(s.light_px[:, j, 0])):
            for axis in range(2):
                turn = 2.0 * np.pi * float(s.cutoff_hz[j, axis]) / RTS_HALF
                x = s.light_px[a:b, j, axis : axis + 1]
                out[a:b, j, axis] = rts_smoothed(x, s.rate_hz, turn**3 / np.sqrt(s.rate_hz))[:, 0, 0]
    return replace(s, world_px=out)


def fixed_lengths(points: FloatArray, side: Side, share: float = 1.0, rounds: int = 8) -> FloatArray:
    """Thigh and shank of one side drawn to their median lengths, both ends moving alike.

    Parameters
    ----------
    points : (N, 33, 2) array
    side : {"left", "right"}
    share : float
        Of the misfit that each round takes away; 1 is a stiff chain.
    rounds : int

    Returns
    -------
    (N, 33, 2) array
    """
    out = points.copy()
    links = [(lm.index(a, side), lm.index(b, side)) for a, b in (("hip", "knee"), ("knee", "ankle"))]
    lengths = [float(np.nanmedian(np.linalg.norm(out[:, b] - out[:, a], axis=1))) for a, b in links]
    for _ in range(rounds):
        for (a, b), length in zip(links, lengths):
            gap = out[:, b] - out[:, a]
            now = np.linalg.norm(gap, axis=1, keepdims=True)
            move = share * (now - length) / now * gap / 2.0
            out[:, a] += move
            out[:, b] -= move
    return out


def rigid_foot(points: FloatArray, side: Side, ankle_weight: float = 1.0) -> FloatArray:
    """Heel and toe from the turn of one unchanging triangle ankle-heel-toe fitted to each frame."""
    at = [lm.index(j, side) for j in ("ankle", "heel", "foot_index")]
    z = points[:, at, 0] + 1j * points[:, at, 1]
    weight = np.array([ankle_weight, 1.0, 1.0])
    centre = (z * weight).sum(axis=1, keepdims=True) / weight.sum()
    turn = np.exp(1j * np.angle(z[:, 2] - z[:, 1]))
    shape = np.zeros(3, dtype=complex)
    for _ in range(4):
        laid = (z - centre) / turn[:, None]
        shape = np.nanmedian(laid.real, axis=0) + 1j * np.nanmedian(laid.imag, axis=0)
        turn = np.exp(1j * np.angle(((z - centre) * np.conj(shape) * weight).sum(axis=1)))
    fitted = centre + shape * turn[:, None]
    out = points.copy()
    for k in (1, 2):
        out[:, at[k]] = np.stack([fitted[:, k].real, fitted[:, k].imag], axis=1)
    return out


def lower_shoulders(points: FloatArray, share: float) -> FloatArray:
    """Both shoulders moved down the trunk line by a share of its length."""
    trunk = middle(points, "shoulder") - middle(points, "hip")
    out = points.copy()
    for side in SIDES:
        out[:, lm.index("shoulder", side)] -= share * trunk
    return out


def weighted_smooth(x: FloatArray, weight: FloatArray, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Penalised least squares with the gain 1 / (1 + (f/fc)^4) of a dual-pass Butterworth filter.

    Parameters
    ----------
    x : (N, K) array
        Rows with weight 0 may be NaN.
    weight : (N,) array
        1 for a full sample, 0 for none.
    cutoff_hz, rate_hz : float
        Half of the amplitude is left at `cutoff_hz`.

    Returns
    -------
    (N, K) array
    """
    n = len(x)
    stiff = (2.0 * np.sin(np.pi * cutoff_hz / rate_hz)) ** -4
    bands = np.zeros((3, n))
    middle_band, next_band = np.full(n, 6.0), np.full(n, -4.0)
    middle_band[[0, -1]], middle_band[[1, -2]] = 1.0, 5.0
    next_band[[1, -1]] = -2.0
    bands[2] = weight + stiff * middle_band + 1e-9
    bands[1], bands[1, 0] = stiff * next_band, 0.0
    bands[0, 2:] = stiff
    known = np.where(weight[:, None] > 0, x, 0.0)
    return np.asarray(solveh_banded(bands, weight[:, None] * known), dtype=np.float64)


def slips_repaired(track: Track, joints: tuple[str, ...], stiffness: float = 1.0) -> Track:
    """Sudden slips of the given joints replaced by a robust fit, or taken out where they last.

    Samples are weighted by confidence against the landmark's usual one and by a redescending
    weight of their misfit to `weighted_smooth` (at `stiffness` times the lowest cut-off).
    """
    rate = 1.0 / frame_interval(track.time_s)
    leg, stride = leg_length(track.world_px), stride_frequency(track.world_px, rate)
    world = track.world_px.copy()
    for name in (f"{side}_{joint}" for joint in joints for side in SIDES):
        j = lm.INDEX[name]
        y, sure = world[:, j].copy(), track.confidence[:, j]
        seen = np.isfinite(y).all(axis=1) & (sure >= LEAST_CONFIDENCE)
        if seen.sum() < 12:
            continue
        cutoff = stiffness * cutoff_limits(name, stride, rate)[0]
        usual = 1.0 - float(np.median(sure[seen])) + CONFIDENCE_FLOOR
        start = np.where(seen, np.minimum(1.0, usual / (1.0 - sure + CONFIDENCE_FLOOR)), 0.0)
        weight, fit, off, sd = start, y, np.zeros(len(y)), 1.0
        for _ in range(6):
            fit = weighted_smooth(y, weight, cutoff, rate)
            off = np.where(seen, np.linalg.norm(y - fit, axis=1), 0.0)
            sd = max(float(np.median(off[seen])) / 1.18, 1e-9)
            weight = start * np.minimum(1.0, (SLIP_SDS * sd / np.maximum(off, 1e-12)) ** 2)
        slip = seen & (off > 1.3 * SLIP_SDS * sd) & (off > LEAST_SLIP * leg) & (weight < 0.4)
        for a, b in runs(slip | ~seen):
            gone = np.arange(a, b)[slip[a:b]]
            inside = a > 0 and b < len(y)
            short = inside and (b - a) / rate <= LONGEST_REPAIR_S
            world[gone, j] = fit[gone] if short else np.nan
    return replace(track, world_px=world)


def smoothed_with(points: FloatArray, s: Smoothed) -> Smoothed:
    """The same with other filtered points."""
    return replace(s, world_px=points, valid=s.valid & np.isfinite(points[:, :, 0]))


def all_ways(track: Track, near: Side) -> dict[str, Smoothed]:
    """Every way on one track; "as it is" is the program's."""
    s = smooth(track)
    trusted = np.where(s.valid[:, :, None], s.world_px, np.nan)
    return {
        "as it is": s,
        "cut-offs x 1.5": refiltered(s, 1.5),
        "cut-offs x 2": refiltered(s, 2.0),
        "Rauch-Tung-Striebel": rts(s),
        "leg lengths fixed": smoothed_with(fixed_lengths(trusted, near), s),
        "leg lengths soft": smoothed_with(fixed_lengths(trusted, near, 0.2, 4), s),
        "rigid foot": smoothed_with(rigid_foot(trusted, near), s),
        "slips repaired, arms": smooth(slips_repaired(track, ("elbow", "wrist"))),
        "slips repaired, legs": smooth(
            slips_repaired(track, ("hip", "knee", "ankle", "heel", "foot_index"), 1.4)
        ),
        "shoulders 3.5 % lower": smoothed_with(lower_shoulders(trusted, 0.035), s),
    }
