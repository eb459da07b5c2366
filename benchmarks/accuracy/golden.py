"""A small slice of numbers that belongs to the shipped error table.

The command that writes the table also writes what today's code measures on a few seeded clips
(truth with noise, no pictures). A test measures them again: when a number has moved by more than
a share of its claimed error, the table no longer belongs to the code and must be made anew.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final

import numpy as np

from sample_clips.camera import Camera
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.truth import truth
from sample_clips.variety import varied_runner
from technique.error_events import widened
from technique.error_model import error_table
from technique.events import events
from technique.measures import measured
from technique.measures_motion import Athlete, motion
from technique.smoothing import smooth

PATH: Final = Path(__file__).with_name("golden.json")
TABLE: Final = Path(__file__).resolve().parents[2] / "technique" / "data" / "error_table.json"
SLICE: Final = ((901, 3.4, 120.0), (902, 5.2, 60.0), (903, 8.6, 240.0))
"""Seed, speed m/s, frames per second."""
NOISE_PX: Final = 1.5
LARGEST_MOVE: Final = 0.15
"""Share of the claimed half-width that a number may move."""


def measured_slice() -> dict[str, dict[str, tuple[float, float]]]:
    """Value and claimed half-width by clip and ``key side``."""
    out: dict[str, dict[str, tuple[float, float]]] = {}
    for seed, speed, rate in SLICE:
        runner = varied_runner(seed, speed)
        seconds = float(np.round(3.2 * runner.stride_time_s, 3))
        known = truth(ClipSpec((runner,), Camera(), capture_rate_hz=rate, duration_s=seconds))
        track = track_from_truth(known, NOISE_PX, seed)
        smoothed = smooth(track)
        m = motion(
            track,
            smoothed,
            widened(events(smoothed), track.labelling.near_side),
            Athlete(runner.body.stature_m, 70.0),
        )
        out[f"{seed}"] = {
            f"{x.key} {x.side}": (float(f"{x.value:.6g}"), float(f"{(x.high - x.low) / 2:.4g}"))
            for x in measured(m).measures
            if x.value is not None and x.low is not None and x.high is not None
        }
    return out


def table_hash() -> str:
    """Short hash of the shipped error table."""
    return hashlib.sha256(TABLE.read_bytes()).hexdigest()[:16]


def write_golden() -> None:
    """Write the slice for the table as it stands."""
    error_table.cache_clear()
    kept: dict[str, Any] = {"table": table_hash(), "clips": measured_slice()}
    PATH.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def moved() -> list[str]:
    """What no longer matches the stored slice, in words; empty when all is well."""
    kept = json.loads(PATH.read_text(encoding="utf-8"))
    found: list[str] = []
    if kept["table"] != table_hash():
        found.append("technique/data/error_table.json was changed by other means than the benchmark")
    now = measured_slice()
    for clip, numbers in kept["clips"].items():
        for name, (value, half) in numbers.items():
            if name not in now[clip]:
                found.append(f"clip {clip}: {name} is no longer measured")
            elif abs(now[clip][name][0] - value) > LARGEST_MOVE * half:
                found.append(
                    f"clip {clip}: {name} moved from {value} to {now[clip][name][0]} (claimed ± {half})"
                )
        found += [f"clip {clip}: {name} is measured now" for name in now[clip] if name not in numbers]
    return found
