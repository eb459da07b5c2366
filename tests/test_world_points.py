"""World points against a skeleton of known place, projected by cv2.projectPoints."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shared import landmarks as lm
from vision.camera import CameraMotion, still_motion
from vision.lane import reference_points
from vision.pan import Focal, picture_centre
from vision.raw import RawTrack
from vision.roll import Roll, RollEvidence, combined_roll, roll_from_lines, roll_from_path
from vision.scale import CHAIN_SHARE, body_size, mid_point
from vision.world import (
    WorldView,
    camera_kind,
    picture_points,
    standing_foot_drift,
    stride_count,
    travel_direction,
    world_marks,
    world_points,
    world_view,
)

W, H = 1280, 720
STATURE = 1.75
RATE = 60.0


def runner(speed: float = 4.0, seconds: float = 1.5, lateral: float = 1.0) -> NDArray[np.float64]:
    """Invented runner, (T, 33, 3) m: x forward, y up, z to the runner's right.

    Thighs and shanks swing as sines; proportions after Drillis and Contini. Not a gait model: only
    rigid segments of known length that go to and fro.
    """
    t = np.arange(int(seconds * RATE)) / RATE
    out = np.zeros((len(t), 33, 3))
    x = speed * (t - t.mean())
    hip_y = 0.530 * STATURE + 0.03 * np.cos(4 * np.pi * 1.4 * t)
    for side, sign, phase in (("left", -1.0, 0.0), ("right", 1.0, np.pi)):
        w = 2 * np.pi * 1.4 * t + phase
        thigh = np.radians(15 + 35 * np.sin(w))
        knee = np.radians(45 + 40 * np.sin(w + 1.8))
        shank = thigh - knee
        hip = np.stack([x, hip_y, np.full_like(x, sign * lateral * 0.05 * STATURE)], -1)
        down = lambda a: np.stack([np.sin(a), -np.cos(a), np.zeros_like(a)], -1)  # noqa: E731
        kn = hip + 0.245 * STATURE * down(thigh)
        an = kn + 0.246 * STATURE * down(shank)
        sh = hip + np.array([0.05, 0.288 * STATURE, 0]) + [0, 0, sign * lateral * 0.06 * STATURE]
        el = sh + 0.186 * STATURE * down(np.radians(-10 - 30 * np.sin(w)))
        wr = el + 0.146 * STATURE * down(np.radians(80 - 30 * np.sin(w)))
        along = np.stack([np.cos(shank), np.sin(shank), np.zeros_like(x)], -1)
        for joint, value in (
            ("hip", hip),
            ("knee", kn),
            ("ankle", an),
            ("heel", an + 0.04 * down(shank) - 0.05 * along),
            ("foot_index", an + 0.05 * down(shank) + 0.16 * along),
            ("shoulder", sh),
            ("elbow", el),
            ("wrist", wr),
            ("ear", sh + [0.02, 0.11 * STATURE, -sign * lateral * 0.08 * STATURE]),
        ):
            out[:, lm.index(joint, side)] = value  # type: ignore[arg-type]
        for joint in ("pinky", "index", "thumb"):
            out[:, lm.index(joint, side)] = wr  # type: ignore[arg-type]
    nose = mid3(out, "ear") + [0.12, -0.02, 0]
    for name in ("nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye"):
        out[:, lm.INDEX[name]] = nose
    for name in ("right_eye_outer", "mouth_left", "mouth_right"):
        out[:, lm.INDEX[name]] = nose
    return out


def mid3(points: NDArray[np.float64], joint: str) -> NDArray[np.float64]:
    return (points[:, lm.index(joint, "left")] + points[:, lm.index(joint, "right")]) / 2


def seen(
    body: NDArray[np.float64],
    *,
    yaw_deg: float = 0.0,
    roll_deg: float = 0.0,
    pan_rad: NDArray[np.float64] | None = None,
    distance: float = 9.0,
    focal: float = 1000.0,
    camera_height: float = 0.93,
    direction: str = "right",
) -> NDArray[np.float64]:
    """Picture px (T, 33, 2) of the body.

    `yaw_deg` turns the path towards the camera; `roll_deg` makes level lines rise to the right.
    """
    matrix = np.array([[focal, 0, (W - 1) / 2], [0, focal, (H - 1) / 2], [0, 0, 1.0]])
    a = np.radians(yaw_deg)
    out = np.zeros((*body.shape[:2], 2))
    for i, frame in enumerate(body):
        x = frame[:, 0] * np.cos(a) - frame[:, 2] * -np.sin(a) * -1
        z = -frame[:, 0] * np.sin(a) - frame[:, 2] * np.cos(a)
        p = np.stack([x, camera_height - frame[:, 1], distance + z], -1)
        if direction == "left":
            p[:, 0] *= -1
        turn = Rotation.from_rotvec([0, 0, -np.radians(roll_deg)])
        if pan_rad is not None:
            turn = turn * Rotation.from_rotvec([0, -pan_rad[i], 0])
        out[i] = cv2.projectPoints(p, turn.as_rotvec(), np.zeros(3), matrix, None)[0][:, 0]
    return out


def raw_of(xy: NDArray[np.float64]) -> RawTrack:
    t = len(xy)
    ones = np.ones((t, 33))
    return RawTrack(
        np.arange(t), np.arange(t) / RATE, xy, 0 * ones, ones, ones, np.ones(t), np.zeros((t, 4)), "invented"
    )


def still_view(t: int, direction: str = "right", roll: float = 0.0) -> WorldView:
    return WorldView(still_motion(np.arange(t), W, H), "still", direction, 1.0, Roll(roll, 0.3), None)  # type: ignore[arg-type]


def test_square_on_still_camera_gives_true_distances() -> None:
    """World px times distance / focal length are the metres of the body's mid-plane."""
    body = runner()
    view = world_view(raw_of(seen(body)), still_motion(np.arange(len(body)), W, H))
    assert (view.camera, view.direction) == ("still", "right")
    got = mid_point(world_points(seen(body), np.arange(len(body)), view), "hip") * 9.0 / 1000.0
    truth = mid3(body, "hip")[:, :2] - [0, 0.93]
    assert got == pytest.approx(truth, abs=0.004)


