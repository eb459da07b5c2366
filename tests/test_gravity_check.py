"""The fall in flight against the closed form of a thrown body."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from technique.gravity_check import fall_in_flight, time_base_warning


def _runner(
    rate_hz: float, slow_down: float, noise_m: float, seed: int = 0, flights: int = 6
) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """Height of a body that is thrown (9.81 m/s²) for 0.12 s and carried level for 0.2 s."""
    rng = np.random.default_rng(seed)
    real = np.arange(0, flights * 0.32, 1 / (rate_hz * slow_down))
    phase = real % 0.32
    up = np.where(phase < 0.12, 0.5 * 9.81 * phase * (0.12 - phase), 0.0)
    spans = [(slow_down * 0.32 * k, slow_down * (0.32 * k + 0.12)) for k in range(flights)]
    return real * slow_down, 1.0 + up + rng.normal(0, noise_m, len(real)), spans


@given(st.sampled_from([60.0, 120.0, 240.0]), st.floats(0.5, 8.0))
@settings(max_examples=40)
def test_exact_parabolas_give_gravity_over_the_square_of_the_slow_down(rate_hz: float, slow: float) -> None:
    fall = fall_in_flight(*_runner(rate_hz * 2, slow, 0.0), noise_m=1e-6, scale_sd=0.0)
    assert fall is not None
    assert fall.value == pytest.approx(
        9.81 / slow**2, rel=1e-6
    )  # closed form: times stretch, g shrinks squared
    assert fall.slow_down == pytest.approx(slow, rel=1e-6)


def test_the_interval_holds_gravity_in_95_of_100_noisy_runs() -> None:
    held = 0
    for seed in range(200):
        fall = fall_in_flight(*_runner(120.0, 1.0, 0.004, seed), noise_m=0.004, scale_sd=0.0)
        assert fall is not None
        held += fall.low <= 9.81 <= fall.high
    assert held >= 190  # the interval is cautious: it allows for correlated noise


def test_real_time_is_not_accused_and_half_speed_is() -> None:
    accused = [
        time_base_warning(fall_in_flight(*_runner(120.0, slow, 0.004, seed), noise_m=0.004, scale_sd=0.04))
        for slow in (1.0, 2.0)
        for seed in range(20)
    ]
    assert accused[:20] == [None] * 20
    found = [text for text in accused[20:] if text]
    assert len(found) == 20
    assert all("slower" in text and "capture rate" in text for text in found)


def test_a_clip_played_too_fast_is_accused() -> None:
    text = time_base_warning(fall_in_flight(*_runner(240.0, 0.5, 0.002), noise_m=0.002, scale_sd=0.04))
    assert text is not None and "faster" in text


def test_too_few_samples_say_nothing() -> None:
    time_s = np.arange(0, 1, 1 / 30)
    assert fall_in_flight(time_s, np.ones(30), [(0.1, 0.15)], 0.01, 0.0) is None
    assert fall_in_flight(time_s, np.full(30, np.nan), [(0.1, 0.6)], 0.01, 0.0) is None
    assert time_base_warning(None) is None
