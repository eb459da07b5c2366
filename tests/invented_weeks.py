"""Invented sessions for tests: one analysis from exact landmarks, changed by known amounts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np

from sample_clips.camera import Camera
from sample_clips.runner import runner_at
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.truth import truth
from shared.analysis import Analysis
from shared.analysis_json import write_analysis
from shared.landmarks import Side, SideOrBoth
from technique.analyse import Athlete, analyse
from technique.targets import load_profile
from ui.history_invented import Chosen, invented_pass, wandering

Added = Mapping[tuple[str, SideOrBoth], float]


@lru_cache(maxsize=1)
def base() -> Analysis:
    """An invented runner at 4.6 m/s, seen exactly from the side."""
    known = truth(ClipSpec((runner_at(4.6),), Camera(), capture_rate_hz=120.0, duration_s=3.0))
    return analyse(
        track_from_truth(known, noise_px=0.5),
        load_profile("fast-run"),
        Athlete(1.78, 70.0),
        "2026-01-01T00:00:00+00:00",
        "0.1.0",
    )


def invented(
    name: str, near: Side = "right", add: Added | None = None, share: Added | None = None, seed: int = 0
) -> Analysis:
    """One invented pass; the day wanders with `seed`."""
    rng = np.random.default_rng(seed)
    day = wandering(base(), rng)
    return invented_pass(
        base(),
        name,
        "2026-01-01T00:00:00+00:00",
        near,
        day,
        Chosen(add or {}, share or {}),
        rng,
        load_profile("fast-run"),
    )


def result_folder(
    folder: Path, near: Side = "right", add: Added | None = None, share: Added | None = None, seed: int = 0
) -> Path:
    """A folder with an invented result; its clip's hash hangs on the folder's name."""
    folder.mkdir(parents=True)
    write_analysis(invented(folder.name, near, add, share, seed), folder / "analysis.json")
    return folder


def both_sides(
    folder: Path, name: str, add: Added | None = None, share: Added | None = None, seed: int = 0
) -> Sequence[Path]:
    """Two result folders of one session, a pass from each side."""
    return [
        result_folder(folder / f"{name}-{near}", near, add, share, seed)  # type: ignore[arg-type]
        for near in ("left", "right")
    ]
