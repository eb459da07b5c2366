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
from technique.events_window import COARSE, FINE, Windower, course_covariance, noise_covariance, window

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

ROUNDS: Final = 2
"""Fine windows taken, each about the estimate before."""
LARGEST_SHIFT: Final = 0.15
"""A round may not move an event further than this share of the span."""

POSE_ERROR: Final[dict[EventKind, float]] = {"touchdown": 0.028, "toe_off": 0.018}
"""Error (SD, spans) of a pose model's points that is the same in every stride: found on four drawn
clips seen through the pose model (docs/events.md)."""
POSE_NOISE: Final = 0.015
"""Landmark noise (SD, leg lengths) from which a track is taken to come from a pose model; below,
the error above counts in proportion."""


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
    shared_sd_s : float
        Part of `sd_s` that all strides of the clip have in common, and that no mean takes away.
    """

    time_s: float
    sd_s: float
    strangeness: float
    coarse_s: float
    shared_sd_s: float


@dataclass(frozen=True)
class _Told:
    """Shift in spans, its variance and the part all strides share in spans squared, strangeness."""

    shift: float
    variance: float
    shared: float
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
    fronts: list[float | None] = [s.front_s for s in supports]
    windows = [window(w, s, s.front_s, COARSE) for s in supports]
    windows = [x if x is not None and x[1].mean() >= 0.4 else None for x in windows]
    told = _told(w, supports, windows, COARSE, model[pace, rate, kind, "coarse"], kind, pace, fronts)
    first = [None if t is None else s.front_s + t.shift * s.span_s for s, t in zip(supports, told)]
    times = list(first)
    for _ in range(ROUNDS):
        windows = [None if t is None else window(w, s, t, FINE) for s, t in zip(supports, times)]
        windows = [x if x is not None and _seen_enough(x[1]) else None for x in windows]
        told = _told(w, supports, windows, FINE, model[pace, rate, kind, "fine"], kind, pace, times)
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
            sd, shared = (float(np.sqrt(v)) * span for v in (t.variance, t.shared))
            out.append(Estimate(time, sd, t.strangeness, start, shared))
    return out


def _told(
    w: Windower,
    supports: tuple[Support, ...],
    windows: list[tuple[FloatArray, BoolArray] | None],
    offsets: FloatArray,
    m: Moments,
    kind: EventKind,
    pace: Pace,
    centres: list[float | None],
) -> list[_Told | None]:
    """What the windows say: the mean over the whole ones, then each one's difference from it."""
    seen = [x for x in windows if x is not None]
    if not seen:
        return [None] * len(windows)
    placed = [(s, c) for s, c, x in zip(supports, centres, windows) if c is not None and x is not None]
    middle, centre = placed[len(placed) // 2]
    noise = noise_covariance(w, middle, centre, offsets)
    whole = [x[0] for x in seen if x[1].all()]
    level = float(np.sqrt(np.mean(w.path.noise[:4] ** 2)))
    course = course_covariance(w, middle, centre, offsets)
    unknown = m.extra_at(level) + (POSE_ERROR[kind] * min(1.0, level / POSE_NOISE)) ** 2
    single = weights(m, noise + course, pace)
    if whole:
        mean = np.mean(whole, axis=0)
        pooled = weights(m, noise / len(whole) + course, pace)
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
        use: Weights = single if usable.all() else weights(m, noise + course, pace, usable)
        apart = (features - mean)[usable]
        shift = base + float(use.weight @ apart)
        if whole:
            shared = base_variance + unknown
            own = share * use.noise_variance + max(use.variance - single.variance, 0.0)
        else:
            shared, own = unknown, use.variance
        strangeness = use.strangeness((features - m.mean)[usable])
        out.append(_Told(shift, shared + own, shared, strangeness))
    return out


def _seen_enough(usable: BoolArray) -> bool:
    """The leg must be seen at the event itself and a little to both sides."""
    first = usable[: len(FINE)]
    middle = len(FINE) // 2
    return bool(first[middle - 2 : middle + 3].all()) and bool(first.mean() >= 0.6)
