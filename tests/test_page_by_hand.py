"""Corrections made by hand: what they change, what they leave alone, and that they can be undone."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from sample_clips.runner import runner_at
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.truth import truth
from shared import landmarks as lm
from shared.analysis import Analysis
from shared.track import Track
from ui import by_hand
from ui.by_hand import ExchangeRange, ExchangeSides, LeaveOut, MoveEvent, MoveJoint, SetStature
from ui.options import Options


@lru_cache(maxsize=1)
def _track() -> Track:
    """Exact landmarks of an invented runner."""
    spec = ClipSpec((runner_at(4.0),), capture_rate_hz=120, duration_s=2.4)
    return track_from_truth(truth(spec), noise_px=0.5, seed=1)


def _analysis(*corrections: by_hand.Correction) -> Analysis:
    return by_hand.corrected_analysis(_track(), Options(profile="easy-run", stature_m=1.75), corrections)[1]


@lru_cache(maxsize=1)
def _plain() -> Analysis:
    return _analysis()


def _contacts(analysis: Analysis, side: str) -> dict[int, float]:
    return {o.stride: o.value for o in analysis.observations if o.key == "contact_time" and o.side == side}


def test_a_moved_touchdown_changes_its_contact_time_by_just_that_much() -> None:
    # Closed form: contact time is toe-off minus touchdown.
    near = _plain().near_side
    touchdown = [e for e in _plain().events if e.kind == "touchdown" and e.side == near][1]
    moved = _analysis(MoveEvent("touchdown", near, touchdown.time_s, touchdown.frame + 2))
    event = min((e for e in moved.events if e.evidence.get("by hand")), key=lambda e: e.time_s)
    assert event.time_s == pytest.approx((touchdown.frame + 2) / 120)
    assert event.high_s - event.low_s == pytest.approx(1 / 120)
    before, after = _contacts(_plain(), near), _contacts(moved, near)
    changed = [k for k in before if abs(before[k] - after[k]) > 1e-9]
    assert len(changed) == 1
    assert before[changed[0]] - after[changed[0]] == pytest.approx(event.time_s - touchdown.time_s)


def test_a_contact_left_out_takes_its_step_along_and_bridges_nothing() -> None:
    near = _plain().near_side
    landings = [e for e in _plain().events if e.kind == "touchdown" and e.side == near]
    less = _analysis(LeaveOut(near, landings[1].time_s))
    kept = [e.time_s for e in less.events if e.kind == "touchdown" and e.side == near]
    assert kept == [e.time_s for e in landings if e is not landings[1]]
    assert len(_contacts(less, near)) == len(_contacts(_plain(), near)) - 1
    longest = max(o.value for o in _plain().observations if o.key == "stride_time")
    assert all(o.value < 1.2 * longest for o in less.observations if o.key == "stride_time")


def test_a_joint_put_where_it_was_changes_nothing() -> None:
    track = _track()
    for joint in ("right_knee", "left_wrist"):
        x, y = track.xy_px[40, lm.INDEX[joint]]
        same = by_hand.corrected_track(track, [MoveJoint(joint, int(track.frame[40]), float(x), float(y))])
        np.testing.assert_allclose(same.world_px[40], track.world_px[40], atol=0.05)


def test_a_moved_joint_moves_in_the_world_too() -> None:
    # Running to the right with a level still camera: right is forward, down is minus y.
    track = _track()
    x, y = track.xy_px[40, lm.INDEX["right_knee"]]
    moved = by_hand.corrected_track(track, [MoveJoint("right_knee", int(track.frame[40]), x + 10, y + 6)])
    step = moved.world_px[40, lm.INDEX["right_knee"]] - track.world_px[40, lm.INDEX["right_knee"]]
    forward = 1.0 if track.direction == "right" else -1.0
    np.testing.assert_allclose(step, [10.0 * forward, -6.0], atol=0.3)
    untouched = np.ones(track.xy_px.shape[:2], dtype=bool)
    untouched[40, lm.INDEX["right_knee"]] = False
    np.testing.assert_array_equal(moved.xy_px[untouched], track.xy_px[untouched])


def test_exchanging_sides_twice_is_nothing_and_once_names_the_other_side() -> None:
    track = _track()
    once = by_hand.corrected_track(track, [ExchangeSides()])
    assert once.labelling.near_side == lm.opposite(track.labelling.near_side)
    np.testing.assert_array_equal(once.point("knee", "left"), track.point("knee", "right"))
    np.testing.assert_array_equal(
        once.xy_px[:, lm.INDEX["mouth_left"]], track.xy_px[:, lm.INDEX["mouth_right"]]
    )
    twice = by_hand.corrected_track(once, [ExchangeSides()])
    np.testing.assert_array_equal(twice.xy_px, track.xy_px)
    assert twice.labelling.near_side == track.labelling.near_side


def _with_legs_crossed(first: int, last: int) -> Track:
    """The invented runner with its legs named the wrong way round in some frames, by plain indexing."""
    track = _track()
    xy, world, confidence = track.xy_px.copy(), track.world_px.copy(), track.confidence.copy()
    for joint in ("hip", "knee", "ankle", "heel", "foot_index"):
        a, b = lm.INDEX[f"left_{joint}"], lm.INDEX[f"right_{joint}"]
        for values in (xy, world, confidence):
            values[first : last + 1, [a, b]] = values[first : last + 1, [b, a]]
    return replace(track, xy_px=xy, world_px=world, confidence=confidence)


def test_legs_exchanged_in_some_frames_come_right_and_so_do_the_measures() -> None:
    # Known truth: the track before the legs were crossed.
    first, last = (int(f) for f in _track().frame[[60, 110]])
    wrong = _with_legs_crossed(60, 110)
    right = by_hand.corrected_track(wrong, [ExchangeRange(first, last, "legs")])
    np.testing.assert_array_equal(right.xy_px, _track().xy_px)
    np.testing.assert_array_equal(right.world_px, _track().world_px)
    np.testing.assert_array_equal(right.confidence, _track().confidence)
    assert right.labelling.near_side == _track().labelling.near_side
    assert set(right.labelling.legs_confidence[60:111]) == {1.0}
    options = Options(profile="easy-run", stature_m=1.75)
    _, mended = by_hand.corrected_analysis(wrong, options, [ExchangeRange(first, last, "legs")])
    assert [(m.key, m.side, m.value) for m in mended.measures] == [
        (m.key, m.side, m.value) for m in _plain().measures
    ]
    assert mended.provenance.settings["made by hand"] == [
        f"left and right legs exchanged in frames {first} to {last}"
    ]
    _, spoilt = by_hand.corrected_analysis(wrong, options, [])
    assert [m.value for m in spoilt.measures] != [m.value for m in mended.measures]


def test_a_range_leaves_all_other_frames_and_limbs_alone() -> None:
    track = _track()
    first, last = (int(f) for f in track.frame[[20, 30]])
    arms = by_hand.corrected_track(track, [ExchangeRange(first, last, "arms")])
    np.testing.assert_array_equal(
        arms.xy_px[20:31, lm.INDEX["left_wrist"]], track.xy_px[20:31, lm.INDEX["right_wrist"]]
    )
    np.testing.assert_array_equal(
        arms.xy_px[20:31, lm.INDEX["left_knee"]], track.xy_px[20:31, lm.INDEX["left_knee"]]
    )
    outside = np.r_[0:20, 31 : len(track.frame)]
    np.testing.assert_array_equal(arms.xy_px[outside], track.xy_px[outside])
    np.testing.assert_array_equal(arms.labelling.legs_confidence, track.labelling.legs_confidence)
    twice = by_hand.corrected_track(arms, [ExchangeRange(first, last, "arms")])
    np.testing.assert_array_equal(twice.xy_px, track.xy_px)


def test_legs_and_arms_over_all_frames_are_the_whole_exchange_but_for_the_near_side() -> None:
    track = _track()
    every = ExchangeRange(int(track.frame[0]), int(track.frame[-1]), "legs and arms")
    some, whole = (by_hand.corrected_track(track, [c]) for c in (every, ExchangeSides()))
    limbs = [lm.index(j, s) for j in (*lm.LEG_JOINTS, *lm.ARM_JOINTS) for s in ("left", "right")]  # type: ignore[arg-type]
    np.testing.assert_array_equal(some.xy_px[:, limbs], whole.xy_px[:, limbs])
    assert some.labelling.near_side != whole.labelling.near_side


def test_an_event_moved_before_a_range_was_exchanged_stays_moved() -> None:
    near = _plain().near_side
    every = ExchangeRange(int(_track().frame[0]), int(_track().frame[-1]), "legs")
    touchdown = [e for e in _plain().events if e.kind == "touchdown" and e.side == near][1]
    move = MoveEvent("touchdown", near, touchdown.time_s, touchdown.frame + 1)
    (event,) = [e for e in _analysis(move, every).events if e.evidence.get("by hand")]
    assert (event.side, event.frame) == (lm.opposite(near), touchdown.frame + 1)
    arms = ExchangeRange(every.first, every.last, "arms")
    (event,) = [e for e in _analysis(move, arms).events if e.evidence.get("by hand")]
    assert event.side == near


def test_a_range_outside_the_run_is_said() -> None:
    for first, last in ((9000, 9999), (30, 20)):
        with pytest.raises(by_hand.CorrectionError, match="not followed"):
            by_hand.corrected_track(_track(), [ExchangeRange(first, last, "legs")])
    with pytest.raises(by_hand.CorrectionError):
        by_hand.corrected_track(_track(), [ExchangeRange(1, 9, "tails")])  # type: ignore[arg-type]


def test_an_event_moved_before_the_sides_were_exchanged_stays_moved() -> None:
    near = _plain().near_side
    touchdown = [e for e in _plain().events if e.kind == "touchdown" and e.side == near][1]
    move = MoveEvent("touchdown", near, touchdown.time_s, touchdown.frame + 1)
    both = _analysis(move, ExchangeSides())
    (event,) = [e for e in both.events if e.evidence.get("by hand")]
    assert (event.side, event.frame) == (lm.opposite(near), touchdown.frame + 1)


def test_lengths_follow_the_height_in_proportion() -> None:
    a, b = (_analysis(SetStature(h)).measure("step_length", _plain().near_side) for h in (1.6, 2.0))
    assert a is not None
    assert b is not None
    assert a.value is not None
    assert b.value is not None
    assert b.value / a.value == pytest.approx(2.0 / 1.6, rel=1e-6)


def test_corrections_are_recorded_and_undone_without_a_trace() -> None:
    made = _analysis(SetStature(1.8))
    assert made.provenance.settings["made by hand"] == ["scale taken from a height of 1.80 m"]
    assert made.notes[0].startswith("Put right by hand: ")
    again = replace(_analysis(), provenance=_plain().provenance)
    assert [(m.key, m.side, m.value) for m in again.measures] == [
        (m.key, m.side, m.value) for m in _plain().measures
    ]
    assert not any("by hand" in n for n in again.notes)


def test_what_is_not_there_is_said() -> None:
    with pytest.raises(by_hand.CorrectionError, match="no longer there"):
        _analysis(MoveEvent("touchdown", "left", 99.0, 10))
    with pytest.raises(by_hand.CorrectionError, match="not followed"):
        by_hand.corrected_track(_track(), [MoveJoint("left_knee", 9999, 1.0, 1.0)])
    with pytest.raises(by_hand.CorrectionError, match="not followed"):
        by_hand.corrected_track(_track(), [MoveJoint("left_tail", 1, 1.0, 1.0)])


_CORRECTIONS = some.one_of(
    some.builds(
        MoveEvent,
        kind=some.sampled_from(["touchdown", "toe_off"]),
        side=some.sampled_from(["left", "right"]),
        was_s=some.floats(0, 10),
        frame=some.integers(0, 1000),
        name=some.just("move event"),
    ),
    some.builds(
        LeaveOut,
        side=some.sampled_from(["left", "right"]),
        touchdown_s=some.floats(0, 10),
        name=some.just("leave out"),
    ),
    some.builds(
        MoveJoint,
        joint=some.sampled_from(lm.NAMES),
        frame=some.integers(0, 1000),
        x_px=some.floats(0, 4000),
        y_px=some.floats(0, 4000),
        name=some.just("move joint"),
    ),
    some.just(ExchangeSides()),
    some.builds(
        ExchangeRange,
        first=some.integers(0, 1000),
        last=some.integers(0, 1000),
        limbs=some.sampled_from(["legs", "arms", "legs and arms"]),
        name=some.just("exchange range"),
    ),
    some.builds(SetStature, stature_m=some.floats(1.0, 2.2), name=some.just("set stature")),
)


@given(made=some.lists(_CORRECTIONS, max_size=6).map(tuple))
def test_a_kept_list_comes_back_and_reads_as_words(
    made: tuple[by_hand.Correction, ...], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("kept") / by_hand.FILE
    by_hand.write_corrections(made, path)
    assert by_hand.read_corrections(path) == made
    assert all(by_hand.sentence(c) for c in made)


def test_no_list_is_no_corrections_and_a_broken_one_is_said(tmp_path: Path) -> None:
    assert by_hand.read_corrections(tmp_path / by_hand.FILE) == ()
    (tmp_path / by_hand.FILE).write_text('[{"name": "unheard of"}]', encoding="utf-8")
    with pytest.raises(by_hand.CorrectionError, match="can't be read"):
        by_hand.read_corrections(tmp_path / by_hand.FILE)
