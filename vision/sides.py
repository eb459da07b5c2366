"""Left and right kept apart over a whole clip.

A pose model names the sides of every frame anew, and where the legs of a runner cross it takes
one for the other. Here the two legs of a frame count as unnamed: they are linked through the clip
by the rhythm of the gait (`vision.sides_gait`), then one decision is taken for the whole
clip which chain is the near leg (`vision.sides_evidence`). Which anatomical side is near follows
from the direction the athlete faces: seen from the side, who faces left shows the left side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from shared import landmarks as lm
from shared.landmarks import Side
from shared.track import Direction, SideLabelling
from vision.raw import FloatArray, IntArray, RawTrack
from vision.sides_arms import first_arm_is_left
from vision.sides_body import LEG, body_frame
from vision.sides_evidence import NearEvidence, near_evidence
from vision.sides_gait import Gait, learn_gait
from vision.sides_path import misfit, position
from vision.sides_points import misplaced

BoolArray = NDArray[np.bool_]

NAMES: Final = 0.5
"""Weight of the names the model mostly gives, on the log-odds of their share."""
PART_COST: Final = 2.0
"""Log-odds against feet and knees being named differently in one frame."""
LEAST_FRAMES: Final = 4
LEAST_STRIDES: Final = 0.1
"""Below this a spell is too short for its rhythm to be read."""
MARK_STRIDES: Final = 0.6
"""Below this the path of a leg is not known well enough to call a point wrong."""
ARM_STRIDES: Final = 1.0
"""Below this the paths of the arms are not known well enough to exchange them."""
WORST_FIT: Final = 0.16
"""Median misfit of knee and ankle, leg lengths, beyond which the motion is no steady gait."""

UPPER: Final = ("hip", "knee")
LOWER: Final = ("ankle", "heel", "foot_index")


@dataclass(frozen=True)
class RepairedSides:
    """A raw track with its sides put right.

    Attributes
    ----------
    xy_px : (T, 33, 2) array
        Upright picture position, px; NaN where there is no point or where it was judged wrong.
    depth_px, visibility, presence : (T, 33) arrays
        As in `RawTrack`, moved with their points; visibility is 0 where a point was judged wrong.
    judged_wrong : (T, 33) bool array
        Points taken out because they do not lie on their leg (stuck or merged at a crossing).
    legs_exchanged, arms_exchanged : (T,) bool arrays
        Frames in which the model had (any joints of) the legs or arms the wrong way round.
    facing : (T,) int array
        +1 facing right in the picture, -1 left, 0 unknown.
    stride_phase : (T,) array
        Phase of the left leg's gait cycle, rad, growing within a spell (0: foot furthest in
        front); NaN where the motion is no steady gait.
    labelling : SideLabelling
    evidence : tuple of NearEvidence
        What settled near and far, one per spell; for inspection.
    """

    xy_px: FloatArray
    depth_px: FloatArray
    visibility: FloatArray
    presence: FloatArray
    judged_wrong: BoolArray
    legs_exchanged: BoolArray
    arms_exchanged: BoolArray
    facing: IntArray
    stride_phase: FloatArray
    labelling: SideLabelling
    evidence: tuple[NearEvidence, ...]


@dataclass(frozen=True)
class _Spell:
    """Outcome of one spell, per frame: is the left side of the body what the model calls left?"""

    upper_is_left: BoolArray
    lower_is_left: BoolArray
    arm_is_left: BoolArray
    confidence: FloatArray
    near_probability: float
    evidence: NearEvidence
    left_phase: FloatArray
    wrong: BoolArray
    steady: bool


def _fit(leg: FloatArray, gait: Gait) -> float:
    """Median misfit of knee and ankle of both legs, leg lengths."""
    whole = gait.first_is_left > 0.5
    first, second = _chained(leg, whole, whole)
    off = np.linalg.norm(
        np.stack([first - position(gait.path, gait.phase), second - position(gait.path, gait.phase + np.pi)]),
        axis=-1,
    )[:, :, :2]
    good = off[np.isfinite(off)]
    return float(np.median(good)) if len(good) else np.inf


def _parts(leg: FloatArray, gait: Gait) -> tuple[BoolArray, BoolArray]:
    """Is the first chain the model's left one, (T,) for knee and (T,) for ankle and foot.

    The model sometimes exchanges the feet only; each part is then judged by its own place.
    """
    first, second = position(gait.path, gait.phase), position(gait.path, gait.phase + np.pi)

    def odds(part: slice) -> FloatArray:
        spread = gait.spread[part]
        straight = misfit(leg[:, 0, part], first[:, part], spread)
        straight = straight + misfit(leg[:, 1, part], second[:, part], spread)
        crossed = misfit(leg[:, 1, part], first[:, part], spread)
        crossed = crossed + misfit(leg[:, 0, part], second[:, part], spread)
        return straight - crossed

    knee, foot = odds(slice(0, 1)), odds(slice(1, 4))
    whole = gait.first_is_left > 0.5
    agree = np.where(whole, 1.0, -1.0)
    # Leaving the whole-leg decision must pay on its own side.
    knee_left = np.where(agree * knee < -PART_COST, ~whole, whole)
    foot_left = np.where(agree * foot < -PART_COST, ~whole, whole)
    return knee_left, foot_left


def _chained(leg: FloatArray, upper: BoolArray, lower: BoolArray) -> tuple[FloatArray, FloatArray]:
    """First and second chain, each (T, 4, 2), from unlabelled legs."""
    named = np.stack([upper, lower, lower, lower], axis=1)[:, :, None]
    return np.where(named, leg[:, 0], leg[:, 1]), np.where(named, leg[:, 1], leg[:, 0])


def _steady_gait(time_s: FloatArray, leg: FloatArray) -> Gait | None:
    """Gait of a spell, or None where there is no rhythm to read."""
    if len(time_s) < LEAST_FRAMES:
        return None
    gait = learn_gait(leg, time_s)
    gait = replace(gait, first_is_left=_with_names(gait.first_is_left))
    return gait if _strides(gait) >= LEAST_STRIDES and _fit(leg, gait) < WORST_FIT else None


def _with_names(first_is_left: FloatArray) -> FloatArray:
    """The same probability with a word for the names the model mostly gives, (T,).

    Only frames that the rhythm leaves open (both legs on one, at a crossing) are moved by it.
    """
    share = float(np.clip(first_is_left.mean(), 0.02, 0.98))
    return np.asarray(expit(logit(np.clip(first_is_left, 1e-9, 1 - 1e-9)) + NAMES * logit(share)))


def _strides(gait: Gait) -> float:
    return float(abs(gait.phase[-1] - gait.phase[0]) / (2 * np.pi))


def _solved(time_s: FloatArray, leg: FloatArray, arm: FloatArray, left_is_near: bool) -> _Spell:
    gait = _steady_gait(time_s, leg)
    if gait is None:
        return _as_named(leg, left_is_near)
    upper, lower = _parts(leg, gait)
    arm_left = first_arm_is_left(arm, gait.phase)
    evidence = near_evidence(leg, gait.first_is_left, arm_left, left_is_near)
    near = evidence.probability()
    first_is_left = (near > 0.5) == left_is_near
    sure = max(near, 1 - near)
    linked = np.maximum(gait.first_is_left, 1 - gait.first_is_left)
    return _Spell(
        upper_is_left=upper == first_is_left,
        lower_is_left=lower == first_is_left,
        arm_is_left=_arms(arm_left, first_is_left, _strides(gait)),
        confidence=np.maximum(0.5, linked * sure + (1 - linked) * (1 - sure)),
        near_probability=sure,
        evidence=evidence,
        left_phase=gait.phase if first_is_left else gait.phase + np.pi,
        wrong=_marks(leg, gait, upper, lower, first_is_left),
        steady=True,
    )


def _arms(arm_left: FloatArray, first_is_left: bool, strides: float) -> BoolArray:
    """Is the model's left arm the left one, (T,); within less than a stride its names stand."""
    if strides < ARM_STRIDES:
        return np.ones(len(arm_left), dtype=bool)
    return np.asarray((arm_left > 0.5) == first_is_left)


