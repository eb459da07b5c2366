"""Landmarks of one person inside a window of one picture.

The weights are run directly, without the library's own graph: that costs less per frame, lets
the caller choose the window, and involves no smoothing over past frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from vision.heat import SHARP, HeatCentroid, refined_by_heat
from vision.person_detector import PersonBox, PersonDetector, axis_rotation
from vision.views import DOUBT, PLAIN, Effort, View, agreed, disagreement, view_plan
from vision.weights import LANDMARK_SHAPES, SharedModel, Weights, pose_weights

FloatArray = NDArray[np.float64]
ByteImage = NDArray[np.uint8]
Border = Literal["black", "replicate"]

SIZE: Final = 256
POINTS: Final = 39
CENTRE, REACH = 33, 34
"""Auxiliary points: mid-hip, and a point on the circle about it that holds the whole body."""
MARGIN: Final = 1.25
"""Side of the window over the diameter of the body's circle."""

_EXCHANGED: Final = np.array(
    [
        lm.INDEX[name.replace("left", "\0").replace("right", "left").replace("\0", "right")]
        for name in lm.NAMES
    ]
    + list(range(lm.COUNT, POINTS))
)
"""Index of the same landmark on the other side of the body."""


@dataclass(frozen=True)
class Window:
    """A square of the picture, turned about its centre.

    Attributes
    ----------
    x, y : float
        Centre, px.
    side : float
        Length of a side, px.
    rotation : float
        Clockwise turn, rad.
    """

    x: float
    y: float
    side: float
    rotation: float = 0.0

    def to_picture(self, uv: FloatArray) -> FloatArray:
        """Picture px of points given as shares 0..1 of the window, (..., 2)."""
        matrix = self._matrix()
        return np.asarray(uv @ matrix[:, :2].T + matrix[:, 2])

    def from_picture(self, xy: FloatArray) -> FloatArray:
        """Shares 0..1 of the window of points in picture px, (..., 2)."""
        matrix = self._matrix()
        return np.asarray((xy - matrix[:, 2]) @ np.linalg.inv(matrix[:, :2]).T)

    def scaled(self, factor: float) -> Window:
        """The same window with its side multiplied by `factor`."""
        return Window(self.x, self.y, self.side * factor, self.rotation)

    def _matrix(self) -> FloatArray:
        cos, sin = math.cos(self.rotation) * self.side, math.sin(self.rotation) * self.side
        return np.array(
            [
                [cos, -sin, self.x - (cos - sin) / 2],
                [sin, cos, self.y - (sin + cos) / 2],
            ]
        )


@dataclass(frozen=True)
class PoseResult:
    """What the landmark model saw in one window.

    Attributes
    ----------
    xy_px : (33, 2) array
        Picture position, px, y down.
    depth_px : (33,) array
        Depth relative to the mid-hip on the scale of picture px; smaller = nearer.
    visibility, presence : (33,) array
        Probabilities 0..1: in view and not hidden; inside the window.
    score : float
        Probability that the window holds a person, 0..1.
    centre, reach : (2,) array
        Mid-hip, and a point on the circle about it that holds the whole body, px.
    window : Window
        Where the model looked.
    """

    xy_px: FloatArray
    depth_px: FloatArray
    visibility: FloatArray
    presence: FloatArray
    score: float
    centre: FloatArray
    reach: FloatArray
    window: Window

    @property
    def radius(self) -> float:
        """Radius of the circle about the mid-hip that holds the whole body, px."""
        return float(np.hypot(*(self.reach - self.centre)))


def body_window(person: PersonBox | PoseResult, margin: float = MARGIN, turned: bool = True) -> Window:
    """The window to look for landmarks in.

    Parameters
    ----------
    person : PersonBox or PoseResult
        A detection, or the landmarks of the frame before.
    margin : float
        Side of the window over the diameter of the body's circle.
    turned : bool
        Turn the window with the body's axis.
    """
    centre = person.hip if isinstance(person, PersonBox) else person.centre
    return Window(
        float(centre[0]),
        float(centre[1]),
        2 * person.radius * margin,
        axis_rotation(centre, person.reach) if turned else 0.0,
    )


