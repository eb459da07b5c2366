"""Points sharpened by the landmark model's heat maps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class HeatCentroid:
    """How a point is moved to the warm spot of its heat map near it.

    Attributes
    ----------
    kernel : int
        Side of the neighbourhood, cells (odd).
    power : int
        Exponent of the warmth in the centroid. With 1 the lukewarm rest of the neighbourhood
        drags the centroid back to where it started.
    least : float
        A neighbourhood whose warmest cell is colder leaves the point alone.
    """

    kernel: int
    power: int
    least: float


AS_THE_LIBRARY: Final = HeatCentroid(kernel=7, power=1, least=0.5)
SHARP: Final = HeatCentroid(kernel=9, power=3, least=0.2)
"""Chosen on two rendered clips (jog and sprint from the side): knee 4.3 -> 3.5 deg, elbow 6.5 -> 4.5 deg,
toe 4.6 -> 3.1 % of body height against `AS_THE_LIBRARY`; on real footage frame-to-frame noise of the
legs went from 2.5 to 2.2 px as well. See docs/pose-modes.md for clips that were not used."""


def refined_by_heat(uv: FloatArray, heat: NDArray[np.float32], how: HeatCentroid = SHARP) -> FloatArray:
    """Points moved to the centroid of their heat map's neighbourhood, where it is warm enough.

    Parameters
    ----------
    uv : (P, 2) array
        Points as shares 0..1 of the window.
    heat : (64, 64, P) array
        Logits of the heat maps over the window.
    how : HeatCentroid

    Returns
    -------
    (P, 2) array
    """
    rows, columns = heat.shape[:2]
    reach = (how.kernel - 1) // 2
    refined = uv.copy()
    for i, (u, v) in enumerate(uv):
        column, row = int(u * columns), int(v * rows)
        if not (0 <= column < columns and 0 <= row < rows):
            continue
        top, left = max(0, row - reach), max(0, column - reach)
        patch = heat[top : row + reach + 1, left : column + reach + 1, i].astype(np.float64)
        warmth = 1.0 / (1.0 + np.exp(-patch))
        if warmth.max() < how.least:
            continue
        warmth **= how.power
        total = warmth.sum()
        refined[i, 0] = (left + warmth.sum(axis=0) @ np.arange(warmth.shape[1]) / total) / columns
        refined[i, 1] = (top + warmth.sum(axis=1) @ np.arange(warmth.shape[0]) / total) / rows
    return refined
