"""Motion blur of the fast foot, from how wide its edges are against those of the standing foot."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from shared import landmarks as lm
from shared.landmarks import Side
from vision.scale import CHAIN_SHARE, body_size

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]

PATCH_SHARE = 0.07
"""Half side of the square looked at round a foot, over stature."""
LEAST_CONTRAST = 25.0
"""Grey levels; below it edges can't be told from noise."""
FAST_SHARE, SLOW_SHARE = 0.6, 0.15
"""A foot is fast above, and stands below, these shares of the 90th percentile of foot speed."""
LEAST_PATCHES = 8
ALL_OF_FIRST, ONE_IN = 120, 6
"""Edges are looked at in all of the first frames, then in one of so many: the median needs no more."""


def edge_width(patch: FloatArray) -> float:
    """Width, px, of the steepest edge along x in a patch: contrast over the steepest gradient.

    A straight edge smeared by a steady motion over n px is a ramp n px wide, whose contrast over
    gradient is n.

    Parameters
    ----------
    patch : (h, w) array
        Grey levels, or the difference of two pictures.

    Returns
    -------
    float
        NaN where there is too little contrast.
    """
    if min(patch.shape) < 6:
        return float("nan")
    patch = uniform_filter1d(patch, 5, axis=0)
    low, high = np.percentile(patch, [0.7, 99.3])
    contrast = max(abs(low), abs(high)) if low < 0 < high else high - low
    gradient = np.percentile(np.abs(np.diff(patch, axis=1)), 98)
    if contrast < LEAST_CONTRAST or gradient <= 0:
        return float("nan")
    return float(contrast / gradient)


NOTHING = (float("nan"), float("nan"))


class FootBlur:
    """Collects the edge widths of both feet while a clip is read; then take `blur_px`.

    The fast foot is looked at in the difference to the picture before, in which the standing
    background cancels; the standing foot, in the picture itself, shows how sharp the lens is. On drawn shoes the result is 10 to 20 % low, 30 %
    when the shutter is open all the time.
    """

    def __init__(self) -> None:
        self._before: Picture | Callable[[], Picture] | None = None
        self._frames: list[int] = []
        self._feet: dict[Side, list[FloatArray]] = {"left": [], "right": []}
        self._widths: dict[Side, list[tuple[float, float]]] = {"left": [], "right": []}

    def add(self, frame: int, picture: Picture | Callable[[], Picture], xy: FloatArray | None) -> None:
        """Take in one decoded frame with the athlete's landmarks (33, 2) px, None if there are none.

        A function that returns the picture is called only when its edges are looked at.
        """
        before, self._before = self._before, picture
        if xy is None:
            return
        self._frames.append(frame)
        seen = len(self._frames)
        looked = seen <= ALL_OF_FIRST or seen % ONE_IN == 0
        feet = {s: (xy[lm.index("heel", s)] + xy[lm.index("foot_index", s)]) / 2 for s in self._feet}
        widths: dict[Side, tuple[float, float]] = {}
        if looked:
            now, past = _grey(picture), None if before is None else _grey(before)
            half = PATCH_SHARE * body_size(xy[None]).median_px / CHAIN_SHARE
            widths = {side: _widths(now, past, foot, half) for side, foot in feet.items()}
        for side, foot in feet.items():
            self._feet[side].append(foot)
            self._widths[side].append(widths.get(side, NOTHING))

    def blur_px(self) -> float:
        """Smear of the foot at its 90th percentile speed, px; NaN when it can't be told."""
        frames = np.array(self._frames)
        fast: list[float] = []
        slow: list[float] = []
        speeds = {s: _speed(frames, np.array(f)) for s, f in self._feet.items() if len(f) > 4}
        everything = np.concatenate([v[np.isfinite(v)] for v in speeds.values()]) if speeds else np.zeros(0)
        if len(everything) < LEAST_PATCHES:
            return float("nan")
        top = float(np.percentile(everything, 90))
        for side, v in speeds.items():
            widths = np.array(self._widths[side])
            fast += widths[v > FAST_SHARE * top, 1].tolist()
            slow += widths[v < SLOW_SHARE * top, 0].tolist()
        seen = np.array(fast)[np.isfinite(fast)]
        sharp = np.array(slow)[np.isfinite(slow)]
        if len(seen) < LEAST_PATCHES or len(sharp) < LEAST_PATCHES:
            return float("nan")
        wide, base = float(np.median(seen)), float(np.median(sharp))
        return float(np.sqrt(max(wide**2 - base**2, 0.0)))


def _grey(picture: Picture | Callable[[], Picture]) -> Picture:
    found = picture() if callable(picture) else picture
    return found[..., 1] if found.ndim == 3 else found


def _widths(grey: Picture, before: Picture | None, foot: FloatArray, half: float) -> tuple[float, float]:
    """Edge width in the picture and in the difference to the picture before."""
    if not (np.isfinite(foot).all() and np.isfinite(half)):
        return NOTHING
    x0, y0 = (np.maximum(foot - half, 0)).astype(int)
    x1, y1 = (foot + half).astype(int) + 1
    now = grey[y0:y1, x0:x1].astype(float)
    if min(now.shape) < 6:
        return NOTHING
    change = np.zeros_like(now) if before is None else now - before[y0:y1, x0:x1]
    return edge_width(now), edge_width(change)


def _speed(frames: NDArray[np.int64], foot: FloatArray) -> FloatArray:
    """Speed (T,) px a frame along x, NaN where frames are missing."""
    apart = np.gradient(frames.astype(float))
    step = np.gradient(foot[:, 0]) / np.maximum(apart, 1e-9)
    return np.where(apart < 1.5 * np.median(apart), np.abs(step), np.nan)
