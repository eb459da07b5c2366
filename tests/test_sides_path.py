"""Path of a leg, its misfit, its rhythm: closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from vision.sides_path import harmonics, misfit, order_of, position, start_path
from vision.sides_points import misplaced, own_path
from vision.sides_rhythm import first_rhythm

rng = np.random.default_rng(11)


def legs(phase: np.ndarray, noise: float = 0.0) -> np.ndarray:
    """Both legs on the path of a middling speed, half a cycle apart, (T, 2, 4, 2)."""
    path = start_path(4.0)
    both = np.stack([position(path, phase), position(path, phase + np.pi)], axis=1)
    return both + rng.normal(0, noise, both.shape) if noise else both


def test_a_circle_is_the_first_harmonic() -> None:
    circle = np.array([[1.0, 2.0, 0.0], [-1.0, 0.0, 2.0]])
    phase = np.array([0.0, np.pi / 2, np.pi])
    expected = np.array([[[3.0, -1.0]], [[1.0, 1.0]], [[-1.0, -1.0]]])
    np.testing.assert_allclose(position(circle, phase), expected, atol=1e-12)
    assert order_of(circle) == 1
    np.testing.assert_allclose(harmonics(np.array([np.pi]), 2), [[1, -1, 0, 1, 0]], atol=1e-12)


def test_start_paths_meet_the_two_fitted_speeds_and_reach_further_when_faster() -> None:
    slow, middle, fast = (start_path(v) for v in (2.5, 3.5, 4.5))
    np.testing.assert_allclose(middle, (slow + fast) / 2)
    # Row 2 is the ankle's forward position, column 1 its first cosine: half the stride reach.
    assert start_path(7.5)[2, 1] > fast[2, 1] > slow[2, 1] > 0.3


def test_misfit_is_nought_on_the_spot_falls_with_distance_and_skips_holes() -> None:
    spot = np.zeros((1, 2))
    off = [misfit(np.array([[d, 0.0]]), spot, np.array([0.1])) for d in (0.0, 0.1, 1.0, 10.0)]
    assert off[0] == 0 and np.all(np.diff(off) < 0)
    # Heavy tails: ten times as far costs about a constant more, not a hundred times as much.
    assert off[3] / off[2] < 3
    assert misfit(np.array([[np.nan, 0.0]]), spot, np.array([0.1])) == 0


def test_own_path_finds_planted_coefficients_beside_wild_points() -> None:
    phase = np.linspace(0, 20 * np.pi, 600)
    path = start_path(4.0)
    points = position(path, phase) + rng.normal(0, 0.01, (600, 4, 2))
    points[::15] += 1.0
    np.testing.assert_allclose(own_path(points, phase, 2), path, atol=0.01)


def test_points_moved_off_their_path_are_the_misplaced_ones() -> None:
    phase = np.linspace(0, 12 * np.pi, 360)
    points = legs(phase, 0.01)[:, 0]
    planted = np.zeros((360, 4), dtype=bool)
    planted[50:53, 1:] = planted[200:202, 0] = planted[310, 2] = True
    points[planted] += np.array([0.2, 0.1])
    found = misplaced(points, phase, 3)
    assert found[planted].all()
    assert found[~planted].mean() < 0.002


@pytest.mark.parametrize("rate", [0.25, 1.31, 2.2])
@pytest.mark.parametrize("frames_per_s", [30.0, 240.0])
def test_the_rhythm_is_found_from_legs_named_at_random(rate: float, frames_per_s: float) -> None:
    time_s = np.arange(0, 6 / rate, 1 / frames_per_s)
    leg = legs(2 * np.pi * rate * time_s, 0.02)
    turned = rng.random(len(leg)) < 0.5
    leg[turned] = leg[turned][:, ::-1]
    rhythm, _ = first_rhythm(leg, time_s)
    found = (rhythm[-1] - rhythm[0]) / (2 * np.pi * (time_s[-1] - time_s[0]))
    # Frequencies are tried in steps of 2.5 %; the rest is left to the phase that wanders about it.
    assert found == pytest.approx(rate, rel=0.03)


def test_the_rhythm_follows_a_quickening_run() -> None:
    time_s = np.arange(0, 20, 1 / 60)
    rate = 1.2 + 0.04 * time_s
    phase = 2 * np.pi * np.cumsum(rate) / 60
    rhythm, _ = first_rhythm(legs(phase, 0.02), time_s)
    found = np.gradient(rhythm, time_s) / (2 * np.pi)
    inside = slice(120, -120)
    np.testing.assert_allclose(found[inside], rate[inside], rtol=0.05)
