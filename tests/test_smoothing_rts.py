"""The Kalman alternative that was measured against the Butterworth filter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchmarks.rts_smoother import rts_smoothed
from technique import filters

REFERENCE = Path(__file__).resolve().parents[2] / "shared" / "reference"


def test_equals_filterpy() -> None:
    from filterpy.kalman import KalmanFilter

    rng = np.random.default_rng(0)
    x = np.sin(np.arange(120) / 9.0) + 0.05 * rng.normal(size=120)
    h, jerk = 1 / 60.0, 3000.0
    k = KalmanFilter(dim_x=3, dim_z=1)
    k.x = np.array([[x[0]], [0.0], [0.0]])
    k.P = np.diag([1.0, 1e4, 1e8])
    k.F = np.array([[1, h, h * h / 2], [0, 1, h], [0, 0, 1]])
    k.H = np.array([[1.0, 0.0, 0.0]])
    k.R = np.array([[1.0]])
    k.Q = jerk**2 * np.array(
        [[h**5 / 20, h**4 / 8, h**3 / 6], [h**4 / 8, h**3 / 3, h**2 / 2], [h**3 / 6, h**2 / 2, h]]
    )
    states, covariances = [], []
    for i, z in enumerate(x):
        if i:
            k.predict()
        k.update(z)
        states.append(k.x.copy())
        covariances.append(k.P.copy())
    smoothed = k.rts_smoother(np.array(states), np.array(covariances))[0][:, :, 0]
    ours = rts_smoothed(x[:, None], 60.0, jerk)[:, 0]
    assert ours[:, 0] == pytest.approx(smoothed[:, 0], abs=1e-6)
    assert ours[:, 2] == pytest.approx(smoothed[:, 2], rel=1e-4, abs=1e-3)


def test_a_gap_in_a_parabola_is_filled_exactly() -> None:
    t = np.arange(100) / 50.0
    x = 3.0 + 2.0 * t - 4.0 * t**2
    holed = x.copy()
    holed[40:55] = np.nan
    out = rts_smoothed(holed[:, None], 50.0, 500.0)[:, 0]
    assert out[:, 0] == pytest.approx(x, abs=1e-3)
    assert out[10:-10, 2] == pytest.approx(-8.0, abs=0.05)


def test_pezzack_is_about_as_good_either_way() -> None:
    # Pezzack et al. 1977 (reprinted 1996), acceleration RMSE at each filter's best setting.
    file = REFERENCE / "tables" / "Pezzack.txt"
    if not file.exists():
        pytest.skip("reference data folder not found beside the checkout")
    data = np.loadtxt(file, skiprows=6)
    rate = 1.0 / float(np.mean(np.diff(data[:, 0])))
    truth = data[1:-1, 3]

    def rts(jerk: float) -> float:
        a = rts_smoothed(data[:, [1]], rate, jerk)[1:-1, 0, 2]
        return float(np.sqrt(np.mean((a - truth) ** 2)))

    def butterworth(cutoff: float) -> float:
        y = filters.zero_lag(data[:, 1], cutoff, rate)
        return float(np.sqrt(np.mean(((y[2:] - 2 * y[1:-1] + y[:-2]) * rate**2 - truth) ** 2)))

    assert min(rts(j) for j in np.logspace(3, 5, 15)) == pytest.approx(4.04, abs=0.1)
    assert min(butterworth(f) for f in np.arange(5, 9, 0.2)) == pytest.approx(4.16, abs=0.1)
