"""Linear prediction of event times from leg windows, aware of the clip's own landmark noise.

The data file holds, for each frame-rate class, event and stage, the mean of the windows, their
covariance (as a low-rank factor) and their covariance with the event's time. The weights are
solved for each event with the noise of this clip and with only the samples that were seen, which
gives the best linear prediction and its expected error together.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from itertools import product
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from shared.analysis import EventKind

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

RATE_CLASSES_HZ: Final = (30, 60, 120)
"""Frame rates the model was fitted at; faster clips use the last, having nothing above its band."""
FACTORS: Final = 48
"""Directions kept of each covariance."""


Pace = Literal["walk", "run", "fast"]
RIDGE: Final[dict[Pace, float]] = {"walk": 3e-5, "run": 3e-6, "fast": 3e-5}
"""Variance added to every feature, leg lengths squared (1e-6: 1 mm of unmodelled difference at 1 m).
Chosen once, on held-out folds and figures: less follows the fitted people's fine structure (at 1e-6
a sprinting figure at 240/s was told 20 ms early), more changes little."""
NOISE_LEVELS: Final = (0.0, 0.01, 0.02, 0.03)
"""Landmark noise (SD, leg lengths) at which the extra error was measured."""
PACES: Final[tuple[Pace, ...]] = ("walk", "run", "fast")
FAST_FROM: Final = 5.8
"""Ground speed from which the pace is "fast", leg lengths per second (about 5 m/s)."""


@dataclass(frozen=True)
class Moments:
    """First and second moments of windows and of the time to be told, in spans.

    Attributes
    ----------
    mean : (P,) array
    factor : (P, F) array
        Covariance of the windows is `factor @ factor.T`.
    cross : (P,) array
        Covariance of windows and time.
    time_mean, time_variance : float
    extra : (4,) array
        Error variance on runners not used in fitting beyond what the moments expect, at each of
        `NOISE_LEVELS`, spans squared.
    """

    mean: FloatArray
    factor: FloatArray
    cross: FloatArray
    time_mean: float
    time_variance: float
    extra: FloatArray = field(default_factory=lambda: np.zeros(len(NOISE_LEVELS)))

    def extra_at(self, noise: float) -> float:
        """Extra variance at a noise level in leg lengths."""
        return float(np.interp(noise, NOISE_LEVELS, self.extra))


Key = tuple[Pace, int, EventKind, str]
Model = dict[Key, Moments]
"""Moments by (pace, rate class, event, "coarse" or "fine")."""


def pace_of(walking: bool, ground_speed: float) -> Pace:
    """Which part of the model tells the events; speed in leg lengths per second, either sign."""
    if walking:
        return "walk"
    return "fast" if abs(ground_speed) >= FAST_FROM else "run"


def rate_class(rate_hz: float) -> int:
    """The class whose logarithm is nearest."""
    return min(RATE_CLASSES_HZ, key=lambda c: abs(np.log(rate_hz / c)))


def moments(x: FloatArray, y: FloatArray, weight: FloatArray | None = None) -> Moments:
    """Moments of windows `x` (n, P) and times `y` (n,)."""
    w = np.full(len(y), 1.0 / len(y)) if weight is None else weight / weight.sum()
    mean, time_mean = w @ x, float(w @ y)
    dx, dy = x - mean, y - time_mean
    _u, s, vt = np.linalg.svd(dx * np.sqrt(w)[:, None], full_matrices=False)
    keep = min(FACTORS, len(s))
    return Moments(
        mean=mean,
        factor=(vt[:keep] * s[:keep, None]).T,
        cross=(w * dy) @ dx,
        time_mean=time_mean,
        time_variance=float(w @ dy**2),
    )


@dataclass(frozen=True)
class Weights:
    """The best linear predictor for one clip's noise.

    Attributes
    ----------
    weight : (Q,) array
        Spans per leg length, for the features that were seen.
    time_mean : float
    variance : float
        Expected squared error, spans squared.
    noise_variance : float
        Part of it that is landmark noise.
    factor : tuple
        Cholesky factor of the windows' covariance, noise included.
    """

    weight: FloatArray
    time_mean: float
    variance: float
    noise_variance: float
    factor: tuple[FloatArray, bool]

    def told(self, apart: FloatArray) -> float:
        """Time for a window `apart` from the mean window, spans."""
        return self.time_mean + float(self.weight @ apart)

    def strangeness(self, apart: FloatArray) -> float:
        """Mean squared standardised distance from the windows fitted on; about 1 is usual."""
        return float(apart @ cho_solve(self.factor, apart)) / len(apart)


def weights(m: Moments, noise: FloatArray, pace: Pace, usable: BoolArray | None = None) -> Weights:
    """Best linear predictor of the time from a window.

    Parameters
    ----------
    m : Moments
    noise : (P, P) array
        Covariance of the features' noise.
    pace : {"walk", "run", "fast"}
        Sets the ridge.
    usable : (P,) bool array, optional
        Features that were seen; the others are left out.
    """
    keep = np.ones(len(m.mean), dtype=np.bool_) if usable is None else usable
    f, c, n = m.factor[keep], m.cross[keep], noise[np.ix_(keep, keep)]
    factor = cho_factor(f @ f.T + n + RIDGE[pace] * np.eye(len(c)), lower=True)
    weight = cho_solve(factor, c)
    return Weights(
        weight=weight,
        time_mean=m.time_mean,
        variance=max(m.time_variance - float(weight @ c), 0.0),
        noise_variance=float(weight @ n @ weight),
        factor=factor,
    )


def to_arrays(model: Model) -> dict[str, FloatArray]:
    """Arrays for `numpy.savez_compressed`."""
    out: dict[str, FloatArray] = {}
    for (pace, rate, kind, stage), m in model.items():
        name = f"{pace}/{rate}/{kind}/{stage}"
        out[f"{name}/mean"] = m.mean.astype(np.float32)
        out[f"{name}/factor"] = m.factor.astype(np.float32)
        out[f"{name}/cross"] = m.cross.astype(np.float32)
        out[f"{name}/time"] = np.r_[m.time_mean, m.time_variance, m.extra]
    return out


@cache
def fitted_model() -> Model:
    """The model that ships with the program (fitted by `benchmarks/events_fit.py`)."""
    model: Model = {}
    kinds: tuple[EventKind, ...] = ("touchdown", "toe_off")
    with (
        resources.files("technique").joinpath("data/events_model.npz").open("rb") as file,
        np.load(file) as arrays,
    ):
        for pace, rate, kind, stage in product(PACES, RATE_CLASSES_HZ, kinds, ("coarse", "fine")):
            name = f"{pace}/{rate}/{kind}/{stage}"
            time = arrays[f"{name}/time"]
            model[pace, rate, kind, stage] = Moments(
                mean=arrays[f"{name}/mean"].astype(np.float64),
                factor=arrays[f"{name}/factor"].astype(np.float64),
                cross=arrays[f"{name}/cross"].astype(np.float64),
                time_mean=float(time[0]),
                time_variance=float(time[1]),
                extra=np.broadcast_to(time[2:], len(NOISE_LEVELS)).astype(np.float64),
            )
    return model