@settings(max_examples=25, deadline=None)
@given(st.floats(2.0, 9.0), st.floats(-4, 4), st.floats(0.5, 1.5))
def test_mirrored_picture_has_the_same_world(speed: float, roll: float, height: float) -> None:
    """Running left is running right seen in a mirror: x forward and y up do not change."""
    body = runner(speed, 1.0)
    xy = seen(body, roll_deg=roll, camera_height=height)
    mirrored = xy * [-1, 1] + [W - 1, 0]
    frames = np.arange(len(body))
    right = world_points(xy, frames, still_view(len(body), "right", roll))
    left = world_points(mirrored, frames, still_view(len(body), "left", -roll))
    assert left == pytest.approx(right, abs=1e-6)
    motion = still_motion(frames, W, H)
    a, b = world_view(raw_of(xy), motion), world_view(raw_of(mirrored), motion)
    assert (a.direction, b.direction) == ("right", "left")
    assert a.roll.roll_deg == pytest.approx(-b.roll.roll_deg, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.floats(-6, 6), st.sampled_from(["left", "right"]), st.integers(0, 1000))
def test_picture_points_are_the_inverse(roll: float, direction: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 700, (5, 7, 2))
    m = np.tile(np.eye(2, 3), (5, 1, 1)) + 0.02 * rng.normal(size=(5, 2, 3))
    motion = dataclasses.replace(still_motion(np.arange(5), W, H), transforms=m)
    view = WorldView(motion, "still", direction, 1.0, Roll(roll, 0.3), None)  # type: ignore[arg-type]
    world = world_points(xy, np.arange(5), view)
    assert picture_points(world, np.arange(5), view) == pytest.approx(xy, abs=1e-6)


