"""A `shared.track.Track` made from truth, perfect or with noise, to test without video."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from sample_clips.truth import Truth
from shared import landmarks as lm
from shared.track import CameraKind, ClipInfo, Scale, SideLabelling, Track, ViewQuality

FloatArray = NDArray[np.float64]


def track_from_truth(
    known: Truth, noise_px: float = 0.0, seed: int = 0, *, scale: bool = True, far_confidence: float = 1.0
) -> Track:
    """The track a perfect (or evenly noisy) pose model would give.

    `world_px` is the true motion in the plane of travel, divided by the metres per px at the
    middle of the clip; perspective and camera turn are not in it. `xy_px` is the true picture
    position. Both carry the same noise.

    Parameters
    ----------
    known : Truth
    noise_px : float
        Standard deviation of independent Gaussian noise on each coordinate.
    seed : int
    scale : bool
        Give the true scale (relative SD 0); else None.
    far_confidence : float
        Confidence of the far side's landmarks.

    Returns
    -------
    Track
    """
    r = known.athlete
    t = len(known.time_s)
    rng = np.random.default_rng(seed)
    noise = noise_px * rng.standard_normal((t, lm.COUNT, 2))
    per_px = float(r.metres_per_px[t // 2])
    world = r.metres[..., :2] / per_px
    world = world - np.array([world[0, :, 0].mean(), 0.0])
    sign = 1.0 if r.direction == "right" else -1.0
    confidence = np.ones((t, lm.COUNT))
    far = "left" if r.near_side == "right" else "right"
    for i, name in enumerate(lm.NAMES):
        if far in name:
            confidence[:, i] = far_confidence
    height = float(np.median(np.nanmax(r.px[..., 1], axis=1) - np.nanmin(r.px[..., 1], axis=1)))
    return Track(
        clip=ClipInfo(
            path=known.name,
            sha256="0" * 64,
            frames=t,
            width=known.width,
            height=known.height,
            capture_rate_hz=known.capture_rate_hz,
            container_rate_hz=known.container_rate_hz,
            time_base="file",
        ),
        frame=np.arange(t, dtype=np.int64),
        time_s=known.time_s.copy(),
        xy_px=r.px + noise,
        confidence=confidence,
        world_px=world + noise * np.array([sign, -1.0]),
        direction=r.direction,
        camera=cast(CameraKind, known.camera),
        belt_speed_mps=known.belt_speed_mps,
        scale=Scale(per_px, 0.0, "marked distance") if scale else None,
        labelling=SideLabelling(r.near_side, 1.0, 0, 0, np.ones(t)),
        quality=ViewQuality(known.off_perpendicular_deg, 0.0, 0.0, 0.0, height * 1.06, 0.0),
        model="truth",
    )
