"""Smoothing of whole tracks: grid, gaps, outliers, cut-offs, honest noise, invariances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from shared import landmarks as lm
from technique import smoothing
from tests.track_helpers import track_of

LEG = ("hip", "knee", "ankle", "heel", "foot_index")

GENERATE = (Phase.explicit, Phase.generate)
"""No shrinking: it takes minutes on arrays and the seed already names the case."""


def _figure(time_s: np.ndarray, speed: float = 400.0, stride_hz: float = 1.4) -> np.ndarray:
    """A swinging invented leg pair moving right, (T, 33, 2) px, smooth and known in closed form."""
    out = np.full((len(time_s), lm.COUNT, 2), np.nan)
    for i, name in enumerate(lm.NAMES):
        phase = 0.0 if "left" in name else np.pi
        reach = {"hip": 5.0, "knee": 60.0, "ankle": 150.0, "heel": 150.0, "foot_index": 150.0}
        r = reach.get(name.split("_", 1)[-1], 10.0)
        height = {"hip": 400.0, "knee": 200.0, "ankle": 30.0, "heel": 5.0, "foot_index": 5.0}
        h = height.get(name.split("_", 1)[-1], 500.0 + i)
        turn = 2 * np.pi * stride_hz * time_s + phase
        out[:, i, 0] = speed * time_s + r * np.cos(turn) + (40.0 if "foot_index" in name else 0.0)
        out[:, i, 1] = h + 0.3 * r * (1 - np.cos(turn - 0.8))
    return out


def test_even_frames_map_one_to_one() -> None:
    t = np.round(np.arange(90) / 30.0, 3)  # as a container rounds them
    s = smoothing.smooth(track_of(t, _figure(t)))
    assert len(s.time_s) == len(t)
    assert s.time_s == pytest.approx(t, abs=0.001)
    assert s.frame.tolist() == list(range(90))
    assert s.rate_hz == pytest.approx(30.0, rel=1e-3)


def test_variable_frame_rate_is_put_on_an_even_grid() -> None:
    rng = np.random.default_rng(0)
    t = np.cumsum(np.r_[0.0, rng.choice([1 / 60, 1 / 60, 1 / 60, 1 / 30], size=200)])
    s = smoothing.smooth(track_of(t, _figure(t)))
    assert np.diff(s.time_s) == pytest.approx(1 / 60, rel=1e-6)
    truth = _figure(s.time_s)
    error = s.light_px - truth
    assert np.nanmax(np.abs(error[10:-10])) < 0.3  # px, of a swing of 300 px


def test_dropped_frames_leave_the_rest_in_place() -> None:
    t = np.delete(np.arange(120) / 60.0, [30, 31, 70])
    s = smoothing.smooth(track_of(t, _figure(t)))
    assert len(s.time_s) == 120
    assert np.isfinite(s.world_px[30:32, lm.index("knee", "left")]).all()
    assert np.nanmax(np.abs(s.light_px[5:-5] - _figure(s.time_s)[5:-5])) < 0.5


@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0, 240.0])
def test_short_gaps_are_bridged_and_long_ones_stay(rate: float) -> None:
    t = np.arange(int(3 * rate)) / rate
    world = _figure(t)
    j = lm.index("ankle", "right")
    short = max(2, int(0.05 * rate))
    long = int(0.3 * rate)
    a, b = int(0.8 * rate), int(1.8 * rate)
    world[a : a + short, j] = np.nan
    world[b : b + long, j] = np.nan
    s = smoothing.smooth(track_of(t, world))
    assert s.valid[a : a + short, j].all()
    assert not s.valid[b : b + long, j].any()
    assert np.isnan(s.world_px[b : b + long, j]).all() and np.isnan(s.light_px[b : b + long, j]).all()
    assert s.valid[b - 1, j] and s.valid[b + long, j]
    bridged = np.abs(s.light_px[a : a + short, j] - _figure(t)[a : a + short, j]).max()
    assert bridged < (6.0 if rate == 30.0 else 2.0)


def test_points_without_trust_count_as_unseen() -> None:
    t = np.arange(180) / 60.0
    confidence = np.ones((180, lm.COUNT))
    j = lm.index("wrist", "left")
    confidence[60:120, j] = 0.1
    s = smoothing.smooth(track_of(t, _figure(t), confidence))
    assert not s.valid[62:118, j].any() and s.valid[:58, j].all()


def test_planted_jumps_do_not_reach_the_result() -> None:
    t = np.arange(240) / 60.0
    world = _figure(t) + np.random.default_rng(1).normal(size=(240, lm.COUNT, 2))
    clean = smoothing.smooth(track_of(t, world))
    j = lm.index("heel", "left")
    world[[50, 111, 190], j] += np.array([[70.0, 0.0], [0.0, -60.0], [80.0, 50.0]])
    s = smoothing.smooth(track_of(t, world))
    assert np.nanmax(np.abs(s.world_px[:, j] - clean.world_px[:, j])) < 4.0


def test_cutoffs_stay_within_limits() -> None:
    t = np.arange(300) / 60.0
    for noise in (0.0, 1.0, 6.0):
        world = _figure(t) + noise * np.random.default_rng(2).normal(size=(300, lm.COUNT, 2))
        s = smoothing.smooth(track_of(t, world))
        for j, name in enumerate(lm.NAMES):
            low, high = smoothing.cutoff_limits(name, 1.4, 60.0)
            assert np.all((s.cutoff_hz[j] >= 0.97 * low) & (s.cutoff_hz[j] <= 1.03 * high))


@pytest.mark.parametrize("stride_hz", [0.9, 1.4, 2.3])
def test_stride_frequency_of_a_known_swing(stride_hz: float) -> None:
    t = np.arange(150) / 60.0
    assert smoothing.stride_frequency(_figure(t, stride_hz=stride_hz), 60.0) == pytest.approx(
        stride_hz, rel=0.04
    )
    standing = np.repeat(_figure(t)[:1], 150, axis=0)
    assert smoothing.stride_frequency(standing, 60.0) == smoothing.USUAL_STRIDE_HZ


@pytest.mark.parametrize("sd", [1.0, 3.0])
@pytest.mark.parametrize("rate", [60.0, 120.0])
def test_noise_estimates_are_honest_for_white_noise(sd: float, rate: float) -> None:
    t = np.arange(int(6 * rate)) / rate
    truth = _figure(t)
    s = smoothing.smooth(track_of(t, truth + sd * np.random.default_rng(4).normal(size=truth.shape)))
    left = np.sqrt(np.mean((s.world_px - truth)[20:-20] ** 2, axis=0))
    # The larger of two estimates is given, so it stands a little high on purpose.
    assert 0.97 < np.median(s.noise_px) / sd < 1.12
    assert 0.97 < np.median(s.noise_left_px / left) < 1.2


def test_noise_left_is_not_understated_for_slow_noise() -> None:
    # Noise with a time constant of 30 ms, stronger at low frequencies as pose models have it.
    from scipy.signal import lfilter

    rate, sd = 60.0, 3.0
    t = np.arange(int(8 * rate)) / rate
    truth = _figure(t)
    a = np.exp(-1 / (rate * 0.03))
    noise = lfilter([np.sqrt(1 - a * a)], [1, -a], np.random.default_rng(5).normal(size=truth.shape), axis=0)
    s = smoothing.smooth(track_of(t, truth + sd * noise))
    left = np.sqrt(np.mean((s.world_px - truth)[20:-20] ** 2, axis=0))
    assert 0.8 < np.median(s.noise_left_px / left) < 1.2


def test_a_short_clip_is_a_plain_error() -> None:
    t = np.arange(4) / 30.0
    with pytest.raises(ValueError, match="at least 5 frames"):
        smoothing.smooth(track_of(t, _figure(t)))


def test_nothing_seen_gives_gaps_not_a_crash() -> None:
    t = np.arange(60) / 30.0
    s = smoothing.smooth(track_of(t, np.full((60, lm.COUNT, 2), np.nan)))
    assert not s.valid.any() and np.isnan(s.world_px).all()


@settings(max_examples=10, deadline=None, phases=GENERATE)
@given(st.floats(0.2, 5.0), st.floats(-2000, 2000), st.floats(-500, 500), st.floats(0.0, 100.0))
def test_scale_shift_and_start_time_carry_through(scale: float, dx: float, dy: float, start: float) -> None:
    t = np.arange(120) / 60.0
    world = _figure(t) + 2.0 * np.random.default_rng(6).normal(size=(120, lm.COUNT, 2))
    a = smoothing.smooth(track_of(t, world))
    b = smoothing.smooth(track_of(t + start, world * scale + np.array([dx, dy])))
    assert b.time_s - start == pytest.approx(a.time_s, abs=1e-9)
    assert b.world_px == pytest.approx(
        a.world_px * scale + np.array([dx, dy]), abs=2e-3 * scale + 1e-6 * abs(dx)
    )
    assert b.noise_left_px == pytest.approx(a.noise_left_px * scale, rel=1e-3)


def test_leg_length_is_thigh_plus_shank() -> None:
    t = np.arange(60) / 60.0
    world = np.full((60, lm.COUNT, 2), np.nan)
    for side in ("left", "right"):
        world[:, lm.index("hip", side)] = (0.0, 90.0)
        world[:, lm.index("knee", side)] = (0.0, 45.0)
        world[:, lm.index("ankle", side)] = (27.0, 9.0)  # 45 from the knee: 27-36-45
    assert smoothing.leg_length(world) == pytest.approx(90.0)
    assert np.isnan(smoothing.leg_length(np.full((60, lm.COUNT, 2), np.nan)))
    assert smoothing.frame_interval(t) == pytest.approx(1 / 60)