@pytest.mark.parametrize("yaw", [20.0, -15.0])
def test_oblique_path_measures_like_one_square_on(yaw: float) -> None:
    """Known focal length: hip path and trunk within 1.5 % along the whole path, thigh angles 1 degree."""
    body = runner(5.0, 1.43)
    xy = seen(body, yaw_deg=yaw, distance=11.0)
    frames = np.arange(len(body))
    motion = dataclasses.replace(still_motion(frames, W, H), focal=Focal(1000.0, 10.0, True))
    view = world_view(raw_of(xy), motion)
    assert abs(view.squared_deg - yaw) < 1.0
    world = world_points(xy, frames, view)
    metres = world * 11.0 / 1000.0
    truth = mid3(body, "hip")[:, :2]
    hip = mid_point(metres, "hip")
    assert np.ptp(hip[:, 0]) == pytest.approx(np.ptp(truth[:, 0]), rel=0.015)
    trunk = np.linalg.norm(mid_point(metres, "shoulder") - hip, axis=1)
    assert trunk == pytest.approx(np.full(len(body), np.hypot(0.288 * STATURE, 0.05)), rel=0.015)
    right = [lm.index("hip", "right"), lm.index("knee", "right")]
    thigh = np.diff(metres[:, right], axis=1)[:, 0]
    thigh_true = np.diff(body[:, right, :2], axis=1)[:, 0]
    angle = np.degrees(
        np.arctan2(thigh[:, 0], -thigh[:, 1]) - np.arctan2(thigh_true[:, 0], -thigh_true[:, 1])
    )
    assert np.abs(angle).max() < 1.0
    assert picture_points(world, frames, view) == pytest.approx(xy, abs=1e-6)


def test_a_square_view_is_left_as_it_is() -> None:
    body = runner(5.0, 1.43)
    assert world_view(raw_of(seen(body)), still_motion(np.arange(len(body)), W, H)).squared_deg == 0.0


def panned(angles: NDArray[np.float64], focal: float, sd: float = 0.03) -> CameraMotion:
    base = still_motion(np.arange(len(angles)), W, H)
    rotvec = np.stack([0 * angles, angles - angles[0], 0 * angles], -1)
    return dataclasses.replace(base, rotvec=rotvec, focal=Focal(focal, sd * focal, True), shift_share=0.9)


def test_panned_runner_has_the_world_of_a_still_one() -> None:
    """An invented runner followed through 50 degrees: distance run within 3 %, height within 2 %.

    The view square on is found from the runner's size alone.
    """
    body = runner(6.0, 1.4)
    focal = 1400.0
    angles = np.arctan2(mid3(body, "hip")[:, 0], 9.0) * 0.95
    xy = seen(body, pan_rad=angles, focal=focal)
    motion = panned(angles, focal)
    view = world_view(raw_of(xy), motion)
    assert view.camera == "panning"
    assert view.lane is not None
    frames = np.arange(len(body))
    world = world_points(xy, frames, view)
    metres = world * STATURE * CHAIN_SHARE / body_size(world).median_px
    hip = mid_point(metres, "hip")
    assert np.ptp(hip[:, 0]) == pytest.approx(np.ptp(mid3(body, "hip")[:, 0]), rel=0.03)
    rise = mid_point(metres, "shoulder")[:, 1] - mid_point(metres, "hip")[:, 1]
    assert rise == pytest.approx(np.full(len(body), 0.288 * STATURE), rel=0.02)
    error = abs(np.ptp(hip[:, 0]) / np.ptp(mid3(body, "hip")[:, 0]) - 1)
    assert error < 2.5 * view.distance_relative_sd
    assert picture_points(world, frames, view) == pytest.approx(xy, abs=1e-4)


@pytest.mark.parametrize("roll", [-3.0, 2.0])
def test_roll_of_a_panned_camera_shows_in_its_turning_axis(roll: float) -> None:
    """The camera turned about the vertical while rolled: roll within 0.5 degrees, hips level."""
    body = runner(6.0, 1.43)
    angles = np.arctan2(mid3(body, "hip")[:, 0], 9.0)
    xy = seen(body, pan_rad=angles, focal=1400.0, roll_deg=roll)
    axis = Rotation.from_rotvec([0, 0, -np.radians(roll)]).apply([0.0, 1.0, 0.0])
    motion = panned(angles, 1400.0)
    motion = dataclasses.replace(motion, rotvec=(angles - angles[0])[:, None] * axis)
    view = world_view(raw_of(xy), motion)
    assert view.picture_roll_deg == pytest.approx(roll, abs=0.5)
    hip = mid_point(world_points(xy, np.arange(len(body)), view), "hip")
    assert np.degrees(np.arctan(np.polyfit(hip[:, 0], hip[:, 1], 1)[0])) == pytest.approx(0.0, abs=0.5)


