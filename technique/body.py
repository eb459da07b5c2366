"""Masses and mass centres of the body's segments, and the whole-body centre of mass.

The segment ends of the sources are bony points that a pose model does not give; the nearest
landmark stands in for each: the middle of the ears for the head's mass centre, the middle of the
knuckles (index and pinky) for the end of the hand, the tip of the foot for the toe.

References
----------
de Leva P (1996) Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters.
    J Biomech 29:1223-1230. Rows used: trunk mid-shoulder to mid-hip, shoulder-elbow-wrist joint
    centres, hand to third knuckle, hip-knee-ankle joint centres, foot heel to toe tip.
Winter DA, Biomechanics and Motor Control of Human Movement, table after Dempster.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side
from technique.angles import SIDES, middle, place

FloatArray = NDArray[np.float64]
BodyTable = Literal["male", "female", "mean", "winter"]


@dataclass(frozen=True)
class Segment:
    """One row of a body table.

    Attributes
    ----------
    mass : float
        Share of body mass, of one side for limbs.
    centre : float
        Mass centre from the first-named (upper, or rear) end, share of the length.
    gyration : float
        Radius of gyration about the sideways axis through the mass centre, share of the length.
    """

    mass: float
    centre: float
    gyration: float


_MALE: Final[dict[str, Segment]] = {
    "head": Segment(0.0694, 0.5002, 0.315),
    "trunk": Segment(0.4346, 0.4310, 0.358),
    "upper_arm": Segment(0.0271, 0.5772, 0.269),
    "forearm": Segment(0.0162, 0.4574, 0.265),
    "hand": Segment(0.0061, 0.7900, 0.513),
    "thigh": Segment(0.1416, 0.4095, 0.329),
    "shank": Segment(0.0433, 0.4395, 0.246),
    "foot": Segment(0.0137, 0.4415, 0.245),
}
_FEMALE: Final[dict[str, Segment]] = {
    "head": Segment(0.0668, 0.4841, 0.295),
    "trunk": Segment(0.4257, 0.3782, 0.361),
    "upper_arm": Segment(0.0255, 0.5754, 0.260),
    "forearm": Segment(0.0138, 0.4559, 0.257),
    "hand": Segment(0.0056, 0.7474, 0.454),
    "thigh": Segment(0.1478, 0.3612, 0.364),
    "shank": Segment(0.0481, 0.4352, 0.263),
    "foot": Segment(0.0129, 0.4014, 0.279),
}
_WINTER: Final[dict[str, Segment]] = {
    "head": Segment(0.081, 1.0, 0.495),
    "trunk": Segment(0.497, 0.50, 0.496),
    "upper_arm": Segment(0.028, 0.436, 0.322),
    "forearm": Segment(0.016, 0.430, 0.303),
    "hand": Segment(0.006, 0.506, 0.297),
    "thigh": Segment(0.100, 0.433, 0.323),
    "shank": Segment(0.0465, 0.433, 0.302),
    "foot": Segment(0.0145, 0.50, 0.475),
}
_MEAN: Final[dict[str, Segment]] = {
    name: Segment(
        (m.mass + _FEMALE[name].mass) / 2,
        (m.centre + _FEMALE[name].centre) / 2,
        (m.gyration + _FEMALE[name].gyration) / 2,
    )
    for name, m in _MALE.items()
}
SEGMENTS: Final[dict[BodyTable, dict[str, Segment]]] = {
    "male": _MALE,
    "female": _FEMALE,
    "mean": _MEAN,
    "winter": _WINTER,
}
"""de Leva 1996 men, women and the mean of both; Winter after Dempster (trunk gyration: his HAT row)."""

LIMBS: Final[tuple[str, ...]] = ("upper_arm", "forearm", "hand", "thigh", "shank", "foot")
ARM: Final[tuple[str, ...]] = ("upper_arm", "forearm", "hand")
ARM_MASS: Final[float] = sum(_MEAN[name].mass for name in ARM)
"""Share of body mass in one arm (de Leva, mean of men and women)."""


def table_for(sex: str | None) -> BodyTable:
    """The de Leva table for "male" or "female"; the mean of both when sex is not given."""
    if sex == "male":
        return "male"
    return "female" if sex == "female" else "mean"


def limb_ends(points: FloatArray, segment: str, side: Side) -> tuple[FloatArray, FloatArray]:
    """Upper (or rear) and lower (or front) end of a limb segment, each (..., 2)."""
    if segment == "hand":
        knuckles = (place(points, "index", side) + place(points, "pinky", side)) / 2.0
        return place(points, "wrist", side), knuckles
    first, last = {
        "upper_arm": ("shoulder", "elbow"),
        "forearm": ("elbow", "wrist"),
        "thigh": ("hip", "knee"),
        "shank": ("knee", "ankle"),
        "foot": ("heel", "foot_index"),
    }[segment]
    return place(points, first, side), place(points, last, side)


def limb_centre(points: FloatArray, segment: str, side: Side, table: BodyTable) -> FloatArray:
    """Mass centre of a limb segment, (..., 2)."""
    first, last = limb_ends(points, segment, side)
    return first + SEGMENTS[table][segment].centre * (last - first)


def centre_of_mass(points: FloatArray, table: BodyTable = "mean") -> FloatArray:
    """Whole-body centre of mass.

    Parameters
    ----------
    points : (..., 33, 2) array
        Any length unit. A missing landmark makes the result NaN; a far arm that can't be seen is
        filled beforehand by `with_far_arm`.
    table : {"mean", "male", "female", "winter"}

    Returns
    -------
    (..., 2) array
        The same unit.
    """
    rows = SEGMENTS[table]
    hips, shoulders = middle(points, "hip"), middle(points, "shoulder")
    total = rows["head"].mass * middle(points, "ear")
    total = total + rows["trunk"].mass * (shoulders + rows["trunk"].centre * (hips - shoulders))
    mass = rows["head"].mass + rows["trunk"].mass
    for side in SIDES:
        for name in LIMBS:
            total = total + rows[name].mass * limb_centre(points, name, side, table)
            mass += rows[name].mass
    out: FloatArray = total / mass
    return out


def with_far_arm(points: FloatArray, far: Side, half_stride: int | None) -> FloatArray:
    """Points with the far arm taken from the near arm, half a stride apart.

    The far arm is behind the trunk for most of the cycle. Left and right arm do the same half a
    stride apart, so the near arm's position against its own shoulder half a stride earlier (or,
    at the start of the clip, later) stands in for the far arm's. Where neither is there, the near
    arm's mean position stands in.

    Parameters
    ----------
    points : (N, 33, 2) array
    far : {"left", "right"}
    half_stride : int or None
        Samples in half a stride; None: mean position everywhere.

    Returns
    -------
    (N, 33, 2) array
    """
    near = lm.opposite(far)
    out = points.copy()
    near_shoulder = place(points, "shoulder", near)
    far_shoulder = place(points, "shoulder", far)
    n = len(points)
    for joint in lm.ARM_JOINTS[1:]:
        against = place(points, joint, near) - near_shoulder
        seen = np.isfinite(against).all(axis=-1)
        mean = against[seen].mean(axis=0) if seen.any() else np.full(2, np.nan)
        stand_in = np.full((n, 2), np.nan)
        if half_stride is not None and 0 < half_stride < n:
            stand_in[half_stride:] = against[:-half_stride]
            lacking = ~np.isfinite(stand_in).all(axis=-1)
            later = np.full((n, 2), np.nan)
            later[:-half_stride] = against[half_stride:]
            stand_in[lacking] = later[lacking]
        stand_in = np.where(np.isfinite(stand_in), stand_in, mean)
        out[:, lm.index(joint, far)] = far_shoulder + stand_in
    return out
