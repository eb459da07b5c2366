"""View quality against a skeleton seen from a known direction (cv2.projectPoints)."""

from __future__ import annotations

import numpy as np
import pytest

from shared import landmarks as lm
from shared.track import ClipInfo
from tests.test_world_points import RATE, H, W, panned, raw_of, runner, seen
from tests.test_world_points import mid3 as mid_of
from vision.camera import still_motion
from vision.pan import Focal
from vision.quality import (
    blur_finding,
    brightness_finding,
    hidden_findings,
    hidden_shares,
    outside_share,
    rate_finding,
    size_finding,
    strides_finding,
    suitability,
    view_quality,
    yaw_finding,
)
from vision.scale import MODEL_CHAIN
from vision.world import world_view
from vision.yaw import YawEvidence, combined_yaw, squared, yaw_from_growth, yaw_from_width

FOCAL = 1000.0


def clip(rate: float = 120.0) -> ClipInfo:
    return ClipInfo("invented.mp4", "0", 90, W, H, rate, 30.0, "file")


def forward(xy: np.ndarray, direction: str = "right") -> np.ndarray:
    """From the centre of the picture, x forward."""
    centre = np.array([(W - 1) / 2, (H - 1) / 2])
    return np.asarray((xy - centre) * [1.0 if direction == "right" else -1.0, 1.0])


@pytest.mark.parametrize("yaw", [-25.0, -10.0, 0.0, 5.0, 15.0, 30.0])
@pytest.mark.parametrize("direction", ["right", "left"])
def test_yaw_from_change_of_size(yaw: float, direction: str) -> None:
    """size = a (1 + x tan(yaw) / f) on a straight path: known focal length, within 1 degree."""
    xy = seen(runner(5.0, 1.43), yaw_deg=yaw, direction=direction, distance=10.0)
    got = yaw_from_growth(forward(xy, direction), Focal(FOCAL, 30.0, True))
    assert got is not None
    assert got.yaw_deg == pytest.approx(yaw, abs=1.0)
    assert got.sd_deg < 4.0


def test_squared_up_points_are_those_of_a_view_square_on() -> None:
    """A plane of known points at 25 degrees: squared up, px times Z0 / f are metres."""
    rng = np.random.default_rng(0)
    flat = rng.uniform([-3, -1], [3, 1], (50, 2))
    a = np.radians(25.0)
    z = 10.0 - flat[:, 0] * np.sin(a)
    seen_xy = FOCAL * np.column_stack([flat[:, 0] * np.cos(a), flat[:, 1]]) / z[:, None]
    assert squared(seen_xy, 25.0, FOCAL) * 10.0 / FOCAL == pytest.approx(flat, abs=1e-9)


def test_unknown_focal_length_widens_the_error() -> None:
    xy = seen(runner(5.0, 1.43), yaw_deg=20.0, distance=10.0)
    known = yaw_from_growth(forward(xy), Focal(FOCAL, 10.0, True))
    guessed = yaw_from_growth(forward(xy), Focal(1024.0, 256.0, False))
    assert known is not None
    assert guessed is not None
    assert guessed.sd_deg > known.sd_deg + 1
    assert abs(guessed.yaw_deg - 20) < 2.5 * guessed.sd_deg


def test_a_short_path_gives_no_yaw() -> None:
    xy = seen(runner(0.3, 1.0))
    assert yaw_from_growth(forward(xy), Focal(FOCAL, 10, True)) is None


@pytest.mark.parametrize("yaw", [-20.0, 0.0, 12.0, 30.0])
def test_yaw_from_the_width_of_the_hips(yaw: float) -> None:
    """The invented runner's hips are .100 of stature apart: on a treadmill within 1.5 degrees."""
    xy = seen(runner(0.0, 2.143), yaw_deg=yaw)
    got = yaw_from_width(forward(xy), "right", "hip", Focal(FOCAL, 10, True))
    assert got is not None
    assert got.yaw_deg == pytest.approx(yaw, abs=1.5)


def test_combined_yaw_widens_where_evidence_disagrees() -> None:
    agree = combined_yaw([YawEvidence("a", 10, 3), YawEvidence("b", 10, 3)])
    differ = combined_yaw([YawEvidence("a", 25, 3), YawEvidence("b", -5, 3)])
    assert agree[0] == pytest.approx(2 * 10 / 9 / (2 / 9 + 1 / 15**2))
    assert differ[1] > 2 * agree[1]
    assert all(np.isnan(combined_yaw([])))


@pytest.mark.parametrize("yaw", [0.0, 10.0, 25.0])
def test_view_quality_holds_the_true_yaw(yaw: float) -> None:
    xy = seen(runner(5.0, 1.43), yaw_deg=yaw, distance=10.0)
    raw = raw_of(xy)
    got = view_quality(raw, world_view(raw, still_motion(raw.frame, W, H)), clip())
    assert abs(got.off_perpendicular_deg - yaw) < 2.5 * got.off_perpendicular_sd_deg
    assert got.runner_height_px == pytest.approx(1.75 * FOCAL / 10.0 / MODEL_CHAIN, rel=0.03)
    assert any("off a true side view" in n for n in got.notes) == (yaw >= 10)


def test_view_quality_after_a_pan_is_square_on_with_an_error() -> None:
    body = runner(6.0, 1.4)
    angles = np.arctan2(mid_of(body, "hip")[:, 0], 9.0)
    raw = raw_of(seen(body, pan_rad=angles, focal=1400.0))
    got = view_quality(raw, world_view(raw, panned(angles, 1400.0)), clip())
    assert abs(got.off_perpendicular_deg) < 1
    assert 0 < got.off_perpendicular_sd_deg < 10
    assert any("followed the runner" in n for n in got.notes)


