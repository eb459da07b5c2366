"""People in one picture: boxes with the hip centre and the body's axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.weights import DETECTOR_SHAPES, SharedModel, Weights

FloatArray = NDArray[np.float64]
ByteImage = NDArray[np.uint8]

SIZE: Final = 224
STRIDES: Final = (8, 16, 32, 32, 32)
"""Down-sampling of the detector's layers; two anchors per cell and layer."""
MIN_SCORE: Final = 0.5
SAME_PERSON: Final = 0.3
"""Boxes that overlap more than this (intersection over union) are one person."""


@dataclass(frozen=True)
class PersonBox:
    """One detected person, in upright picture px.

    Attributes
    ----------
    score : float
        0..1.
    face : (4,) array
        The detector's own box (head and shoulders): left, top, right, bottom.
    hip : (2,) array
        Mid-hip.
    reach : (2,) array
        A point on the circle about the hip that holds the whole body, in the direction of the head.
    """

    score: float
    face: FloatArray
    hip: FloatArray
    reach: FloatArray

    @property
    def radius(self) -> float:
        """Radius of the circle about the hip that holds the whole body, px."""
        return float(np.hypot(*(self.reach - self.hip)))

    @property
    def rotation(self) -> float:
        """Turn of the body's axis from upright, rad, clockwise positive."""
        return axis_rotation(self.hip, self.reach)

    @property
    def square(self) -> FloatArray:
        """Upright square about the whole body: left, top, right, bottom."""
        return np.concatenate([self.hip - self.radius, self.hip + self.radius])

    def moved(self, scale: float, dx: float, dy: float) -> PersonBox:
        """The same box in a picture scaled by `scale`, then shifted by (dx, dy) px."""
        shift = np.array([dx, dy])
        return PersonBox(
            self.score,
            self.face * scale + np.tile(shift, 2),
            self.hip * scale + shift,
            self.reach * scale + shift,
        )


def axis_rotation(hip: FloatArray, reach: FloatArray) -> float:
    """Angle of the line hip -> reach from straight up, rad in [-pi, pi), clockwise positive."""
    dx, dy = float(reach[0] - hip[0]), float(reach[1] - hip[1])
    angle = math.pi / 2 - math.atan2(-dy, dx)
    return angle - 2 * math.pi * math.floor((angle + math.pi) / (2 * math.pi))


def anchors() -> FloatArray:
    """Centres of the detector's anchors, (2254, 2), x and y in 0..1 of the input.

    Notes
    -----
    Layers of equal stride share one grid; each cell carries two anchors per layer.
    """
    grids = []
    for stride in dict.fromkeys(STRIDES):
        cells = math.ceil(SIZE / stride)
        centre = (np.arange(cells) + 0.5) / cells
        grid = np.stack(np.meshgrid(centre, centre), axis=-1).reshape(-1, 2)
        grids.append(np.repeat(grid, 2 * STRIDES.count(stride), axis=0))
    return np.concatenate(grids)


@dataclass(frozen=True)
class Letterbox:
    """A picture fitted into a square with equal margins.

    Attributes
    ----------
    scale : float
        Square px per picture px.
    left, top : float
        Margin, square px.
    """

    scale: float
    left: float
    top: float

    def to_picture(self, xy: FloatArray) -> FloatArray:
        """Picture px of points given in square px, (..., 2)."""
        return np.asarray((xy - np.array([self.left, self.top])) / self.scale)


def letterbox(width: int, height: int, size: int = SIZE) -> Letterbox:
    """How a `width` x `height` picture is fitted into a square of `size` px."""
    scale = size / max(width, height)
    return Letterbox(scale, (size - width * scale) / 2, (size - height * scale) / 2)


def letterboxed(rgb: ByteImage, size: int = SIZE) -> tuple[ByteImage, Letterbox]:
    """The picture fitted into a black square, (size, size, 3), and how it was fitted."""
    height, width = rgb.shape[:2]
    box = letterbox(width, height, size)
    across = down = box.scale
    if box.scale < 0.5:  # more than a halving: sampling between four pixels would skip some
        small = (max(1, round(width * box.scale)), max(1, round(height * box.scale)))
        across, down = width * box.scale / small[0], height * box.scale / small[1]
        rgb = np.asarray(cv2.resize(rgb, small, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    matrix = np.array([[across, 0.0, box.left], [0.0, down, box.top]])
    fitted = cv2.warpAffine(rgb, matrix, (size, size), flags=cv2.INTER_LINEAR)
    return np.asarray(fitted, dtype=np.uint8), box


def _overlap(box: FloatArray, others: FloatArray) -> FloatArray:
    """Intersection over union of one box with (N, 4) others (left, top, right, bottom)."""
    low = np.maximum(box[:2], others[:, :2])
    high = np.minimum(box[2:], others[:, 2:])
    shared = np.prod(np.clip(high - low, 0.0, None), axis=1)
    area = np.prod(box[2:] - box[:2]) + np.prod(others[:, 2:] - others[:, :2], axis=1) - shared
    return np.asarray(shared / np.maximum(area, 1e-12))


def merged(
    scores: FloatArray, rows: FloatArray, limit: float = SAME_PERSON
) -> list[tuple[float, FloatArray]]:
    """Score-weighted means of overlapping detections, best first.

    Parameters
    ----------
    scores : (N,) array
    rows : (N, 4 + K) array
        Box (left, top, right, bottom), then anything that is averaged along with it.
    limit : float
        Overlap above which two boxes are one person.
    """
    left = np.argsort(-scores, kind="stable")
    people: list[tuple[float, FloatArray]] = []
    while left.size:
        same = _overlap(rows[left[0], :4], rows[left, :4]) > limit
        same[0] = True
        weight = scores[left[same]]
        people.append((float(scores[left[0]]), np.asarray(weight @ rows[left[same]] / weight.sum())))
        left = left[~same]
    return people


class PersonDetector:
    """Finds the people in a picture; may be called from several threads.

    Parameters
    ----------
    weights : Weights
    threads : int
    """

    def __init__(self, weights: Weights, threads: int = 1) -> None:
        self._model = SharedModel(weights.detector, DETECTOR_SHAPES, weights.name, threads)
        self._anchors = anchors()

    def __call__(self, rgb: ByteImage, min_score: float = MIN_SCORE) -> list[PersonBox]:
        """People in `rgb`, best first.

        Parameters
        ----------
        rgb : (H, W, 3) uint8 array
        min_score : float
            Detections below are dropped.

        Returns
        -------
        list of PersonBox
            In px of `rgb`.
        """
        square, fit = letterboxed(rgb)
        raw, logit = self._model(square.astype(np.float32) * np.float32(2 / 255) - np.float32(1))
        scores = 1.0 / (1.0 + np.exp(-np.clip(logit[:, 0].astype(np.float64), -100.0, 100.0)))
        keep = scores >= min_score
        rows = raw[keep].astype(np.float64)
        centre = self._anchors[keep] * SIZE
        points = fit.to_picture(rows[:, 4:8].reshape(-1, 2, 2) + centre[:, None])
        middle, half = rows[:, :2] + centre, rows[:, 2:4] / 2
        box = np.concatenate([fit.to_picture(middle - half), fit.to_picture(middle + half)], axis=1)
        return [
            PersonBox(score, row[:4], row[4:6], row[6:8])
            for score, row in merged(scores[keep], np.concatenate([box, points.reshape(-1, 4)], axis=1))
        ]
