"""The invented runner obeys mechanics and does what it was asked to do."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_clips.body import DE_LEVA_MALE, body_of
from sample_clips.gait import GRAVITY, Gait, touchdown_phase_s
from sample_clips.motion import centre_of_mass, pose, solved
from sample_clips.runner import Runner, runner_at
from sample_clips.true_measures import sagittal_angles, true_measures
from sample_clips.truth import truth
from sample_clips.variety import varied_runner, varied_spec
from shared.catalogue import MEASURES
from shared.errors import OptionError
from shared.landmarks import Side, opposite

RUNNING = (2.5, 3.0, 4.5, 6.0, 8.5, 10.0)
SPEEDS = (1.5, *RUNNING)
SIDES: tuple[Side, Side] = ("left", "right")


@cache
def _gait(speed: float) -> Gait:
    return solved(runner_at(speed))


def _cycle(gait: Gait, rate: float = 4000.0) -> np.ndarray:
    return np.arange(0.0, gait.runner.stride_time_s, 1.0 / rate)


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("side", SIDES)
def test_foot_does_not_slip(speed: float, side: Side) -> None:
    """Whatever of the sole carries the foot stays within 1 mm while it does."""
    gait = _gait(speed)
    contact = gait.runner.of(side).contact_time_s
    td = touchdown_phase_s(gait.runner, side)
    tau = np.linspace(0.0, contact, 400)[:-1]
    p = pose(gait, td + tau).points
    for part in ("sole_heel", "sole_toe"):
        xy = p[f"{side}_{part}"][:, :2]
        down = xy[:, 1] < 1e-6
        if down.any():
            assert np.ptp(xy[down, 0]) < 1e-3
    lowest = np.min([p[f"{side}_{q}"][:, 1] for q in ("sole_heel", "ball", "sole_toe")], axis=0)
    assert np.abs(lowest).max() < 1e-6  # touches the ground all the time, never below


@pytest.mark.parametrize("speed", SPEEDS)
def test_nothing_goes_below_the_ground(speed: float) -> None:
    gait = _gait(speed)
    p = pose(gait, _cycle(gait)).points
    for side in SIDES:
        for part in ("sole_heel", "ball", "sole_toe", "heel", "foot_index"):
            assert p[f"{side}_{part}"][:, 1].min() > -1e-3


@pytest.mark.parametrize("speed", SPEEDS)
@pytest.mark.parametrize("side", SIDES)
def test_events_agree_with_a_definition_of_contact(speed: float, side: Side) -> None:
    """The sole reaches the ground at touchdown, from above, and has left it after toe-off."""
    gait = _gait(speed)
    r = gait.runner
    td = touchdown_phase_s(r, side) + r.stride_time_s
    to = td + r.of(side).contact_time_s

    def lowest(t: float) -> float:
        p = pose(gait, np.array([t])).points
        return float(min(p[f"{side}_{q}"][0, 1] for q in ("sole_heel", "ball", "sole_toe")))

    assert lowest(td - 0.004) > 5e-4
    assert abs(lowest(td)) < 1e-6
    assert abs(lowest(to - 1e-6)) < 1e-6
    assert lowest(to + 0.02) > 1e-3


@pytest.mark.parametrize("speed", RUNNING)
def test_centre_of_mass_is_a_projectile_in_flight(speed: float) -> None:
    """Second derivative = -g within 1 %; rise over the flight = g tf^2 / 8 (level flight)."""
    gait = _gait(speed)
    r = gait.runner
    for side in SIDES:
        begin = touchdown_phase_s(r, side) + r.of(side).contact_time_s
        end = touchdown_phase_s(r, opposite(side)) + (r.stride_time_s if side == "right" else 0.0)
        t = np.linspace(begin + 1e-4, end - 1e-4, 60)
        y = centre_of_mass(pose(gait, t))[:, 1]
        fall, slope, _ = np.polyfit(t - t.mean(), y, 2)
        assert -2 * fall == pytest.approx(GRAVITY, rel=0.01)
        flight = end - begin
        if flight > 0.02:
            vertex = y.mean() - np.polyval([fall, slope, 0], t - t.mean()).mean() - slope**2 / (4 * fall)
            ends = y[[0, -1]]
            # from a sloped flight: height above the chord's middle is g tf^2 / 8 exactly
            chord = ends.mean()
            middle = np.interp(t.mean(), t, y)
            assert middle - chord == pytest.approx(GRAVITY * flight**2 / 8, rel=0.02)
            assert vertex >= middle - 1e-6


@pytest.mark.parametrize(("flight", "rise"), [(0.10, 0.012263), (0.145, 0.025782), (0.5, 0.306563)])
def test_projectile_rise_worked_values(flight: float, rise: float) -> None:
    """g tf^2 / 8 for three flight times (closed form, g 9.81)."""
    assert GRAVITY * flight**2 / 8 == pytest.approx(rise, abs=5e-7)


def test_rise_of_a_made_flight() -> None:
    """A runner with 0.145 s of level flight rises 0.02578 m from toe-off to the top."""
    contact, flight = 0.120, 0.145
    gait = solved(
        runner_at(
            8.0, contact_time_s=contact, step_frequency_hz=1 / (contact + flight), pelvis_rise_m=0.0,
            arm_front_deg=10.0, arm_back_deg=-30.0,
        )
    )  # fmt: skip
    t = np.linspace(contact, contact + flight, 301)
    y = centre_of_mass(pose(gait, t))[:, 1]
    assert y[150] - (y[0] + y[-1]) / 2 == pytest.approx(0.025782, rel=0.02)


@pytest.mark.parametrize("speed", SPEEDS)
def test_left_and_right_half_a_cycle_apart(speed: float) -> None:
    """Right joints half a stride later are the left joints, one step further on."""
    gait = _gait(speed)
    r = gait.runner
    t = np.linspace(0.0, r.stride_time_s / 2, 50)
    a, b = pose(gait, t).points, pose(gait, t + r.stride_time_s / 2).points
    step = r.speed_mps * r.stride_time_s / 2
    for joint in ("hip", "knee", "ankle", "heel", "foot_index", "shoulder", "elbow", "wrist"):
        moved = b[f"right_{joint}"] - [step, 0.0, 0.0]
        assert moved * [1, 1, -1] == pytest.approx(a[f"left_{joint}"], abs=1e-3)


@pytest.mark.parametrize("speed", SPEEDS)
def test_speed_is_what_was_asked(speed: float) -> None:
    gait = _gait(speed)
    stride = gait.runner.stride_time_s
    x = pose(gait, np.array([0.1, 0.1 + 5 * stride])).points["pelvis"][:, 0]
    assert (x[1] - x[0]) / (5 * stride) == pytest.approx(speed, rel=1e-9)
    assert true_measures(gait)["step_length_left"] == pytest.approx(speed * stride / 2, rel=1e-6)


@pytest.mark.parametrize("speed", SPEEDS)
def test_segments_keep_their_length(speed: float) -> None:
    gait = _gait(speed)
    b = gait.runner.body
    p = pose(gait, _cycle(gait, 1000.0)).points
    for side in SIDES:
        for a, c, length in (
            ("hip", "knee", b.thigh_m),
            ("knee", "ankle", b.shank_m),
            ("shoulder", "elbow", b.upper_arm_m),
            ("elbow", "wrist", b.forearm_m),
        ):
            d = np.linalg.norm(p[f"{side}_{a}"] - p[f"{side}_{c}"], axis=1)
            assert np.abs(d - length).max() < 1e-3


ASKED = {
    "thigh_max_deg": "thigh_angle_max",
    "knee_td_deg": "knee_flexion_td",
    "knee_swing_max_deg": "knee_flexion_swing_max",
    "foot_td_deg": "foot_angle_td",
    "arm_front_deg": "arm_swing_front",
    "arm_back_deg": "arm_swing_back",
    "elbow_mean_deg": "elbow_angle_mean",
}


@pytest.mark.parametrize("speed", SPEEDS)
def test_asked_angles_are_reached(speed: float) -> None:
    gait = _gait(speed)
    known = true_measures(gait)
    for side in SIDES:
        q = gait.runner.of(side)
        for field, key in ASKED.items():
            assert known[f"{key}_{side}"] == pytest.approx(getattr(q, field), abs=1.0), (field, side)
        assert known[f"td_distance_{side}"] == pytest.approx(q.td_distance_m, abs=1e-6)
        assert known[f"contact_time_{side}"] == q.contact_time_s
    assert known["trunk_lean"] == pytest.approx(gait.runner.trunk_lean_deg, abs=0.01)


@settings(max_examples=25, deadline=None)
@given(
    thigh=st.floats(38.0, 60.0),
    knee_swing=st.floats(90.0, 125.0),
    td=st.floats(0.22, 0.30),
    foot=st.floats(-10.0, 18.0),
    lean=st.floats(0.0, 15.0),
    elbow=st.floats(70.0, 130.0),
    contact=st.floats(0.17, 0.20),
)
def test_asked_values_are_reached_for_any_technique(
    thigh: float, knee_swing: float, td: float, foot: float, lean: float, elbow: float, contact: float
) -> None:
    gait = solved(
        runner_at(
            4.5, thigh_max_deg=thigh, knee_swing_max_deg=knee_swing, td_distance_m=td, foot_td_deg=foot,
            trunk_lean_deg=lean, elbow_mean_deg=elbow, left_contact_time_s=contact,
        )
    )  # fmt: skip
    known = true_measures(gait, samples=1000)
    for side in SIDES:
        assert known[f"thigh_angle_max_{side}"] == pytest.approx(thigh, abs=1.0)
        assert known[f"knee_flexion_swing_max_{side}"] == pytest.approx(knee_swing, abs=1.0)
        assert known[f"td_distance_{side}"] == pytest.approx(td, abs=1e-6)
        assert known[f"foot_angle_td_{side}"] == pytest.approx(foot, abs=0.1)
        assert known[f"elbow_angle_mean_{side}"] == pytest.approx(elbow, abs=0.5)
    assert known["trunk_lean"] == pytest.approx(lean, abs=0.01)
    assert known["contact_time_left"] == contact
    assert known["contact_time_left"] + known["flight_time_left"] == pytest.approx(known["step_time_left"])


def test_asked_thigh_extension_is_reached() -> None:
    known = true_measures(solved(runner_at(4.5, thigh_min_deg=-36.0)))
    assert known["thigh_angle_min_left"] == pytest.approx(-36.0, abs=1.0)


def test_impossible_thigh_extension_is_refused() -> None:
    with pytest.raises(OptionError, match="thigh"):
        solved(runner_at(4.5, thigh_min_deg=10.0))


def test_one_side_can_differ() -> None:
    known = true_measures(solved(runner_at(4.5, left_thigh_max_deg=52.0, right_thigh_max_deg=44.0)))
    assert known["thigh_angle_max_left"] - known["thigh_angle_max_right"] == pytest.approx(8.0, abs=0.5)


def test_angles_by_hand() -> None:
    """Law of cosines and atan2 on one pose, independent of the program's angle function."""
    gait = _gait(4.5)
    p = {k: v[0] for k, v in pose(gait, np.array([0.31])).points.items()}
    got = sagittal_angles(pose(gait, np.array([0.31])).landmarks())

    def inner(a: str, b: str, c: str) -> float:
        ab, bc, ac = (float(np.hypot(*(p[i] - p[j])[:2])) for i, j in ((a, b), (b, c), (a, c)))
        return float(np.degrees(np.arccos((ab**2 + bc**2 - ac**2) / (2 * ab * bc))))

    assert got["knee_left"][0] == pytest.approx(180 - inner("left_hip", "left_knee", "left_ankle"), abs=1e-6)
    assert got["elbow_right"][0] == pytest.approx(
        inner("right_shoulder", "right_elbow", "right_wrist"), abs=1e-6
    )
    lean = np.degrees(np.arctan((p["chest"] - p["pelvis"])[0] / (p["chest"] - p["pelvis"])[1]))
    assert got["trunk"][0] == pytest.approx(lean, abs=1e-6)
    thigh = p["right_knee"] - p["right_hip"]
    assert got["thigh_right"][0] == pytest.approx(np.degrees(np.arctan2(thigh[0], -thigh[1])), abs=1e-6)
    assert got["hip_right"][0] == pytest.approx(got["thigh_right"][0] + lean, abs=1e-6)


