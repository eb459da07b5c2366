"""Where the athlete's head is in every frame, so that the face can be made unrecognisable.

Cautious on purpose: whatever the landmarks, the shoulders and the path over time say about the
head is covered, all three of them where they disagree. Where the athlete is not followed, at the
ends and in gaps, the whole strip at head height is covered from one edge of the picture to the
other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from shared import landmarks as lm
from shared.track import Track
from vision.planes import Planes

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.uint8]

# Shares of the body height: chin to crown 0.130, hip to shoulder joints 0.288 (Drillis and Contini
# 1966, as in Winter, Biomechanics and Motor Control of Human Movement, figure of segment lengths).
HEAD_HEIGHT = 0.130
TRUNK_LENGTH = 0.288
COVER_PER_HEAD = 1.6
"""Radius of what is covered over half the head's height: room for hair and for errors of landmarks."""
NECK = 0.11
"""Middle of the head above mid-shoulder as a share of body height, where no frame shows both."""
SQUARES = 4
"""The covered circle is this many squares wide: a head is two and a half."""
GAP_S = 0.1
"""So long without a head that is believed, and the strip is covered."""
STRIP_PER_RADIUS = 2.2
STEADY_S = 0.3
"""A head that is elsewhere for less than this is a mistake of the pose model."""

_FACE = slice(0, 11)
_EARS = [lm.INDEX["left_ear"], lm.INDEX["right_ear"]]


@dataclass(frozen=True)
class HeadCover:
    """What is to be covered in each decoded frame.

    Attributes
    ----------
    centres : (N, 3, 2) array
        Middles of circles, upright px: by the face's landmarks, by the shoulders, by the path over
        time; NaN where that says nothing.
    radii : (N, 3) array
        Their radii, px.
    strip : (N, 2) array
        Top and bottom of a strip across the picture, px; NaN where none is needed.
    square : (N,) array
        Side of the squares that the picture is averaged over, px.
    """

    centres: FloatArray
    radii: FloatArray
    strip: FloatArray
    square: FloatArray


def head_cover(track: Track) -> HeadCover:
    """Where the athlete's head may be in each frame of the clip.

    Parameters
    ----------
    track : Track

    Returns
    -------
    HeadCover
        For all ``track.clip.frames`` frames, also those without the athlete. Of a track without
        a single head or shoulder, the whole picture is covered.
    """
    n = max(track.clip.frames, int(track.frame[-1]) + 1 if len(track.frame) else 0)
    xy = np.full((n, lm.COUNT, 2), np.nan)
    xy[track.frame] = track.xy_px
    rate = track.clip.capture_rate_hz
    shoulder, hip = _middle(xy, "shoulder"), _middle(xy, "hip")
    face = _face_middle(xy)
    tall = np.linalg.norm(shoulder - hip, axis=1) / TRUNK_LENGTH
    without_shoulders = np.linalg.norm(face - hip, axis=1) / (TRUNK_LENGTH + NECK)
    radius = _radius(np.where(np.isfinite(tall), tall, without_shoulders), track, rate)
    body = _above_shoulders(face, shoulder, hip, radius)
    path, away_s = _path(face, body, radius, rate)
    if path is None:
        nothing = np.full((n, 3), np.nan)
        return HeadCover(
            np.full((n, 3, 2), np.nan), nothing, np.tile([0.0, float(track.clip.height)], (n, 1)), radius
        )
    doubt = radius * np.minimum(away_s / GAP_S, 3.0)
    strip = np.full((n, 2), np.nan)
    lost = away_s > GAP_S
    half = STRIP_PER_RADIUS * radius + doubt
    strip[lost, 0] = (path[:, 1] - half)[lost]
    strip[lost, 1] = (path[:, 1] + half)[lost]
    return HeadCover(
        centres=np.stack([face, body, path], axis=1),
        radii=np.stack([radius, radius, radius + doubt], axis=1),
        strip=strip,
        square=2 * radius / SQUARES,
    )


