"""Measured treadmill running as a `Motion`: legs only, force-plate events.

Data: Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298 (third-party; read from beside the checkout,
never copied).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from shared import landmarks as lm
from shared.analysis import Event
from shared.landmarks import Side
from shared.track import ClipInfo, Scale, SideLabelling, Track, ViewQuality
from technique.measures_motion import Athlete, Motion, motion
from technique.smoothed import Smoothed

REFERENCE = Path(__file__).resolve().parents[2] / "shared" / "reference"
TREADMILL = REFERENCE / "treadmill_running"
RUNNERS = ("001", "002", "003", "004", "005", "008", "009", "010")
SPEEDS = (25, 35, 45)
PX_PER_M = 200.0


def need_treadmill() -> None:
    """Skip the calling test where the data are absent."""
    if not TREADMILL.is_dir():
        pytest.skip("the treadmill running data are not beside this checkout")


def still_track(
    time_s: np.ndarray,
    world_px: np.ndarray,
    *,
    near: Side = "right",
    belt: float | None = None,
    scale: Scale | None = None,
    quality: ViewQuality | None = None,
    camera: str = "treadmill",
) -> Track:
    """A track around world points, with everything else quiet."""
    t = len(time_s)
    rate = 1.0 / float(np.median(np.diff(time_s)))
    clip = ClipInfo("invented.mp4", "0" * 64, t, 1280, 720, rate, rate, "file")
    quality = quality or ViewQuality(0.0, 0.0, 0.0, 0.0, 400.0, float("nan"))
    return Track(
        clip=clip,
        frame=np.arange(t),
        time_s=np.asarray(time_s, dtype=float),
        xy_px=world_px * np.array([1.0, -1.0]),
        confidence=np.ones((t, lm.COUNT)),
        world_px=world_px,
        direction="right",
        camera=camera,  # type: ignore[arg-type]
        belt_speed_mps=belt,
        scale=scale,
        labelling=SideLabelling(near, 1.0, 0, 0, np.ones(t)),
        quality=quality,
        model="markers",
    )


def plain_smoothed(time_s: np.ndarray, world_px: np.ndarray, noise_px: float = 0.0) -> Smoothed:
    """World points taken as they are, as if filtered at 15 Hz."""
    t = len(time_s)
    return Smoothed(
        time_s=np.asarray(time_s, dtype=float),
        rate_hz=1.0 / float(np.median(np.diff(time_s))),
        frame=np.arange(t),
        world_px=world_px,
        light_px=world_px,
        valid=np.isfinite(world_px).all(axis=-1),
        cutoff_hz=np.full((lm.COUNT, 2), 15.0),
        noise_px=np.full((lm.COUNT, 2), noise_px),
        noise_left_px=np.full((lm.COUNT, 2), noise_px),
    )


def force_events(data: dict[str, np.ndarray], half_s: float = 0.002) -> tuple[Event, ...]:
    """Touchdowns and toe-offs of the force plate, put to the foot that is in front at touchdown."""
    time, out = data["time"], []
    for start, end in data["contacts"]:
        i = int(np.argmin(np.abs(time - (start + end) / 2)))
        low = {s: np.nanmean([data[f"{s}_heel"][i, 1], data[f"{s}_toe"][i, 1]]) for s in ("left", "right")}
        side: Side = "left" if low["left"] < low["right"] else "right"
        for kind, t in (("touchdown", start), ("toe_off", end)):
            frame = int(np.argmin(np.abs(time - t)))
            out.append(Event(kind, side, float(t), float(t - half_s), float(t + half_s), frame))  # type: ignore[arg-type]
    return tuple(out)


def treadmill_motion(runner: str, speed: int, athlete: Athlete | None = None) -> Motion:
    """One trial of the data set; trunk and arms are absent."""
    need_treadmill()
    data = dict(np.load(TREADMILL / f"rbds{runner}_T{speed}.npz"))
    time = data["time"]
    world = np.full((len(time), lm.COUNT, 2), np.nan)
    for side in ("left", "right"):
        for joint, name in (
            ("hip", "hip"),
            ("knee", "knee"),
            ("ankle", "ankle"),
            ("heel", "heel"),
            ("foot_index", "toe"),
        ):
            world[:, lm.index(joint, side)] = data[f"{side}_{name}"] * PX_PER_M  # type: ignore[arg-type]
    track = still_track(
        time, world, belt=float(data["belt_speed"]), scale=Scale(1 / PX_PER_M, 0.0, "marked distance")
    )
    return motion(track, plain_smoothed(time, world), force_events(data), athlete)
