"""Speed profiles against closed forms with noise, and published splits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import brentq

from shared.errors import OptionError
from shared.history_values import RunTime, Split
from technique.speed_profile import distance_at, run_profile, speed_at, speed_profile, time_at
from technique.speed_profile_forces import drag_per_mass, force_velocity, force_velocity_values

DISTANCES = np.array([5.0, 10.0, 20.0, 30.0, 40.0, 50.0])


def _splits(x: np.ndarray, t: np.ndarray) -> list[Split]:
    return [Split(float(a), float(b)) for a, b in zip(x, t)]


@given(st.floats(4, 13), st.floats(0.4, 2.5), st.floats(0.2, 100))
def test_time_is_the_inverse_of_distance(v: float, tau: float, x: float) -> None:
    assert distance_at(time_at(np.array(x), v, tau), v, tau) == pytest.approx(x, rel=1e-6)


def test_distance_is_the_integral_of_speed() -> None:
    ran, _ = quad(lambda t: float(speed_at(np.array(t), 9.0, 1.2)), 0, 4)
    assert float(distance_at(np.array(4.0), 9.0, 1.2)) == pytest.approx(ran)


@settings(max_examples=30, deadline=None)
@given(st.floats(5, 12), st.floats(0.7, 1.8), st.floats(0.0, 0.3))
def test_exact_splits_give_back_what_made_them(v: float, tau: float, delay: float) -> None:
    found = speed_profile(_splits(DISTANCES, time_at(DISTANCES, v, tau) + delay), 0.01, fit_offset=True)
    assert found.v_max.value == pytest.approx(v, rel=1e-4)
    assert found.tau.value == pytest.approx(tau, rel=1e-3)
    assert found.acceleration.value == pytest.approx(v / tau, rel=1e-3)
    assert found.offset is not None and found.offset.value == pytest.approx(delay, abs=1e-3)


@pytest.mark.parametrize("offset", [True, False])
def test_intervals_hold_the_truth_in_19_of_20(offset: bool) -> None:
    """Closed-form sprints with seeded timing noise; the binomial spread of 200 is 1.5 %."""
    rng = np.random.default_rng(7)
    hits = np.zeros(3)
    force = 0
    for i in range(200):
        v, tau = rng.uniform(6, 11), rng.uniform(0.8, 1.6)
        t = time_at(DISTANCES, v, tau) + (0.15 if offset else 0.0) + rng.normal(0, 0.015, 6)
        found = speed_profile(_splits(DISTANCES, t), 0.015, fit_offset=offset)
        hits += [
            found.v_max.low <= v <= found.v_max.high,
            found.tau.low <= tau <= found.tau.high,
            found.acceleration.low <= v / tau <= found.acceleration.high,
        ]
        if i < 100:
            made = force_velocity(found)
            force += made.p_max.low <= v * v / (4 * tau) <= made.p_max.high
    assert (hits / 200 > 0.905).all() and (hits / 200 < 0.995).all()
    assert force >= 88


def test_championship_splits() -> None:
    """Men's 100 m final of the 2009 World Championships, 20 m splits 2.89 4.64 6.31 7.92 9.58 (from memory).

    Measured top speed of that run about 12.2-12.4 m/s (from memory).
    """
    run = RunTime(
        "a",
        "2009-08-16",
        100.0,
        9.58,
        "gates",
        (Split(20, 2.89), Split(40, 4.64), Split(60, 6.31), Split(80, 7.92)),
        0.9,
    )
    found = run_profile(run)
    assert 12.1 < found.v_max.value < 12.6
    assert found.v_max.low < 12.3 < found.v_max.high + 0.1
    assert 1.0 < found.tau.value < 1.8
    assert [s.distance_m for s in found.left_out] == [100.0]
    assert any("slowing" in n for n in found.notes)
    made = force_velocity(found, 1.95, 90.0, 0.9, 28.0)
    # Samozino et al. 2016 and Morin's work on sprinters: some 24-30 W/kg in the fastest men (from memory).
    assert 22 < made.p_max.value < 32


def test_without_air_force_and_power_have_a_closed_form() -> None:
    """a = (v_max - v) / tau: F0 = v_max / tau, V0 = v_max, Pmax = F0 V0 / 4 (Samozino et al. 2016)."""
    f0, v0, p, rf, drf, slope = force_velocity_values(9.0, 1.2)
    assert (f0, v0, p, slope) == pytest.approx((7.5, 9.0, 7.5 * 9 / 4, -1 / 1.2))
    a = 7.5 * np.exp(-0.3 / 1.2)
    assert rf == pytest.approx(100 * a / np.hypot(a, 9.81))
    v = float(speed_at(np.array(0.3), 9.0, 1.2))
    ends = 100 * a / np.hypot(a, 9.81) / (9.0 - v)
    # The ratio falls almost in a straight line from there to 0 at v_max.
    assert drf == pytest.approx(-ends, rel=0.1)


def test_peak_of_power_is_where_the_line_says() -> None:
    t = np.linspace(0, 6, 60001)
    power = (9.0 - speed_at(t, 9.0, 1.2)) / 1.2 * speed_at(t, 9.0, 1.2)
    assert power.max() == pytest.approx(float(force_velocity_values(9.0, 1.2)[2]), rel=1e-6)


def test_air_drag_of_a_person() -> None:
    """Arsac and Locatelli 2002: about 0.2-0.3 kg/m for k (from memory), and a tail wind takes some off."""
    k = drag_per_mass(1.80, 75.0) * 75.0
    area = 0.2025 * 1.80**0.725 * 75.0**0.425 * 0.266
    assert k == pytest.approx(0.5 * 1.293 * 273 / 293 * area * 0.9)
    assert 0.2 < k < 0.35
    still, wind = (force_velocity_values(10.0, 1.2, k / 75.0, w) for w in (0.0, 2.0))
    assert still[1] > wind[1] > 10.0
    # At constant top speed the push is the drag: V0 is where the line, not the runner, reaches 0.
    assert brentq(lambda v: still[0] + still[5] * v, 5, 20) == pytest.approx(still[1])


def test_force_and_power_say_what_they_leave_out() -> None:
    found = speed_profile(_splits(DISTANCES, time_at(DISTANCES, 9.0, 1.2)), 0.01)
    assert "left out" in force_velocity(found).sentence and "estimates" in force_velocity(found).sentence
    made = force_velocity(found, 1.8, 75.0)
    assert made.drag and "left out" not in made.sentence
    assert made.p_max.low < made.p_max.value < made.p_max.high
    assert made == force_velocity(found, 1.8, 75.0)


@pytest.mark.parametrize(("scatter_s", "freedom"), [(0.0, np.inf), (0.01, 6.0)])
def test_interval_of_the_force_in_closed_form(scatter_s: float, freedom: float) -> None:
    """Without air F0 = v_max / tau, so log F0 has a known SD; Student's t where the splits' scatter tells it."""
    times = time_at(DISTANCES, 9.0, 1.2) + scatter_s * np.array([1, -1, 1, 1, -1, 1])
    found = speed_profile(_splits(DISTANCES, times), 0.005)
    assert found.freedom == freedom
    c = found.covariance
    half = stats.t.ppf(0.975, freedom) * (c[0, 0] + c[1, 1] - 2.0 * c[0, 1]) ** 0.5
    made = force_velocity(found).f0
    # 2000 draws put an end of the interval to some 4 %.
    assert np.log(made.high / made.value) == pytest.approx(half, rel=0.1)
    assert np.log(made.value / made.low) == pytest.approx(half, rel=0.1)


def test_worse_timing_gives_wider_intervals() -> None:
    splits = _splits(DISTANCES, time_at(DISTANCES, 9.0, 1.2))
    fine, coarse = speed_profile(splits, 0.01), speed_profile(splits, 0.1)
    assert coarse.v_max.high - coarse.v_max.low > 5 * (fine.v_max.high - fine.v_max.low)


def test_what_can_not_be_fitted_is_refused_in_one_sentence() -> None:
    with pytest.raises(OptionError, match="too few"):
        speed_profile([Split(20, 3.3)], 0.01)
    with pytest.raises(OptionError, match="out of order"):
        speed_profile([Split(20, 3.3), Split(10, 2.0)], 0.01)
    with pytest.raises(OptionError, match="above zero"):
        speed_profile([Split(0, 0.0), Split(10, 2.0)], 0.01)
    with pytest.raises(OptionError, match="too few"):
        # Slows down from the first section on: not a sprint.
        speed_profile([Split(10, 1.5), Split(20, 3.5), Split(30, 6.0)], 0.01)


def test_notes_for_few_and_short_splits() -> None:
    x = np.array([5.0, 10.0])
    found = speed_profile(_splits(x, time_at(x, 9.0, 1.2)), 0.01)
    text = " ".join(found.notes)
    assert "can't be checked" in text and "extrapolation" in text and "No start delay" in text