def test_right_angle_worked_examples() -> None:
    """(0,1)-(0,0)-(1,0) = 90; (3,4)-(0,0)-(3,0) = 53.1301; (0,2)-(0,1)-(1,0) = 135 deg."""
    from shared import landmarks as lm

    for a, b, c, want in (
        ((0, 1), (0, 0), (1, 0), 90.0),
        ((3, 4), (0, 0), (3, 0), 53.1301),
        ((0, 2), (0, 1), (1, 0), 135.0),
    ):
        xy = np.zeros((1, lm.COUNT, 2))
        for joint, at in (("shoulder", a), ("elbow", b), ("wrist", c)):
            xy[0, lm.index(joint, "left")] = at
        assert sagittal_angles(xy)["elbow_left"][0] == pytest.approx(want, abs=1e-4)


def test_truth_covers_the_catalogue() -> None:
    """Every kinematic measure of the catalogue has a true value."""
    known = true_measures(_gait(4.5))
    for key, kind in MEASURES.items():
        if kind.area == "forces" or key == "strike_pattern":
            continue
        names = [f"{key}_left", f"{key}_right"] if kind.sided == "side" else [key]
        for name in names:
            assert np.isfinite(known[name]), name


def test_segment_masses_sum_to_one() -> None:
    """de Leva 1996: head and trunk once, limbs twice."""
    once = sum(DE_LEVA_MALE[k][0] for k in ("head", "trunk"))
    twice = sum(v[0] for k, v in DE_LEVA_MALE.items() if k not in ("head", "trunk"))
    assert once + 2 * twice == pytest.approx(1.0, abs=0.0005)


