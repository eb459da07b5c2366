"""Running on a force-measuring treadmill as tracks, at any frame rate and landmark noise.

Data: Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298; read from a folder beside the checkout,
never copied into the project.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import lfilter

from shared import landmarks as lm
from shared.landmarks import Side
from shared.track import ClipInfo, SideLabelling, Track, ViewQuality

FloatArray = NDArray[np.float64]

FOLDER = Path(__file__).resolve().parents[2] / "shared" / "reference" / "treadmill_running"
PX_PER_M = 450.0
POINTS = {"hip": "hip", "knee": "knee", "ankle": "ankle", "heel": "heel", "foot_index": "toe"}
SIDES: tuple[Side, Side] = ("left", "right")


@dataclass(frozen=True)
class Trial:
    """One runner at one speed: paths by landmark name (1500, 2) px, contacts by side (n, 2) s."""

    runner: str
    speed_mps: float
    time_s: FloatArray
    paths: dict[str, FloatArray]
    contacts: dict[Side, FloatArray]
    leg_px: float


def trials() -> Iterator[Trial]:
    """All 24 trials."""
    for file in sorted(FOLDER.glob("rbds*_T*.npz")):
        with np.load(file) as data:
            time = data["time"].astype(np.float64)
            paths = {}
            for side in SIDES:
                for name, column in POINTS.items():
                    x = data[f"{side}_{column}"].astype(np.float64) * PX_PER_M
                    for axis in range(2):
                        gap = np.isnan(x[:, axis])
                        x[gap, axis] = np.interp(time[gap], time[~gap], x[~gap, axis])
                    paths[f"{side}_{name}"] = x
            contacts: dict[Side, list[FloatArray]] = {"left": [], "right": []}
            for contact in data["contacts"].astype(np.float64):
                on = (time >= contact[0]) & (time <= contact[1])
                low = {s: float(paths[f"{s}_foot_index"][on, 1].mean()) for s in SIDES}
                contacts[min(SIDES, key=lambda s: low[s])].append(contact)
            yield Trial(
                runner=file.name[:7],
                speed_mps=float(data["belt_speed"]),
                time_s=time,
                paths=paths,
                contacts={s: np.array(contacts[s]) for s in SIDES},
                leg_px=_leg(paths),
            )


def _leg(paths: dict[str, FloatArray]) -> float:
    total = 0.0
    for side in SIDES:
        for a, b in (("hip", "knee"), ("knee", "ankle")):
            gap = np.linalg.norm(paths[f"{side}_{a}"] - paths[f"{side}_{b}"], axis=1)
            total += float(np.median(gap))
    return total / 2.0


def moved_points(
    trial: Trial, rng: np.random.Generator, size: float, tip: bool = True
) -> dict[str, FloatArray]:
    """The same run with every landmark sitting elsewhere on its segment.

    Offsets are normal with SD `size` leg lengths along and across the segment; with `tip` the far
    point of the foot also moves up to 40 % of the foot further forward, as a toe tip does.
    """
    out = {}
    for side in SIDES:
        p = {name: trial.paths[f"{side}_{name}"] for name in POINTS}
        foot, shank, thigh = p["foot_index"] - p["heel"], p["knee"] - p["ankle"], p["hip"] - p["knee"]
        ahead = rng.uniform(0.0, 0.4) if tip else 0.0
        shift = {"heel": foot, "foot_index": foot, "ankle": shank, "knee": thigh, "hip": thigh}
        for name, segment in shift.items():
            along = segment / np.linalg.norm(segment, axis=1, keepdims=True)
            across = along[:, ::-1] * np.array([-1.0, 1.0])
            a, b = rng.normal(size=2) * size * trial.leg_px
            out[f"{side}_{name}"] = p[name] + a * along + b * across
        out[f"{side}_foot_index"] = out[f"{side}_foot_index"] + ahead * foot
    return out


def track_at(
    trial: Trial,
    rate_hz: float,
    *,
    phase: float = 0.0,
    noise: float = 0.0,
    correlation_s: float = 0.0,
    rng: np.random.Generator | None = None,
    paths: dict[str, FloatArray] | None = None,
    window_s: tuple[float, float] | None = None,
) -> Track:
    """A track of the trial as a camera of `rate_hz` would time it.

    Parameters
    ----------
    trial : Trial
    rate_hz : float
    phase : float
        Start of the frame grid, frames.
    noise : float
        SD of the landmark noise, leg lengths.
    correlation_s : float
        Time constant of that noise (first-order low-pass); 0 is white.
    rng : Generator, optional
    paths : dict, optional
        Paths to use instead of the trial's own.
    window_s : (float, float), optional
        Part of the trial.
    """
    paths = trial.paths if paths is None else paths
    start, end = window_s or (trial.time_s[0], trial.time_s[-1])
    time = np.arange(start + phase / rate_hz, end, 1.0 / rate_hz)
    world = np.full((len(time), lm.COUNT, 2), np.nan)
    for name, x in paths.items():
        y = CubicSpline(trial.time_s, x)(time)
        if noise and rng is not None:
            e = rng.normal(size=y.shape)
            if correlation_s:
                a = float(np.exp(-1.0 / (rate_hz * correlation_s)))
                e0 = rng.normal(size=(1, 2)) * a
                e = lfilter([np.sqrt(1.0 - a * a)], [1.0, -a], e, axis=0, zi=e0)[0]
            y = y + noise * trial.leg_px * e
        world[:, lm.INDEX[name]] = y
    count = len(time)
    return Track(
        clip=ClipInfo("treadmill", "0" * 64, count, 1920, 1080, rate_hz, rate_hz, "file"),
        frame=np.arange(count, dtype=np.int64),
        time_s=time,
        xy_px=world * np.array([1.0, -1.0]),
        confidence=np.ones((count, lm.COUNT)),
        world_px=world,
        direction="right",
        camera="treadmill",
        belt_speed_mps=trial.speed_mps,
        scale=None,
        labelling=SideLabelling("right", 1.0, 0, 0, np.ones(count)),
        quality=ViewQuality(0.0, 1.0, 0.0, 0.5, 800.0, 1.0),
        model="markers",
    )
