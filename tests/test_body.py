"""Segment tables and the centre of mass."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_clips.runner import runner_at
from shared import landmarks as lm
from technique import body
from technique.angles import SIDES, place
from tests.test_angles import mirrored
from tests.treadmill_motion import REFERENCE
from tests.true_motion import known

TABLES = ("male", "female", "mean", "winter")


def upright() -> np.ndarray:
    """Landmarks of a person of 1.80 m standing straight, m (heights: Winter after Drillis and Contini)."""
    heights = {
        "ear": 0.936, "eye": 0.936, "shoulder": 0.818, "elbow": 0.632, "wrist": 0.486, "pinky": 0.43,
        "index": 0.43, "thumb": 0.45, "hip": 0.530, "knee": 0.285, "ankle": 0.039, "heel": 0.0,
        "foot_index": 0.0,
    }  # fmt: skip
    points = np.full((lm.COUNT, 2), np.nan)
    for joint, share in heights.items():
        for side in SIDES:
            points[lm.index(joint, side)] = (0.0, 1.8 * share)
    return points


@pytest.mark.parametrize("table", TABLES)
def test_masses_of_all_segments_make_one_body(table: body.BodyTable) -> None:
    # de Leva 1996: men 1.0000, women .9999; Winter: 1.000 without the neck's own row (sum .998-1.002).
    rows = body.SEGMENTS[table]
    whole = rows["head"].mass + rows["trunk"].mass + 2 * sum(rows[name].mass for name in body.LIMBS)
    assert whole == pytest.approx(1.0, abs=0.0025)


@pytest.mark.parametrize(("table", "file"), [("male", "BSPmale_ZdeLeva"), ("female", "BSPfemale_ZdeLeva")])
def test_de_leva_rows_are_the_published_ones(table: body.BodyTable, file: str) -> None:
    # de Leva 1996, J Biomech 29:1223, as typed by others; the numbers here were typed on their own.
    path = REFERENCE / "tables" / f"{file}.txt"
    if not path.is_file():
        pytest.skip("the segment tables are not beside this checkout")
    rows = {
        cells[0].strip(): cells for cells in (line.split("\t") for line in path.read_text().splitlines()[1:])
    }
    names = {
        "head": "Head 2", "trunk": "Trunk 3", "upper_arm": "Upper arm", "forearm": "Forearm",
        "hand": "Hand", "thigh": "Thigh", "shank": "Shank", "foot": "Foot",
    }  # fmt: skip
    for name, theirs in names.items():
        mine = body.SEGMENTS[table][name]
        assert (mine.mass, mine.centre) == (float(rows[theirs][2]), float(rows[theirs][3])), name
        # Gyration about the axis that points sideways is the transverse one.
        assert mine.gyration == float(rows[theirs][5]), name


def test_winter_limb_rows_are_the_published_ones() -> None:
    path = REFERENCE / "tables" / "BSP_DempsterWinter.txt"
    if not path.is_file():
        pytest.skip("the segment tables are not beside this checkout")
    rows = {
        cells[0].strip(): cells for cells in (line.split("\t") for line in path.read_text().splitlines()[1:])
    }
    for name, theirs in {"thigh": "Thigh", "shank": "Leg", "foot": "Foot", "upper_arm": "Upper arm"}.items():
        mine = body.SEGMENTS["winter"][name]
        assert [mine.mass, mine.centre, mine.gyration] == [float(rows[theirs][i]) for i in (2, 3, 5)], name


@pytest.mark.parametrize("table", TABLES)
def test_centre_of_mass_of_a_standing_person(table: body.BodyTable) -> None:
    # Standing, the centre of mass lies at 55-57 % of stature (textbook value, from memory).
    com = body.centre_of_mass(upright(), table)
    assert com[0] == pytest.approx(0.0, abs=1e-12)
    assert 0.53 < com[1] / 1.80 < 0.60


@settings(deadline=None)
@given(st.floats(-9, 9), st.floats(-9, 9), st.integers(0, 2**16))
def test_moving_all_points_moves_the_centre_alike(dx: float, dy: float, seed: int) -> None:
    points = np.random.default_rng(seed).normal(0, 1, (lm.COUNT, 2))
    moved = body.centre_of_mass(points + np.array([dx, dy])) - body.centre_of_mass(points)
    np.testing.assert_allclose(moved, [dx, dy], atol=1e-9)


@settings(deadline=None)
@given(st.integers(0, 2**16))
def test_exchanging_sides_or_looking_from_behind_keeps_the_height(seed: int) -> None:
    points = np.random.default_rng(seed).normal(0, 1, (lm.COUNT, 2))
    com = body.centre_of_mass(points)
    np.testing.assert_allclose(body.centre_of_mass(mirrored(points)), com, atol=1e-9)
    flipped = body.centre_of_mass(points * np.array([-1.0, 1.0]))
    np.testing.assert_allclose(flipped, com * np.array([-1.0, 1.0]), atol=1e-9)


def test_a_single_heavy_point_is_its_own_centre() -> None:
    points = np.ones((lm.COUNT, 2)) * np.array([2.0, 3.0])
    for table in TABLES:
        np.testing.assert_allclose(body.centre_of_mass(points, table), [2.0, 3.0], atol=1e-12)


def test_raising_one_foot_lifts_the_centre_by_its_share() -> None:
    # Lifting heel and toe by 1 moves only the foot segment: its share of body mass, .0137 in men.
    points = upright()
    raised = points.copy()
    for joint in ("heel", "foot_index"):
        raised[lm.index(joint, "left")] += (0.0, 1.0)
    lift = body.centre_of_mass(raised, "male")[1] - body.centre_of_mass(points, "male")[1]
    assert lift == pytest.approx(0.0137, abs=1e-4)


def test_centre_of_a_rendered_runner() -> None:
    # The renderer's own centre of mass takes the hand to the fingertip and the head by its own model.
    t = known(runner_at(4.0)).athlete
    mine = body.centre_of_mass(t.metres[..., :2], "male")
    difference = mine - t.centre_of_mass[:, :2]
    assert np.abs(difference.mean(axis=0)).max() < 0.03
    assert difference.std(axis=0).max() < 0.004


def test_the_far_arm_is_the_near_arm_half_a_stride_apart() -> None:
    runner = runner_at(4.0)
    t = known(runner, rate_hz=240.0)
    points = t.athlete.metres[..., :2].copy()
    near, far = t.athlete.near_side, lm.opposite(t.athlete.near_side)
    truth_com = body.centre_of_mass(points)
    wrist = place(points, "wrist", far) - place(points, "shoulder", far)
    hidden = points.copy()
    for joint in lm.ARM_JOINTS[1:]:
        hidden[:, lm.index(joint, far)] = np.nan
    half = round(runner.stride_time_s / 2 * 240.0)
    filled = body.with_far_arm(hidden, far, half)
    back = place(filled, "wrist", far) - place(filled, "shoulder", far)
    assert np.abs(back - wrist).max() < 0.02  # the invented runner's arms swing alike
    assert np.abs(body.centre_of_mass(filled) - truth_com).max() < 0.001
    crude = body.centre_of_mass(body.with_far_arm(hidden, far, None))
    # With only the mean position the error stays below the arm's share of the arm's travel.
    wander = np.linalg.norm(wrist - wrist.mean(axis=0), axis=1).max()
    assert 0.0 < np.abs(crude - truth_com).max() < body.ARM_MASS * wander
    np.testing.assert_array_equal(place(filled, "wrist", near), place(points, "wrist", near))


def test_sex_picks_the_table() -> None:
    assert [body.table_for(s) for s in ("male", "female", None)] == ["male", "female", "mean"]
    for name in body.LIMBS:
        rows = [body.SEGMENTS[t][name].mass for t in ("male", "female", "mean")]
        assert rows[2] == pytest.approx((rows[0] + rows[1]) / 2)
