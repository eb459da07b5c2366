"""Small invented tracks for tests: a `Track` around given landmark paths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.track import CameraKind, ClipInfo, Scale, SideLabelling, Track, ViewQuality

FloatArray = NDArray[np.float64]


def track_of(
    time_s: FloatArray,
    world_px: FloatArray,
    confidence: FloatArray | None = None,
    *,
    camera: CameraKind = "still",
    scale: Scale | None = None,
    belt_speed_mps: float | None = None,
) -> Track:
    """A `Track` with the given (T, 33, 2) world path, running to the right."""
    t = len(time_s)
    rate = float(1.0 / np.median(np.diff(time_s))) if t > 1 else 30.0
    return Track(
        clip=ClipInfo("invented.mp4", "0" * 64, t, 1920, 1080, rate, rate, "file"),
        frame=np.arange(t, dtype=np.int64),
        time_s=np.asarray(time_s, dtype=np.float64),
        xy_px=world_px * np.array([1.0, -1.0]),
        confidence=np.ones((t, lm.COUNT)) if confidence is None else confidence,
        world_px=np.asarray(world_px, dtype=np.float64),
        direction="right",
        camera=camera,
        belt_speed_mps=belt_speed_mps,
        scale=scale,
        labelling=SideLabelling("left", 1.0, 0, 0, np.ones(t)),
        quality=ViewQuality(0.0, 1.0, 0.0, 0.5, 800.0, 1.0),
        model="invented",
    )