def test_pan_with_a_guessed_focal_length_says_so() -> None:
    body = runner(6.0, 1.4)
    angles = np.arctan2(mid3(body, "hip")[:, 0], 9.0)
    xy = seen(body, pan_rad=angles, focal=1400.0)
    known = world_view(raw_of(xy), panned(angles, 1400.0, 0.03)).distance_relative_sd
    guessed = world_view(raw_of(xy), panned(angles, 1400.0, 0.25)).distance_relative_sd
    assert guessed > known
    notes = world_view(raw_of(xy), panned(angles, 1400.0)).notes
    assert any("followed the runner" in n for n in notes)


def test_camera_shake_is_taken_out() -> None:
    rng = np.random.default_rng(0)
    xy = rng.uniform(0, 700, (20, 4, 2))
    shift = rng.normal(0, 4, (20, 2))
    m = np.tile(np.eye(2, 3), (20, 1, 1))
    m[:, :, 2] = -shift
    motion = dataclasses.replace(still_motion(np.arange(20), W, H), transforms=m)
    assert reference_points(xy + shift[:, None], np.arange(20), motion) == pytest.approx(xy)


@pytest.mark.parametrize("roll", [-4.0, -1.0, 0.0, 2.5])
def test_roll_from_lines_of_an_invented_house_front(roll: float) -> None:
    """Posts and rails drawn at a known roll: upright lines give it within 0.4 degrees."""
    picture = np.full((H, W), 200, np.uint8)
    r = np.radians(roll)
    for k in np.linspace(-500, 500, 9):
        a = np.array([k, -250.0])
        b = np.array([k, 250.0])
        ends = [
            np.array([W / 2, H / 2]) + [c * np.cos(r) + s * np.sin(r), -c * np.sin(r) + s * np.cos(r)]
            for c, s in (a, b)
        ]
        cv2.line(picture, tuple(ends[0].astype(int)), tuple(ends[1].astype(int)), 40, 3, cv2.LINE_AA)
    found = {e.source: e for e in roll_from_lines(picture)}
    assert found["upright lines"].roll_deg == pytest.approx(roll, abs=0.4)
    assert found["upright lines"].sd_deg < 1.0


def test_lines_at_random_angles_give_no_roll() -> None:
    rng = np.random.default_rng(4)
    picture = np.full((H, W), 200, np.uint8)
    for _ in range(60):
        c, a = rng.uniform([0, 0], [W, H]), rng.uniform(0, np.pi)
        d = 60 * np.array([np.cos(a), np.sin(a)])
        cv2.line(picture, tuple((c - d).astype(int)), tuple((c + d).astype(int)), 40, 2, cv2.LINE_AA)
    assert all(e.sd_deg > 0.4 for e in roll_from_lines(picture))
    assert not roll_from_lines(np.full((H, W), 128, np.uint8))


@pytest.mark.parametrize("roll", [-3.0, 0.0, 2.0])
@pytest.mark.parametrize("yaw", [0.0, 15.0])
@pytest.mark.parametrize("height", [0.9, 1.45])
def test_roll_from_the_course_of_the_hips(roll: float, yaw: float, height: float) -> None:
    """Level ground, true roll known: inside 2.5 of the stated SD, which stays under 1.6 degrees."""
    body = runner(5.0, 1.43)
    xy = seen(body, roll_deg=roll, yaw_deg=yaw, camera_height=height)
    size = body_size(xy)
    got = roll_from_path(mid_point(xy, "hip"), size.chain_px, size.stature_px)
    assert got is not None
    assert abs(got.roll_deg - roll) < 2.5 * got.sd_deg
    assert got.sd_deg < 1.6


def test_roll_is_only_taken_out_when_it_is_known() -> None:
    strong = combined_roll([RollEvidence("a", 2.0, 0.5)])
    assert strong.roll_deg == pytest.approx(2.0 * 2.0**2 / (2.0**2 + 0.5**2))
    weak = combined_roll([RollEvidence("a", 2.0, 3.0)])
    assert weak.roll_deg == 0.0
    assert weak.sd_deg > 1.0
    assert combined_roll([]).roll_deg == 0.0
    assert combined_roll([RollEvidence("a", 3.0, 0.5), RollEvidence("b", -3.0, 0.5)]).sd_deg > 1.0


def test_treadmill_is_recognised() -> None:
    body = runner(0.0, 3.0)
    xy = seen(body)
    motion = still_motion(np.arange(len(body)), W, H)
    view = world_view(raw_of(xy), motion)
    assert (view.camera, view.direction) == ("treadmill", "right")
    assert any("belt" in n for n in view.notes)
    assert world_view(raw_of(seen(body, direction="left")), motion).direction == "left"
    assert camera_kind(xy, motion, 3.0)[0] == "treadmill"


