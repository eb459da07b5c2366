"""Event times of one leg: coarse windows first, then fine windows about the estimates.

What a runner does the same in every stride is told from the mean window over the strides, where
the landmark noise is small; only the strides' differences are told one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared.analysis import EventKind
from technique.events_model import Model, Moments, Pace, Weights, rate_class, weights
from technique.events_paths import Support
from technique.events_window import COARSE, FINE, Windower, noise_covariance, window

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ROUNDS: Final = 2
"""Fine windows taken, each about the estimate before."""
LARGEST_SHIFT: Final = 0.15
"""A round may not move an event further than this share of the span."""


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


@dataclass(frozen=True)
class _Told:
    """Shift in spans, its variance in spans squared, and strangeness."""

    shift: float
    variance: float
    strangeness: float


def estimates(
    w: Windower, supports: tuple[Support, ...], kind: EventKind, model: Model, pace: Pace
) -> list[Estimate | None]:
    """Touchdowns or toe-offs of a leg's supports.

    Parameters
    ----------
    w : Windower
    supports : tuple of Support
    kind : {"touchdown", "toe_off"}
    model : Model
    pace : {"walk", "run", "fast"}

    Returns
    -------
    list of Estimate or None
        One per support; None where too little of the movement about the event was seen.
    """
    rate = rate_class(w.path.rate_hz)
    spans = [s.span_s for s in supports]
    windows = [window(w, s, s.front_s, COARSE) for s in supports]
    windows = [x if x is not None and x[1].mean() >= 0.4 else None for x in windows]
    told = _told(w, supports, windows, COARSE, model[pace, rate, kind, "coarse"], pace)
    first = [None if t is None else s.front_s + t.shift * s.span_s for s, t in zip(supports, told)]
    times = list(first)
    for _ in range(ROUNDS):
        windows = [None if t is None else window(w, s, t, FINE) for s, t in zip(supports, times)]
        windows = [x if x is not None and _seen_enough(x[1]) else None for x in windows]
        told = _told(w, supports, windows, FINE, model[pace, rate, kind, "fine"], pace)
        times = [
            None
            if t is None or before is None
            else before + float(np.clip(t.shift, -LARGEST_SHIFT, LARGEST_SHIFT)) * span
            for before, t, span in zip(times, told, spans)
        ]
    out: list[Estimate | None] = []
    for start, time, t, span in zip(first, times, told, spans):
        if start is None or time is None or t is None or abs(time - start) > 2 * LARGEST_SHIFT * span:
            out.append(None)
        else:
            out.append(Estimate(time, float(np.sqrt(t.variance)) * span, t.strangeness, start))
    return out


def _told(
    w: Windower,
    supports: tuple[Support, ...],
    windows: list[tuple[FloatArray, BoolArray] | None],
    offsets: FloatArray,
    m: Moments,
    pace: Pace,
) -> list[_Told | None]:
    """What the windows say: the mean over the whole ones, then each one's difference from it."""
    seen = [x for x in windows if x is not None]
    if not seen:
        return [None] * len(windows)
    middle = supports[len(supports) // 2]
    noise = noise_covariance(w, middle, middle.front_s, offsets)
    whole = [x[0] for x in seen if x[1].all()]
    level = float(np.sqrt(np.mean(w.path.noise[:4] ** 2)))
    single = weights(m, noise, pace)
    if whole:
        mean = np.mean(whole, axis=0)
        pooled = weights(m, noise / len(whole), pace)
        base, base_variance = pooled.told(mean - m.mean), pooled.variance
        share = 1.0 - 1.0 / len(whole)
    else:
        mean, base, base_variance, share = m.mean, m.time_mean, 0.0, 1.0
    out: list[_Told | None] = []
    for x in windows:
        if x is None:
            out.append(None)
            continue
        features, usable = x
        use: Weights = single if usable.all() else weights(m, noise, pace, usable)
        apart = (features - mean)[usable]
        shift = base + float(use.weight @ apart)
        if whole:
            variance = base_variance + share * use.noise_variance + max(use.variance - single.variance, 0.0)
        else:
            variance = use.variance
        out.append(_Told(shift, variance + m.extra_at(level), use.strangeness((features - m.mean)[usable])))
    return out


def _seen_enough(usable: BoolArray) -> bool:
    """The leg must be seen at the event itself and a little to both sides."""
    first = usable[: len(FINE)]
    middle = len(FINE) // 2
    return bool(first[middle - 2 : middle + 3].all()) and bool(first.mean() >= 0.6)
