"""Measured leg motion made into the output of a faulty pose model, with the faults known.

Motion: open data of Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298 (treadmill, 150 Hz),
read from beside the checkout and never copied into the project.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from vision.raw import RawTrack

REFERENCE = Path(__file__).resolve().parents[1].parent / "shared" / "reference" / "treadmill_running"
RUNNERS = ("001", "002", "003", "004", "005", "008", "009", "010")
PX_PER_M = 230.0
JOINTS = {"hip": "hip", "knee": "knee", "ankle": "ankle", "heel": "heel", "toe": "foot_index"}
FOOT = ("ankle", "heel", "foot_index")
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Planted:
    """A faulty raw track with the truth beside it.

    `exchanged_legs`, `exchanged_arms` (T,) bool: the model has the sides the wrong way round;
    `wrong` (T, 33) bool: points that do not lie on their leg (true sides); `xy` (T, 33, 2): truth.
    """

    raw: RawTrack
    xy: NDArray[np.float64]
    exchanged_legs: Bool
    exchanged_arms: Bool
    wrong: Bool


def available() -> bool:
    return REFERENCE.is_dir()


def _resampled(
    values: NDArray[np.float64], rate: float, squeeze: float, seconds: float
) -> NDArray[np.float64]:
    """Linear interpolation of 150 Hz samples; holes are bridged (few and short)."""
    at = np.arange(len(values)) / (150.0 * squeeze)
    out = np.arange(0, min(seconds, at[-1]), 1 / rate)
    columns = values.reshape(len(values), -1).T
    made = [np.interp(out, at[np.isfinite(c)], c[np.isfinite(c)]) for c in columns]
    return np.stack(made, axis=1).reshape(len(out), *values.shape[1:])


def body(runner: str, speed: str, rate: float, squeeze: float, seconds: float) -> NDArray[np.float64]:
    """Legs from the data, head, trunk and arms invented; x forward, y up, m, (T, 33, 2)."""
    data = np.load(REFERENCE / f"rbds{runner}_{speed}.npz")
    points: dict[str, NDArray[np.float64]] = {}
    for side in ("left", "right"):
        for theirs, ours in JOINTS.items():
            points[f"{side}_{ours}"] = _resampled(data[f"{side}_{theirs}"], rate, squeeze, seconds)
    middle = (points["left_hip"] + points["right_hip"]) / 2
    shoulder = middle + np.array([0.05, 0.5])
    for side in ("left", "right"):
        other = points[f"{lm.opposite(side)}_ankle"][:, 0] - middle[:, 0]
        angle = 0.9 * (other - np.median(other)) / np.ptp(other) * 1.6 - 0.2
        points[f"{side}_shoulder"] = shoulder.copy()
        elbow = shoulder + 0.30 * np.stack([np.sin(angle), -np.cos(angle)], axis=1)
        points[f"{side}_elbow"] = elbow
        fore = angle + 1.5
        for joint, reach in (("wrist", 0.27), ("pinky", 0.34), ("index", 0.36), ("thumb", 0.32)):
            points[f"{side}_{joint}"] = elbow + reach * np.stack([np.sin(fore), -np.cos(fore)], axis=1)
    head = shoulder + np.array([0.03, 0.25])
    xy = np.empty((len(middle), lm.COUNT, 2))
    for name, i in lm.INDEX.items():
        forward = 0.1 if ("eye" in name or "mouth" in name or name == "nose") else 0.0
        xy[:, i] = points[name] if name in points else head + np.array([forward, 0.0])
    return xy


def _columns(side: str, joints: tuple[str, ...]) -> list[int]:
    return [lm.INDEX[f"{side}_{joint}"] for joint in joints]


def _exchange(values: NDArray[np.float64], rows: Bool, joints: tuple[str, ...]) -> None:
    left, right = _columns("left", joints), _columns("right", joints)
    kept = values[np.ix_(rows, left)].copy()
    values[np.ix_(rows, left)] = values[np.ix_(rows, right)]
    values[np.ix_(rows, right)] = kept


def planted(
    runner: str = "002",
    speed: str = "T45",
    *,
    rate: float = 60.0,
    squeeze: float = 1.0,
    seconds: float = 4.0,
    direction: int = -1,
    single: float = 0.03,
    burst: float = 0.25,
    stuck: float = 0.5,
    merged: float = 0.2,
    noise_m: float = 0.02,
    treadmill: bool = False,
    seed: int = 1,
) -> Planted:
    """A raw track with planted faults.

    single: share of lone exchanged frames; burst: chance at each crossing of the ankles that the
    model takes the legs for each other from there on, for one to three steps; stuck: chance at each
    crossing that the far foot stays where it was for 20-50 ms; merged: chance that the far
    leg is laid on the near one for 20-50 ms. direction: +1 runs to the right of the picture.
    """
    rng = np.random.default_rng(seed)
    metres = body(runner, speed, rate, squeeze, seconds)
    count = len(metres)
    near, far = ("left", "right") if direction < 0 else ("right", "left")
    time_s = np.arange(count) / rate
    if not treadmill:
        metres = (
            metres + np.stack([float(speed[1:]) / 10 * squeeze * time_s, np.zeros(count)], axis=1)[:, None]
        )
    # The far side is a little smaller and higher up in the picture, as a camera sees it.
    xy = metres * PX_PER_M * np.array([direction, -1.0]) + np.array([300.0, 700.0])
    columns = [i for n, i in lm.INDEX.items() if n.startswith(far)]
    xy[:, columns] = (xy[:, columns] - xy.mean(axis=1, keepdims=True)) * 0.975 + xy.mean(
        axis=1, keepdims=True
    )
    xy[:, columns, 1] -= 2.0
    truth = xy.copy()
    ankle = {side: xy[:, lm.INDEX[f"{side}_ankle"], 0] for side in ("left", "right")}
    gap = ankle["left"] - ankle["right"]
    crossings = np.flatnonzero(np.sign(gap[1:]) != np.sign(gap[:-1])) + 1
    wrong = np.zeros((count, lm.COUNT), dtype=bool)
    exchanged = rng.random(count) < single
    far_foot = _columns(far, FOOT)
    for k, at in enumerate(crossings):
        hold = max(1, round(rng.uniform(0.02, 0.05) * rate))
        a = max(0, at - hold // 2)
        draw = rng.random()
        if draw < stuck and a:
            xy[a : a + hold, far_foot] = xy[a - 1, far_foot]
            wrong[a : a + hold, far_foot] = True
        elif draw < stuck + merged:
            leg = ("knee", *FOOT)
            xy[a : a + hold, _columns(far, leg)] = xy[a : a + hold, _columns(near, leg)]
            wrong[a : a + hold, _columns(far, leg)] = True
        if rng.random() < burst:
            end = crossings[min(len(crossings) - 1, k + int(rng.integers(1, 4)))]
            exchanged[at:end] ^= True
    xy = xy + rng.normal(0, noise_m * PX_PER_M, xy.shape)
    arms = rng.random(count) < single
    _exchange(xy, exchanged, lm.LEG_JOINTS)
    _exchange(xy, arms, lm.ARM_JOINTS)
    depth = np.zeros((count, lm.COUNT))
    visibility = np.full((count, lm.COUNT), 0.95)
    for i, name in enumerate(lm.NAMES):
        if name.startswith(far):
            depth[:, i], visibility[:, i] = 40.0, 0.6
        elif name.startswith(near):
            depth[:, i] = -40.0
    return Planted(
        raw=RawTrack(
            frame=np.arange(count),
            time_s=time_s,
            xy_px=xy,
            depth_px=depth,
            visibility=visibility,
            presence=np.full((count, lm.COUNT), 0.99),
            score=np.ones(count),
            window=np.tile([0.0, 0.0, 500.0, 0.0], (count, 1)),
            model="invented",
        ),
        xy=truth,
        exchanged_legs=exchanged,
        exchanged_arms=arms,
        wrong=wrong,
    )
