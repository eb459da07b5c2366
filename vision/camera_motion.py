"""The camera's motion over a clip, put together from what was matched frame by frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision.pan import Focal, focal_from_pan, picture_centre, rays, rotation_between, usual_focal
from vision.roll import RollEvidence

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MIN_MATCHES = 10
STILL_SHIFT = 0.08
"""Below this share of the picture width, the camera counts as still (hand shake is taken out)."""
WIDE_SHIFT = 0.12
"""Above this share of the picture width, rotations replace shift-turn-zoom transforms."""


@dataclass(frozen=True)
class CameraMotion:
    """Where the background of each frame lies in the first (reference) frame.

    Attributes
    ----------
    frame : (T,) int array
        Decoded frame numbers, every one that was fed.
    transforms : (T, 2, 3) array
        Shift, turn and zoom that take picture px of the frame to picture px of the reference.
        After a wide pan they are only a rough guide; `rotvec` is then exact.
    confidence : (T,) array
        0..1, share of background points that moved together; 0 where it can't be judged.
    residual_px : (T,) array
        RMS distance of those points from the transform, picture px.
    width, height : int
        Picture size, px.
    rotvec : (T, 3) array or None
        Rotation vector frame to reference, rad, when the camera panned widely; else None.
    focal : Focal
        Focal length, measured from the pan or the usual one of a phone.
    shift_share : float
        Largest move of the picture centre along x between any two frames, over picture width.
    shake_px : float
        RMS of the move of the picture centre about its course over half a second, picture px.
    brightness : float
        Median over frames of the mean grey, 0..255; NaN when unknown.
    lines : tuple of RollEvidence
        Roll of the first frame as its background lines show it.
    notes : tuple of str
    """

    frame: IntArray
    transforms: FloatArray
    confidence: FloatArray
    residual_px: FloatArray
    width: int
    height: int
    rotvec: FloatArray | None
    focal: Focal
    shift_share: float
    shake_px: float
    brightness: float = float("nan")
    lines: tuple[RollEvidence, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def moved(self) -> bool:
        """True when the camera followed something; hand shake alone does not count."""
        return self.shift_share > STILL_SHIFT

    def at(self, frames: IntArray) -> IntArray:
        """Row of each decoded frame number; the nearest earlier row for frames not fed."""
        return np.clip(np.searchsorted(self.frame, frames, side="right") - 1, 0, len(self.frame) - 1)


@dataclass(frozen=True)
class Match:
    """Points of a key frame found again in a frame, picture px, and the transform between."""

    row: int
    key: int
    key_xy: FloatArray
    xy: FloatArray
    transform: FloatArray
    confidence: float
    residual_px: float


def still_motion(frames: IntArray, width: int, height: int) -> CameraMotion:
    """The motion of a camera known to stand still."""
    t = len(frames)
    return CameraMotion(
        np.asarray(frames, np.int64),
        np.tile(np.eye(2, 3), (t, 1, 1)),
        np.ones(t),
        np.zeros(t),
        width,
        height,
        None,
        usual_focal(width, height),
        0.0,
        0.0,
    )


def similarity(source: FloatArray, target: FloatArray) -> FloatArray:
    """Shift, turn and zoom (2, 3) that best takes points `source` (N, 2) to `target` (N, 2).

    References
    ----------
    Umeyama S (1991), IEEE Trans Pattern Anal Mach Intell 13:376 (least squares, no reflection).
    """
    ms, mt = source.mean(axis=0), target.mean(axis=0)
    s, t = source - ms, target - mt
    norm = float(np.sum(s**2))
    a = float(np.sum(s * t)) / norm
    b = float(np.sum(s[:, 0] * t[:, 1] - s[:, 1] * t[:, 0])) / norm
    m = np.array([[a, -b], [b, a]])
    return np.column_stack([m, mt - m @ ms])


def joined(outer: FloatArray, inner: FloatArray) -> FloatArray:
    """The (2, 3) transform that applies `inner` first, then `outer`."""
    return np.column_stack([outer[:, :2] @ inner[:, :2], outer[:, :2] @ inner[:, 2] + outer[:, 2]])


def _spread_over_frames(rows: IntArray, values: FloatArray, count: int) -> FloatArray:
    """Linear interpolation of `values` (n, k), known at `rows`, over all `count` rows."""
    return np.column_stack([np.interp(np.arange(count), rows, column) for column in values.T])


def motion_from_matches(
    frames: list[int],
    matches: list[Match],
    keys: list[int],
    breaks: set[int],
    size: tuple[int, int],
    tripod_px: float,
    rate_hz: float,
    lines: tuple[RollEvidence, ...],
    brightness: float,
) -> CameraMotion:
    width, height = size
    by_row = {m.row: m for m in matches}
    key_to_ref = [np.eye(2, 3)]
    for row in keys[1:]:
        m = by_row[row]
        key_to_ref.append(joined(key_to_ref[m.key], m.transform))
    looked = [joined(key_to_ref[m.key], m.transform) for m in matches]
    rows = np.array([m.row for m in matches])
    count = len(frames)
    params = np.array([[m[0, 0], m[1, 0], *(m[:, :2] @ picture_centre(*size) + m[:, 2])] for m in looked])
    p = _spread_over_frames(rows, params, count)
    centre = picture_centre(*size)
    corner_move = np.abs(params[:, 2:] - params[:1, 2:]).max() + np.hypot(
        params[:, 0] - 1, params[:, 1]
    ).max() * float(np.hypot(*centre))
    if corner_move < tripod_px and not breaks:
        p = np.tile(np.array([1.0, 0.0, *centre]), (count, 1))
    linear = np.stack([np.stack([p[:, 0], -p[:, 1]], 1), np.stack([p[:, 1], p[:, 0]], 1)], 1)
    shift = p[:, 2:] - np.einsum("tij,j->ti", linear, centre)
    transforms = np.concatenate([linear, shift[:, :, None]], axis=2)
    shift_share = float(np.ptp(p[:, 2]) / width)
    focal, rotvec = usual_focal(*size), None
    notes: list[str] = []
    if shift_share > WIDE_SHIFT:
        focal, rotvec = _turning(matches, keys, by_row, size, count)
    confidence = np.interp(np.arange(count), rows, [m.confidence for m in matches])
    residual = np.array([m.residual_px for m in matches])
    known = np.isfinite(residual)
    spread = (
        np.interp(np.arange(count), rows[known], residual[known]) if known.any() else np.full(count, np.nan)
    )
    lost = float(np.mean([m.confidence == 0 for m in matches]))
    if lost > 0.5:
        notes.append(
            "The background is too plain to tell whether the camera moved; it is taken as standing still."
        )
        transforms, shift_share, rotvec = np.tile(np.eye(2, 3), (count, 1, 1)), 0.0, None
    elif breaks or lost > 0.1:
        notes.append("The background was lost for a moment; distances across that moment may be wrong.")
    window = max(3, round(rate_hz / 2)) | 1
    kernel = np.ones(window) / window
    padded = np.pad(p[:, 2:], ((window, window), (0, 0)), mode="reflect", reflect_type="odd")
    slow = np.column_stack([np.convolve(c, kernel, "same")[window:-window] for c in padded.T])
    shake = float(np.sqrt(np.mean(np.sum((p[:, 2:] - slow) ** 2, axis=1))))
    return CameraMotion(
        np.array(frames, np.int64),
        transforms,
        confidence,
        spread,
        width,
        height,
        rotvec,
        focal,
        shift_share,
        shake,
        brightness,
        lines,
        tuple(notes),
    )


def _turning(
    matches: list[Match], keys: list[int], by_row: dict[int, Match], size: tuple[int, int], count: int
) -> tuple[Focal, FloatArray]:
    """Focal length and the rotation (T, 3) of each frame to the first, for a camera that panned."""
    centre = picture_centre(*size)
    wide = [by_row[row] for row in keys[1:]] + [matches[-1]]
    pairs = [(m.xy, m.key_xy) for m in wide if np.isfinite(m.residual_px)]
    focal = focal_from_pan(pairs, *size) or usual_focal(*size)

    key_rows = {row: i for i, row in enumerate(keys)}
    key_turn = {0: Rotation.identity()}
    held = Rotation.identity()
    looked = []
    for m in matches:
        if len(m.xy) >= MIN_MATCHES:
            a, b = rays(m.xy, focal.px, centre), rays(m.key_xy, focal.px, centre)
            held = key_turn[m.key] * Rotation.from_rotvec(rotation_between(a, b))
        if m.row in key_rows:
            key_turn[key_rows[m.row]] = held
        looked.append(held.as_rotvec())
    return focal, _spread_over_frames(np.array([m.row for m in matches]), np.array(looked), count)
