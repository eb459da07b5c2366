"""Left and right: planted faults on measured running are found, and nothing is invented.

Oracle: motion of the open data set of Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298; the
exchanges planted into it are known exactly.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared import landmarks as lm
from tests.sides_motion import REFERENCE, Planted, available, planted
from vision.raw import RawTrack
from vision.sides import RepairedSides, repair_sides

needs_data = pytest.mark.skipif(not available(), reason="open treadmill data are not beside the checkout")
pytestmark = needs_data

KNEES = [lm.index("knee", "left"), lm.index("knee", "right")]
FEET = [lm.index(j, s) for j in ("ankle", "heel", "foot_index") for s in ("left", "right")]
LEGS = [i for i, name in enumerate(lm.NAMES) if name.split("_", 1)[-1] in lm.LEG_JOINTS]
CLEAN: dict[str, Any] = {"single": 0.0, "burst": 0.0, "stuck": 0.0, "merged": 0.0}


def wrong_share(case: Planted, found: RepairedSides) -> float:
    """Share of frames with the legs the wrong way round; merged legs have no right way."""
    told_apart = ~case.wrong[:, KNEES].any(axis=1)
    return float(np.mean((found.legs_exchanged != case.exchanged_legs)[told_apart]))


@pytest.mark.parametrize("direction", [-1, 1])
@pytest.mark.parametrize(
    ("rate", "squeeze"), [(30.0, 1.0), (60.0, 1.0), (120.0, 1.0), (60.0, 1.5), (240.0, 1.5)]
)
@pytest.mark.parametrize(("runner", "speed"), [("003", "T25"), ("005", "T45")])
def test_planted_exchanges_are_found(
    runner: str, speed: str, rate: float, squeeze: float, direction: int
) -> None:
    case = planted(
        runner, speed, rate=rate, squeeze=squeeze, seconds=3 / squeeze, direction=direction, burst=0.6
    )
    assert case.exchanged_legs.mean() > 0.1
    found = repair_sides(case.raw)
    assert wrong_share(case, found) < 0.005
    assert found.labelling.near_side == ("left" if direction < 0 else "right")
    off = np.linalg.norm(found.xy_px - case.xy, axis=2)[:, FEET] / np.median(
        np.linalg.norm(case.xy[:, lm.INDEX["left_hip"]] - case.xy[:, lm.INDEX["left_ankle"]], axis=1)
    )
    # Twice the planted noise; an exchanged foot is off by a multiple of that.
    assert np.nanmedian(off) < 0.06
    assert np.nanquantile(off, 0.999) < 0.30


def test_no_exchange_planted_none_made() -> None:
    case = planted("008", "T35", **CLEAN)
    found = repair_sides(case.raw)
    assert not found.legs_exchanged.any()
    assert not found.arms_exchanged.any()
    assert found.judged_wrong.mean() < 1e-3
    np.testing.assert_array_equal(found.xy_px[~found.judged_wrong], case.raw.xy_px[~found.judged_wrong])
    assert found.labelling.near_side_confidence > 0.9


def exchange_all(raw: RawTrack, rows: np.ndarray, joints: tuple[str, ...]) -> RawTrack:
    """The same track with left and right of some joints exchanged in some frames."""
    left = [lm.index(j, "left") for j in joints]
    right = [lm.index(j, "right") for j in joints]
    changed = {}
    for name in ("xy_px", "depth_px", "visibility", "presence"):
        values = getattr(raw, name).copy()
        values[np.ix_(rows, left)], values[np.ix_(rows, right)] = (
            getattr(raw, name)[np.ix_(rows, right)],
            getattr(raw, name)[np.ix_(rows, left)],
        )
        changed[name] = values
    return replace(raw, **changed)


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 0.35))
def test_naming_of_single_frames_does_not_matter(seed: int, share: float) -> None:
    case = planted("004", "T35", seconds=2.5)
    rows = np.random.default_rng(seed).random(len(case.raw.time_s)) < share
    before = repair_sides(case.raw)
    after = repair_sides(exchange_all(case.raw, rows, lm.LEG_JOINTS))
    told_apart = ~case.wrong[:, KNEES].any(axis=1)
    a, b = before.xy_px[told_apart][:, LEGS], after.xy_px[told_apart][:, LEGS]
    np.testing.assert_allclose(a, b)


def test_legs_exchanged_throughout_are_linked_as_before() -> None:
    case = planted("004", "T35", seconds=2.5)
    everywhere = np.ones(len(case.raw.time_s), dtype=bool)
    before = repair_sides(case.raw)
    after = repair_sides(exchange_all(case.raw, everywhere, lm.LEG_JOINTS))
    # One decision for the clip may differ, but never the linking of single frames.
    same = after.legs_exchanged != before.legs_exchanged
    assert same.mean() in (0.0, 1.0) or min(same.mean(), 1 - same.mean()) < 0.03


def test_feet_exchanged_alone_are_put_back() -> None:
    case = planted("009", "T35", **CLEAN)
    rows = np.zeros(len(case.raw.time_s), dtype=bool)
    apart = np.abs(case.xy[:, lm.INDEX["left_ankle"], 0] - case.xy[:, lm.INDEX["right_ankle"], 0])
    rows[np.flatnonzero(apart > np.median(apart))[::7]] = True
    found = repair_sides(exchange_all(case.raw, rows, ("ankle", "heel", "foot_index")))
    np.testing.assert_array_equal(found.legs_exchanged, rows)
    kept = ~found.judged_wrong & np.isin(np.arange(lm.COUNT), FEET)
    np.testing.assert_array_equal(found.xy_px[kept], case.raw.xy_px[kept])


def test_a_foot_stuck_at_a_crossing_is_taken_out() -> None:
    case = planted("002", "T45", rate=60, single=0, burst=0, merged=0, stuck=1.0)
    found = repair_sides(case.raw)
    leg = np.linalg.norm(case.xy[:, lm.INDEX["left_hip"]] - case.xy[:, lm.INDEX["left_ankle"]], axis=1).max()
    off = np.linalg.norm(case.raw.xy_px - case.xy, axis=2) / leg
    far_off = case.wrong & (off > 0.2)
    assert far_off.sum() > 5
    assert found.judged_wrong[far_off].mean() > 0.9
    assert found.judged_wrong[~case.wrong].mean() < 1e-3
    assert np.isnan(found.xy_px[found.judged_wrong]).all()
    assert (found.visibility[found.judged_wrong] == 0).all()


@pytest.mark.parametrize("direction", [-1, 1])
def test_near_side_follows_from_the_way_the_athlete_faces(direction: int) -> None:
    """Geometry: seen from the side, who runs to the left of the picture shows the left side."""
    for treadmill in (False, True):
        case = planted("010", "T25", direction=direction, treadmill=treadmill, seconds=3)
        found = repair_sides(case.raw)
        assert set(np.unique(found.facing)) == {direction}
        assert found.labelling.near_side == ("left" if direction < 0 else "right")


def test_arms_swing_against_the_legs() -> None:
    case = planted("001", "T35", burst=0.0, single=0.15, seed=5)
    found = repair_sides(case.raw)
    assert case.exchanged_arms.sum() > 20
    assert np.mean(found.arms_exchanged != case.exchanged_arms) < 0.03
    for side in ("left", "right"):
        wrist = found.xy_px[:, lm.INDEX[f"{side}_wrist"], 0] - found.xy_px[:, lm.INDEX[f"{side}_shoulder"], 0]
        ankle = found.xy_px[:, lm.INDEX[f"{side}_ankle"], 0] - found.xy_px[:, lm.INDEX[f"{side}_hip"], 0]
        good = np.isfinite(wrist + ankle)
        assert np.corrcoef(wrist[good], ankle[good])[0, 1] < -0.5


def test_holes_and_missing_frames() -> None:
    case = planted("003", "T45", seconds=6)
    raw = case.raw
    xy = raw.xy_px.copy()
    xy[40:48] = np.nan
    xy[60:63, lm.INDEX["left_ankle"]] = np.nan
    keep = np.ones(len(xy), dtype=bool)
    keep[150:190] = False
    fields = ("frame", "time_s", "depth_px", "visibility", "presence", "score", "window")
    part = replace(raw, xy_px=xy[keep], **{f: getattr(raw, f)[keep] for f in fields})
    found = repair_sides(part)
    assert len(found.evidence) == 2
    assert np.isnan(found.xy_px[40:48]).all()
    assert not found.legs_exchanged[40:48].any()
    told_apart = ~case.wrong[:, KNEES].any(axis=1) & np.isfinite(xy[:, 0, 0])
    wrong = (found.legs_exchanged != case.exchanged_legs[keep])[told_apart[keep]]
    assert wrong.mean() < 0.005


@pytest.mark.parametrize("count", [0, 1, 2, 3, 10])
def test_a_handful_of_frames(count: int) -> None:
    case = planted("003", "T45", rate=240, **CLEAN)
    fields = ("frame", "time_s", "xy_px", "depth_px", "visibility", "presence", "score", "window")
    part = replace(case.raw, **{f: getattr(case.raw, f)[:count] for f in fields})
    found = repair_sides(part)
    assert found.xy_px.shape == (count, lm.COUNT, 2)
    assert not found.legs_exchanged.any()
    assert found.labelling.legs_confidence.shape == (count,)
    assert ((found.labelling.legs_confidence >= 0.5) & (found.labelling.legs_confidence <= 1)).all()


def test_nobody_there() -> None:
    case = planted("003", "T45", seconds=1, **CLEAN)
    found = repair_sides(replace(case.raw, xy_px=np.full_like(case.raw.xy_px, np.nan)))
    assert np.isnan(found.xy_px).all()
    assert found.labelling.near_side_confidence == 0.5
    assert found.labelling.notes


def mirrored(raw: RawTrack, width: float) -> RawTrack:
    """The same run seen in a mirror: x turned over, every left point now a right one."""
    other = [
        lm.INDEX[name.replace("left", "right") if "left" in name else name.replace("right", "left")]
        for name in lm.NAMES
    ]
    xy = raw.xy_px[:, other] * np.array([-1.0, 1.0]) + np.array([width, 0.0])
    rest = {name: getattr(raw, name)[:, other] for name in ("depth_px", "visibility", "presence")}
    return replace(raw, xy_px=xy, **rest)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_mirror_image_is_repaired_as_its_mirror_image(seed: int) -> None:
    case = planted("009", "T35", seconds=3, seed=seed)
    straight = repair_sides(case.raw)
    turned = repair_sides(mirrored(case.raw, 1000.0))
    np.testing.assert_array_equal(turned.legs_exchanged, straight.legs_exchanged)
    np.testing.assert_array_equal(turned.arms_exchanged, straight.arms_exchanged)
    assert turned.labelling.near_side == lm.opposite(straight.labelling.near_side)
    assert turned.labelling.near_side_confidence == pytest.approx(straight.labelling.near_side_confidence)
    np.testing.assert_allclose(turned.facing, -straight.facing)


@pytest.mark.parametrize("zoom", [0.2, 5.0])
def test_size_and_place_in_the_picture_do_not_matter(zoom: float) -> None:
    case = planted("010", "T35", seconds=3)
    raw = replace(case.raw, xy_px=case.raw.xy_px * zoom + 77.0)
    np.testing.assert_array_equal(repair_sides(raw).legs_exchanged, repair_sides(case.raw).legs_exchanged)


def test_stride_phase_grows_with_the_measured_stride_rate() -> None:
    """Stride rate from touchdown to touchdown of the force plate, same data set."""
    data = np.load(REFERENCE / "rbds004_T35.npz")
    touchdowns = data["contacts"][:, 0]
    measured = 1 / np.mean(touchdowns[2:] - touchdowns[:-2])
    case = planted("004", "T35", rate=60, seconds=9)
    found = repair_sides(case.raw)
    slope = np.polyfit(case.raw.time_s, found.stride_phase, 1)[0] / (2 * np.pi)
    assert slope == pytest.approx(measured, rel=0.01)
    front = np.cos(found.stride_phase)
    reach = case.xy[:, lm.INDEX["left_ankle"], 0] - case.xy[:, lm.INDEX["left_hip"], 0]
    # Runs to the left of the picture: in front is the smaller x.
    assert np.corrcoef(front, -reach)[0, 1] > 0.95


def test_where_there_is_no_gait_the_names_stand() -> None:
    rng = np.random.default_rng(0)
    case = planted("004", "T35", seconds=2, **CLEAN)
    xy = case.raw.xy_px[:1] + rng.normal(0, 60, case.raw.xy_px.shape)
    found = repair_sides(replace(case.raw, xy_px=xy))
    assert not found.legs_exchanged.any() and not found.arms_exchanged.any()
    assert (found.labelling.legs_confidence == 0.5).all()
    assert found.labelling.near_side_confidence == 0.5
    np.testing.assert_array_equal(found.xy_px, xy)


def test_a_turn_is_followed_on_both_ways() -> None:
    """To and fro: the near side changes with the way the athlete faces."""
    out, back = (planted("003", "T35", seconds=3, direction=d, seed=9) for d in (-1, 1))
    count = len(out.raw.time_s)
    fields = ("xy_px", "depth_px", "visibility", "presence", "score", "window")
    both = replace(
        out.raw,
        frame=np.arange(2 * count),
        time_s=np.arange(2 * count) / 60,
        **{f: np.concatenate([getattr(out.raw, f), getattr(back.raw, f)]) for f in fields},
    )
    found = repair_sides(both)
    assert (found.facing[: count - 15] == -1).all() and (found.facing[count + 15 :] == 1).all()
    told_apart = ~np.concatenate([out.wrong, back.wrong])[:, KNEES].any(axis=1)
    told_apart[count - 15 : count + 15] = False
    truth = np.concatenate([out.exchanged_legs, back.exchanged_legs])
    assert np.mean((found.legs_exchanged != truth)[told_apart]) < 0.005


@pytest.mark.parametrize("lost", [("heel",), ("knee",), ("ankle", "heel", "foot_index"), lm.ARM_JOINTS])
def test_a_joint_that_is_never_seen_does_no_harm(lost: tuple[str, ...]) -> None:
    case = planted("008", "T35", seconds=2, stuck=0, merged=0)
    xy = case.raw.xy_px.copy()
    xy[:, [lm.index(j, s) for j in lost for s in ("left", "right")]] = np.nan
    found = repair_sides(replace(case.raw, xy_px=xy))
    assert found.xy_px.shape == xy.shape
    assert np.isfinite(found.labelling.legs_confidence).all()
    if lost == ("heel",) or lost == lm.ARM_JOINTS:
        assert np.mean(found.legs_exchanged != case.exchanged_legs) < 0.005
