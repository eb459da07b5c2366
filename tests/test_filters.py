"""Filters against published coefficients, a published benchmark, scipy and closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.integrate import quad

from technique import filters

REFERENCE = Path(__file__).resolve().parents[2] / "shared" / "reference"

GENERATE = (Phase.explicit, Phase.generate)
"""No shrinking: it takes minutes on arrays and the seed already names the case."""


def _pezzack() -> np.ndarray:
    """Time s, raw and noisy angle rad, measured acceleration rad/s2."""
    file = REFERENCE / "tables" / "Pezzack.txt"
    if not file.exists():
        pytest.skip("reference data folder not found beside the checkout")
    return np.loadtxt(file, skiprows=6)


def test_dual_pass_correction_is_the_textbook_factor() -> None:
    # Winter 2009, chapter 3: 0.802 for a second-order filter applied twice.
    assert filters.dual_pass_correction() == pytest.approx(0.802, abs=5e-4)


@pytest.mark.parametrize(
    ("cutoff", "rate", "expected"),
    [
        (6, 60, 7.3516),
        (6, 120, 7.4476),
        (6, 240, 7.4728),
        (10, 60, 11.9166),
        (10, 120, 12.3164),
        (10, 240, 12.4297),
    ],
)
def test_corrected_cutoff_in_the_tangent_domain(cutoff: float, rate: float, expected: float) -> None:
    # Worked values with the factor rounded to 0.802; ours is not rounded (0.8022).
    assert filters.single_pass_cutoff(cutoff, rate) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize(
    ("rate", "b0", "a1", "a2"), [(60, 0.06746, -1.14298, 0.41280), (50, 0.09131, -0.98241, 0.34767)]
)
def test_single_pass_coefficients(rate: float, b0: float, a1: float, a2: float) -> None:
    # Second-order Butterworth at 6 Hz: published worked coefficients. The dual-pass cut-off whose
    # single pass is 6 Hz gives exactly that section.
    warped = np.tan(np.pi * 6.0 / rate) * filters.dual_pass_correction()
    whole = float(np.arctan(warped) * rate / np.pi)
    section = filters._sections(whole, float(rate))[0]
    assert section == pytest.approx([b0, 2 * b0, b0, 1.0, a1, a2], abs=1.5e-5)


@pytest.mark.parametrize(("cutoff", "rate"), [(6.0, 60.0), (10.0, 120.0), (12.0, 30.0)])
def test_half_power_at_the_cutoff(cutoff: float, rate: float) -> None:
    t = np.arange(0, 20, 1 / rate)
    x = np.sin(2 * np.pi * cutoff * t + 0.3)
    y = filters.zero_lag(x, cutoff, rate)
    inner = slice(len(t) // 4, -len(t) // 4)
    assert np.std(y[inner]) / np.std(x[inner]) == pytest.approx(np.sqrt(0.5), abs=0.003)


def test_zero_lag_equals_scipy() -> None:
    x = np.random.default_rng(0).normal(size=(300, 3)).cumsum(axis=0)
    x -= np.linspace(x[0], x[-1], len(x))  # a straight line passes unchanged, see below
    sos = signal.butter(2, filters.single_pass_cutoff(8.0, 100.0), fs=100.0, output="sos")
    pad = int(np.ceil(1.5 * 100.0 / 8.0))
    assert filters.zero_lag(x, 8.0, 100.0) == pytest.approx(
        signal.sosfiltfilt(sos, x, axis=0, padlen=pad), abs=1e-12
    )


@pytest.mark.parametrize(
    ("cutoff", "rmse"),
    [(4.0, 4.98), (5.0, 4.37), (5.6, 4.22), (6.0, 4.17), (7.0, 4.18), (8.0, 4.28), (10.0, 4.70)],
)
def test_pezzack_benchmark(cutoff: float, rmse: float) -> None:
    # Pezzack et al. 1977, reprinted by Vint and Hinrichs 1996: second difference of the filtered
    # raw angle against the measured acceleration; RMSE rad/s2 with the correction made by plain
    # division (ours is in the tangent domain, so a little apart near the Nyquist frequency).
    data = _pezzack()
    rate = 1.0 / float(np.mean(np.diff(data[:, 0])))
    y = filters.zero_lag(data[:, 1], cutoff, rate)
    acceleration = (y[2:] - 2 * y[1:-1] + y[:-2]) * rate**2
    assert np.sqrt(np.mean((acceleration - data[1:-1, 3]) ** 2)) == pytest.approx(rmse, abs=0.2)


def test_residual_analysis_on_pezzack() -> None:
    # A published notebook's residual analysis gives 5.6 Hz on the raw channel.
    data = _pezzack()
    rate = 1.0 / float(np.mean(np.diff(data[:, 0])))
    cutoff, noise = filters.residual_cutoff(data[:, 1:3], rate)
    assert cutoff[0] == pytest.approx(5.6, abs=0.7)
    assert noise[1] == pytest.approx(np.std(data[:, 2] - data[:, 1]), rel=0.25)


@pytest.mark.parametrize(("cutoff", "rate"), [(6.0, 30.0), (12.0, 30.0), (8.0, 60.0), (12.0, 240.0)])
def test_noise_gain_closed_form_against_quadrature(cutoff: float, rate: float) -> None:
    warped = np.tan(np.pi * filters.single_pass_cutoff(cutoff, rate) / rate)

    def gain(w: float) -> float:
        return 1.0 / (1.0 + (np.tan(w / 2) / warped) ** 4)

    kept = np.sqrt(quad(lambda w: gain(w) ** 2, 0, np.pi, limit=200)[0] / np.pi)
    removed = np.sqrt(quad(lambda w: (1 - gain(w)) ** 2, 0, np.pi, limit=200)[0] / np.pi)
    assert filters.noise_gain(cutoff, rate) == pytest.approx((kept, removed), rel=1e-6)


@pytest.mark.parametrize(("cutoff", "rate"), [(6.0, 30.0), (8.0, 60.0), (12.0, 240.0)])
def test_noise_gain_against_simulation(cutoff: float, rate: float) -> None:
    x = np.random.default_rng(1).normal(size=(4000, 40))
    y = filters.zero_lag(x, cutoff, rate)
    assert filters.noise_gain(cutoff, rate) == pytest.approx((y.std(), (x - y).std()), rel=0.02)


@settings(max_examples=30, deadline=None, phases=GENERATE)
@given(st.floats(-1e3, 1e3), st.floats(-50, 50), st.integers(3, 200), st.floats(3.0, 12.0))
def test_straight_motion_passes_unchanged(start: float, slope: float, count: int, cutoff: float) -> None:
    x = start + slope * np.arange(count)
    assert filters.zero_lag(x, cutoff, 30.0) == pytest.approx(x, abs=1e-6 * (1 + np.abs(x).max()))


@settings(max_examples=30, deadline=None, phases=GENERATE)
@given(st.integers(0, 10_000))
def test_time_reversal(seed: int) -> None:
    x = np.random.default_rng(seed).normal(size=400)
    forward, backward = filters.zero_lag(x, 10.0, 100.0), filters.zero_lag(x[::-1], 10.0, 100.0)[::-1]
    assert forward[60:-60] == pytest.approx(backward[60:-60], abs=1e-6)


def test_outliers_finds_planted_jumps_and_nothing_else() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0, 5, 1 / 60)
    clean = 100 * np.sin(2 * np.pi * 1.4 * t) + rng.normal(size=len(t))
    assert filters.outliers(clean, 8.0).sum() == 0
    x = clean.copy()
    where = np.array([20, 77, 150, 233])
    x[where] += np.array([40.0, -35.0, 60.0, -50.0])
    assert np.nonzero(filters.outliers(x, 8.0))[0].tolist() == where.tolist()


def test_cutoff_must_lie_below_nyquist() -> None:
    with pytest.raises(ValueError, match="cutoff_hz"):
        filters.single_pass_cutoff(15.0, 30.0)
