"""One event's time from a leg path: coarse window first, then fine windows about the estimate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.analysis import EventKind
from technique.events_model import Model, Pace, predicted, rate_class
from technique.events_paths import Support
from technique.events_window import COARSE, FINE, Windower, noise_covariance, window

BoolArray = NDArray[np.bool_]

ROUNDS = 2
"""Fine windows taken, each about the estimate before."""


@dataclass(frozen=True)
class Estimate:
    """Time of one event.

    Attributes
    ----------
    time_s : float
    sd_s : float
        Expected error, 1 SD.
    strangeness : float
        How unlike the windows the model was fitted on; about 1 is usual.
    coarse_s : float
        What the coarse window alone gave.
    """

    time_s: float
    sd_s: float
    strangeness: float
    coarse_s: float


def estimate(w: Windower, support: Support, kind: EventKind, model: Model, pace: Pace) -> Estimate | None:
    """Touchdown or toe-off of one support.

    Parameters
    ----------
    w : Windower
    support : Support
    kind : {"touchdown", "toe_off"}
    model : Model
    pace : {"walk", "run", "fast"}

    Returns
    -------
    Estimate or None
        None where too little of the movement about the event was seen.
    """
    rate = rate_class(w.path.rate_hz)
    span = support.span_s
    coarse = window(w, support, support.front_s, COARSE)
    if coarse is None or coarse[1].mean() < 0.4:
        return None
    noise = noise_covariance(w, support, support.front_s, COARSE)
    share, _variance, _ = predicted(model[pace, rate, kind, "coarse"], *coarse, noise)
    first = support.front_s + share * span
    time, variance, strangeness = first, 0.0, 0.0
    for _ in range(ROUNDS):
        fine = window(w, support, time, FINE)
        if fine is None or not _seen_enough(fine[1]):
            return None
        noise = noise_covariance(w, support, time, FINE)
        shift, variance, strangeness = predicted(model[pace, rate, kind, "fine"], *fine, noise)
        time += float(np.clip(shift, -0.15, 0.15)) * span
        if abs(time - first) > 0.3 * span:
            return None
    return Estimate(time, float(np.sqrt(variance)) * span, strangeness, first)


def _seen_enough(usable: BoolArray) -> bool:
    """The leg must be seen at the event itself and a little to both sides."""
    first = usable[: len(FINE)]
    middle = len(FINE) // 2
    return bool(first[middle - 2 : middle + 3].all()) and bool(first.mean() >= 0.6)
