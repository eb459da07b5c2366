"""Repeated frames and baked-in slow motion: what was planted is found, what was not is not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.clip_maker import Pixels, make_clip
from vision.clip import frames, probe
from vision.clip_ramps import ramps_note, speed_ramps
from vision.clip_repeats import ChangeWatch, repeated_positions, repeats_note

FloatArray = NDArray[np.float64]

# --- repeated frames ----------------------------------------------------------------------------


def _scene(step: int, noise: int = 0) -> Pixels:
    """A textured still ground with a bar that has moved `step` places; negative: no bar."""
    ground = np.random.default_rng(7).integers(60, 190, (36, 64, 1))
    picture = np.kron(ground, np.ones((10, 10, 3))).astype(np.int64)
    if step >= 0:
        at = (step * 9) % 560
        picture[110:300, at : at + 60] = (230, 200, 40)
    if noise:
        picture = picture + np.random.default_rng(1000 + step).normal(0, noise, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def _found(tmp_path: Path, plan: Sequence[int], crf: str = "23", noise: int = 0) -> list[int]:
    made: dict[int, Pixels] = {}
    ticks = [1500 * i for i in range(len(plan))]

    def picture(k: int) -> Pixels:
        return made.setdefault(plan[k], _scene(plan[k], noise))

    path = make_clip(
        tmp_path / "a.mp4", ticks, picture=picture, codec_options={"crf": crf, "preset": "veryfast"}
    )
    watch = ChangeWatch()
    for frame in frames(probe(path)):
        watch.see(frame)
    return [int(i) for i in watch.repeated()]


@pytest.mark.parametrize("crf", ["18", "28"])
@pytest.mark.parametrize("noise", [0, 4])
@pytest.mark.parametrize("each", [2, 3, 4])
def test_every_frame_shown_several_times_is_found(tmp_path: Path, each: int, noise: int, crf: str) -> None:
    plan = [i for i in range(14) for _ in range(each)]
    truth = [k for k in range(1, len(plan)) if plan[k] == plan[k - 1]]
    found = _found(tmp_path, plan, crf, noise)
    assert set(found) <= set(truth)
    # The first and last picture's repeats have motion on one side only and are let pass.
    assert set(truth[each - 1 : 1 - each]) <= set(found)


def test_single_repeats_are_found_one_by_one(tmp_path: Path) -> None:
    plan = [i if i not in (12, 25, 26, 40) else {12: 11, 25: 24, 26: 24, 40: 39}[i] for i in range(60)]
    assert _found(tmp_path, plan, noise=3) == [12, 25, 26, 40]


def test_a_moving_clip_has_no_repeats(tmp_path: Path) -> None:
    assert _found(tmp_path, list(range(60)), noise=4) == []


def test_a_still_scene_before_and_after_the_runner_is_no_repeat(tmp_path: Path) -> None:
    plan = [-1] * 25 + list(range(20)) + [-1] * 25
    assert _found(tmp_path, plan) == []


@given(st.lists(st.floats(0, 1.9), min_size=1, max_size=60))
def test_a_clip_in_which_nothing_moves_has_no_repeats(change: list[float]) -> None:
    assert repeated_positions(change).size == 0


def test_the_note_counts_the_repeats() -> None:
    assert repeats_note([], 90) is None
    note = repeats_note([3, 6], 90)
    assert note is not None and note.startswith("2 of 90 frames")


# --- slow motion baked into even stamps ---------------------------------------------------------

PX_PER_M = 150.0


def _played(parts: Sequence[tuple[float, float]], rate: float) -> FloatArray:
    """Factor of slow motion at each frame, from (seconds of play-back, factor) parts."""
    return np.concatenate([np.full(round(seconds * rate), factor) for seconds, factor in parts])


def _displacement(
    factor: FloatArray, rate: float, seed: int, noise_px: float, speed: str = "steady"
) -> tuple[FloatArray, FloatArray]:
    """Play-back times and px per frame of a hip that sways by 6 % at each step."""
    real = np.cumsum(1 / rate / factor)
    v = {
        "steady": np.full_like(real, 5.0),
        "jog to sprint": np.interp(real, [0, 2, 3.5, 5], [3, 3, 7, 7]),
        "sprint start": 9 * (1 - np.exp(-real / 1.2)),
        "stopping": np.where(real < 2, 7, np.maximum(0, 7 - 4 * (real - 2))),
    }[speed]
    v = v * (1 + 0.06 * np.sin(2 * np.pi * 2.8 * real))
    x = np.cumsum(v / rate / factor) * PX_PER_M
    x += np.random.default_rng(seed).normal(0, noise_px, len(x))
    return np.arange(len(x)) / rate, np.r_[np.nan, np.diff(x)]


@pytest.mark.parametrize("rate", [30.0, 60.0])
@pytest.mark.parametrize("noise_px", [0.5, 2.0])
@pytest.mark.parametrize("factor", [2.0, 4.0, 8.0])
def test_a_planted_slow_section_is_found(factor: float, noise_px: float, rate: float) -> None:
    for seed in range(5):
        series = _displacement(_played([(1.2, 1), (2.0, factor), (1.2, 1)], rate), rate, seed, noise_px)
        (ramp,) = speed_ramps(*series)
        assert ramp.factor == pytest.approx(factor, rel=0.15)
        assert ramp.start_s == pytest.approx(1.2, abs=0.15)
        assert ramp.stop_s == pytest.approx(3.2, abs=0.15)


def test_slow_motion_at_one_end_and_softened_changes_are_found() -> None:
    for seed in range(5):
        times, motion = _displacement(_played([(2.0, 8), (1.2, 1)], 30), 30, seed, 1.0)
        (ramp,) = speed_ramps(times, motion)
        assert ramp.start <= 1 and ramp.stop_s == pytest.approx(2.0, abs=0.15)
        soft = np.r_[np.ones(36), np.geomspace(1, 8, 9), np.full(60, 8.0), np.geomspace(8, 1, 9), np.ones(36)]
        (ramp,) = speed_ramps(*_displacement(soft, 30, seed, 1.0))
        assert ramp.factor == pytest.approx(8, rel=0.2)


@pytest.mark.parametrize("speed", ["steady", "jog to sprint", "sprint start", "stopping"])
@pytest.mark.parametrize("noise_px", [0.5, 2.0])
def test_a_runner_who_speeds_up_or_stops_is_no_ramp(speed: str, noise_px: float) -> None:
    for seed in range(15):
        assert speed_ramps(*_displacement(np.ones(150), 30, seed, noise_px, speed)) == []


@settings(max_examples=40)
@given(
    st.integers(0, 10_000),
    st.integers(0, 80),
    st.integers(0, 80),
    st.integers(0, 60),
    st.sampled_from([-1.0, 1.0]),
)
def test_entering_leaving_and_being_hidden_is_no_ramp(
    seed: int, before: int, after: int, hidden: int, way: float
) -> None:
    _, motion = _displacement(np.ones(120), 30, seed, 1.5)
    motion[50 : 50 + hidden] = np.nan
    motion = np.r_[np.full(before, np.nan), way * motion, np.full(after, np.nan)]
    assert speed_ramps(np.arange(len(motion)) / 30, motion) == []


def test_entering_is_told_from_a_ramp_that_follows() -> None:
    _, motion = _displacement(_played([(1.2, 1), (2.0, 8), (1.2, 1)], 30), 30, 3, 1.0)
    motion = np.r_[np.full(40, np.nan), -motion, np.full(25, np.nan)]
    (ramp,) = speed_ramps(np.arange(len(motion)) / 30, motion)
    assert (ramp.start - 40) / 30 == pytest.approx(1.2, abs=0.15)
    assert ramp.factor == pytest.approx(8, rel=0.15)


@pytest.mark.parametrize("motion", [np.full(90, np.nan), np.zeros(90), np.ones(20), np.ones(0)])
def test_series_without_motion_have_no_ramp(motion: FloatArray) -> None:
    assert speed_ramps(np.arange(len(motion)) / 30, motion) == []


def test_series_of_different_length_are_misuse() -> None:
    with pytest.raises(ValueError, match="must have shape"):
        speed_ramps(np.arange(5.0), np.ones(4))


def test_the_note_names_the_section() -> None:
    assert ramps_note([]) is None
    times, motion = _displacement(_played([(1.2, 1), (2.0, 8), (1.2, 1)], 30), 30, 3, 1.0)
    note = ramps_note(speed_ramps(times, motion))
    assert note is not None and "slow motion" in note and "cut the clip" in note
