"""Curves over the gait cycle."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from shared import landmarks as lm
from shared.catalogue import CURVES
from technique.curves import PERCENT, curves, stride_curve
from technique.measures import measured
from tests.true_motion import true_run


def test_a_sine_comes_out_as_a_sine() -> None:
    time = np.arange(0, 2, 1 / 60)
    series = 20 * np.sin(2 * np.pi * (time - 0.213) / 0.71)
    found = stride_curve(time, series, 0.213, 0.923)
    assert found is not None
    np.testing.assert_allclose(found, 20 * np.sin(2 * np.pi * PERCENT / 100), atol=0.02)


def test_a_stride_with_a_gap_or_over_the_edge_is_left_out() -> None:
    time = np.arange(0, 2, 1 / 60)
    series = np.sin(time)
    series[40] = np.nan
    assert stride_curve(time, series, 0.3, 0.9) is None
    assert stride_curve(time, series, 1.2, 1.9) is not None
    assert stride_curve(time, series, 1.5, 2.3) is None and stride_curve(time, series, -0.3, 0.4) is None


def test_curves_of_a_known_runner_are_its_angles() -> None:
    t, m = true_run(3.5, phase=0.3)
    made = curves(m)
    assert [c.key for c in made] == [k for k in CURVES for _ in range(1 if k == "trunk" else 2)]
    for c in made:
        side = t.athlete.near_side if c.side == "both" else c.side
        start = t.athlete.event_times("touchdown", side)[0]
        stride = t.athlete.measures["stride_time_left"]
        name = "trunk" if c.key == "trunk" else f"{c.key}_{side}"
        truth = np.interp(start + PERCENT / 100 * stride, t.time_s, t.athlete.angles[name])
        # Away from touchdown and toe-off, where the invented runner's legs turn at once.
        calm = (PERCENT > 6) & (PERCENT < 94)
        assert np.abs(c.mean - truth)[calm].max() < 0.8, (c.key, c.side)
        assert np.abs(c.mean - truth).mean() < 0.3
        assert c.n == len(c.strides) >= 3 and c.sd.max() < 3.0
        assert np.all(c.half_width > 0)


def test_ends_of_the_cycle_agree_with_the_measures() -> None:
    _, m = true_run(3.5)
    made = {(c.key, c.side): c for c in curves(m)}
    found = {(x.key, x.side): x for x in measured(m).measures}
    knee = made["knee", "right"]
    assert knee.mean[0] == pytest.approx(found["knee_flexion_td", "right"].value, abs=1.0)
    assert knee.mean.max() == pytest.approx(found["knee_flexion_swing_max", "right"].value, abs=0.1)
    assert made["thigh", "right"].mean.min() == pytest.approx(
        found["thigh_angle_min", "right"].value, abs=0.1
    )


def test_only_whole_strides_without_gaps_count() -> None:
    _, m = true_run(3.5)
    whole = next(c for c in curves(m) if (c.key, c.side) == ("knee", "right"))
    points = m.points.copy()
    at = next(s for s in m.of_side("right") if s.next_same).touchdown.time_s + 0.3
    points[np.abs(m.time_s - at) < 0.02, lm.index("knee", "right")] = np.nan
    broken = next(
        c for c in curves(dataclasses.replace(m, points=points)) if (c.key, c.side) == ("knee", "right")
    )
    assert broken.n == whole.n - 1


def test_hidden_limbs_and_oblique_views_give_no_curve() -> None:
    _, m = true_run(3.5)
    hidden = m.hidden | {"left_wrist": 0.9, "left_elbow": 0.9}
    sides = {(c.key, c.side) for c in curves(dataclasses.replace(m, hidden=hidden))}
    assert ("elbow", "left") not in sides and ("elbow", "right") in sides and ("knee", "left") in sides
    assert curves(dataclasses.replace(m, yaw_deg=50.0)) == ()


def test_more_strides_narrow_the_curve() -> None:
    halves = [
        float(next(c for c in curves(true_run(4.0, duration_s=d)[1]) if c.key == "knee").half_width.mean())
        for d in (1.4, 6.0)
    ]
    assert halves[1] < halves[0]
