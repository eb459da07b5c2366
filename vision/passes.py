"""One pass of the athlete: a clip of running to and fro is measured over its longest stretch."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.camera import CameraMotion
from vision.lane import reference_points
from vision.raw import RawTrack
from vision.scale import body_size, mid_point

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

TURN_WINDOW_S: Final = 0.6
"""Direction is judged over this long, so that the sway of the hips in a stride is no turn."""
STANDING_SPEED: Final = 0.25
"""Slower than this (body sizes a second) is neither one direction nor the other."""
LONGEST_GAP_S: Final = 1.0
"""A longer absence ends a pass."""


def longest_pass(
    raw: RawTrack, motion: CameraMotion, belt_speed_mps: float | None
) -> tuple[BoolArray, str | None]:
    """Samples of the longest stretch in one direction without a long absence.

    Parameters
    ----------
    raw : RawTrack
    motion : CameraMotion
    belt_speed_mps : float or None
        On a treadmill there is one pass.

    Returns
    -------
    keep : (T,) bool array
    note : str or None
        A sentence when something was left out.
    """
    everything = np.ones(len(raw.frame), dtype=bool)
    size = body_size(raw.xy_px).median_px
    if belt_speed_mps is not None or len(raw.frame) < 3 or not np.isfinite(size):
        return everything, None
    hip = mid_point(reference_points(raw.xy_px, raw.frame, motion), "hip")[:, 0]
    number = pass_numbers(raw.time_s, hip / size)
    labels, counts = np.unique(number[number >= 0], return_counts=True)
    if len(labels) < 2:
        return everything, None
    keep = number == labels[np.argmax(counts)]
    others = int(np.sum(counts >= max(5, 0.2 * counts.max())))
    if others < 2:
        return keep, None
    first, last = raw.frame[keep][[0, -1]]
    return keep, (
        f"The athlete passes {others} times in this clip; the longest pass is measured, frames {first} to {last}. "
        "Cut the clip to measure another."
    )


def pass_numbers(time_s: FloatArray, position: FloatArray) -> NDArray[np.int64]:
    """Number of the pass that each sample belongs to; -1 where there is no athlete.

    Parameters
    ----------
    time_s : (T,) array
    position : (T,) array
        Along the path, body sizes; NaN where missing.
    """
    number = np.full(len(time_s), -1, dtype=np.int64)
    seen = np.flatnonzero(np.isfinite(position))
    if len(seen) < 3:
        number[seen] = 0
        return number
    t, x = time_s[seen], position[seen]
    half = TURN_WINDOW_S / 2
    low = np.searchsorted(t, t - half)
    high = np.searchsorted(t, t + half, side="right") - 1
    span = np.maximum(t[high] - t[low], 1e-9)
    speed = (x[high] - x[low]) / span
    sign = np.where(np.abs(speed) < STANDING_SPEED, 0, np.sign(speed)).astype(int)
    current, direction = 0, 0
    for i in range(len(seen)):
        gone = i > 0 and t[i] - t[i - 1] > LONGEST_GAP_S
        turned = direction != 0 and sign[i] == -direction
        if gone or turned:
            current += 1
            direction = 0
        if sign[i] != 0:
            direction = sign[i]
        number[seen[i]] = current
    return number
