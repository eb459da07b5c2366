"""Windows of a leg path about a moment: the features that events are told from.

The window is taken in the frame of the ground the foot stands on, each point against its own
place in the middle of that stance, with time in shares of the support's span. So it does not
change with scale, belt or camera shift, landmark offset, or pace of an alike movement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from technique import filters
from technique.events_paths import JOINTS, STANCE_FROM, STANCE_TO, LegPath, Support, seen_at, splined

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COARSE: Final[FloatArray] = np.linspace(-0.10, 1.10, 25)
"""Sample times of the coarse window from the foremost point, in spans."""
FINE: Final[FloatArray] = np.linspace(-0.30, 0.30, 17)
"""Sample times of the fine window about the current estimate, in spans."""
STANCE: Final[FloatArray] = np.linspace(STANCE_FROM, STANCE_TO, 5)
"""Sample times of the stance reference, in spans from the foremost point."""


COURSE_LENGTH: Final = 0.2
"""Length over which a landmark wanders with the stride, spans (70 ms in easy running)."""
COURSE_SHARE: Final = 1.0
"""Size of that wander (SD) over the landmark noise (SD)."""
COURSE_MOST: Final = 0.03
"""Its largest size, leg lengths."""


@dataclass(frozen=True)
class Windower:
    """A leg path made ready to be sampled at any time."""

    path: LegPath
    spline: CubicSpline
    seen: BoolArray
    lag_correlation: FloatArray
    """Correlation of the light filter's noise at lags of 0, 1, 2 ... samples, for white noise of 1."""


def windower(path: LegPath) -> Windower | None:
    """Prepare a path; None where too little of it was seen."""
    spline = splined(path.time_s, path.xy)
    if spline is None:
        return None
    seen = np.asarray(np.isfinite(path.xy).all(axis=(1, 2)), dtype=np.bool_)
    return Windower(path, spline, seen, lag_correlation(path.cutoff_hz, path.rate_hz))


def window(
    w: Windower, support: Support, centre_s: float, offsets: FloatArray
) -> tuple[FloatArray, BoolArray] | None:
    """Features about a moment.

    Parameters
    ----------
    w : Windower
    support : Support
    centre_s : float
        Moment the offsets are counted from, s.
    offsets : (M,) array
        Spans.

    Returns
    -------
    features : (10 M,) array
        Joint by joint (`JOINTS`), x then y, leg lengths.
    usable : (10 M,) bool array
        False where the leg was not seen.
    None
        Where the stance reference itself was not seen.
    """
    rest = support.front_s + STANCE * support.span_s
    if not seen_at(w.path.time_s, w.seen, rest).all():
        return None
    at = centre_s + offsets * support.span_s
    usable = seen_at(w.path.time_s, w.seen, at)
    drift = w.path.ground_speed
    reference = w.spline(rest)
    moved = w.spline(np.clip(at, w.path.time_s[0], w.path.time_s[-1]))
    middle = float(rest.mean())
    moved[:, :, 0] -= drift * (at - middle)[:, None]
    moved -= reference.mean(axis=0)
    features = moved.transpose(1, 2, 0).reshape(-1)
    return features, np.tile(usable, 2 * len(JOINTS))


def lag_correlation(cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Autocovariance of unit white noise after `filters.zero_lag`, at whole-sample lags, (65,)."""
    impulse = np.zeros(257)
    impulse[128] = 1.0
    response = filters.zero_lag(impulse, cutoff_hz, rate_hz)
    full = np.correlate(response, response, mode="full")
    return np.asarray(full[len(response) - 1 : len(response) + 64], dtype=np.float64)


def noise_covariance(w: Windower, support: Support, centre_s: float, offsets: FloatArray) -> FloatArray:
    """Covariance of the features for white landmark noise of the path's size.

    Returns
    -------
    (10 M, 10 M) array
        Block by block; the noise of different coordinates is taken as independent.
    """
    m = len(offsets)
    at = np.r_[centre_s + offsets * support.span_s, support.front_s + STANCE * support.span_s]
    lags = np.abs(at[:, None] - at[None, :]) * w.path.rate_hz
    table = np.r_[w.lag_correlation, 0.0]
    kernel = np.interp(lags, np.arange(len(table)), table)
    take = np.hstack([np.eye(m), np.full((m, len(STANCE)), -1.0 / len(STANCE))])
    block = take @ kernel @ take.T
    out = np.zeros((2 * len(JOINTS) * m, 2 * len(JOINTS) * m))
    for i, sd in enumerate(w.path.noise.reshape(-1)):
        out[i * m : (i + 1) * m, i * m : (i + 1) * m] = sd * sd * block
    return out


def course_covariance(w: Windower, support: Support, centre_s: float, offsets: FloatArray) -> FloatArray:
    """Covariance of the features for landmarks that wander with the stride.

    A pose model's point slides on the body as the limb turns, the same way in every stride, so
    that it does not average out. Its size goes with the landmark noise: markers have neither.

    Returns
    -------
    (10 M, 10 M) array
    """
    m = len(offsets)
    u = np.r_[offsets + (centre_s - support.front_s) / support.span_s, STANCE]
    kernel = np.exp(-0.5 * ((u[:, None] - u[None, :]) / COURSE_LENGTH) ** 2)
    take = np.hstack([np.eye(m), np.full((m, len(STANCE)), -1.0 / len(STANCE))])
    block = take @ kernel @ take.T
    out = np.zeros((2 * len(JOINTS) * m, 2 * len(JOINTS) * m))
    for i, sd in enumerate(w.path.noise.reshape(-1)):
        size = min(COURSE_SHARE * float(sd), COURSE_MOST)
        out[i * m : (i + 1) * m, i * m : (i + 1) * m] = size**2 * block
    return out
