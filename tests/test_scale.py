"""Metres per pixel against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import landmarks as lm
from shared.errors import OptionError
from shared.track import Scale
from tests.test_world_points import STATURE, belt_runner, mid3, raw_of, runner, seen
from vision.scale import (
    CHAIN_SHARE,
    MODEL_CHAIN,
    NoScale,
    best_scale,
    body_size,
    checked,
    mid_point,
    scale_from_belt,
    scale_from_marks,
    scale_from_stature,
    segment_length,
    stance_foot_speeds,
)


def standing(px_per_m: float, stature: float) -> np.ndarray:
    """One frame of a person standing: joint heights of Drillis and Contini, .818 .530 .285 .039."""
    xy = np.full((3, 33, 2), np.nan)
    for joint, height in (("shoulder", 0.818), ("hip", 0.530), ("knee", 0.285), ("ankle", 0.039)):
        for side in ("left", "right"):
            xy[:, lm.index(joint, side)] = [100.0, 900.0 - height * stature * px_per_m]  # type: ignore[arg-type]
    return xy


def test_chain_share_is_the_published_one() -> None:
    """Shoulder height .818 less ankle height .039 (Drillis and Contini as in Winter fig. 4.1)."""
    assert pytest.approx(0.818 - 0.039, abs=1e-9) == CHAIN_SHARE


@given(st.floats(40, 400), st.floats(1.2, 2.1))
def test_stature_gives_the_scale_of_a_body_of_published_proportions(px_per_m: float, stature: float) -> None:
    size = body_size(standing(px_per_m, stature))
    got = scale_from_stature(size, stature, model_chain=1.0)
    assert isinstance(got, Scale)
    assert got.metres_per_px == pytest.approx(1 / px_per_m, rel=1e-9)
    assert 0.03 <= got.relative_sd <= 0.05
    assert size.stature_px == pytest.approx(stature * px_per_m / MODEL_CHAIN)


def test_stature_scale_does_not_follow_the_momentary_box() -> None:
    """A running body is never upright; the scale from its segments is right within 0.5 %."""
    xy = seen(runner(4.0, 1.4))
    got = scale_from_stature(body_size(xy), STATURE, model_chain=1.0)
    assert isinstance(got, Scale)
    assert got.metres_per_px == pytest.approx(9.0 / 1000.0, rel=0.005)


def test_near_leg_is_nearer() -> None:
    xy = seen(runner(4.0, 1.4))
    near, far = body_size(xy, "right"), body_size(xy, "left")
    assert near.median_px > far.median_px
    assert segment_length(xy, "hip", "knee", None) == pytest.approx(
        (segment_length(xy, "hip", "knee", "left") + segment_length(xy, "hip", "knee", "right")) / 2
    )


def test_missing_body_gives_a_reason_and_no_scale() -> None:
    got = scale_from_stature(body_size(np.full((5, 33, 2), np.nan)), 1.7)
    assert isinstance(got, NoScale)
    assert not got
    assert "not seen" in got.why


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("stature", 0.5),
        ("stature", 175.0),
        ("stature", float("nan")),
        ("belt speed", 0.0),
        ("belt speed", 20.0),
        ("mass", 5.0),
        ("mass", 400.0),
        ("marked distance", 0.0),
        ("marked distance", -2.0),
        ("marked distance", float("inf")),
    ],
)
def test_absurd_options_are_refused(name: str, value: float) -> None:
    with pytest.raises(OptionError, match=name):
        checked(name, value)


def test_sensible_options_pass() -> None:
    assert checked("stature", 1.75) == 1.75
    assert checked("mass", 62.0) == 62.0
    with pytest.raises(OptionError, match="stature"):
        scale_from_stature(body_size(standing(100, 1.7)), 17.0)
    with pytest.raises(OptionError, match="belt speed"):
        scale_from_belt(standing(100, 1.7), np.arange(3.0), 200.0)


def test_marked_distance() -> None:
    """400 px for 5 m is 12.5 mm a px; clicks of 2 px SD each end add sqrt(2) 2 / 400."""
    got = scale_from_marks(np.array([0.0, 0.0]), np.array([320.0, 240.0]), 5.0)
    assert got.metres_per_px == pytest.approx(0.0125)
    assert got.relative_sd == pytest.approx(np.hypot(np.sqrt(2) * 2 / 400, 0.02))
    with pytest.raises(OptionError, match="px apart"):
        scale_from_marks(np.zeros(2), np.array([5.0, 0.0]), 5.0)


@pytest.mark.parametrize("speed_px", [300.0, 900.0])
def test_belt_speed_gives_the_scale(speed_px: float) -> None:
    """The standing foot moves at the belt's speed: 3 m/s over v px/s, within 2 %."""
    xy, t = belt_runner(speed_px)
    xy += np.random.default_rng(0).normal(0, 1.0, xy.shape)
    got = scale_from_belt(xy, t, 3.0, model_foot=1.0)
    assert isinstance(got, Scale)
    assert got.metres_per_px == pytest.approx(3.0 / speed_px, rel=0.02)
    assert 0.04 < got.relative_sd < 0.06
    assert len(stance_foot_speeds(xy, t)) >= 12


def test_foot_that_the_model_draws_in_is_put_right() -> None:
    xy, t = belt_runner(300.0)
    plain, mended = scale_from_belt(xy, t, 3.0, model_foot=1.0), scale_from_belt(xy, t, 3.0)
    assert isinstance(plain, Scale)
    assert isinstance(mended, Scale)
    assert mended.metres_per_px / plain.metres_per_px == pytest.approx(0.95)


def test_belt_scale_needs_stances() -> None:
    xy, t = belt_runner(300.0)
    assert isinstance(scale_from_belt(xy[:20], t[:20], 3.0), NoScale)


def test_the_surest_scale_is_taken_and_disagreement_said() -> None:
    a, b = Scale(0.010, 0.04, "stature"), Scale(0.0102, 0.02, "marked distance")
    assert best_scale([a, b]) == (b, ())
    c = Scale(0.014, 0.02, "belt speed")
    best, notes = best_scale([a, c])
    assert best == c
    assert "differ" in notes[0]
    assert best_scale([]) == (None, ())


def test_middle_of_both_hips() -> None:
    body = runner()
    assert mid_point(body[..., :2], "hip") == pytest.approx(mid3(body, "hip")[:, :2])
    assert raw_of(seen(body)).xy_px.shape == (len(body), 33, 2)
