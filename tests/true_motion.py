"""An invented runner whose truth is known, as a `Track` without any picture."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import numpy as np

from sample_clips.camera import Camera
from sample_clips.runner import Runner, runner_at
from sample_clips.spec import ClipSpec
from sample_clips.truth import Truth, truth
from shared.analysis import Event
from shared.track import Scale, Track, ViewQuality
from technique.measures_motion import Athlete, Motion, motion
from tests.treadmill_motion import PX_PER_M, plain_smoothed, still_track


@lru_cache(maxsize=32)
def known(runner: Runner, rate_hz: float = 240.0, duration_s: float = 3.0) -> Truth:
    """Truth of one runner in front of a still camera."""
    spec = ClipSpec((runner,), Camera(), capture_rate_hz=rate_hz, duration_s=duration_s)
    return truth(spec)


def true_events(t: Truth, half_s: float = 0.001) -> tuple[Event, ...]:
    """Events of the truth, as exact picks."""
    rate = t.capture_rate_hz
    return tuple(
        Event(e.kind, e.side, e.time_s, e.time_s - half_s, e.time_s + half_s, round(e.time_s * rate))  # type: ignore[arg-type]
        for e in t.athlete.events
    )


def true_track(
    t: Truth,
    noise_px: float = 0.0,
    seed: int = 0,
    scale: bool = True,
    quality: ViewQuality | None = None,
) -> Track:
    """The landmarks in the plane of travel, seen exactly from the side."""
    world = t.athlete.metres[..., :2] * PX_PER_M
    if noise_px:
        world = world + np.random.default_rng(seed).normal(0.0, noise_px, world.shape)
    made = still_track(
        t.time_s,
        world,
        near=t.athlete.near_side,
        belt=t.belt_speed_mps,
        scale=Scale(1 / PX_PER_M, 0.0, "marked distance") if scale else None,
        quality=quality,
        camera=t.camera,
    )
    return dataclasses.replace(made, direction=t.athlete.direction)


def true_run(
    speed_mps: float, rate_hz: float = 240.0, duration_s: float = 3.0, scale: bool = True, **changes: object
) -> tuple[Truth, Motion]:
    """Truth and `Motion` of an invented runner at one speed; `changes` go to `runner_at`."""
    t = known(runner_at(speed_mps, **changes), rate_hz, duration_s)
    track = true_track(t, scale=scale)
    m = motion(track, plain_smoothed(t.time_s, track.world_px), true_events(t), Athlete(1.78, 70.0))
    return t, m
