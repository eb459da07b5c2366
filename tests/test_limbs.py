"""The ways of treating landmarks that the joint study tries, and what the program's own must hold to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchmarks.joints_study import repeated_part
from benchmarks.joints_ways import (
    fixed_lengths,
    lower_shoulders,
    refiltered,
    rigid_foot,
    rts,
    slips_repaired,
    weighted_smooth,
)
from sample_clips.camera import Camera
from sample_clips.runner import runner_at
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.truth import Truth, truth
from shared import landmarks as lm
from technique.angles import elbow_angle, foot_angle, thigh_angle, trunk_lean, upper_arm_angle
from technique.smoothing import smooth

FloatArray = NDArray[np.float64]
RATE = 120.0


@pytest.fixture(scope="module")
def known() -> Truth:
    """Two and a bit strides of an invented runner, exact."""
    return truth(ClipSpec((runner_at(5.0),), Camera(), capture_rate_hz=RATE, duration_s=1.6))


@pytest.mark.parametrize("share", [0.5, 1.0, 2.0])
def test_weighted_smoother_has_the_gain_of_its_closed_form(share: float) -> None:
    """A sine of f times the cut-off keeps 1 / (1 + (sin / sin)^4) of its size, away from the ends."""
    cutoff, n = 6.0, 1200
    t = np.arange(n) / RATE
    x = np.sin(2 * np.pi * share * cutoff * t)[:, None]
    kept = weighted_smooth(x, np.ones(n), cutoff, RATE)
    ratio = np.sin(np.pi * share * cutoff / RATE) / np.sin(np.pi * cutoff / RATE)
    inner = slice(200, -200)
    assert np.allclose(kept[inner], x[inner] / (1.0 + ratio**4), atol=1e-4)


@settings(max_examples=25, deadline=None)
@given(slope=st.floats(-50, 50), start=st.floats(-100, 100), gap=st.integers(5, 40))
def test_weighted_smoother_bridges_a_line_exactly(slope: float, start: float, gap: int) -> None:
    """A straight line has no second difference, so a gap in it is filled with the line."""
    line = (start + slope * np.arange(100) / RATE)[:, None]
    weight = np.ones(100)
    weight[30 : 30 + gap] = 0.0
    seen = line.copy()
    seen[weight == 0.0] = np.nan
    assert np.allclose(weighted_smooth(seen, weight, 6.0, RATE), line, atol=1e-3)


def test_chain_gets_its_lengths_and_keeps_its_direction_under_stretch(known: Truth) -> None:
    """Stretching a thigh along itself changes its length alone; the chain takes the stretch out."""
    points = smooth(track_from_truth(known)).world_px
    hip, knee = lm.index("hip", "right"), lm.index("knee", "right")
    out = fixed_lengths(points, "right", rounds=60)
    lengths = np.linalg.norm(out[:, knee] - out[:, hip], axis=1)
    assert np.ptp(lengths) < 0.01 * lengths.mean()
    untouched = [j for j in range(lm.COUNT) if j not in (hip, knee, lm.index("ankle", "right"))]
    assert np.array_equal(out[:, untouched], points[:, untouched])


def test_rigid_foot_leaves_a_rigid_foot_alone_and_averages_a_slip() -> None:
    """One triangle turned about: found again exactly; a slip of the heel is shared out."""
    turn = np.radians(np.linspace(-60, 30, 80))
    shape = np.array([0.0, -30.0 - 12.0j, 70.0 - 15.0j])
    z = shape * np.exp(1j * turn)[:, None] + np.linspace(0, 900, 80)[:, None]
    points = np.full((80, lm.COUNT, 2), np.nan)
    at = [lm.index(j, "left") for j in ("ankle", "heel", "foot_index")]
    points[:, at] = np.stack([z.real, z.imag], axis=-1)
    assert np.allclose(rigid_foot(points, "left")[:, at], points[:, at], atol=1e-6)
    slipped = points.copy()
    slipped[40, at[1], 1] -= 20.0
    true = foot_angle(points, "left")[40]
    error = foot_angle(slipped, "left")[40] - true
    fitted = foot_angle(rigid_foot(slipped, "left"), "left")[40] - true
    assert 0.0 < fitted < error


def test_lower_shoulders_leave_the_trunk_line_alone(known: Truth) -> None:
    """Moving along the trunk changes no lean; a hanging arm's angle only where it is off the trunk."""
    points = smooth(track_from_truth(known)).world_px
    lowered = lower_shoulders(points, 0.035)
    assert np.allclose(trunk_lean(lowered), trunk_lean(points), atol=1e-9)
    wider = np.ptp(upper_arm_angle(lowered, "right")) - np.ptp(upper_arm_angle(points, "right"))
    assert wider > 1.0  # a nearer pivot sees the same elbow under a larger angle
    assert not np.allclose(elbow_angle(lowered, "right"), elbow_angle(points, "right"), atol=0.5)


def test_slips_are_repaired_and_a_clean_run_is_left_alone(known: Truth) -> None:
    """A wrist thrown off by half a leg with little confidence comes back to within 3 % of the leg."""
    track = track_from_truth(known, noise_px=0.4, seed=1)
    j = lm.index("wrist", known.athlete.near_side)
    leg = 0.49 * 1.78 / float(known.athlete.metres_per_px.mean())
    world, confidence = track.world_px.copy(), track.confidence.copy()
    world[60:65, j] += 0.5 * leg
    confidence[60:65, j] = 0.5
    bad = replace(track, world_px=world, confidence=confidence)
    mended = slips_repaired(bad, ("wrist",)).world_px
    assert np.max(np.linalg.norm(mended[60:65, j] - track.world_px[60:65, j], axis=1)) < 0.03 * leg
    clean = slips_repaired(track, ("wrist",)).world_px
    assert np.nanmax(np.linalg.norm(clean[:, j] - track.world_px[:, j], axis=1)) < 0.03 * leg


@pytest.mark.parametrize("way", ["rts", "x 1", "x 2"])
def test_other_filters_keep_perfect_angles(known: Truth, way: str) -> None:
    """Perfect points: the thigh angle of every frame but the ends within 1.5 degrees of the truth."""
    s = smooth(track_from_truth(known))
    tried = {"rts": rts, "x 1": lambda q: refiltered(q, 1.0), "x 2": lambda q: refiltered(q, 2.0)}[way](s)
    for side in ("left", "right"):
        error = thigh_angle(tried.world_px, side) - known.athlete.angles[f"thigh_{side}"]  # type: ignore[arg-type]
        assert np.nanmax(np.abs(error[12:-12])) < 1.5


def test_repeated_part_tells_what_repeats_from_what_does_not() -> None:
    """A pure repeat of the stride vanishes; white noise of SD 2 keeps its mean size, 2 sqrt(2 / pi)."""
    t = np.arange(600) / RATE
    repeat = 3.0 * np.sin(2 * np.pi * t / 0.7) + np.cos(6 * np.pi * t / 0.7)
    before, after = repeated_part(repeat + 5.0, t, 0.7)
    assert before > 1.5
    assert after < 1e-9
    noise = 2.0 * np.random.default_rng(0).standard_normal(600)
    assert repeated_part(noise, t, 0.7)[1] == pytest.approx(2.0 * np.sqrt(2.0 / np.pi), rel=0.08)
