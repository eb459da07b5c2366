"""The suitability check against invented clips whose truth is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sample_clips.truth import load_truth
from vision.first_look import check_clip, direction

CLIPS = Path(__file__).resolve().parents[1] / "sample_clips" / "clips"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["panning_120", "two_runners", "track_side_240"])
def test_direction_camera_and_people_are_told(name: str) -> None:
    known = load_truth(CLIPS / f"{name}.truth.npz")
    said = [text for _, text in check_clip(CLIPS / f"{name}.mp4", None)]
    assert (
        f"The runner faces {known.athlete.direction}, so the {known.athlete.near_side} side is the near one."
        in said
    )
    assert any("camera follows" in text for text in said) == (known.camera == "panning")
    assert any("people are in the picture" in text for text in said) == (len(known.runners) > 1)
    assert any(text.startswith(f"Time base: {known.capture_rate_hz:.4g} frames") for text in said)


@pytest.mark.parametrize("name", ["track_side_120", "panning_120"])
def test_direction_from_the_true_points(name: str) -> None:
    known = load_truth(CLIPS / f"{name}.truth.npz")
    some = known.athlete.px[:: max(1, len(known.time_s) // 6)]
    assert direction(some) == known.athlete.direction
    mirrored = some * np.array([-1.0, 1.0]) + np.array([known.width, 0.0])
    assert direction(mirrored) != known.athlete.direction


def test_nobody_has_no_direction() -> None:
    assert direction(np.full((4, 33, 2), np.nan)) is None
