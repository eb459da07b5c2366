"""How the camera moved, from the background, frame by frame while the clip is read."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera_motion import (
    MIN_MATCHES,
    CameraMotion,
    Match,
    motion_from_matches,
    similarity,
    still_motion,
)
from vision.roll import RollEvidence, roll_from_lines

__all__ = ["BackgroundMotion", "CameraMotion", "still_motion"]

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]
Box = tuple[float, float, float, float]

WORK_AREA = 480 * 854
CORNERS = 75
SURE = 0.5
"""Share of points moving together below which the picture as a whole is asked too."""
KEY_SHIFT = 0.22
"""A new key frame is taken when the picture has moved by this share of its width."""
PATIENCE = 5
"""Looks without a match before the key frame is given up."""
TRIPOD_PX = 0.35
"""Working-scale px: corners of the picture that move less than this have not moved."""


class BackgroundMotion:
    """Follows background points through a clip; feed every decoded frame, then take `result`.

    Points are matched against a key frame and not from frame to frame, so that errors do not add
    up while the camera stays about where it is.

    Parameters
    ----------
    width, height : int
        Upright picture size, px.
    capture_rate_hz : float
        Frames per real second; at high rates only every second to eighth frame is looked at.
    """

    def __init__(self, width: int, height: int, capture_rate_hz: float) -> None:
        self._size = (width, height)
        factor = max(1.0, float(np.sqrt(width * height / WORK_AREA)))
        self._stride = max(1, int(factor / 2 + 0.01))
        inner = (-(-width // self._stride), -(-height // self._stride))
        self._work = (round(width / factor), round(height / factor)) if factor > 1 else inner
        self._window = cv2.createHanningWindow(self._work, cv2.CV_32F)
        self._step = np.array([inner[0] / self._work[0], inner[1] / self._work[1]])
        self._slow, self._fast = max(1, round(capture_rate_hz / 30)), max(1, round(capture_rate_hz / 60))
        self._rate = capture_rate_hz
        self._skip = 0
        self._misses = 0
        self._frames: list[int] = []
        self._matches: list[Match] = []
        self._keys: list[int] = []
        self._breaks: set[int] = set()
        self._pending: tuple[int, Picture | Callable[[], Picture], Box | None] | None = None
        self._key_grey: Picture = np.zeros((0, 0), np.uint8)
        self._corners = np.zeros((0, 1, 2), np.float32)
        self._guess, self._seen_row, self._speed = np.eye(2, 3), 0, np.zeros(2)
        self._key_box: Box | None = None
        self._brightness: list[float] = []
        self._lines: tuple[RollEvidence, ...] = ()

    def add(self, frame: int, picture: Picture | Callable[[], Picture], box: Box | None = None) -> None:
        """Take in one decoded frame.

        Parameters
        ----------
        frame : int
            Decoded frame number, increasing.
        picture : (H, W) or (H, W, 3) uint8 array, or a function that returns it
            Upright picture; any channel order. Not every frame is looked at: a function is then not called.
        box : (x0, y0, x1, y1), optional
            The athlete, px; points in it are left out.

        Raises
        ------
        ValueError
            If the picture does not have the stated size.
        """
        if not callable(picture):
            self._check(picture)
        self._frames.append(frame)
        if self._skip > 0:
            self._skip -= 1
            self._pending = (len(self._frames) - 1, picture, box)
            return
        self._look(len(self._frames) - 1, picture, box)

    def _check(self, picture: Picture) -> None:
        if picture.shape[:2] != (self._size[1], self._size[0]):
            raise ValueError(f"`picture` must be {self._size[::-1]}, got {picture.shape[:2]}")

    def _grey(self, picture: Picture) -> Picture:
        k = self._stride
        channel = picture[::k, ::k, 1] if picture.ndim == 3 else picture[::k, ::k]
        grey = np.ascontiguousarray(channel)
        if grey.shape[::-1] != self._work:
            grey = np.asarray(cv2.resize(grey, self._work, interpolation=cv2.INTER_LINEAR), np.uint8)
        return grey

    def _to_picture(self, xy: FloatArray) -> FloatArray:
        return np.asarray(((xy + 0.5) * self._step - 0.5) * self._stride, float)

    def _to_work(self, xy: FloatArray) -> FloatArray:
        return np.asarray((xy / self._stride + 0.5) / self._step - 0.5, float)

    def _look(self, row: int, picture: Picture | Callable[[], Picture], box: Box | None) -> None:
        self._pending = None
        if callable(picture):
            picture = picture()
            self._check(picture)
        grey = self._grey(picture)
        self._brightness.append(float(grey[::4, ::4].mean()))
        if not self._keys:
            self._take_key(row, grey, box)
            self._lines = tuple(self._line_evidence(grey, box))
            n = self._picture_corners().copy()
            self._matches.append(Match(row, 0, n, n, np.eye(2, 3), float(len(n) >= MIN_MATCHES), 0.0))
            self._skip = self._fast - 1
            return
        match = self._match(row, grey, box)
        if match is None or match.confidence < SURE:
            match = self._checked(row, grey, box, match)
        if match is None:
            middle = np.array(self._work) / 2
            carried = self._guess[:, :2] @ middle + self._guess[:, 2] - middle
            carried = carried + self._speed * (row - self._seen_row)
            self._matches.append(self._shifted(row, carried, 0.0))
            self._misses += 1
            self._skip = self._fast - 1
            if self._misses > PATIENCE or len(self._corners) < MIN_MATCHES:
                if len(self._corners) >= MIN_MATCHES:
                    self._breaks.add(len(self._keys))
                self._take_key(row, grey, box)
            return
        self._misses = 0
        self._predict(row, match)
        travelled = float(np.linalg.norm(match.transform[:, 2] - self._matches[-1].transform[:, 2]))
        self._matches.append(match)
        shift = float(np.abs(np.median(match.xy - match.key_xy, axis=0)).max())
        few = len(self._corners) * (0.25 if shift < 0.05 * self._size[0] else 0.6)
        worn = np.isfinite(match.residual_px) and len(match.xy) < few
        if shift > KEY_SHIFT * self._size[0] or worn:
            self._take_key(row, grey, box)
            travelled = np.inf
        self._skip = (self._slow if travelled < 0.002 * self._size[0] else self._fast) - 1

    def _line_evidence(self, grey: Picture, box: Box | None) -> list[RollEvidence]:
        x, y = np.meshgrid(np.arange(self._work[0]), np.arange(self._work[1]))
        at = self._to_picture(np.column_stack([x.ravel(), y.ravel()]).astype(float))
        return roll_from_lines(grey, self._outside(at, box).reshape(grey.shape))

    def _picture_corners(self) -> FloatArray:
        return self._to_picture(self._corners[:, 0].astype(float))

    def _outside(self, xy: FloatArray, box: Box | None) -> NDArray[np.bool_]:
        if box is None or not np.all(np.isfinite(box)):
            return np.ones(len(xy), bool)
        x0, y0, x1, y1 = box
        mx, my = 0.15 * (x1 - x0), 0.10 * (y1 - y0)
        inside = (xy[:, 0] > x0 - mx) & (xy[:, 0] < x1 + mx) & (xy[:, 1] > y0 - my) & (xy[:, 1] < y1 + my)
        return np.asarray(~inside)

    def _take_key(self, row: int, grey: Picture, box: Box | None) -> None:
        found = cv2.goodFeaturesToTrack(grey, 2 * CORNERS, 0.008, max(4.0, self._work[0] / 60), blockSize=5)
        corners = np.zeros((0, 1, 2), np.float32) if found is None else np.asarray(found, np.float32)
        keep = self._outside(self._to_picture(corners[:, 0].astype(float)), box)
        self._corners = corners[keep][:CORNERS]
        self._key_grey = grey
        self._keys.append(row)
        self._guess, self._seen_row = np.eye(2, 3), row
        self._key_box = box

    def _match(self, row: int, grey: Picture, box: Box | None) -> Match | None:
        if len(self._corners) < MIN_MATCHES:
            return None
        ahead = self._guess[:, 2] + self._speed * (row - self._seen_row)
        start = (self._corners[:, 0] @ self._guess[:, :2].T + ahead).astype(np.float32)
        inside = np.all((start > 4) & (start < np.array(self._work) - 4), axis=1)
        inside &= self._outside(self._to_picture(start.astype(float)), box)
        if inside.sum() < MIN_MATCHES:
            return None
        source, start = self._corners[inside], np.ascontiguousarray(start[inside])[:, None]
        moved, found, _ = cv2.calcOpticalFlowPyrLK(
            self._key_grey,
            grey,
            source,
            start.copy(),
            winSize=(17, 17),
            maxLevel=3,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 20, 0.01),
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )
        good = found[:, 0].astype(bool) & self._outside(self._to_picture(moved[:, 0].astype(float)), box)
        if good.sum() < MIN_MATCHES:
            return None
        a, b = source[good][:, 0].astype(float), moved[good][:, 0].astype(float)
        wide = np.abs(np.median(b - a, axis=0)).max() > 0.03 * self._work[0]
        if wide:
            _, mask = cv2.findHomography(b, a, cv2.USAC_MAGSAC, 1.0, confidence=0.995, maxIters=500)
        else:
            _, mask = cv2.estimateAffinePartial2D(b, a, ransacReprojThreshold=0.8, maxIters=500)
        kept = np.zeros(len(a), bool) if mask is None else mask[:, 0].astype(bool)
        if kept.sum() < MIN_MATCHES:
            return None
        share = float(kept.sum() / len(a))
        key_xy, xy = self._to_picture(a[kept]), self._to_picture(b[kept])
        back = similarity(xy, key_xy)
        residual = float(np.sqrt(np.mean(np.sum((xy @ back[:, :2].T + back[:, 2] - key_xy) ** 2, axis=1))))
        return Match(row, len(self._keys) - 1, key_xy, xy, back, share, residual)

    def _predict(self, row: int, match: Match) -> None:
        """Remember where the points are now and how fast the picture moves."""
        here = similarity(self._to_work(match.key_xy), self._to_work(match.xy))
        centre = np.array(self._work) / 2
        at = here[:, :2] @ centre + here[:, 2]
        self._speed = (at - (self._guess[:, :2] @ centre + self._guess[:, 2])) / max(row - self._seen_row, 1)
        self._guess, self._seen_row = here, row

    def _without(self, fine: NDArray[np.float32], box: Box | None) -> NDArray[np.float32]:
        """The fine structure with nothing where the athlete is."""
        if box is None or not np.all(np.isfinite(box)):
            return fine
        x0, y0, x1, y1 = np.clip(self._to_work(np.array(box).reshape(2, 2)), 0, None).astype(int).ravel()
        fine[y0:y1, x0:x1] = 0
        return fine

    def _checked(self, row: int, grey: Picture, box: Box | None, match: Match | None) -> Match | None:
        """The doubtful `match`, or the shift of the whole picture where that contradicts it.

        Grass, gravel and fog give few good corners, but the picture as a whole still correlates.
        """
        before = self._without(_fine(self._key_grey), self._key_box)
        now = self._without(_fine(grey), box)
        (dx, dy), response = cv2.phaseCorrelate(before, now, self._window)
        if response < 0.08:
            return match
        whole = np.array([dx, dy])
        if match is not None:
            by_points = np.median(self._to_work(match.xy) - self._to_work(match.key_xy), axis=0)
            if _disagreement(before, now, by_points) <= _disagreement(before, now, whole):
                return match
        kept = self._guess, self._seen_row
        self._guess, self._seen_row = np.column_stack([np.eye(2), whole]), row
        again = self._match(row, grey, box)
        self._guess, self._seen_row = kept
        if again is not None and again.confidence >= SURE:
            return again
        return self._shifted(row, whole, min(float(response), 0.5))

    def _shifted(self, row: int, shift: FloatArray, confidence: float) -> Match:
        """A match that moves the whole picture by `shift` working px, for want of points."""
        x, y = np.meshgrid(np.linspace(0.1, 0.9, 6), np.linspace(0.1, 0.9, 4))
        key_xy = np.column_stack([x.ravel() * self._size[0], y.ravel() * self._size[1]])
        by = self._to_picture(shift) - self._to_picture(np.zeros(2))
        transform = np.column_stack([np.eye(2), -by])
        return Match(row, len(self._keys) - 1, key_xy, key_xy + by, transform, confidence, np.nan)

    def result(self) -> CameraMotion:
        """The motion over all frames fed so far.

        Raises
        ------
        ValueError
            If no frame was fed.
        """
        if not self._frames:
            raise ValueError("no frame was fed")
        if self._pending is not None:
            self._look(*self._pending)
        tripod = TRIPOD_PX * self._stride * float(self._step[0])
        return motion_from_matches(
            self._frames,
            self._matches,
            self._keys,
            self._breaks,
            self._size,
            tripod,
            self._rate,
            self._lines,
            float(np.median(self._brightness)),
        )


def _fine(grey: Picture) -> NDArray[np.float32]:
    """The fine structure of a picture, flattened so that no single bright or dark thing rules."""
    g = grey.astype(np.float32)
    return np.clip(g - cv2.blur(g, (17, 17)), -20, 20)


def _disagreement(before: NDArray[np.float32], now: NDArray[np.float32], shift: FloatArray) -> float:
    """Mean capped difference of `now` from `before` moved by `shift` px; the larger area decides."""
    m = np.column_stack([np.eye(2), shift])
    moved = cv2.warpAffine(before, m, before.shape[::-1], borderValue=(1e3,))
    return float(np.mean(np.minimum(np.abs(moved - now), 12.0)))