def _as_named(leg: FloatArray, left_is_near: bool) -> _Spell:
    """A spell without a rhythm: the model's names stand, and the confidence says so.

    Following legs from frame to frame without a rhythm was tried and loses them more often
    than the model's own names do.
    """
    count = len(leg)
    yes, one = np.ones(count, dtype=bool), np.ones(count)
    return _Spell(
        upper_is_left=yes,
        lower_is_left=yes,
        arm_is_left=yes,
        confidence=np.full(count, 0.5),
        near_probability=0.5,
        evidence=near_evidence(leg, one, one, left_is_near),
        left_phase=np.full(count, np.nan),
        wrong=np.zeros((count, lm.COUNT), dtype=bool),
        steady=False,
    )


def _marks(leg: FloatArray, gait: Gait, upper: BoolArray, lower: BoolArray, first_is_left: bool) -> BoolArray:
    """Points off the path of their leg, (T, 33), by the repaired sides."""
    wrong = np.zeros((len(leg), lm.COUNT), dtype=bool)
    strides = _strides(gait)
    if strides < MARK_STRIDES:
        return wrong
    order = int(np.clip(np.floor(strides), 2, 5))
    sides: tuple[Side, Side] = ("left", "right") if first_is_left else ("right", "left")
    for side, points, lag in zip(sides, _chained(leg, upper, lower), (0.0, np.pi)):
        wrong[:, [lm.index(joint, side) for joint in LEG]] = misplaced(points, gait.phase + lag, order)
    return wrong


