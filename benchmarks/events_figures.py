"""Invented figures with exact truth (no pixels) as trials for the event study and the fit."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchmarks.events_data import POINTS, SIDES, Trial
from sample_clips.runner import runner_at
from sample_clips.spec import ClipSpec
from sample_clips.truth import truth
from shared import landmarks as lm
from shared.landmarks import Side

FloatArray = NDArray[np.float64]
PX_PER_M = 450.0
SPREADS = {
    "contact_time_s": 0.08,
    "td_distance_m": 0.12,
    "knee_swing_max_deg": 0.06,
    "thigh_max_deg": 0.08,
}
"""Relative SD of the technique values drawn for each figure."""
MOVES_DEG = {"foot_td_deg": 4.0, "knee_td_deg": 3.0, "knee_to_deg": 3.0}
"""Absolute SD of angles drawn."""


def figures(speeds_mps: FloatArray, seed: int, duration_s: float = 3.0) -> Iterator[Trial]:
    """One figure with its own technique at each speed, sampled at 240/s.

    Combinations that the figure can't take are drawn again.
    """
    rng = np.random.default_rng(seed)
    for number, speed in enumerate(speeds_mps):
        for _attempt in range(8):
            usual = runner_at(float(speed))
            changes: dict[str, float] = {"phase": float(rng.uniform())}
            for name, share in SPREADS.items():
                changes[name] = getattr(usual.left, name) * float(1.0 + share * np.clip(rng.normal(), -2, 2))
            for name, move in MOVES_DEG.items():
                changes[name] = getattr(usual.left, name) + move * float(np.clip(rng.normal(), -2, 2))
            try:
                known = truth(
                    ClipSpec(
                        (runner_at(float(speed), **changes),), capture_rate_hz=240.0, duration_s=duration_s
                    )
                )
            except Exception:
                continue
            a = known.athlete
            paths = {
                f"{side}_{name}": a.metres[:, lm.INDEX[f"{side}_{name}"], :2].astype(np.float64) * PX_PER_M
                for side in SIDES
                for name in POINTS
            }
            contacts: dict[Side, FloatArray] = {}
            for side in SIDES:
                down = np.sort(np.asarray(a.event_times("touchdown", side), dtype=np.float64))
                up = np.sort(np.asarray(a.event_times("toe_off", side), dtype=np.float64))
                pairs = [(d, up[up > d][0]) for d in down if (up > d).any()]
                contacts[side] = np.array(pairs).reshape(-1, 2)
            leg = np.mean(
                [
                    np.median(np.linalg.norm(paths[f"{s}_hip"] - paths[f"{s}_knee"], axis=1))
                    + np.median(np.linalg.norm(paths[f"{s}_knee"] - paths[f"{s}_ankle"], axis=1))
                    for s in SIDES
                ]
            )
            yield Trial(f"figure{number:03d}", float(speed), known.time_s, paths, contacts, float(leg))
            break
