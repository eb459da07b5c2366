"""Landmarks on an even time grid, filtered without lag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Smoothed:
    """World landmarks, filtered, on an even time grid.

    Attributes
    ----------
    time_s : (N,) array
        Even grid, real seconds from the clip's first frame.
    rate_hz : float
        Samples per second of the grid (the capture rate, or what the frames support).
    frame : (N,) int array
        Nearest decoded frame of each sample.
    world_px : (N, 33, 2) array
        x forward, y up, px; zero-lag filtered for angles; NaN in gaps.
    light_px : (N, 33, 2) array
        The same with the lighter filter that events use.
    valid : (N, 33) bool array
        False in gaps and where the point is not to be trusted.
    cutoff_hz : (33, 2) array
        Cut-off chosen for each coordinate of `world_px`.
    noise_px : (33, 2) array
        Standard deviation of what the filter took away (landmark noise before filtering).
    noise_left_px : (33, 2) array
        Estimate of the noise (1 SD) that is left in `world_px` after filtering.
    """

    time_s: FloatArray
    rate_hz: float
    frame: IntArray
    world_px: FloatArray
    light_px: FloatArray
    valid: BoolArray
    cutoff_hz: FloatArray
    noise_px: FloatArray
    noise_left_px: FloatArray

    def point(self, joint: str, side: Side | None = None) -> FloatArray:
        """Filtered world position of one landmark, (N, 2) px; NaN in gaps."""
        return self.world_px[:, lm.index(joint, side)]
