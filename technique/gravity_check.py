"""Does the body fall as bodies do? A check of the time base that needs no tag in the file.

In flight only gravity acts, so the centre of mass follows a parabola of 9.81 m/s². A clip that is
played slower than it was filmed shows a weaker fall: at half speed a quarter of it. With a scale
this finds a wrong time base, the worst silent error there is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from technique.time_base_notes import FRAMES_PER_SECOND

FloatArray = NDArray[np.float64]

GRAVITY: Final = 9.81
LEAST_SAMPLES: Final = 4
CORRELATION: Final = 2.0
"""Filtered samples are not independent: the variance of the fit is multiplied by this."""
SUSPECT: Final = 1.3
"""Playing slower or faster than real by more than this, with certainty, is reported."""


@dataclass(frozen=True)
class Fall:
    """How strongly the body falls in flight.

    Attributes
    ----------
    value, low, high : float
        Downward acceleration with its 95 % interval, m/s².
    flights : int
        Flights that were used.
    """

    value: float
    low: float
    high: float
    flights: int

    @property
    def slow_down(self) -> float:
        """How many times slower than real the clip plays, from the fall; inf when there is none."""
        return float(np.sqrt(GRAVITY / self.value)) if self.value > 0 else float("inf")


def fall_in_flight(
    time_s: FloatArray,
    height_m: FloatArray,
    flights: Sequence[tuple[float, float]],
    noise_m: float,
    scale_sd: float,
) -> Fall | None:
    """Common downward acceleration of all flights, by least squares.

    Parameters
    ----------
    time_s : (N,) array
    height_m : (N,) array
        Height of the centre of mass, m; NaN in gaps.
    flights : sequence of (start, stop)
        Toe-off and the next touchdown of the other foot, s.
    noise_m : float
        Noise of one height sample, 1 SD, m; the scatter about the fit counts where it is larger.
    scale_sd : float
        Relative SD of the scale.

    Returns
    -------
    Fall or None
        None when no flight holds enough samples.

    Notes
    -----
    Each flight has its own start height and velocity, all share one acceleration:
    y = a + b t - g t²/2.
    """
    columns: list[FloatArray] = []
    heights: list[FloatArray] = []
    count = 0
    for start, stop in flights:
        inside = (time_s >= start) & (time_s <= stop) & np.isfinite(height_m)
        if inside.sum() < LEAST_SAMPLES:
            continue
        t = time_s[inside] - 0.5 * (start + stop)
        columns.append(np.stack([np.full_like(t, count), t, -0.5 * t**2]))
        heights.append(height_m[inside])
        count += 1
    if not count:
        return None
    packed = np.concatenate(columns, axis=1)
    design = np.zeros((packed.shape[1], 2 * count + 1))
    rows, flight = np.arange(packed.shape[1]), packed[0].astype(int)
    design[rows, 2 * flight] = 1.0
    design[rows, 2 * flight + 1] = packed[1]
    design[:, -1] = packed[2]
    y = np.concatenate(heights)
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    freedom = len(y) - design.shape[1]
    if freedom < 1:
        return None
    scatter = float(np.sum((y - design @ solution) ** 2)) / freedom
    variance = CORRELATION * max(scatter, noise_m**2) * np.linalg.pinv(design.T @ design)[-1, -1]
    value = float(solution[-1])
    spread = float(np.sqrt(variance + (scale_sd * value) ** 2))
    half = float(stats.t.ppf(0.975, freedom)) * spread
    return Fall(value, value - half, value + half, count)


def time_base_warning(fall: Fall | None) -> str | None:
    """A sentence when the fall says, with certainty, that the time base is wrong; else None."""
    if fall is None:
        return None
    too_slow = fall.high < GRAVITY / SUSPECT**2
    too_fast = fall.low > GRAVITY * SUSPECT**2
    if not (too_slow or too_fast):
        return None
    what = "slower" if too_slow else "faster"
    factor = fall.slow_down if too_slow else 1 / fall.slow_down
    said = f"about {factor:.1f} times " if np.isfinite(factor) and factor < 20 else "far "
    return (
        f"In flight the body falls with {max(fall.value, 0.0):.1f} m/s² instead of 9.8: the clip plays {said}{what} than "
        f"it was filmed, so every time and speed here is wrong. Give the true capture rate ({FRAMES_PER_SECOND})."
    )