def _order(upper: BoolArray, lower: BoolArray, arm: BoolArray) -> IntArray:
    """Where each landmark of each frame is taken from, (T, 33) indices."""
    source = np.tile(np.arange(lm.COUNT), (len(upper), 1))
    for keep, joints in ((upper, UPPER), (lower, LOWER), (arm, lm.ARM_JOINTS)):
        for joint in joints:
            left, right = lm.index(joint, "left"), lm.index(joint, "right")
            source[:, left] = np.where(keep, left, right)
            source[:, right] = np.where(keep, right, left)
    return source


def repair_sides(raw: RawTrack, direction: Direction | None = None) -> RepairedSides:
    """Put left and right right over a whole clip, and take out points stuck at a crossing.

    Parameters
    ----------
    raw : RawTrack
        One athlete; holes may be NaN rows or missing frames.
    direction : {"left", "right"}, optional
        Direction the athlete faces in the picture, where it is known from elsewhere; else it is
        read from face and feet.

    Returns
    -------
    RepairedSides
        The legs are linked without the model's names. The names are listened to for the one
        decision which chain is near, and a little in frames that the rhythm leaves open.
    """
    towards = {"left": -1, "right": 1, None: 0}[direction]
    body = body_frame(raw, towards)
    count = len(raw.time_s)
    upper, lower, arm = (np.ones(count, dtype=bool) for _ in range(3))
    confidence = np.full(count, 0.5)
    phase = np.full(count, np.nan)
    wrong = np.zeros((count, lm.COUNT), dtype=bool)
    solved: list[tuple[slice, _Spell]] = []
    for spell in body.spells:
        left_is_near = bool(body.facing[spell.start] <= 0)
        found = _solved(raw.time_s[spell], body.leg[spell], body.arm[spell], left_is_near)
        solved.append((spell, found))
        upper[spell], lower[spell], arm[spell] = found.upper_is_left, found.lower_is_left, found.arm_is_left
        confidence[spell], phase[spell], wrong[spell] = found.confidence, found.left_phase, found.wrong
    source = _order(upper, lower, arm)
    rows = np.arange(count)[:, None]
    xy = np.where(wrong[:, :, None], np.nan, raw.xy_px[rows, source])
    seen = np.isfinite(body.leg).all(axis=3).any(axis=(1, 2))
    confidence[~seen] = 0.5
    legs_exchanged = seen & ~(upper & lower)
    return RepairedSides(
        xy_px=xy,
        depth_px=raw.depth_px[rows, source],
        visibility=np.where(wrong, 0.0, raw.visibility[rows, source]),
        presence=raw.presence[rows, source],
        judged_wrong=wrong & np.isfinite(raw.xy_px[rows, source]).all(axis=2),
        legs_exchanged=legs_exchanged,
        arms_exchanged=seen & ~arm,
        facing=body.facing,
        stride_phase=np.where(seen, phase, np.nan),
        labelling=_labelling(solved, body.facing, legs_exchanged, seen & ~arm, confidence),
        evidence=tuple(found.evidence for _, found in solved),
    )


def _labelling(
    solved: list[tuple[slice, _Spell]],
    facing: IntArray,
    legs: BoolArray,
    arms: BoolArray,
    confidence: FloatArray,
) -> SideLabelling:
    """Summary over spells; near side and its confidence are those of the longest one."""
    if not solved:
        return SideLabelling(
            "left", 0.5, 0, 0, confidence, ("No legs were found, so sides can't be told apart.",)
        )
    spell, longest = max(solved, key=lambda s: s[0].stop - s[0].start)
    sign = int(facing[spell.start])
    notes: list[str] = []
    if sign == 0:
        notes.append("It can't be seen which way the athlete faces; left and right are a guess.")
    if any(not found.steady for _, found in solved):
        notes.append("Part of the clip is too short or too uneven to follow the legs by their rhythm.")
    if longest.near_probability < 0.9:
        notes.append("Which leg is the near one is not certain in this clip.")
    return SideLabelling(
        near_side="left" if sign <= 0 else "right",
        near_side_confidence=longest.near_probability if sign else 0.5,
        legs_exchanged=int(legs.sum()),
        arms_exchanged=int(arms.sum()),
        legs_confidence=confidence,
        notes=tuple(notes),
    )
