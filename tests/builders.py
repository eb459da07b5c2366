"""Small invented values for tests: a track and an analysis that are whole but tiny."""

from __future__ import annotations

import numpy as np

from shared import landmarks as lm
from shared.analysis import (
    Analysis,
    Cue,
    Curve,
    Event,
    Measure,
    Observation,
    Provenance,
    Score,
)
from shared.track import ClipInfo, Scale, SideLabelling, Track, ViewQuality


def clip_info(**changes: object) -> ClipInfo:
    values: dict[str, object] = {
        "path": "invented.mp4",
        "sha256": "0" * 64,
        "frames": 12,
        "width": 1280,
        "height": 720,
        "capture_rate_hz": 120.0,
        "container_rate_hz": 30.0,
        "time_base": "tag",
        "repeated_frames": 0,
        "notes": ("Invented clip.",),
    }
    return ClipInfo(**(values | changes))  # type: ignore[arg-type]


def quality() -> ViewQuality:
    return ViewQuality(3.0, 2.0, 0.2, 0.5, 400.0, float("nan"), {"right_wrist": 0.7}, ("Side view.",))


def track(samples: int = 12, seed: int = 0) -> Track:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(100, 600, (samples, lm.COUNT, 2))
    xy[3, 5] = np.nan
    return Track(
        clip=clip_info(frames=samples),
        frame=np.arange(samples, dtype=np.int64),
        time_s=np.arange(samples) / 120.0,
        xy_px=xy,
        confidence=rng.uniform(0, 1, (samples, lm.COUNT)),
        world_px=np.stack([xy[..., 0], -xy[..., 1]], axis=-1),
        direction="right",
        camera="still",
        belt_speed_mps=None,
        scale=Scale(0.004, 0.03, "stature"),
        labelling=SideLabelling("right", 0.99, 2, 1, rng.uniform(0.5, 1, samples), ("Two repaired.",)),
        quality=quality(),
        model="full",
    )


def analysis() -> Analysis:
    time_s = np.arange(12) / 120.0
    angle = np.round(np.linspace(-20.0, 55.0, 12), 2)
    angle[4] = np.nan
    return Analysis(
        clip=clip_info(),
        direction="right",
        near_side="right",
        near_side_confidence=0.99,
        camera="still",
        scale=Scale(0.004, 0.03, "stature"),
        quality=quality(),
        athlete={"stature_m": 1.75, "mass_kg": None},
        profile="easy-run",
        frame=np.arange(12, dtype=np.int64),
        time_s=np.round(time_s, 6),
        angles={"thigh_right": angle},
        events=(Event("touchdown", "right", 0.0312, 0.028, 0.034, 4, {"heel": 0.03}),),
        observations=(Observation("contact_time", "right", 0, 0.2, "s", 0.19, 0.21, 0.03, 4),),
        measures=(
            Measure("contact_time", "right", 0.2, "s", 0.19, 0.21, 1, "measured", None, 4, {"event": 0.01}),
            Measure(
                "elbow_angle_mean",
                "left",
                None,
                "deg",
                None,
                None,
                0,
                "not_measurable",
                "the far arm is hidden",
            ),
        ),
        curves=(
            Curve(
                "thigh",
                "right",
                np.round(np.linspace(-20, 60, 101), 3),
                np.ones(101),
                np.full(101, 4.0),
                np.round(np.linspace(-20, 60, 101), 3)[None],
                1,
            ),
        ),
        scores=(
            Score(
                "contact_time", "right", (None, 0.25), "inside", "common practice, no source", "rhythm", 0.0
            ),
        ),
        cues=(Cue("contact_time", "right", "Text", "Seen", "Why", "Do", "Avoid", "weak", 4, "Caution", 1),),
        cautions=("Invented caution.",),
        notes=("Invented note.",),
        provenance=Provenance("0.1.0", "2026-01-01T00:00:00+00:00", "full", {"profile": "easy-run"}),
    )