def test_a_short_clip_over_ground_is_no_treadmill() -> None:
    body = runner(4.0, 0.4)
    assert world_view(raw_of(seen(body)), still_motion(np.arange(len(body)), W, H)).camera == "still"


def belt_runner(speed_px: float, stance: float = 0.25, stride: float = 0.7) -> tuple[np.ndarray, np.ndarray]:
    """Feet that stand on a belt for `stance` s of each `stride` s and swing forward on an arc."""
    t = np.arange(int(6 * RATE)) / RATE
    xy = np.full((len(t), 33, 2), np.nan)
    for side, shift in (("left", 0.0), ("right", 0.5)):
        phase = ((t / stride + shift) % 1.0) * stride
        half = speed_px * stance / 2
        swing = (phase - stance) / (stride - stance)
        x = np.where(
            phase < stance, half - speed_px * phase, -half + 2 * half * (0.5 - 0.5 * np.cos(np.pi * swing))
        )
        y = np.where(phase < stance, 0.0, 80 * np.sin(np.pi * np.clip(swing, 0, 1)))
        for joint, dx in (("ankle", 0.0), ("heel", -15.0), ("foot_index", 45.0)):
            xy[:, lm.index(joint, side)] = np.stack([x + dx, y + (20 if joint == "ankle" else 0)], -1)  # type: ignore[arg-type]
    return xy, t


def stepping(speed_px: float, slide: float) -> NDArray[np.float64]:
    """Reference px (y down) of feet that stand while the hips go on, the ground sliding by a share."""
    feet, t = belt_runner(speed_px)
    out = np.full_like(feet, np.nan)
    ahead = (speed_px * t)[:, None]
    for joint, dy in (("hip", 400.0), ("shoulder", 620.0), ("knee", 210.0)):
        for side in ("left", "right"):
            out[:, lm.index(joint, side)] = np.stack([ahead[:, 0], 0 * t + dy], -1)  # type: ignore[arg-type]
    for name in ("ankle", "heel", "foot_index"):
        for side in ("left", "right"):
            i = lm.index(name, side)  # type: ignore[arg-type]
            out[:, i] = feet[:, i] * [1 - slide, 1] + np.column_stack([ahead, 0 * ahead])
    return out


@pytest.mark.parametrize("slide", [0.0, 0.6])
def test_a_sliding_foot_belies_the_world(slide: float) -> None:
    """Feet that stand give 0 within 0.02; feet dragged along at 60 % give 0.6."""
    world = stepping(400.0, slide)
    time = np.arange(len(world)) / RATE
    assert standing_foot_drift(world, time) == pytest.approx(slide, abs=0.02)
    raw = dataclasses.replace(raw_of(world * [1, -1] + [0, 650]), time_s=time)
    view = world_view(raw, still_motion(raw.frame, W, H))
    assert any("seems to slide" in n for n in view.notes) == (slide > 0.5)


def test_strides_are_counted() -> None:
    """1.4 strides a second for 3 s, sides exchanged at random."""
    xy = seen(runner(0.0, 3.0))
    rng = np.random.default_rng(0)
    for i in np.flatnonzero(rng.random(len(xy)) < 0.3):
        l, r = lm.index("ankle", "left"), lm.index("ankle", "right")  # noqa: E741
        xy[i, [l, r]] = xy[i, [r, l]]
    assert stride_count(xy) == pytest.approx(4.2, abs=0.6)


def test_direction_needs_some_evidence() -> None:
    assert travel_direction(np.full((10, 33, 2), np.nan), False)[1] == 0.5


def test_marks_go_through_the_camera_motion() -> None:
    m = np.tile(np.eye(2, 3), (3, 1, 1))
    m[2, :, 2] = [-50.0, 10.0]
    motion = dataclasses.replace(still_motion(np.arange(3), W, H), transforms=m)
    view = WorldView(motion, "still", "right", 1.0, Roll(0.0, 1.0), None)
    got = world_marks(np.array([[100.0, 400.0], [450.0, 390.0]]), np.array([0, 2]), view)
    assert got[1] - got[0] == pytest.approx([300.0, 0.0])
    assert picture_centre(W, H) + got[0] * [1, -1] == pytest.approx([100.0, 400.0])
