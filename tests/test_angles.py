"""Angles against closed forms, a published walking trial and published running curves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_clips.runner import runner_at
from shared import landmarks as lm
from shared.catalogue import ANGLES
from technique import angles
from technique.curves import curves
from tests.treadmill_motion import REFERENCE, TREADMILL, need_treadmill, treadmill_motion
from tests.true_motion import known

degrees = st.floats(-85, 85)
bends = st.floats(0, 150)


def body(**places: tuple[float, float]) -> np.ndarray:
    """Points (33, 2) with the named landmarks placed, all others missing."""
    points = np.full((lm.COUNT, 2), np.nan)
    for name, xy in places.items():
        points[lm.INDEX[name]] = xy
    return points


def way(deg: float, length: float = 1.0) -> np.ndarray:
    """Step of that length in a direction counted from straight down, forward positive."""
    return length * np.array([np.sin(np.radians(deg)), -np.cos(np.radians(deg))])


def mirrored(points: np.ndarray) -> np.ndarray:
    """Left and right landmarks exchanged."""
    out = points.copy()
    for name in lm.NAMES:
        if "left" in name:
            i, j = lm.INDEX[name], lm.INDEX[name.replace("left", "right")]
            out[..., i, :], out[..., j, :] = points[..., j, :].copy(), points[..., i, :].copy()
    return out


@pytest.mark.parametrize(
    ("first", "corner", "last", "expected"),
    [
        ((0, 1), (0, 0), (1, 0), 90.0),
        ((3, 4), (0, 0), (3, 0), 53.1301),
        ((0, 2), (0, 1), (1, 0), 135.0),
        ((0, 1), (0, 0), (0, -1), 180.0),
    ],
)
def test_angle_of_three_points(first: tuple, corner: tuple, last: tuple, expected: float) -> None:
    # Closed forms (arctan 4/3 = 53.1301).
    found = angles.angle_between(*(np.array(p, dtype=float) for p in (first, corner, last)))
    assert found == pytest.approx(expected, abs=1e-4)


def test_every_angle_of_the_catalogue_has_a_function() -> None:
    assert set(angles.ANGLE_OF) == set(ANGLES)


def test_standing_straight_is_zero_everywhere_and_the_elbow_is_straight() -> None:
    points = body()
    for side in angles.SIDES:
        for joint, xy in {
            "shoulder": (0, 1.5),
            "elbow": (0, 1.2),
            "wrist": (0, 0.9),
            "hip": (0, 0.9),
            "knee": (0, 0.5),
            "ankle": (0, 0.1),
            "heel": (-0.05, 0.0),
            "foot_index": (0.2, 0.0),
        }.items():
            points[lm.index(joint, side)] = xy
    for name, of in angles.ANGLE_OF.items():
        assert of(points, "right") == pytest.approx(180.0 if name == "elbow" else 0.0, abs=1e-12), name


@settings(deadline=None)
@given(degrees)
def test_trunk_lean_is_positive_forward(lean: float) -> None:
    up = -way(-lean, 0.5)
    hip = np.array([0.1, 0.9])
    places = {f"{s}_hip": tuple(hip) for s in angles.SIDES} | {
        f"{s}_shoulder": tuple(hip + up) for s in angles.SIDES
    }
    assert angles.trunk_lean(body(**places)) == pytest.approx(lean, abs=1e-9)
    assert (up[0] > 0) == (lean > 0) or abs(lean) < 1e-6  # the shoulders lie ahead of the hips


@settings(deadline=None)
@given(degrees, bends, st.floats(-30, 60), st.floats(0.1, 10))
def test_leg_angles_are_those_the_leg_was_built_from(
    thigh: float, bend: float, foot: float, size: float
) -> None:
    hip = np.array([3.0, 2.0])
    knee = hip + way(thigh, 0.43 * size)
    ankle = knee + way(thigh - bend, 0.44 * size)
    toe = ankle + 0.2 * size * np.array([np.cos(np.radians(foot)), np.sin(np.radians(foot))])
    points = body(left_hip=hip, left_knee=knee, left_ankle=ankle, left_heel=ankle, left_foot_index=toe)
    assert angles.thigh_angle(points, "left") == pytest.approx(thigh, abs=1e-6)
    assert angles.knee_flexion(points, "left") == pytest.approx(bend, abs=1e-6)
    inner = angles.angle_between(hip, knee, ankle)
    assert angles.knee_flexion(points, "left") == pytest.approx(180.0 - inner, abs=1e-6)
    shank = angles.wrapped(np.array(thigh - bend))
    assert angles.shank_angle(points, "left") == pytest.approx(shank, abs=1e-6)
    assert angles.foot_angle(points, "left") == pytest.approx(foot, abs=1e-6)
    assert angles.ankle_flexion(points, "left") == pytest.approx(
        float(angles.wrapped(foot - shank)), abs=1e-6
    )


def test_an_over_straightened_knee_is_negative() -> None:
    points = body(right_hip=(0, 1), right_knee=(0, 0.5), right_ankle=tuple(np.array([0, 0.5]) + way(5, 0.5)))
    assert angles.knee_flexion(points, "right") == pytest.approx(-5.0, abs=1e-9)


def test_the_ankle_ahead_of_the_knee_and_the_toes_up_are_positive() -> None:
    points = body(right_knee=(0, 0.5), right_ankle=(0.1, 0.1), right_heel=(0, 0), right_foot_index=(0.2, 0.1))
    assert angles.shank_angle(points, "right") > 0
    assert angles.foot_angle(points, "right") > 0


@settings(deadline=None)
@given(degrees, degrees)
def test_upper_arm_and_hip_are_taken_against_the_trunk(lean: float, limb: float) -> None:
    hip, up = np.array([0.0, 1.0]), -way(-lean, 0.5)
    shoulder = hip + up
    places = {f"{s}_hip": hip for s in angles.SIDES} | {f"{s}_shoulder": shoulder for s in angles.SIDES}
    points = body(**places, left_elbow=shoulder + way(limb, 0.3), left_knee=hip + way(limb, 0.4))
    assert angles.upper_arm_angle(points, "left") == pytest.approx(limb + lean, abs=1e-6)
    assert angles.hip_flexion(points, "left") == pytest.approx(limb + lean, abs=1e-6)


@settings(deadline=None)
@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(0.1, 300), st.integers(0, 2**16))
def test_place_and_size_change_no_angle_and_sides_exchange(
    dx: float, dy: float, size: float, seed: int
) -> None:
    points = np.random.default_rng(seed).normal(0, 1, (lm.COUNT, 2))
    for of in angles.ANGLE_OF.values():
        one = of(points, "left")
        assert of(size * points + np.array([dx, dy]), "left") == pytest.approx(one, abs=1e-5)
        assert of(mirrored(points), "right") == pytest.approx(one, abs=1e-9)


def test_running_left_gives_the_same_angles_as_running_right() -> None:
    # World points are forward positive whichever way the athlete runs, so the lean keeps its sign.
    right, left = (known(runner_at(4.0, direction=d, phase=0.2)).athlete for d in ("right", "left"))
    one, other = (angles.frame_angles(a.metres[..., :2]) for a in (right, left))
    for name, series in one.items():
        np.testing.assert_allclose(series, other[name], atol=1e-9, err_msg=name)
    assert np.all(one["trunk_lean"] > 0)


def test_angles_of_a_rendered_runner_are_its_truth() -> None:
    t = known(runner_at(5.0)).athlete
    found = angles.frame_angles(t.metres[..., :2])
    for name, series in t.angles.items():
        mine = found["trunk_lean" if name == "trunk" else name]
        np.testing.assert_allclose(mine, series, atol=1e-6, err_msg=name)


def test_missing_points_give_nan_and_only_there() -> None:
    points = known(runner_at(3.0)).athlete.metres[..., :2].copy()
    points[7, lm.index("knee", "left")] = np.nan
    found = angles.frame_angles(points)
    assert np.isnan(found["knee_left"][7]) and np.isfinite(found["knee_left"][8])
    assert np.isfinite(found["knee_right"]).all()


WINTER = {  # frame: thigh, shank, knee, in deg from the level (angles computed from Table A.1)
    1: (82.798, 39.324, 43.474),
    28: (110.521, 107.554, 2.967),
    35: (108.726, 93.112, 15.614),
    60: (73.847, 63.283, 10.564),
    70: (82.825, 38.606, 44.220),
}


def _winter() -> np.ndarray:
    path = REFERENCE / "tables" / "WinterTableA1.txt"
    if not path.is_file():
        pytest.skip("Winter's Table A.1 is not beside this checkout")
    return np.loadtxt(path, skiprows=2)


def _winter_points(row: np.ndarray) -> np.ndarray:
    return body(right_hip=row[4:6], right_knee=row[6:8], right_ankle=row[10:12])


@pytest.mark.parametrize("frame", WINTER)
def test_winters_walking_trial(frame: int) -> None:
    # Winter, Biomechanics and Motor Control of Human Movement, Table A.1: raw coordinates. He counts
    # segments from the level, so 90 less is the angle from the downward vertical.
    points = _winter_points(_winter()[frame - 1])
    thigh, shank, knee = WINTER[frame]
    assert angles.thigh_angle(points, "right") == pytest.approx(thigh - 90.0, abs=0.001)
    assert angles.shank_angle(points, "right") == pytest.approx(shank - 90.0, abs=0.001)
    assert angles.knee_flexion(points, "right") == pytest.approx(knee, abs=0.001)


def test_extremes_of_winters_walking_trial() -> None:
    # Same table: largest knee flexion 61.20 at frame 7, smallest -3.03 (over-straight) at frame 94.
    knee = [float(angles.knee_flexion(_winter_points(row), "right")) for row in _winter()]
    assert (int(np.argmax(knee)) + 1, int(np.argmin(knee)) + 1) == (7, 94)
    assert (max(knee), min(knee)) == (pytest.approx(61.20, abs=0.005), pytest.approx(-3.03, abs=0.005))


def test_knee_curves_of_a_published_runner() -> None:
    # Fukuchi et al. 2017 (PeerJ 5:e3298), runner 002, the authors' own processed sagittal knee curves at
    # three speeds, both legs. Joint centres here are rebuilt from markers and contact is taken at 50 N
    # (the authors' curves run 1 to 3 % of the cycle later), so: contact within 2.4 deg and peaks within
    # 4.3 deg on average, no single one further off than 3.5 and 4.6, and the same shape.
    need_treadmill()
    text = (TREADMILL / "rbds002_published_curves.txt").read_text().splitlines()
    names = text[0].split()
    contact, peaks = [], []
    for speed in (25, 35, 45):
        made = curves(treadmill_motion("002", speed))
        for side in angles.SIDES:
            column = names.index(f"{side[0].upper()}kneeAngZ{speed}")
            published = np.array([float(line.split()[column]) for line in text[1:102]])
            mine = next(c for c in made if c.key == "knee" and c.side == side)
            assert mine.n >= 10
            contact.append(mine.mean[0] - published[0])
            peaks += [mine.mean.max() - published.max(), mine.mean[:40].max() - published[:40].max()]
            assert np.corrcoef(mine.mean, published)[0, 1] > 0.96
    assert np.mean(np.abs(contact)) < 2.4 and np.max(np.abs(contact)) < 3.5
    assert np.mean(np.abs(peaks)) < 4.3 and np.max(np.abs(peaks)) < 4.6
