"""What the pose model saw of one athlete, before sides are repaired and the world is fixed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class RawTrack:
    """One athlete's landmarks as the pose model gave them.

    Attributes
    ----------
    frame : (T,) int array
        Decoded frame number, increasing; frames without the athlete are left out or NaN.
    time_s : (T,) array
        Real seconds from the clip's first frame.
    xy_px : (T, 33, 2) array
        Upright picture position, px, y down; NaN where the athlete was not found.
    depth_px : (T, 33) array
        The model's own depth relative to the mid-hip, px scale, smaller = nearer the camera.
    visibility : (T, 33) array
        Probability that the landmark is in view and not hidden, 0..1.
    presence : (T, 33) array
        Probability that the landmark lies inside the model's window, 0..1.
    score : (T,) array
        Probability that the window holds a person, 0..1.
    window : (T, 4) array
        Window the model looked at: centre x, centre y, side (px), rotation (rad).
    model : str
        Name of the weights.
    """

    frame: IntArray
    time_s: FloatArray
    xy_px: FloatArray
    depth_px: FloatArray
    visibility: FloatArray
    presence: FloatArray
    score: FloatArray
    window: FloatArray
    model: str
