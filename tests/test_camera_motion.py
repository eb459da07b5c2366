"""Background motion against pictures warped by known transforms."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision.camera import BackgroundMotion, CameraMotion, still_motion
from vision.camera_motion import joined, similarity
from vision.pan import azimuth_and_fall, focal_from_pan, pan_axis, picture_centre, square_on_azimuth, turned

W, H = 960, 540
CLIPS = Path(__file__).parents[1].parent / "shared" / "clips"


def texture(seed: int, width: int, height: int) -> NDArray[np.uint8]:
    """Invented background with structure at several sizes."""
    rng = np.random.default_rng(seed)
    out = np.zeros((height, width))
    for sigma in (2.0, 5.0, 15.0):
        layer = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), sigma)
        out += layer / layer.std()
    return np.clip(127 + 32 * out, 0, 255).astype(np.uint8)


def similar(dx: float, dy: float, degrees: float, zoom: float) -> NDArray[np.float64]:
    """Forward transform about the picture centre."""
    a = np.radians(degrees)
    m = zoom * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    c = picture_centre(W, H)
    return np.column_stack([m, c - m @ c + [dx, dy]])


def corners_error(found: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
    """Largest error over the picture corners, px."""
    xy = np.array([[0, 0], [W, 0], [0, H], [W, H]], float)
    return float(np.abs(xy @ (found - truth)[:, :2].T + (found - truth)[:, 2]).max())


def moved_frames(motions: list[NDArray[np.float64]], seed: int = 1) -> list[NDArray[np.uint8]]:
    """Pictures of one scene; motions[i] takes reference px to px of frame i."""
    scene = texture(seed, W + 400, H + 400)
    shift = np.array([[1.0, 0, -200], [0, 1, -200]])
    return [cv2.warpAffine(scene, joined(m, shift), (W, H), flags=cv2.INTER_CUBIC) for m in motions]


def inverse(m: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(cv2.invertAffineTransform(m), float)


def fed(frames: list[NDArray[np.uint8]], rate: float = 60.0, boxes: list | None = None) -> CameraMotion:
    motion = BackgroundMotion(frames[0].shape[1], frames[0].shape[0], rate)
    for i, f in enumerate(frames):
        motion.add(i, f, None if boxes is None else boxes[i])
    return motion.result()


def test_pictures_are_asked_for_only_when_they_are_looked_at() -> None:
    pictures = moved_frames([similar(2.0 * i, 0, 0, 1) for i in range(40)])
    asked: list[int] = []
    lazy = BackgroundMotion(pictures[0].shape[1], pictures[0].shape[0], 240.0)
    for i, picture in enumerate(pictures):
        lazy.add(i, lambda i=i, picture=picture: asked.append(i) or picture)  # type: ignore[misc]
    got, plain = lazy.result(), fed(pictures, rate=240.0)
    np.testing.assert_array_equal(got.transforms, plain.transforms)
    assert 2 < len(asked) < len(pictures) / 2 and asked[-1] == len(pictures) - 1


def test_shift_turn_and_zoom_are_recovered() -> None:
    """Known warps come back within 0.2 px at the corners of the picture on the median frame."""
    rng = np.random.default_rng(3)
    truth = [similar(0, 0, 0, 1)]
    for i in range(1, 24):
        truth.append(
            similar(8 * np.sin(i / 4), 5 * np.cos(i / 5) - 5, 0.8 * np.sin(i / 6), 1 + 0.01 * np.sin(i / 7))
        )
    noisy = [np.clip(f + rng.normal(0, 2, f.shape), 0, 255).astype(np.uint8) for f in moved_frames(truth)]
    got = fed(noisy, rate=30.0)
    errors = [corners_error(t, inverse(m)) for t, m in zip(got.transforms, truth, strict=True)]
    assert np.median(errors) < 0.2
    assert max(errors) < 0.4
    assert not got.moved
    assert got.shake_px > 0.5


def test_still_camera_with_a_big_moving_object_has_no_motion() -> None:
    scene = moved_frames([similar(0, 0, 0, 1)])[0]
    mover = texture(9, 330, 430)
    rng = np.random.default_rng(0)
    frames, boxes = [], []
    for i in range(40):
        f = np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)
        x = 20 + 14 * i
        f[60:490, x : x + 330] = mover
        frames.append(f)
        boxes.append((float(x), 60.0, x + 330.0, 490.0))
    for given in (boxes, None):
        got = fed(frames, boxes=given)
        assert np.abs(got.transforms - np.eye(2, 3)).max() == 0
        assert not got.moved
        assert got.confidence.min() > (0.9 if given else 0.35)


def test_still_camera_does_not_drift_over_a_long_clip() -> None:
    """Hand shake about one place, 600 frames: the last frames are as good as the first."""
    truth = [similar(3 * np.sin(i / 9), 3 * np.sin(i / 7), 0, 1) for i in range(600)]
    got = fed(moved_frames(truth[:60]) * 10, rate=120.0)
    first, last = got.transforms[:60], got.transforms[540:600]
    assert np.median([corners_error(a, b) for a, b in zip(first, last, strict=True)]) < 0.15


def test_plain_background_is_said_and_not_guessed() -> None:
    got = fed([np.full((H, W, 3), 127, np.uint8)] * 5)
    assert got.confidence.max() == 0
    assert any("too plain" in n for n in got.notes)
    assert np.abs(got.transforms - np.eye(2, 3)).max() == 0


FOCAL = 800.0
K = np.array([[FOCAL, 0, (W - 1) / 2], [0, FOCAL, (H - 1) / 2], [0, 0, 1]])


def pan_frames(angles: NDArray[np.float64], seed: int = 5) -> tuple[list[NDArray[np.uint8]], list[Rotation]]:
    """Pictures of a textured far wall from a camera turning by `angles` (rad, right positive).

    The wall is painted on a cylinder, so that no plane favours one direction.
    """
    per_rad = 1000.0
    span = float(np.ptp(angles)) + 1.4
    wall = texture(seed, int(per_rad * span), 1000)
    frames, turns = [], []
    u, v = np.meshgrid(np.arange(W), np.arange(H))
    local = np.stack([(u - K[0, 2]) / FOCAL, (v - K[1, 2]) / FOCAL, np.ones_like(u, float)], -1)
    for a in angles:
        turn = Rotation.from_rotvec([0, a, 0])
        r = local @ turn.as_matrix().T
        az = np.arctan2(r[..., 0], r[..., 2])
        fall = r[..., 1] / np.hypot(r[..., 0], r[..., 2])
        x = (az - angles.min() + 0.7) * per_rad
        y = 500 + fall * per_rad
        frames.append(cv2.remap(wall, x.astype(np.float32), y.astype(np.float32), cv2.INTER_CUBIC))
        turns.append(turn)
    return frames, turns


def test_pan_gives_focal_length_and_rotation() -> None:
    """A 60 degree pan: focal length within 3 %, every frame within 1 % of the angle turned."""
    angles = np.radians(np.linspace(0, 60, 61))
    frames, turns = pan_frames(angles)
    got = fed(frames, rate=60.0)
    assert got.moved
    assert got.rotvec is not None
    assert got.focal.measured
    assert got.focal.px == pytest.approx(FOCAL, rel=0.03)
    assert np.degrees(got.rotvec[:, 1]) == pytest.approx(np.degrees(angles), abs=1.0)
    truth = np.array([t.as_rotvec() for t in turns])
    assert np.degrees(np.abs(got.rotvec - truth)[:, [0, 2]]).max() < 0.6
    axis = pan_axis(got.rotvec)
    assert axis.roll_deg == pytest.approx(0, abs=0.6)
    assert axis.range_deg == pytest.approx(60, abs=1.0)


@pytest.mark.slow
@pytest.mark.parametrize("open_share", [0.5, 1.0])
def test_smeared_pan_behind_a_runner(open_share: float) -> None:
    """One degree a frame, shutter open for half or all of it, a big moving runner in the middle.

    The angle turned within 2 %, the focal length within 3 SD.
    """
    angles = np.radians(np.arange(41.0))
    offsets = np.linspace(-0.5, 0.5, 5) * open_share * (angles[1] - angles[0])
    sharp, _ = pan_frames(np.concatenate([angles + o for o in offsets]))
    rng = np.random.default_rng(0)
    frames = []
    for i in range(len(angles)):
        mean = np.mean([sharp[k * len(angles) + i].astype(float) for k in range(len(offsets))], axis=0)
        f = np.clip(mean + rng.normal(0, 3, (H, W)), 0, 255).astype(np.uint8)
        x = 420 + int(10 * np.sin(i))
        f[100:480, x : x + 140] = texture(i % 5, 140, 380)
        frames.append(f)
    got = fed(frames, rate=60.0, boxes=[(400.0, 90.0, 580.0, 490.0)] * len(frames))
    assert got.rotvec is not None
    assert np.degrees(got.rotvec[-1, 1]) == pytest.approx(40.0, rel=0.02)
    assert abs(got.focal.px - FOCAL) < 3 * got.focal.sd_px


@pytest.mark.parametrize("focal", [500.0, 900.0, 2500.0])
def test_focal_length_from_matched_points(focal: float) -> None:
    """Points turned by cv2.projectPoints; no noise: within 1 %, with 0.3 px noise inside 4 SD."""
    rng = np.random.default_rng(2)
    matrix = np.array([[focal, 0, (W - 1) / 2], [0, focal, (H - 1) / 2], [0, 0, 1]])
    a = np.column_stack([rng.uniform(0, W, 200), rng.uniform(0, H, 200)])
    directions = np.column_stack([(a - picture_centre(W, H)) / focal, np.ones(len(a))])
    turn = np.array([0.01, 0.25 * W / focal, 0.004])
    b = cv2.projectPoints(directions, turn, np.zeros(3), matrix, None)[0][:, 0]
    assert np.allclose(turned(a, turn, focal, picture_centre(W, H)), b, atol=1e-6)
    exact = focal_from_pan([(a, b)], W, H)
    assert exact is not None
    assert exact.px == pytest.approx(focal, rel=0.01)
    noisy = focal_from_pan([(a, b + rng.normal(0, 0.3, b.shape))], W, H)
    if noisy is not None:
        assert abs(noisy.px - focal) < 4 * noisy.sd_px


def test_focal_length_is_not_claimed_from_a_small_turn() -> None:
    a = np.random.default_rng(0).uniform(0, H, (50, 2))
    assert focal_from_pan([(a, a + [10.0, 0])], W, H) is None


def test_square_on_azimuth_of_a_straight_path() -> None:
    """Closed form: distance D / cos(a - a0), so size cos(a - a0)."""
    a = np.radians(np.linspace(-20, 50, 200))
    rng = np.random.default_rng(0)
    size = 300 * np.cos(a - np.radians(8)) * (1 + 0.01 * rng.normal(size=a.size))
    a0, sd = square_on_azimuth(a, size)
    assert abs(np.degrees(a0) - 8) < max(2.5 * np.degrees(sd), 0.5)
    assert np.degrees(sd) < 4


def test_azimuth_and_fall_of_a_level_camera() -> None:
    centre = picture_centre(W, H)
    xy = np.array([[[centre[0] + FOCAL, centre[1]], [centre[0], centre[1] + FOCAL]]])
    az, fall = azimuth_and_fall(xy, np.zeros((1, 3)), FOCAL, centre, np.eye(3))
    assert np.degrees(az) == pytest.approx(np.array([[45.0, 0.0]]))
    assert fall == pytest.approx(np.array([[0.0, 1.0]]))


def test_similarity_is_the_least_squares_one() -> None:
    rng = np.random.default_rng(1)
    m = similar(12, -7, 5, 1.1)
    xy = rng.uniform(0, 500, (30, 2))
    assert similarity(xy, xy @ m[:, :2].T + m[:, 2]) == pytest.approx(m, abs=1e-9)


def test_rows_of_decoded_frames() -> None:
    motion = still_motion(np.array([0, 1, 4, 5]), W, H)
    assert motion.at(np.array([0, 3, 4, 9])).tolist() == [0, 1, 2, 3]


@pytest.mark.slow
def test_park_clip_is_nearly_still() -> None:
    clip = CLIPS / "park_runner_1080p30.mp4"
    if not clip.exists():
        pytest.skip("the real clips are not beside this checkout")
    av = pytest.importorskip("av")
    frames = [f.to_ndarray(format="gray") for f in av.open(str(clip)).decode(video=0)]
    got = fed(frames, rate=30.0)
    assert not got.moved
    assert got.confidence.mean() > 0.5
