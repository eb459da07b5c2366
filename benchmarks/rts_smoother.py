"""A Rauch-Tung-Striebel smoother as the alternative to the dual-pass Butterworth filter.

Kept beside the study, not in the program: it was measured and did no better (docs/events.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def rts_smoothed(x: FloatArray, rate_hz: float, jerk_per_noise: float) -> FloatArray:
    """Position, velocity and acceleration of columns driven by white jerk, seen with white noise.

    Parameters
    ----------
    x : (N, K) array
        Seen positions; rows with NaN count as not seen.
    rate_hz : float
    jerk_per_noise : float
        Root spectral density of the jerk over the SD of the noise, s**-2.5: the one setting, in
        the place of a cut-off.

    Returns
    -------
    (N, K, 3) array

    References
    ----------
    Rauch HE, Tung F, Striebel CT. Maximum likelihood estimates of linear dynamic systems.
    AIAA Journal 1965, 3:1445-1450.
    """
    n, k = x.shape
    h = 1.0 / rate_hz
    f = np.array([[1.0, h, h * h / 2], [0.0, 1.0, h], [0.0, 0.0, 1.0]])
    q = jerk_per_noise**2 * np.array(
        [[h**5 / 20, h**4 / 8, h**3 / 6], [h**4 / 8, h**3 / 3, h**2 / 2], [h**3 / 6, h**2 / 2, h]]
    )
    seen = np.isfinite(x).all(axis=1)
    first = int(np.argmax(seen))
    state = np.zeros((3, k))
    state[0] = x[first]
    cov = np.diag([1.0, 1e4, 1e8])
    filtered, predicted = np.empty((n, 3, k)), np.empty((n, 3, k))
    p_filtered, p_predicted = np.empty((n, 3, 3)), np.empty((n, 3, 3))
    for i in range(n):
        if i:
            state, cov = f @ state, f @ cov @ f.T + q
        predicted[i], p_predicted[i] = state, cov
        if seen[i]:
            gain = cov[:, 0] / (cov[0, 0] + 1.0)
            state = state + gain[:, None] * (x[i] - state[0])
            cov = cov - np.outer(gain, cov[0])
        filtered[i], p_filtered[i] = state, cov
    out = np.empty((n, 3, k))
    out[-1] = filtered[-1]
    for i in range(n - 2, -1, -1):
        back = np.linalg.solve(p_predicted[i + 1], f @ p_filtered[i]).T
        out[i] = filtered[i] + back @ (out[i + 1] - predicted[i + 1])
    return out.transpose(0, 2, 1)
