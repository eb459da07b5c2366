"""Camera, truth on disk, tracks from truth, and pictures that show what the truth says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_clips import camera as cam
from sample_clips.camera import Camera
from sample_clips.clip import CAPTURE_TAG, render_clip, truth_path
from sample_clips.clips import clips
from sample_clips.make import FOLDER, main
from sample_clips.render import frames
from sample_clips.runner import runner_at
from sample_clips.spec import ClipSpec, Picture
from sample_clips.track import track_from_truth
from sample_clips.true_measures import sagittal_angles
from sample_clips.truth import Truth, load_truth, scene_points, truth
from shared import landmarks as lm
from shared.errors import ClipError

SMALL = Camera(width=480, height=270, distance_m=7.0, view_deg=52.0)


def _spec(**changes: object) -> ClipSpec:
    base = ClipSpec(
        (runner_at(4.5, start_x_m=-2.0, phase=0.13),), camera=SMALL, capture_rate_hz=120, duration_s=1.0
    )
    return replace(base, **changes)  # type: ignore[arg-type]


# --- camera ------------------------------------------------------------------------------


def test_projection_closed_form() -> None:
    """A level camera looking straight at the plane: px = f X / Z + W / 2, f = W / 2 / tan(view / 2)."""
    c = Camera(width=1000, height=500, view_deg=90.0, distance_m=5.0, height_m=1.0, look_y_m=1.0)
    rotation = cam.axes(cam.angles(c, np.zeros(1), np.zeros(1)))
    assert c.focal_px == pytest.approx(500.0)
    got = cam.projected(c, rotation, np.array([[[2.0, 1.5, 0.0], [-1.0, 0.0, 1.0]]]))[0]
    assert got == pytest.approx(np.array([[500 + 200, 250 - 50], [500 - 125, 250 + 125]]))


@settings(max_examples=40, deadline=None)
@given(
    pan=st.floats(-1.2, 1.2),
    tilt=st.floats(-0.6, 0.6),
    roll=st.floats(-0.5, 0.5),
    seed=st.integers(0, 1000),
)
def test_projection_agrees_with_reference_library(pan: float, tilt: float, roll: float, seed: int) -> None:
    """Against OpenCV's projectPoints with the same rotation, position and focal length.

    Within 0.001 px: the library takes rotations below about 1e-7 rad for none.
    """
    c = Camera(width=1280, height=720, view_deg=50.0, distance_m=9.0, height_m=1.4)
    rotation = cam.axes(np.array([[pan, tilt, roll]]))
    assert np.linalg.det(rotation[0]) == pytest.approx(1.0)
    rng = np.random.default_rng(seed)
    local = np.column_stack([rng.uniform(-2, 2, 20), rng.uniform(-1, 1, 20), rng.uniform(2, 20, 20)])
    points = local @ rotation[0] + c.position
    matrix = np.array([[c.focal_px, 0, 640], [0, c.focal_px, 360], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(rotation[0])
    shift = -rotation[0] @ c.position
    want, _ = cv2.projectPoints(points, turn, shift, matrix, None)
    assert cam.projected(c, rotation, points[None])[0] == pytest.approx(want[:, 0], abs=1e-3)


def test_pan_and_roll_directions() -> None:
    """Panning right moves things left; a camera rolled clockwise turns the picture the other way."""
    c = Camera(height_m=1.0, look_y_m=1.0)
    middle = np.array([[[0.0, 1.0, 0.0], [0.0, 2.0, 0.0]]])
    right = cam.projected(c, cam.axes(np.array([[0.1, 0.0, 0.0]])), middle)[0, 0]
    assert right[0] < c.width / 2
    above = cam.projected(c, cam.axes(np.array([[0.0, 0.0, 0.1]])), middle)[0, 1]
    assert above[0] < c.width / 2  # what was above now leans left
    up = cam.projected(c, cam.axes(np.array([[0.0, 0.1, 0.0]])), middle)[0, 0]
    assert up[1] > c.height / 2


def test_following_camera_keeps_the_runner_in_the_middle() -> None:
    spec = _spec(camera=replace(SMALL, pan="follow"))
    x = truth(spec).athlete.px[:, [lm.index("hip", "left"), lm.index("hip", "right")], 0].mean(axis=1)
    assert np.abs(x - SMALL.width / 2).max() < 3.0


def test_off_perpendicular_shortens_by_its_cosine() -> None:
    """From far away, lengths along the path shrink by cos(angle)."""
    far = replace(SMALL, distance_m=400.0, view_deg=1.0)
    spec = _spec(camera=far)

    def travelled(s: ClipSpec) -> float:
        x = truth(s).athlete.px[:, lm.index("hip", "right"), 0]
        return float(x[-1] - x[0])

    ratio = travelled(_spec(camera=replace(far, off_perpendicular_deg=30.0))) / travelled(spec)
    assert ratio == pytest.approx(np.cos(np.radians(30.0)), abs=0.01)


# --- truth -------------------------------------------------------------------------------


def test_events_stand_at_exact_times() -> None:
    r = runner_at(4.5, phase=0.13)
    known = truth(_spec(runners=(r,), duration_s=2.0)).athlete
    stride = r.stride_time_s
    want = [(k - 0.13) * stride for k in (1, 2, 3)]
    assert known.event_times("touchdown", "left")[:2] == pytest.approx(want[:2])
    assert known.event_times("toe_off", "left")[0] == pytest.approx(
        (1 - 0.13) * stride - stride + r.left.contact_time_s
    )
    assert known.event_times("touchdown", "right")[0] == pytest.approx((0.5 - 0.13) * stride)
    assert all(0 <= e.time_s <= 2.0 for e in known.events)


def test_contact_flags_change_at_the_events() -> None:
    known = truth(_spec())
    for side in ("left", "right"):
        on = known.athlete.contact[side]
        starts = known.time_s[1:][on[1:] & ~on[:-1]]
        for t in starts:
            before = known.athlete.event_times("touchdown", side)
            assert np.min(np.abs(before - t)) <= 1 / known.capture_rate_hz


def test_left_running_runner_mirrors_a_right_running_one() -> None:
    """Running left, seen square on: the picture is mirrored, all angles stay, near side is left."""
    right = truth(_spec())
    left = truth(_spec(runners=(runner_at(4.5, start_x_m=-2.0, phase=0.63, direction="left"),)))
    assert (right.athlete.near_side, left.athlete.near_side) == ("right", "left")
    for a, b in (("right", "left"), ("left", "right")):
        assert left.athlete.angles[f"knee_{b}"] == pytest.approx(right.athlete.angles[f"knee_{a}"], abs=0.05)
        i, j = lm.index("ankle", b), lm.index("ankle", a)  # type: ignore[arg-type]
        assert left.athlete.px[:, i, 0] == pytest.approx(SMALL.width - right.athlete.px[:, j, 0], abs=0.5)


def test_truth_round_trip(tmp_path: Path) -> None:
    from sample_clips.truth import save_truth

    spec = _spec(runners=(runner_at(4.5), runner_at(3.0, direction="left", lane_z_m=-2.0)))
    known = truth(spec)
    save_truth(known, tmp_path / "a.truth.npz")
    got = load_truth(tmp_path / "a.truth.npz")
    assert got.time_s == pytest.approx(known.time_s)
    assert len(got.runners) == 2
    for a, b in zip(got.runners, known.runners, strict=True):
        assert np.abs(a.px - b.px).max() < 2e-3
        assert np.abs(a.metres - b.metres).max() < 2e-5
        assert a.events == b.events
        assert a.measures == b.measures
        assert (a.near_side, a.direction) == (b.near_side, b.direction)
        assert np.abs(a.angles["knee_left"] - b.angles["knee_left"]).max() < 0.05
    assert (got.camera, got.width, got.capture_rate_hz) == (known.camera, known.width, known.capture_rate_hz)


def test_broken_truth_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.truth.npz"
    path.write_bytes(b"no")
    with pytest.raises(ClipError, match="not a truth file"):
        load_truth(path)


def test_treadmill_runner_stays_in_place() -> None:
    spec = _spec(runners=(runner_at(3.3, treadmill=True),), place="treadmill room", duration_s=2.0)
    known = truth(spec)
    x = known.athlete.metres[:, lm.index("hip", "left"), 0]
    assert np.ptp(x) < 0.1
    assert known.belt_speed_mps == 3.3
    assert known.athlete.measures["step_length_left"] == pytest.approx(
        3.3 * 60 / known.athlete.measures["step_frequency"]
    )


def test_perfect_track_has_the_true_angles() -> None:
    known = truth(_spec())
    track = track_from_truth(known)
    got = sagittal_angles(track.world_px)
    for name, want in known.athlete.angles.items():
        assert got[name] == pytest.approx(want, abs=1e-6)
    assert track.scale is not None
    assert np.ptp(track.world_px[:, lm.index("hip", "left"), 0]) * track.scale.metres_per_px == pytest.approx(
        np.ptp(known.athlete.metres[:, lm.index("hip", "left"), 0])
    )


def test_noise_of_a_track_has_the_asked_size() -> None:
    known = truth(_spec())
    noisy, clean = track_from_truth(known, noise_px=2.0, seed=3), track_from_truth(known)
    d = noisy.world_px - clean.world_px
    assert d.std() == pytest.approx(2.0, rel=0.03)
    assert d[..., 1] == pytest.approx(-(noisy.xy_px - clean.xy_px)[..., 1])


# --- pictures ----------------------------------------------------------------------------


def _without(spec: ClipSpec, i: int) -> np.ndarray:
    away = tuple(replace(r, start_x_m=-400.0) for r in spec.runners)
    quiet = replace(spec, runners=away)
    return next(frames(quiet, i, i + 1)).astype(np.int16)


@pytest.mark.parametrize("direction", ["right", "left"])
def test_person_is_drawn_where_the_truth_says(direction: str) -> None:
    """Silhouette (picture less empty picture) against the projected landmarks."""
    spec = _spec(
        runners=(runner_at(4.5, start_x_m=-0.6, phase=0.3, direction=direction),),
        picture=Picture(noise=0.0, sun_height_deg=86.0),  # shadow below the feet
    )
    i = 14
    known = truth(spec).athlete.px[i]
    full = next(frames(spec, i, i + 1)).astype(np.int16)
    change = np.abs(full - _without(spec, i)).max(axis=2) > 25
    x0, y0 = known.min(axis=0)
    x1, y1 = known.max(axis=0)
    size = y1 - y0
    box = change[: int(y1) + 3]  # above the shadow
    ys, xs = np.nonzero(box)
    assert ys.min() == pytest.approx(y0 - 0.07 * size, abs=0.06 * size)  # hair above the eyes
    assert xs.min() == pytest.approx(x0, abs=0.06 * size)
    assert xs.max() == pytest.approx(x1, abs=0.06 * size)
    for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle"):
        for side in ("left", "right"):
            x, y = known[lm.index(joint, side)]  # type: ignore[arg-type]
            assert change[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3].any(), (joint, side)


@pytest.mark.slow
def test_background_moves_with_the_pan_as_the_camera_says() -> None:
    """A fixed point of the scene is found again at its projected place (phase correlation)."""
    spec = _spec(camera=replace(SMALL, pan="follow"), picture=Picture(noise=0.0), duration_s=0.2)
    spec = replace(spec, runners=(replace(spec.runners[0], lane_z_m=60.0),))  # runner out of sight
    known = truth(spec)
    pictures = [f.astype(np.float32).mean(axis=2) for f in frames(spec)]
    rotation = cam.axes(known.camera_angles)
    point = np.tile(np.array([[[0.0, 1.0, -14.0]]]), (len(rotation), 1, 1))
    want = cam.projected(spec.camera, rotation, point)[:, 0]
    a, b = pictures[0], pictures[6]
    x, y = (int(v) for v in want[0])
    x, y = min(max(x, 70), SMALL.width - 70), min(max(y, 40), SMALL.height - 40)
    patch = (slice(y - 32, y + 32), slice(x - 64, x + 64))
    (dx, dy), _ = cv2.phaseCorrelate(a[patch], b[patch], cv2.createHanningWindow((128, 64), cv2.CV_32F))
    assert [dx, dy] == pytest.approx(want[6] - want[0], abs=0.7)


@pytest.mark.slow
def test_motion_blur_is_the_mean_over_the_shutter() -> None:
    sharp = _spec(picture=Picture(noise=0.0))
    soft = replace(sharp, picture=Picture(noise=0.0, shutter_s=1 / 60, blur_samples=5))
    a, b = (next(frames(s, 20, 21)).astype(np.float64) for s in (sharp, soft))
    empty = _without(sharp, 20)

    def edges(p: np.ndarray) -> float:
        return float(np.abs(np.diff(np.abs(p - empty).max(axis=2), axis=1)).max(initial=0.0))

    assert np.abs(a - b).max() > 20
    wide = [(np.abs(p - empty).max(axis=2) > 12).sum() for p in (a, b)]
    assert wide[1] > wide[0]
    assert edges(b) <= edges(a)


# --- files -------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_rotation_metadata_sets_the_picture_upright(tmp_path: Path, turn: int) -> None:
    spec = _spec(duration_s=0.05, turned_deg=turn, crf=12, picture=Picture(noise=0.0))
    path = tmp_path / "a.mp4"
    render_clip(spec, path)
    with av.open(str(path)) as box:
        frame = next(box.decode(video=0))
        shown = np.rot90(frame.to_ndarray(format="rgb24"), k=(frame.rotation // 90) % 4)
    assert (frame.rotation - turn) % 360 == 0
    want = next(frames(spec))
    assert shown.shape == want.shape
    assert np.abs(shown.astype(float) - want).mean() < 6.0


@pytest.mark.slow
def test_slow_motion_file_has_its_tag_and_times(tmp_path: Path) -> None:
    spec = _spec(capture_rate_hz=240, container_rate_hz=30, capture_tag=True, duration_s=0.04, start_s=0.5)
    path = tmp_path / "slow.mp4"
    known = render_clip(spec, path)
    with av.open(str(path)) as box:
        assert float(box.metadata[CAPTURE_TAG]) == 240.0
        times = np.array([f.time for f in box.decode(video=0)])
    assert len(times) == spec.frames == len(known.time_s)
    assert np.diff(times) == pytest.approx(np.full(len(times) - 1, 1 / 30), abs=1e-4)
    assert np.diff(known.time_s) == pytest.approx(np.full(len(times) - 1, 1 / 240))
    assert not list(tmp_path.glob("*.part*"))
    assert load_truth(truth_path(path)).name == spec.name


def test_make_names_an_unknown_clip(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["nothing_like_this"]) != 0
    assert "no such clip" in capsys.readouterr().err


def test_make_lists_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--list"]) == 0
    said = capsys.readouterr().out
    assert all(name in said for name in clips())


@pytest.mark.parametrize("name", sorted(clips()))
def test_committed_clip_and_its_truth(name: str) -> None:
    """Below 2 MB, all frames there at their times, truth the same as the motion gives now."""
    path = FOLDER / f"{name}.mp4"
    spec = clips()[name]
    assert path.stat().st_size < 2_000_000
    kept, fresh = load_truth(truth_path(path)), truth(spec)
    with av.open(str(path)) as box:
        packets = [p for p in box.demux(video=0) if p.size]
    assert len(packets) == spec.frames == len(kept.time_s)
    assert np.abs(kept.athlete.px - fresh.athlete.px).max() < 0.05
    assert kept.athlete.measures == pytest.approx(fresh.athlete.measures, rel=1e-3, abs=1e-2)


@pytest.mark.parametrize("name", sorted(clips()))
def test_athlete_is_in_the_picture(name: str) -> None:
    known: Truth = truth(clips()[name])
    assert known.athlete.visible.mean() > 0.97
    assert len(known.athlete.events) >= 8


def test_scene_axes_keep_handedness() -> None:
    p = np.array([1.0, 2.0, 3.0])
    assert scene_points(runner_at(3.0), p) == pytest.approx([1.0, 2.0, 3.0])
    assert scene_points(runner_at(3.0, direction="left", lane_z_m=-2.0), p) == pytest.approx(
        [-1.0, 2.0, -5.0]
    )
