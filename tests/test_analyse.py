"""From a track to an analysis: the whole road on invented runners, and what stops it."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

from sample_clips.runner import runner_at
from shared import landmarks as lm
from shared.catalogue import ANGLES, MEASURES, SYMMETRY_PREFIX
from shared.errors import MotionError
from shared.track import Track, ViewQuality
from technique.analyse import Athlete, analyse, analysis_of
from technique.symmetry import NOT_COMPARED
from technique.targets import load_profile, profile_names
from tests.treadmill_motion import still_track
from tests.true_motion import known, plain_smoothed, true_events, true_track

PROFILE = profile_names()[0]


def made(track: Track, athlete: Athlete | None = None, profile: str = PROFILE):  # type: ignore[no-untyped-def]
    return analyse(track, load_profile(profile), athlete, created="2026-01-01T00:00:00+00:00", version="0")


@pytest.fixture(scope="module")
def run():  # type: ignore[no-untyped-def]
    t = known(runner_at(3.6, phase=0.21), rate_hz=120.0, duration_s=4.0)
    return t, made(true_track(t, noise_px=1.0), Athlete(1.78, 70.0, None, "male"))


def test_an_analysis_is_whole(run) -> None:  # type: ignore[no-untyped-def]
    t, a = run
    keys = {(m.key, m.side) for m in a.measures}
    for key, kind in MEASURES.items():
        sides = ("both",) if kind.sided == "both" else ("left", "right")
        assert {(key, s) for s in sides} <= keys
        if kind.sided == "side" and key not in NOT_COMPARED:
            assert (SYMMETRY_PREFIX + key, "both") in keys
    assert len(keys) == len(a.measures)
    names = {"trunk_lean"} | {f"{n}_{s}" for n in ANGLES if n != "trunk" for s in ("left", "right")}
    assert set(a.angles) == names
    assert all(len(v) == len(a.time_s) == len(a.frame) for v in a.angles.values())
    assert {s.key for s in a.scores} and a.cautions and a.curves and a.observations
    assert a.profile == PROFILE and a.near_side == t.athlete.near_side
    frames = [m.frame for m in a.measures if m.frame is not None]
    assert min(frames) >= 0 and max(frames) < a.clip.frames


def test_events_times_and_angles_come_near_the_truth(run) -> None:  # type: ignore[no-untyped-def]
    t, a = run
    for side in ("left", "right"):
        true = t.athlete.event_times("touchdown", side)
        mine = np.array([e.time_s for e in a.events if (e.kind, e.side) == ("touchdown", side)])
        assert abs(len(mine) - len(true)) <= 1
        assert np.max([np.min(np.abs(true - x)) for x in mine]) < 0.03
    steps = a.measure("step_time", t.athlete.near_side)
    assert steps is not None and steps.value == pytest.approx(t.athlete.measures["step_time_left"], abs=0.005)
    knee = np.interp(a.time_s, t.time_s, t.athlete.angles[f"knee_{t.athlete.near_side}"])
    assert np.nanmedian(np.abs(a.angles[f"knee_{t.athlete.near_side}"] - knee)) < 2.0


def test_most_intervals_hold_the_truth(run) -> None:  # type: ignore[no-untyped-def]
    t, a = run
    held = [
        m.low <= t.athlete.measures[name] <= m.high
        for m in a.measures
        if m.value is not None
        and (name := m.key if m.side == "both" else f"{m.key}_{m.side}") in t.athlete.measures
        and m.key != "thigh_angular_velocity_forward"
    ]
    assert len(held) > 50 and np.mean(held) > 0.9


def test_the_same_track_gives_the_same_analysis() -> None:
    t = known(runner_at(3.6, phase=0.21), rate_hz=120.0, duration_s=2.0)
    track = true_track(t, noise_px=1.0)
    assert pickle.dumps(made(track).measures) == pickle.dumps(made(track).measures)


def test_running_left_is_measured_like_running_right() -> None:
    values = []
    for direction in ("right", "left"):
        t = known(runner_at(3.6, direction=direction, phase=0.2), rate_hz=120.0, duration_s=2.5)
        a = made(true_track(t))
        values.append({(m.key, m.side): m.value for m in a.measures if m.value is not None})
    for key in (("trunk_lean", "both"), ("thigh_angle_max", "left"), ("knee_flexion_td", "right")):
        assert values[0][key] == pytest.approx(values[1][key], abs=0.01), key


def test_someone_who_stands_still_is_named_so() -> None:
    t = known(runner_at(3.0), rate_hz=60.0, duration_s=2.0)
    world = np.repeat(true_track(t).world_px[:1], 120, axis=0)
    world = world + np.random.default_rng(0).normal(0, 0.5, world.shape)
    with pytest.raises(MotionError, match=r"invented\.mp4: the athlete stands still"):
        made(still_track(np.arange(120) / 60.0, world, camera="still"))


@pytest.mark.parametrize(
    ("samples", "reason"), [(3, "followed for only 0.0 s"), (30, "no whole step|no whole")]
)
def test_a_clip_that_is_too_short_is_refused(samples: int, reason: str) -> None:
    t = known(runner_at(3.0, phase=0.12), rate_hz=120.0, duration_s=2.0)
    track = true_track(t)
    short = still_track(track.time_s[:samples], track.world_px[:samples], camera="still")
    with pytest.raises(MotionError, match=reason if samples < 30 else ".") as caught:
        made(short)
    assert "\n" not in str(caught.value) and str(caught.value).endswith(".")


def test_lost_legs_are_refused_in_one_sentence() -> None:
    t = known(runner_at(3.0), rate_hz=120.0, duration_s=2.0)
    world = true_track(t).world_px.copy()
    for joint in lm.LEG_JOINTS:
        for side in ("left", "right"):
            world[:, lm.index(joint, side)] = np.nan  # type: ignore[arg-type]
    with pytest.raises(MotionError, match="neither leg could be followed"):
        made(still_track(t.time_s, world, camera="still"))


def test_no_step_among_the_events_is_refused() -> None:
    t = known(runner_at(3.0), rate_hz=120.0, duration_s=2.0)
    track = true_track(t)
    smoothed = plain_smoothed(t.time_s, track.world_px)
    one = [e for e in true_events(t) if e.kind == "touchdown"][:1]
    with pytest.raises(MotionError, match="1 landing and no whole step"):
        analysis_of(track, smoothed, one, load_profile(PROFILE), None, "now", "0")


def quality(**changes: object) -> ViewQuality:
    values: dict = {
        "off_perpendicular_deg": 0.0, "off_perpendicular_sd_deg": 1.0, "roll_deg": 0.0, "roll_sd_deg": 0.3,
        "runner_height_px": 350.0, "blur_px": float("nan"), "hidden": {}, "notes": ("A note of the view.",),
    }  # fmt: skip
    return ViewQuality(**(values | changes))


def of_events(q: ViewQuality, athlete: Athlete | None = None, speed: float = 3.4, profile: str = PROFILE):  # type: ignore[no-untyped-def]
    t = known(runner_at(speed), rate_hz=120.0, duration_s=2.0)
    track = true_track(t, quality=q)
    smoothed = plain_smoothed(t.time_s, track.world_px)
    return analysis_of(track, smoothed, true_events(t), load_profile(profile), athlete, "now", "0")


def test_notes_say_what_limits_the_clip() -> None:
    a = of_events(quality(hidden={"left_wrist": 0.9}))
    text = "\n".join(a.notes)
    assert "A note of the view." in text and "far (left) arm" in text and "7 of each foot" in text
    assert len(set(a.notes)) == len(a.notes)
    assert np.isnan(a.angles["elbow_left"]).all() and np.isfinite(a.angles["elbow_right"]).all()
    assert "could not be judged" in "\n".join(of_events(quality(off_perpendicular_deg=float("nan"))).notes)


def test_an_oblique_view_gives_times_only() -> None:
    a = of_events(quality(off_perpendicular_deg=42.0))
    assert all(np.isnan(v).all() for v in a.angles.values()) and not a.curves
    near = a.measure("contact_time", a.near_side)
    assert near is not None and near.value is not None
    assert "42° off" in "\n".join(a.notes)


def test_walking_is_noted() -> None:
    assert any("walking" in n for n in of_events(quality(), speed=1.4).notes)


def test_what_the_user_says_changes_cautions_and_no_number() -> None:
    plain = of_events(quality())
    told = of_events(quality(), Athlete(minor=True, injury=True))
    assert len(told.cautions) > len(plain.cautions)
    assert [m.value for m in told.measures] == [m.value for m in plain.measures]
    assert told.athlete["injury"] == "yes" and plain.athlete["injury"] is None


@pytest.mark.parametrize("profile", profile_names())
def test_every_profile_can_be_held_against_a_run(profile: str) -> None:
    a = of_events(quality(), Athlete(1.78, 70.0), profile=profile)
    assert len(a.scores) >= 1
    assert a.cues or a.notes  # no cue without saying why
    for cue in a.cues:
        assert 0 <= cue.frame < a.clip.frames


def test_an_unsure_side_is_noted() -> None:
    t = known(runner_at(3.4), rate_hz=120.0, duration_s=2.0)
    track = true_track(t)
    unsure = dataclasses.replace(
        track, labelling=dataclasses.replace(track.labelling, near_side_confidence=0.6)
    )
    smoothed = plain_smoothed(t.time_s, track.world_px)
    a = analysis_of(unsure, smoothed, true_events(t), load_profile(PROFILE), None, "now", "0")
    assert any("wrong way round" in n for n in a.notes)
