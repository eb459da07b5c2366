"""Legs and arms in body terms: forward x, upward y, leg lengths, cut into spells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from shared import landmarks as lm
from vision.raw import FloatArray, IntArray, RawTrack

BoolArray = NDArray[np.bool_]

LEG: Final[tuple[str, ...]] = ("knee", "ankle", "heel", "foot_index")
ARM: Final[tuple[str, ...]] = ("elbow", "wrist", "index")

LONGEST_GAP_S: Final = 0.35
"""A hole longer than about half a stride starts a new spell: the legs can't be counted through it."""
TURN_S: Final = 0.7
"""Facing is the majority over this time, so that one odd frame is no turn."""
SIZE_S: Final = 1.0
"""Leg length in the picture is the median over this time: it changes slowly."""


@dataclass(frozen=True)
class BodyFrame:
    """Unlabelled legs and arms relative to the body.

    Attributes
    ----------
    leg : (T, 2, 4, 2) array
        Knee, ankle, heel and tip of the foot of the model's left (0) and right (1) leg from
        the mid-hip, forward and up, in leg lengths; NaN where missing.
    arm : (T, 2, 3, 2) array
        Elbow, wrist and index from the mid-shoulder, likewise.
    size_px : (T,) array
        Leg length in the picture, px.
    facing : (T,) int array
        +1 facing right in the picture, -1 facing left, 0 unknown.
    spells : tuple of slice
        Stretches without a long hole or a turn, in which legs can be followed.
    """

    leg: FloatArray
    arm: FloatArray
    size_px: FloatArray
    facing: IntArray
    spells: tuple[slice, ...]


def _pair(xy: FloatArray, joint: str) -> FloatArray:
    """Left and right position of a joint, (T, 2, 2) px."""
    return xy[:, [lm.index(joint, "left"), lm.index(joint, "right")]]


def _rolling_median(values: FloatArray, width: int) -> FloatArray:
    """Running median of a series; holes are filled with the nearest value first."""
    good = np.isfinite(values)
    if not good.any():
        return np.full_like(values, np.nan)
    at = np.arange(len(values))
    filled = np.interp(at, at[good], values[good])
    width = min(width, len(values))
    return np.asarray(median_filter(filled, size=max(1, width) | 1, mode="nearest"), dtype=np.float64)


def leg_length_px(raw: RawTrack) -> FloatArray:
    """Thigh plus shank in the picture, (T,) px, the running median over both legs."""
    hip, knee, ankle = (_pair(raw.xy_px, joint) for joint in ("hip", "knee", "ankle"))
    # From the mid-hip and summed over both legs, so that no exchange can change it.
    middle = hip.mean(axis=1, keepdims=True)
    length = np.linalg.norm(knee - middle, axis=2) + np.linalg.norm(ankle - knee, axis=2)
    return _rolling_median(length.mean(axis=1), round(SIZE_S * frame_rate(raw.time_s)))


def frame_rate(time_s: FloatArray) -> float:
    """Median frames per second; 1 for a single frame."""
    return float(1.0 / np.median(np.diff(time_s))) if len(time_s) > 1 else 1.0


def facing_vote(xy_px: FloatArray, size_px: FloatArray) -> FloatArray:
    """How far face and feet point to the right of the picture, (T,), leg lengths.

    Built from sums over both sides only, so exchanged sides can't change it.
    """
    feet = (_pair(xy_px, "foot_index") - _pair(xy_px, "heel"))[..., 0].mean(axis=1)
    face = xy_px[:, lm.INDEX["nose"], 0] - _pair(xy_px, "ear")[..., 0].mean(axis=1)
    both = np.stack([feet, 2.0 * face], axis=1)
    known = np.isfinite(both)
    total = np.where(known, both, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total, np.nan) / size_px


def facing(raw: RawTrack, size_px: FloatArray) -> IntArray:
    """Direction the athlete faces in every frame, (T,): +1 right, -1 left, 0 unknown."""
    vote = facing_vote(raw.xy_px, size_px)
    if not np.isfinite(vote).any():
        return np.zeros(len(vote), dtype=np.int64)
    smooth = _rolling_median(np.clip(vote, -1, 1), round(TURN_S * frame_rate(raw.time_s)))
    return np.sign(smooth).astype(np.int64)


def _spells(time_s: FloatArray, seen: BoolArray, facing_sign: IntArray) -> tuple[slice, ...]:
    at = np.flatnonzero(seen)
    if not len(at):
        return ()
    cut = (np.diff(time_s[at]) > LONGEST_GAP_S) | (np.diff(facing_sign[at]) != 0)
    starts = np.concatenate([[0], np.flatnonzero(cut) + 1])
    ends = np.concatenate([starts[1:] - 1, [len(at) - 1]])
    return tuple(slice(int(at[a]), int(at[b]) + 1) for a, b in zip(starts, ends))


def body_frame(raw: RawTrack, towards: int = 0) -> BodyFrame:
    """Legs and arms of a raw track relative to the body.

    Parameters
    ----------
    raw : RawTrack
    towards : {-1, 0, 1}
        Facing when it is known from elsewhere (+1 right); 0 reads it from face and feet.

    Returns
    -------
    BodyFrame
    """
    size = leg_length_px(raw)
    sign = facing(raw, size)
    if towards:
        sign = np.full(len(sign), towards, dtype=np.int64)
    hip = _pair(raw.xy_px, "hip").mean(axis=1)
    shoulder = _pair(raw.xy_px, "shoulder").mean(axis=1)
    turn = np.stack([np.where(sign == 0, 1, sign), -np.ones(len(sign))], axis=1)[:, None, None, :]

    def relative(joints: tuple[str, ...], origin: FloatArray) -> FloatArray:
        points = np.stack([_pair(raw.xy_px, joint) for joint in joints], axis=2)
        return np.asarray((points - origin[:, None, None, :]) * turn / size[:, None, None, None])

    leg = relative(LEG, hip)
    seen = np.isfinite(leg).all(axis=3).any(axis=(1, 2))
    return BodyFrame(
        leg=leg,
        arm=relative(ARM, shoulder),
        size_px=size,
        facing=sign,
        spells=_spells(raw.time_s, seen, sign),
    )
