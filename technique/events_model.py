"""Linear prediction of event times from leg windows, aware of the clip's own landmark noise.

The data file holds, for each frame-rate class, event and stage, the mean of the windows, their
covariance (as a low-rank factor) and their covariance with the event's time. The weights are
solved for each event with the noise of this clip and with only the samples that were seen, which
gives the best linear prediction and its expected error together.
"""

from __future__ import annotations

from dataclasses import dataclass
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
RIDGE: Final = 1e-6
"""Variance added to every feature (leg lengths squared): 1 mm of unmodelled difference at 1 m."""
FACTORS: Final = 48
"""Directions kept of each covariance."""


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
    extra_variance : float
        Error variance on runners not used in fitting beyond what the moments expect, spans squared.
    """

    mean: FloatArray
    factor: FloatArray
    cross: FloatArray
    time_mean: float
    time_variance: float
    extra_variance: float = 0.0


Pace = Literal["walk", "run", "fast"]
Key = tuple[Pace, int, EventKind, str]
Model = dict[Key, Moments]
"""Moments by (pace, rate class, event, "coarse" or "fine")."""
PACES: Final[tuple[Pace, ...]] = ("walk", "run", "fast")
FAST_FROM: Final = 5.8
"""Ground speed from which the pace is "fast", leg lengths per second (about 5 m/s)."""


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


def predicted(m: Moments, x: FloatArray, usable: BoolArray, noise: FloatArray) -> tuple[float, float, float]:
    """Best linear prediction of the time from one window.

    Parameters
    ----------
    m : Moments
    x : (P,) array
        Features.
    usable : (P,) bool array
        Features that were seen; the others are left out.
    noise : (P, P) array
        Covariance of their noise.

    Returns
    -------
    time : float
        Spans.
    variance : float
        Expected squared error, spans squared, with the extra of unknown runners.
    strangeness : float
        Mean squared standardised distance of the window from those fitted; about 1 is usual.
    """
    f, c = m.factor[usable], m.cross[usable]
    dx = x[usable] - m.mean[usable]
    cov = f @ f.T + noise[np.ix_(usable, usable)] + RIDGE * np.eye(len(dx))
    factor = cho_factor(cov, lower=True)
    weights = cho_solve(factor, c)
    variance = max(m.time_variance - float(weights @ c), 0.0) + m.extra_variance
    strangeness = float(dx @ cho_solve(factor, dx)) / len(dx)
    return m.time_mean + float(weights @ dx), variance, strangeness


def to_arrays(model: Model) -> dict[str, FloatArray]:
    """Arrays for `numpy.savez_compressed`."""
    out: dict[str, FloatArray] = {}
    for (pace, rate, kind, stage), m in model.items():
        name = f"{pace}/{rate}/{kind}/{stage}"
        out[f"{name}/mean"] = m.mean.astype(np.float32)
        out[f"{name}/factor"] = m.factor.astype(np.float32)
        out[f"{name}/cross"] = m.cross.astype(np.float32)
        out[f"{name}/time"] = np.array([m.time_mean, m.time_variance, m.extra_variance])
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
                extra_variance=float(time[2]),
            )
    return model
