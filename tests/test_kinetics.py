"""Force estimates: published numbers for the spring, mechanics by another road for the swinging leg."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from benchmarks.accuracy.fitting import bare
from shared import landmarks as lm
from technique import kinetics as kin
from technique.body import SEGMENTS
from technique.error_model import error_table
from technique.measures import measured
from technique.measures_forces import _moment_noise
from tests.treadmill_motion import PX_PER_M
from tests.true_motion import true_run

THIGH_M, SHANK_M, FOOT_M, HEEL_BACK_M = 0.43, 0.44, 0.26, 0.05


@pytest.mark.parametrize(
    ("mass", "speed", "leg", "tc", "tf", "force", "drop", "k_vert", "shortening", "k_leg"),
    [
        (70, 3.33, 0.9, 0.25, 0.10, 1510.1, 0.05997, 25.180, 0.16202, 9.3208),
        (60, 5.0, 0.9, 0.20, 0.13, 1525.5, 0.05400, 28.253, 0.20566, 7.4176),
    ],
)
def test_morin_sine_wave_method(
    mass: float, speed: float, leg: float, tc: float, tf: float,
    force: float, drop: float, k_vert: float, shortening: float, k_leg: float,
) -> None:  # fmt: skip
    # Equations of Morin et al. 2005 (J Appl Biomech 21:167), g = 9.81, worked by hand.
    assert kin.vertical_force_peak(tc, tf) * mass * 9.81 == pytest.approx(force, abs=0.06)
    assert kin.centre_drop(tc, tf) == pytest.approx(drop, abs=6e-6)
    assert kin.vertical_stiffness(tc, tf, mass) == pytest.approx(k_vert, abs=6e-4)
    found = kin.leg_stiffness(tc, tf, mass, speed, leg)
    assert found == pytest.approx(k_leg, abs=1e-4)
    assert force / found / 1000 == pytest.approx(shortening, abs=2e-5)


def test_world_class_sprinter() -> None:
    # Coh 2018 (Kinesiology 50:172): contact .086, flight .145 s, peak force 4.2 body weights, vertical
    # displacement of the centre of mass 4.9 cm (sinking in contact plus rise in flight).
    assert kin.vertical_force_peak(0.086, 0.145) == pytest.approx(4.2, abs=0.05)
    assert 100 * (kin.centre_drop(0.086, 0.145) + kin.rise_in_flight(0.145)) == pytest.approx(4.9, abs=0.2)


def test_rise_in_flight() -> None:
    # Projectile: g t^2 / 8.
    for t, rise in ((0.10, 0.012263), (0.145, 0.025782), (0.5, 0.306563)):
        assert kin.rise_in_flight(t) == pytest.approx(rise, abs=1e-6)


def test_contact_time_is_what_stiffness_hangs_on() -> None:
    # Morin 2005: 10 % less contact time gives about 20 % more vertical and 25 % more leg stiffness.
    base = (kin.vertical_stiffness(0.25, 0.1, 70), kin.leg_stiffness(0.25, 0.1, 70, 3.33, 0.9))
    less = (kin.vertical_stiffness(0.225, 0.1, 70), kin.leg_stiffness(0.225, 0.1, 70, 3.33, 0.9))
    assert less[0] / base[0] - 1 == pytest.approx(0.188, abs=0.001)
    assert less[1] / base[1] - 1 == pytest.approx(0.250, abs=0.001)


@settings(deadline=None)
@given(st.floats(0.08, 0.3), st.floats(0.02, 0.2))
def test_mean_force_over_the_step_is_body_weight(tc: float, tf: float) -> None:
    # The impulse of the half sine, 2/pi F tc, equals weight times step time.
    assert 2 / np.pi * kin.vertical_force_peak(tc, tf) * tc == pytest.approx(tc + tf)


def test_a_leg_that_would_have_to_be_longer_gives_nothing() -> None:
    assert np.isnan(kin.leg_stiffness(0.4, 0.1, 70, 5.0, 0.9))


def leg_points(hip: np.ndarray, thigh: np.ndarray, shank: np.ndarray, foot: np.ndarray) -> np.ndarray:
    """Points of a right leg from angles in rad: thigh and shank from straight down, foot from the level."""

    def down(a: np.ndarray, length: float) -> np.ndarray:
        return length * np.stack([np.sin(a), -np.cos(a)], axis=-1)

    along = np.stack([np.cos(foot), np.sin(foot)], axis=-1)
    knee = hip + down(thigh, THIGH_M)
    ankle = knee + down(shank, SHANK_M)
    points = np.full((len(thigh), lm.COUNT, 2), np.nan)
    for joint, xy in {
        "hip": hip, "knee": knee, "ankle": ankle,
        "heel": ankle - HEEL_BACK_M * along, "foot_index": ankle + (FOOT_M - HEEL_BACK_M) * along,
    }.items():  # fmt: skip
        points[:, lm.index(joint, "right")] = xy
    return points


def lagrangian(q: np.ndarray, rate: np.ndarray, hip_speed: np.ndarray, height: float) -> float:
    """Kinetic minus potential energy of thigh, shank and foot by hip, knee and ankle angle (rad)."""
    rows = SEGMENTS["mean"]
    thigh, shank = q[0], q[0] - q[1]
    foot = shank + q[2]
    w = (rate[0], rate[0] - rate[1], rate[0] - rate[1] + rate[2])
    lag = 0.0
    origin, speed = np.array([0.0, height]), np.array(hip_speed, dtype=float)
    for name, angle, turning, length in (("thigh", thigh, w[0], THIGH_M), ("shank", shank, w[1], SHANK_M)):
        direction = np.array([np.sin(angle), -np.cos(angle)])
        across = np.array([np.cos(angle), np.sin(angle)])
        row = rows[name]
        v = speed + row.centre * length * turning * across
        y = origin[1] + row.centre * length * direction[1]
        lag += row.mass * (v @ v / 2 + (row.gyration * length * turning) ** 2 / 2 - 9.81 * y)
        origin, speed = origin + length * direction, speed + length * turning * across
    row = rows["foot"]
    along, across = np.array([np.cos(foot), np.sin(foot)]), np.array([-np.sin(foot), np.cos(foot)])
    ahead = row.centre * FOOT_M - HEEL_BACK_M
    v = speed + ahead * w[2] * across
    y = (origin + ahead * along)[1]
    return float(lag + row.mass * (v @ v / 2 + (row.gyration * FOOT_M * w[2]) ** 2 / 2 - 9.81 * y))


def swing(t: float) -> np.ndarray:
    """Hip, knee and ankle angle of an invented swing, rad."""
    return np.array([0.2 + 0.7 * np.sin(8 * t), 0.9 + 0.8 * np.sin(8 * t + 1.1), 0.2 * np.cos(7 * t)])


def hip_at(t: float) -> np.ndarray:
    """An accelerating, bobbing hip, m."""
    return np.array([3.0 * t + 0.4 * t**2, 0.95 + 0.03 * np.cos(16 * t)])


def test_hip_moment_equals_lagranges_equation_of_the_same_leg() -> None:
    # Independent road: d/dt dL/dq' - dL/dq for the hip angle, all derivatives taken numerically.
    rate_hz = 2000.0
    time = np.arange(0, 0.6, 1 / rate_hz)
    q = np.array([swing(t) for t in time])
    points = leg_points(
        np.array([hip_at(t) for t in time]), q[:, 0], q[:, 0] - q[:, 1], q[:, 0] - q[:, 1] + q[:, 2]
    )
    mine = kin.hip_moment_swing(points, rate_hz, "right")
    h = 1e-5

    def slope(of: object, t: float) -> np.ndarray:
        return (of(t + h) - of(t - h)) / (2 * h)  # type: ignore[operator]

    def momentum(t: float) -> float:
        q_, r, v, y = swing(t), slope(swing, t), slope(hip_at, t), hip_at(t)[1]
        e = np.array([1e-4, 0, 0])
        return (lagrangian(q_, r + e, v, y) - lagrangian(q_, r - e, v, y)) / 2e-4

    for i in range(100, len(time) - 100, 97):
        t = float(time[i])
        q_, r, v, y = swing(t), slope(swing, t), slope(hip_at, t), hip_at(t)[1]
        e = np.array([1e-5, 0, 0])
        pull = (lagrangian(q_ + e, r, v, y) - lagrangian(q_ - e, r, v, y)) / 2e-5
        theirs = (momentum(t + 1e-4) - momentum(t - 1e-4)) / 2e-4 - pull
        assert mine[i] == pytest.approx(theirs, abs=0.003 + 0.002 * abs(theirs))
    assert np.nanmax(mine) > 0.5 > -0.5 > np.nanmin(mine)


def test_a_leg_that_swings_freely_needs_no_moment() -> None:
    # Physical pendulum: I phi'' = -m g d sin(phi) about the hip, all three segments as one rigid body.
    rows = SEGMENTS["mean"]
    pieces = []  # mass, centre from the hip (x, y) with the leg straight down, own radius of gyration
    for name, centre, gyration in (
        ("thigh", (0.0, -rows["thigh"].centre * THIGH_M), rows["thigh"].gyration * THIGH_M),
        ("shank", (0.0, -THIGH_M - rows["shank"].centre * SHANK_M), rows["shank"].gyration * SHANK_M),
        ("foot", (rows["foot"].centre * FOOT_M - HEEL_BACK_M, -THIGH_M - SHANK_M), rows["foot"].gyration * FOOT_M),
    ):  # fmt: skip
        pieces.append((rows[name].mass, np.array(centre), gyration))
    inertia = sum(m * (c @ c + k**2) for m, c, k in pieces)

    def fall(_: float, state: np.ndarray) -> list[float]:
        phi = state[0]
        turn = np.array([[np.cos(phi), -np.sin(phi)], [np.sin(phi), np.cos(phi)]])
        gravity = -9.81 * sum(m * (turn @ c)[0] for m, c, _ in pieces)
        return [state[1], gravity / inertia]

    time = np.arange(0, 1.2, 1 / 500)
    phi = solve_ivp(fall, (0, 1.3), [0.8, 0.0], t_eval=time, rtol=1e-10, atol=1e-12).y[0]
    points = leg_points(np.tile([1.0, 0.9], (len(time), 1)), phi, phi, phi)
    moment = kin.hip_moment_swing(points, 500.0, "right")
    assert np.nanmax(np.abs(moment)) < 0.002
    held = kin.hip_moment_swing(leg_points(np.zeros((9, 2)), *(np.full(9, 0.8),) * 3), 500.0, "right")
    # Held still at 0.8 rad it takes the leg's weight: m g d sin(phi), and a little for the foot ahead.
    weight = -fall(0, np.array([0.8, 0.0]))[1] * inertia
    np.testing.assert_allclose(held[1:-1], weight, atol=1e-9)


def test_flexion_is_positive_when_the_leg_is_brought_forward() -> None:
    time = np.arange(0, 0.2, 1 / 500)
    phi = -0.2 + 20 * time**2  # from behind, faster and faster forward
    points = leg_points(np.zeros((len(time), 2)), phi, phi, phi)
    assert np.nanmin(kin.hip_moment_swing(points, 500.0, "right")) > 0


def test_power_is_moment_times_hip_rate() -> None:
    time = np.arange(0, 0.5, 1 / 500)
    points = leg_points(np.zeros((len(time), 2)), 0.5 * np.sin(6 * time), 0 * time, 0 * time)
    for joint in ("hip", "shoulder"):  # an upright trunk that does not turn
        for side in ("left", "right"):
            points[:, lm.index(joint, side)] = (0.0, 0.0 if joint == "hip" else 0.5)  # type: ignore[arg-type]
    power = kin.hip_power(points, np.full(len(time), 2.0), 500.0, "right")
    np.testing.assert_allclose(power[5:-5], 2.0 * 3.0 * np.cos(6 * time[5:-5]), atol=0.01)


def test_power_is_not_upset_by_an_angle_that_passes_180() -> None:
    time = np.arange(0, 0.5, 1 / 500)
    phi = 2.5 + 3.0 * time
    points = leg_points(np.zeros((len(time), 2)), phi, phi, phi)
    assert np.nanmax(np.abs(kin.hip_moment_swing(points, 500.0, "right"))) < 5.0


def test_claimed_noise_of_the_moment_is_of_the_right_size() -> None:
    # Filtered noise of 2 px (10 mm) at 15 Hz on every landmark: simulated SD against the claim.
    _, m = true_run(4.0)
    rng = np.random.default_rng(2)
    n, rate = len(m.time_s), m.smoothed.rate_hz
    frequency = np.fft.rfftfreq(n, 1 / rate)
    raw = np.fft.rfft(rng.normal(0, 1, m.points.shape), axis=0)
    raw[frequency > 15.0] = 0
    noise = np.fft.irfft(raw, n, axis=0)
    noise *= 2.0 / noise.std()
    clean = kin.hip_moment_swing(m.points / PX_PER_M, rate, "right")
    noisy = kin.hip_moment_swing((m.points + noise) / PX_PER_M, rate, "right")
    found = 1.96 * np.nanstd(noisy - clean)
    import dataclasses

    claimed = _moment_noise(dataclasses.replace(m, noise=np.full_like(m.noise, 2.0)), "right")
    assert 0.5 < claimed / found < 2.0


def test_estimates_are_labelled_and_carry_the_errors_of_what_they_are_made_from() -> None:
    _, m = true_run(3.5)
    found = {(x.key, x.side): x for x in measured(m).measures}
    leg = found["leg_stiffness", "right"]
    contact, flight, speed = (
        found[k].value for k in (("contact_time", "right"), ("flight_time", "right"), ("speed", "both"))
    )
    assert leg.estimate and leg.value == pytest.approx(
        kin.leg_stiffness(contact, flight, 70.0, speed, 0.53 * 1.78),
        rel=0.001,  # type: ignore[arg-type]
    )
    assert {"contact time", "mass", "speed", "leg length", "method"} <= set(leg.error_parts)
    assert leg.error_parts["method"] == pytest.approx(0.07 * leg.value)  # type: ignore[operator]
    force = found["vertical_force_peak", "right"]
    assert "mass" not in force.error_parts and "speed" not in force.error_parts
    found = {(x.key, x.side): x for x in measured(m, bare(error_table())).measures}
    for key in ("hip_moment_swing_flexion", "hip_power_swing_peak"):
        assert found[key, "right"].estimate and "segment masses" in found[key, "right"].error_parts