def cover_mask(cover: HeadCover, frame: int, height: int, width: int, factor: float = 1.0) -> Pixels:
    """Which pixels of a frame are covered.

    Parameters
    ----------
    cover : HeadCover
    frame : int
        Decoded frame number.
    height, width : int
        Of the picture, px.
    factor : float
        Picture px per upright px of the clip.

    Returns
    -------
    (height, width) uint8 array
        1 where covered, else 0.
    """
    mask = np.zeros((height, width), dtype=np.uint8)
    for (x, y), r in zip(cover.centres[frame], cover.radii[frame]):
        if np.isfinite([x, y, r]).all() and max(abs(x), abs(y), r) < 1e5:
            cv2.circle(mask, (round(x * factor), round(y * factor)), int(np.ceil(r * factor)), (1,), -1)
    top, bottom = cover.strip[frame] * factor
    if np.isfinite([top, bottom]).all():
        mask[max(0, int(top)) : max(0, int(np.ceil(bottom)) + 1)] = 1
    return mask


def without_face(rgb: Pixels, cover: HeadCover, frame: int, factor: float = 1.0) -> Pixels:
    """The frame with the head averaged over coarse squares; the rest as it was.

    The squares hang on the head, not on the picture, so that many frames don't add up to a
    finer picture of a face that moves across a fixed grid.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        Left as it is.
    cover : HeadCover
    frame : int
        Decoded frame number.
    factor : float
        Picture px per upright px of the clip.

    Returns
    -------
    (H, W, 3) uint8 array
    """
    frame = min(max(frame, 0), len(cover.square) - 1)
    height, width = rgb.shape[:2]
    mask = cover_mask(cover, frame, height, width, factor)
    out = rgb.copy()
    _hide(out, mask, float(cover.square[frame]) * factor)
    return out


