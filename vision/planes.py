"""Upright pictures as brightness and colour planes, to draw on and to encode as they are.

Video is stored with one brightness value for each pixel and one pair of colour values for each
four (4:2:0). Turning that into red, green and blue and back costs more than the drawing itself.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.clip import FULL_RANGE, decoded_pictures, turned
from vision.clip_probe import ClipProbe

Pixels = NDArray[np.uint8]
Rgb = tuple[int, int, int]
Point = tuple[float, float]

BT709: Final = 1
"""Code of a colour matrix in ITU-T H.273 (matrix coefficients), as files carry it."""
LIMITED: Final = 1
_BT601: Final = (5, 6)
_UNSAID: Final = 2
_HD_HEIGHT: Final = 720
_SCALES: Final = (1.0, 0.5, 0.5)
_SHIFT: Final = 4
"""Fractional bits of the drawing positions."""


@dataclass(frozen=True)
class Coding:
    """How a file says its colours are to be understood; codes of ITU-T H.273.

    Attributes
    ----------
    matrix, primaries, transfer : int
    """

    matrix: int = BT709
    primaries: int = BT709
    transfer: int = BT709

    def luma_weights(self, height: int) -> tuple[float, float]:
        """Weights of red and blue in brightness; players take unmarked small pictures for BT.601."""
        if self.matrix in _BT601 or (self.matrix == _UNSAID and height < _HD_HEIGHT):
            return 0.299, 0.114  # ITU-R BT.601
        if self.matrix in (9, 10):
            return 0.2627, 0.0593  # ITU-R BT.2020
        return 0.2126, 0.0722  # ITU-R BT.709


@dataclass(frozen=True)
class Planes:
    """One picture, 4:2:0, 8 bits, limited range.

    Attributes
    ----------
    index : int
        Decoded frame number.
    pts_s : float
        Seconds of play-back from the first frame.
    yuv : (3 H / 2, W) uint8 array
        Brightness (H, W), then both colour differences (H/2, W/2), one after the other.
    coding : Coding
    """

    index: int
    pts_s: float
    yuv: Pixels
    coding: Coding = field(default_factory=Coding)

    @property
    def width(self) -> int:
        """Px."""
        return int(self.yuv.shape[1])

    @property
    def height(self) -> int:
        """Px."""
        return int(self.yuv.shape[0]) * 2 // 3

    def parts(self) -> tuple[Pixels, Pixels, Pixels]:
        """The three planes, views on `yuv`: (H, W), (H/2, W/2), (H/2, W/2)."""
        h, w = self.height, self.width
        flat = self.yuv.reshape(-1)
        few = (h // 2) * (w // 2)
        return (
            self.yuv[:h],
            flat[h * w : h * w + few].reshape(h // 2, w // 2),
            flat[h * w + few :].reshape(h // 2, w // 2),
        )

    def coded(self, rgb: Rgb) -> tuple[int, int, int]:
        """A colour as it is stored in the three planes."""
        return coded_colour(rgb, *self.coding.luma_weights(self.height))

    def lines(self, pieces: Sequence[tuple[Point, Point]], rgb: Rgb, width: float) -> None:
        """Straight smooth lines, px; `width` in px."""
        if not pieces:
            return
        ends = np.array(pieces, dtype=np.float64)
        fixed = {scale: list(_fixed(ends, scale)) for scale in set(_SCALES)}
        for plane, value, scale in zip(self.parts(), self.coded(rgb), _SCALES, strict=True):
            thick = max(1, round(width * scale))
            cv2.polylines(plane, fixed[scale], False, (value,), thick, cv2.LINE_AA, _SHIFT)

    def discs(self, centres: Sequence[Point], radius: float, rgb: Rgb) -> None:
        """Filled smooth discs, px."""
        if not centres:
            return
        middles = np.array(centres, dtype=np.float64)
        fixed = {scale: _fixed(middles, scale).tolist() for scale in set(_SCALES)}
        for plane, value, scale in zip(self.parts(), self.coded(rgb), _SCALES, strict=True):
            r = max(1, round(radius * scale * (1 << _SHIFT)))
            for x, y in fixed[scale]:
                cv2.circle(plane, (x, y), r, (value,), -1, cv2.LINE_AA, _SHIFT)

    def bar(self, left: float, top: float, right: float, bottom: float, rgb: Rgb, filled: bool) -> None:
        """An upright rectangle, filled or as an outline 2 px wide."""
        for plane, value, scale in zip(self.parts(), self.coded(rgb), _SCALES, strict=True):
            a, b = (round(left * scale), round(top * scale)), (round(right * scale), round(bottom * scale))
            cv2.rectangle(plane, a, b, (value,), -1 if filled else max(1, round(2 * scale)))

    def stencil(self, cover: Pixels, left: int, top: int, ink: Rgb, ground: Rgb) -> None:
        """A plate of one colour with something of another on it, text for instance.

        Parameters
        ----------
        cover : (h, w) uint8 array
            0 where the ground shows, 255 where the ink does.
        left, top : int
            Even. What reaches beyond the picture's edge is cut off.
        ink, ground : (red, green, blue)
        """
        h = min(cover.shape[0], self.height - top) // 2 * 2
        w = min(cover.shape[1], self.width - left) // 2 * 2
        if h <= 0 or w <= 0:
            return
        share = np.arange(256) / 255
        for plane, on, off, k in zip(
            self.parts(), self.coded(ink), self.coded(ground), (1, 2, 2), strict=True
        ):
            table = np.round(off + share * (on - off)).astype(np.uint8)
            plane[top // k : (top + h) // k, left // k : (left + w) // k] = table[cover[:h:k, :w:k]]


@lru_cache(maxsize=64)
def coded_colour(rgb: Rgb, red: float, blue: float) -> tuple[int, int, int]:
    """Brightness and colour differences, 8 bits, limited range, of a colour 0..255.

    Parameters
    ----------
    rgb : (red, green, blue)
    red, blue : float
        Weights of red and blue in brightness.

    References
    ----------
    ITU-T H.273 (2021), section 8.3, equations for limited range.
    """
    r, g, b = (value / 255 for value in rgb)
    luma = red * r + (1 - red - blue) * g + blue * b
    y = 16 + 219 * luma
    u = 128 + 224 * (b - luma) / (2 * (1 - blue))
    v = 128 + 224 * (r - luma) / (2 * (1 - red))
    return round(y), round(u), round(v)


def planes(
    clip: ClipProbe, *, start: int = 0, stop: int | None = None, step: int = 1, max_height: int | None = None
) -> Generator[Planes, None, None]:
    """Decode a clip into planes, in order of showing.

    Parameters
    ----------
    clip : ClipProbe
    start, stop, step : int
        As for `vision.clip.frames`.
    max_height : int, optional
        Scale down to at most this upright height. Sides are made even.

    Yields
    ------
    Planes
        Writable.

    Raises
    ------
    DamagedClip, ClipError
        As for `vision.clip.frames`.
    """
    factor = 1.0 if max_height is None else min(1.0, max_height / clip.height)
    width, height = (max(2, round(side * factor) // 2 * 2) for side in (clip.width, clip.height))
    if clip.rotation_deg % 180:
        width, height = height, width
    for index, picture in decoded_pictures(clip, start, stop, step):
        yuv = _as_stored(picture) if (picture.width, picture.height) == (width, height) else None
        if yuv is None:
            smaller = width * height < picture.width * picture.height
            ready = picture.reformat(
                width=width,
                height=height,
                format="yuv420p",
                dst_colorspace=None if _keeps_matrix(picture) else "ITU709",
                dst_color_range="MPEG",  # limited; phones record full range too
                interpolation="AREA" if smaller else "BILINEAR",
            )
            yuv = np.ascontiguousarray(ready.to_ndarray())
        yield _upright(Planes(index, clip.shown_s(index), yuv, _coding(picture)), clip)


def _as_stored(picture: Any) -> Pixels | None:
    """The planes of a picture that is stored as `Planes` wants it, copied once; None of any other."""
    if picture.format.name != "yuv420p" or int(picture.color_range) == FULL_RANGE:
        return None
    out = np.empty((picture.height * 3 // 2, picture.width), dtype=np.uint8)
    flat, done = out.reshape(-1), 0
    for plane in picture.planes:
        h, w = plane.height, plane.width
        rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:h, :w]
        flat[done : done + h * w].reshape(h, w)[:] = rows
        done += h * w
    return out


def _keeps_matrix(picture: Any) -> bool:
    return str(picture.format.name).startswith("yuv")


def _coding(picture: Any) -> Coding:
    if not _keeps_matrix(picture):
        return Coding()
    return Coding(int(picture.colorspace), int(picture.color_primaries), int(picture.color_trc))


def _upright(found: Planes, clip: ClipProbe) -> Planes:
    if not clip.mirrored and not clip.rotation_deg:
        return found
    parts = [np.ascontiguousarray(turned(part, clip)) for part in found.parts()]
    height, width = parts[0].shape
    yuv = np.concatenate([part.reshape(-1) for part in parts]).reshape(height * 3 // 2, width)
    return Planes(found.index, found.pts_s, yuv, found.coding)


def _fixed(points: NDArray[np.float64], scale: float) -> NDArray[np.int32]:
    """Positions of pixel middles in a plane, with `_SHIFT` fractional bits."""
    fixed = np.round(((points + 0.5) * scale - 0.5) * (1 << _SHIFT))
    return np.asarray(fixed, dtype=np.int32)