def test_mirror_does_not_change_the_quality() -> None:
    xy = seen(runner(5.0, 1.43), yaw_deg=15.0)
    swapped = xy * [-1, 1] + [W - 1, 0]
    for joint in ("hip", "shoulder", "knee", "ankle", "heel", "foot_index", "elbow", "wrist"):
        pair = [lm.index(joint, "left"), lm.index(joint, "right")]  # type: ignore[arg-type]
        swapped[:, pair] = swapped[:, pair[::-1]]
    out = []
    for points in (xy, swapped):
        raw = raw_of(points)
        out.append(view_quality(raw, world_view(raw, still_motion(raw.frame, W, H)), clip()))
    assert out[0].off_perpendicular_deg == pytest.approx(out[1].off_perpendicular_deg, abs=1e-6)
    assert out[0].off_perpendicular_sd_deg == pytest.approx(out[1].off_perpendicular_sd_deg, abs=1e-6)


def test_hidden_joints_are_counted_and_named() -> None:
    raw = raw_of(seen(runner()))
    raw.visibility[:, lm.index("wrist", "left")] = 0.1
    raw.visibility[::2, lm.index("elbow", "left")] = 0.1
    raw.xy_px[: len(raw.frame) // 4, lm.index("ankle", "right")] = np.nan
    hidden = hidden_shares(raw)
    assert hidden["left_wrist"] == 1.0
    assert hidden["left_elbow"] == pytest.approx(0.5, abs=0.01)
    assert hidden["right_ankle"] == pytest.approx(0.25, abs=0.02)
    assert hidden["right_knee"] == 0.0
    (finding,) = hidden_findings(hidden, "right")
    assert "far (left) elbow and wrist are" in finding.sentence


@pytest.mark.parametrize(("rate", "level"), [(240, "good"), (119.9, "good"), (59.94, "limited"), (30, "bad")])
def test_frame_rate_levels(rate: float, level: str) -> None:
    assert rate_finding(rate).level == level


def test_levels_of_size_light_blur_and_strides() -> None:
    assert [size_finding(h).level for h in (400.0, 200.0, 90.0)] == ["good", "limited", "bad"]  # type: ignore[union-attr]
    assert size_finding(float("nan")) is None
    assert [brightness_finding(b).level for b in (20.0, 120.0, 240.0)] == ["bad", "good", "limited"]  # type: ignore[union-attr]
    assert brightness_finding(float("nan")) is None
    assert [blur_finding(b, 400.0).level for b in (2.0, 10.0, 30.0)] == ["good", "limited", "bad"]  # type: ignore[union-attr]
    assert blur_finding(float("nan"), 400.0) is None
    assert [strides_finding(s).level for s in (8, 2, 0.5)] == ["good", "limited", "bad"]
    assert [yaw_finding(y, 2.0).level for y in (1.0, 14.0, 30.0)] == ["good", "limited", "bad"]  # type: ignore[union-attr]
    assert yaw_finding(float("nan"), float("nan")).level == "limited"  # type: ignore[union-attr]


def test_runner_leaving_the_picture() -> None:
    xy = seen(runner(4.0, 1.5))
    assert outside_share(xy, W, H) == 0.0
    shifted = xy + [W - 200.0 - xy[-1, :, 0].max() + 250.0, 0]
    assert 0.02 < outside_share(shifted, W, H) < 0.7


def test_suitability_says_the_worst_first() -> None:
    xy = seen(runner(4.0, 1.0))[::15]
    good = suitability(xy, np.ones((len(xy), 33)), 240.0, W, H, 120.0, 1)
    assert {f.about for f in good if f.level == "bad"} == set()
    poor = suitability(np.full((4, 33, 2), np.nan), np.zeros((4, 33)), 30.0, W, H, 20.0, 0)
    assert [f.level for f in poor] == ["bad", "bad", "bad"]
    crowd = suitability(xy, np.ones((len(xy), 33)), 240.0, W, H, 120.0, 3)
    assert any("3 people" in f.sentence for f in crowd)


def test_suitability_tells_a_front_view_from_a_side_view() -> None:
    body = runner(0.5, 1.0)
    ones = np.ones((len(body), 33))
    side = suitability(seen(body), ones, 240.0, W, H)
    front = suitability(seen(body, yaw_deg=85.0), ones, 240.0, W, H)
    assert not any(f.about == "view" for f in side)
    assert any(f.about == "view" and f.level == "bad" for f in front)


def test_every_note_is_one_sentence() -> None:
    raw = raw_of(seen(runner(2.0, 0.8), yaw_deg=25.0))
    got = view_quality(raw, world_view(raw, still_motion(raw.frame, W, H)), clip(RATE / 2), blur_px=20.0)
    assert len(got.notes) >= 3
    for note in got.notes:
        assert note[0].isupper()
        assert note.endswith(".")


@pytest.mark.parametrize("samples", [1, 3, 20])
@pytest.mark.parametrize("pan", [False, True])
def test_nobody_seen_is_a_quality_and_not_a_crash(samples: int, pan: bool) -> None:
    raw = raw_of(np.full((samples, 33, 2), np.nan))
    motion = panned(np.linspace(0, 0.8, samples), 1400.0) if pan else still_motion(raw.frame, W, H)
    got = view_quality(raw, world_view(raw, motion), clip())
    assert np.isnan(got.off_perpendicular_deg) or pan
    assert np.isnan(got.runner_height_px)
    assert got.hidden["left_knee"] == 1.0
    assert got.notes