def hide_face(picture: Planes, cover: HeadCover, factor: float = 1.0) -> None:
    """Average the head over coarse squares, in the picture itself; see `without_face`.

    Parameters
    ----------
    picture : Planes
    cover : HeadCover
    factor : float
        Picture px per upright px of the clip.
    """
    frame = min(max(picture.index, 0), len(cover.square) - 1)
    mask = cover_mask(cover, frame, picture.height, picture.width, factor)
    side = float(cover.square[frame]) * factor
    bright, *colours = picture.parts()
    _hide(bright, mask, side)
    few = mask.reshape(picture.height // 2, 2, picture.width // 2, 2).max(axis=(1, 3))
    for plane in colours:
        _hide(plane, few, side / 2)


def _hide(pixels: Pixels, mask: Pixels, square: float) -> None:
    """Average `pixels` over squares of that side where the mask is set."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return
    top, bottom, left, right = int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1
    side = max(4, round(square))
    down, across = -(-(bottom - top) // side), -(-(right - left) // side)
    part = pixels[top:bottom, left:right]
    padded = cv2.copyMakeBorder(
        part, 0, down * side - part.shape[0], 0, across * side - part.shape[1], cv2.BORDER_REPLICATE
    )
    few = cv2.resize(padded, (across, down), interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(few, (across * side, down * side), interpolation=cv2.INTER_NEAREST)
    hide = mask[top:bottom, left:right].astype(bool)
    part[hide] = coarse[: part.shape[0], : part.shape[1]][hide]


def _middle(xy: FloatArray, joint: str) -> FloatArray:
    """Middle of a left and a right joint; one alone stands for both."""
    return _mean(xy[:, [lm.index(joint, "left"), lm.index(joint, "right")]])


def _mean(points: FloatArray) -> FloatArray:
    """Mean of the finite points, (T, K, 2) to (T, 2)."""
    there = np.isfinite(points).all(axis=2)
    total = np.where(there[..., None], points, 0.0).sum(axis=1)
    with np.errstate(invalid="ignore"):
        out: FloatArray = total / np.where(there.any(axis=1), there.sum(axis=1), np.nan)[:, None]
    return out


def _face_middle(xy: FloatArray) -> FloatArray:
    """Between the ears and the rest of the face, which lies ahead of the head's middle."""
    face, ears = _mean(xy[:, _FACE]), _mean(xy[:, _EARS])
    both = 0.35 * face + 0.65 * ears
    return np.where(np.isfinite(both), both, face)


def _radius(tall: FloatArray, track: Track, rate: float) -> FloatArray:
    """(N,) radius to cover, px; follows the athlete's size in the picture, never shrinks quickly."""
    there = np.flatnonzero(np.isfinite(tall))
    typical = track.quality.runner_height_px
    whole = float(typical) if np.isfinite(typical) and typical > 0 else 0.25 * track.clip.height
    stature = np.full(len(tall), whole)
    if there.size:
        smooth = _running_median(tall[there], max(1, round(0.25 * rate)))
        stature = np.interp(np.arange(len(tall)), there, smooth)
    stature = np.clip(stature, 0.75 * np.median(stature), 3.0 * np.median(stature))
    largest = maximum_filter1d(stature, 2 * max(1, round(0.1 * rate)) + 1, mode="nearest")
    radius: FloatArray = np.maximum(COVER_PER_HEAD * 0.5 * HEAD_HEIGHT * largest, 3.0)
    return radius


def _running_median(values: FloatArray, half: int) -> FloatArray:
    """Median over up to ``2 half + 1`` values, (T,) or (T, 2).

    Windows stay symmetric (shorter at the ends), so that steady motion shifts nothing.
    """
    last = len(values) - 1
    spans = [min(half, i, last - i) for i in range(len(values))]
    return np.array([np.median(values[i - k : i + k + 1], axis=0) for i, k in enumerate(spans)])


def _above_shoulders(
    face: FloatArray, shoulder: FloatArray, hip: FloatArray, radius: FloatArray
) -> FloatArray:
    """Middle of the head as the trunk has it: its usual place over the shoulders, along the trunk."""
    trunk = shoulder - hip
    length = np.linalg.norm(trunk, axis=1, keepdims=True)
    up = np.where(np.isfinite(trunk) & (length > 1), trunk / np.maximum(length, 1), np.array([0.0, -1.0]))
    side = np.stack([-up[:, 1], up[:, 0]], axis=1)
    offset = (face - shoulder) / radius[:, None]
    there = np.isfinite(offset).all(axis=1)
    along, across = NECK / (COVER_PER_HEAD * 0.5 * HEAD_HEIGHT), 0.0
    if there.any():
        along = float(np.median((offset * up).sum(axis=1)[there]))
        across = float(np.median((offset * side).sum(axis=1)[there]))
    middle: FloatArray = shoulder + radius[:, None] * (along * up + across * side)
    return middle


def _path(
    face: FloatArray, body: FloatArray, radius: FloatArray, rate: float
) -> tuple[FloatArray | None, FloatArray]:
    """The head's path over all frames, and how far (s) each frame is from one that is believed.

    Believed: face and shoulders agree to within half a radius, and the place is within a radius of
    the running median over `STEADY_S` either way.
    """
    n = len(face)
    agreed = np.linalg.norm(face - body, axis=1) < 0.5 * radius
    at = np.where(np.isfinite(face), face, body)
    there = np.flatnonzero(agreed)
    if not there.size:
        there = np.flatnonzero(np.isfinite(at).all(axis=1))
    if not there.size:
        return None, np.zeros(n)
    middle = _running_median(at[there], max(1, round(STEADY_S * rate)))
    steady = np.linalg.norm(at[there] - middle, axis=1) < radius[there]
    there, place = there[steady], at[there][steady]
    if not there.size:
        return None, np.zeros(n)
    frames = np.arange(n)
    path = np.stack([np.interp(frames, there, place[:, k]) for k in (0, 1)], axis=1)
    few = max(2, round(0.25 * rate))
    for outside, known in ((frames < there[0], slice(0, few)), (frames > there[-1], slice(-few, None))):
        if outside.any() and len(there[known]) > 1:
            for k in (0, 1):
                slope, level = np.polyfit(there[known], place[known, k], 1)
                path[outside, k] = slope * frames[outside] + level
    after = np.searchsorted(there, frames).clip(0, len(there) - 1)
    before = (np.searchsorted(there, frames, side="right") - 1).clip(0)
    away = np.minimum(np.abs(there[after] - frames), np.abs(frames - there[before]))
    return path, away / rate