def window_picture(rgb: ByteImage, window: Window, border: Border = "black", area: bool = False) -> ByteImage:
    """The window cut out of the picture, (256, 256, 3).

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
    window : Window
        May reach beyond the picture.
    border : {"black", "replicate"}
        What is seen beyond the picture.
    area : bool
        Average over the source pixels when shrinking, instead of sampling between four of them.
    """
    matrix = window._matrix()
    mode = cv2.BORDER_CONSTANT if border == "black" else cv2.BORDER_REPLICATE
    shrink = int(window.side / SIZE) if area else 1
    size = SIZE * max(1, shrink)
    scaled = np.column_stack([matrix[:, :2] / size, matrix[:, 2]])
    if size > SIZE:  # keep each coarse pixel's middle where plain sampling has it
        scaled[:, 2] -= scaled[:, :2].sum(axis=1) * (shrink - 1) / 2
    cut = cv2.warpAffine(
        rgb, scaled, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=mode
    )
    if size > SIZE:
        cut = cv2.resize(cut, (SIZE, SIZE), interpolation=cv2.INTER_AREA)
    return np.asarray(cut, dtype=np.uint8)


class PoseEngine:
    """People and their landmarks, one picture at a time; keeps nothing between pictures.

    May be called from several threads, with the same results.

    Parameters
    ----------
    weights : Weights, optional
        Default: the installed weights.
    threads : int
        Threads of the interpreters.
    effort : {"quick", "standard", "high"}
    rate_hz : float
        Pictures per second of running; with `effort` it decides which looks each picture gets (see
        `vision.views.view_plan`).
    heat : HeatCentroid or None
        How points are sharpened by the heat maps; None: not.
    border, area
        See `window_picture`.

    Raises
    ------
    OptionError
        If the weights can't be run.
    """

    def __init__(
        self,
        weights: Weights | None = None,
        threads: int = 1,
        *,
        effort: Effort = "standard",
        rate_hz: float = 30.0,
        heat: HeatCentroid | None = SHARP,
        border: Border = "black",
        area: bool = False,
    ) -> None:
        weights = pose_weights() if weights is None else weights
        self.name = weights.name
        self.plan = view_plan(effort, rate_hz)
        self.heat = heat
        self.border: Border = border
        self.area = area
        self._detector = PersonDetector(weights, threads)
        self._model = SharedModel(weights.landmarks, LANDMARK_SHAPES, weights.name, threads)

    def detect(self, rgb: ByteImage, min_score: float = 0.5) -> list[PersonBox]:
        """People in the whole picture, best first."""
        return self._detector(rgb, min_score)

    def landmarks(self, rgb: ByteImage, window: Window, quick: bool = False, turn: int = 0) -> PoseResult:
        """Landmarks of the person inside `window`.

        Parameters
        ----------
        rgb : (H, W, 3) uint8 array
        window : Window
        quick : bool
            One look, whatever the engine's effort.
        turn : int
            Number of the picture among those looked at; successive pictures may get other looks.

        Returns
        -------
        PoseResult
            Always filled; `score` tells whether there is a person.
        """
        turns = self.plan.turns
        views = (PLAIN,) if quick else turns[turn % len(turns)]
        looks = [self._look(rgb, window, view) for view in views]
        if len(looks) > 1 and disagreement(np.array([points for points, _ in looks])) > DOUBT:
            looks += [self._look(rgb, window, view) for view in self.plan.on_doubt]
        points = agreed(np.array([points for points, _ in looks]))
        score = float(np.median([score for _, score in looks]))
        xy = window.to_picture(points[:, :2])
        return PoseResult(
            xy_px=xy[: lm.COUNT],
            depth_px=points[: lm.COUNT, 2] * window.side,
            visibility=points[: lm.COUNT, 3],
            presence=points[: lm.COUNT, 4],
            score=score,
            centre=xy[CENTRE],
            reach=xy[REACH],
            window=window,
        )

    def _look(self, rgb: ByteImage, window: Window, view: View) -> tuple[FloatArray, float]:
        """One view's points in shares of `window` (see `_points`), and person score."""
        cut = window_picture(rgb, window.scaled(view.scale), self.border, self.area)
        if view.mirrored:
            cut = np.ascontiguousarray(cut[:, ::-1])
        points, score = self._points(cut.astype(np.float32) / np.float32(255))
        if view.mirrored:
            points = points[_EXCHANGED]
            # sample i of the mirrored picture is sample 255 - i of the plain one
            points[:, 0] = (SIZE - 1) / SIZE - points[:, 0]
        points[:, :2] = (points[:, :2] - 0.5) * view.scale + 0.5
        points[:, 2] *= view.scale
        return points, score

    def _points(self, cut: NDArray[np.float32]) -> tuple[FloatArray, float]:
        """x, y, z (shares of the window), visibility, presence of all 39 points; person score."""
        raw, flag, heat = self._model(cut)
        points = raw.astype(np.float64).reshape(POINTS, 5)
        points[:, :3] /= SIZE
        points[:, 3:] = 1.0 / (1.0 + np.exp(-points[:, 3:]))
        if self.heat is not None:
            points[:, :2] = refined_by_heat(points[:, :2], heat, self.heat)
        return points, float(flag[0])