def test_parts_add_up_to_the_stature() -> None:
    b = body_of(1.80)
    assert b.ankle_height_m + b.leg_m + b.trunk_m + b.head_m == pytest.approx(1.80)


def test_moving_the_runner_moves_the_centre_of_mass() -> None:
    r: Runner = runner_at(4.5)
    t = np.linspace(0, 0.5, 7)
    a = centre_of_mass(pose(solved(r), t))
    b = centre_of_mass(pose(solved(replace(r, start_x_m=3.0)), t))
    assert b - a == pytest.approx(np.tile([3.0, 0.0, 0.0], (7, 1)), abs=5e-4)


@pytest.mark.parametrize(("speed", "low", "high"), [(4.5, 0.06, 0.10), (10.0, 0.035, 0.06)])
def test_vertical_oscillation_is_plausible(speed: float, low: float, high: float) -> None:
    """About 6-10 cm running; 4.9 cm in a world-class sprinter (Coh 2018, Kinesiology 50:172)."""
    assert low < true_measures(_gait(speed))["vertical_oscillation"] < high


@pytest.mark.parametrize("seed", range(6))
def test_random_runners_obey_mechanics_too(seed: int) -> None:
    r = varied_runner(seed)
    assert r == varied_runner(seed)
    gait = solved(r)
    p = pose(gait, _cycle(gait, 1000.0)).points
    for side in SIDES:
        lowest = min(p[f"{side}_{q}"][:, 1].min() for q in ("sole_heel", "ball", "sole_toe"))
        assert lowest > -0.004
    known = true_measures(gait, samples=1000)
    for side in SIDES:
        assert known[f"flight_time_{side}"] > 0
        assert known[f"thigh_angle_max_{side}"] == pytest.approx(r.of(side).thigh_max_deg, abs=1.0)


def test_random_clip_has_its_runner_in_view() -> None:
    spec = varied_spec(4, speed_mps=4.0, capture_rate_hz=60)
    assert truth(spec).athlete.visible.mean() > 0.95
