"""Angles of the body in the side view, from landmark positions.

Every function takes points of shape (..., 33, 2), x forward and y up in any one length unit, and
returns degrees of shape (...). Signs are those of `shared.catalogue.ANGLES`: forward and flexion
positive. A missing point (NaN) gives NaN.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side
from technique.smoothed import Smoothed

FloatArray = NDArray[np.float64]
AngleOf = Callable[[FloatArray, Side], FloatArray]

SIDES: Final[tuple[Side, Side]] = ("left", "right")


def place(points: FloatArray, joint: str, side: Side | None = None) -> FloatArray:
    """Position of one landmark, (..., 2)."""
    out: FloatArray = points[..., lm.index(joint, side), :]
    return out


def middle(points: FloatArray, joint: str) -> FloatArray:
    """Half way between the left and right landmark of that name, (..., 2)."""
    return (place(points, joint, "left") + place(points, joint, "right")) / 2.0


def wrapped(angle_deg: FloatArray) -> FloatArray:
    """The same direction, from -180 (not included) to 180 degrees."""
    return -((180.0 - angle_deg) % 360.0 - 180.0)


def from_down(start: FloatArray, end: FloatArray) -> FloatArray:
    """Direction from `start` to `end`, measured from straight down, forward positive.

    Parameters
    ----------
    start, end : (..., 2) array
        x forward, y up.

    Returns
    -------
    (...) array, deg
        0 hangs straight down, 90 points straight forward, -90 straight back.
    """
    d = end - start
    out: FloatArray = np.degrees(np.arctan2(d[..., 0], -d[..., 1]))
    return out


def angle_between(first: FloatArray, corner: FloatArray, last: FloatArray) -> FloatArray:
    """Inner angle at `corner`, 0..180 degrees, of three points (..., 2)."""
    a, b = first - corner, last - corner
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    dot = np.sum(a * b, axis=-1)
    out: FloatArray = np.degrees(np.arctan2(np.abs(cross), dot))
    return out


def trunk_lean(points: FloatArray, side: Side = "left") -> FloatArray:
    """Line mid-hip to mid-shoulder from the vertical, forward positive, deg (`side` is not used)."""
    d = middle(points, "shoulder") - middle(points, "hip")
    out: FloatArray = np.degrees(np.arctan2(d[..., 0], d[..., 1]))
    return out


def thigh_angle(points: FloatArray, side: Side) -> FloatArray:
    """Hip to knee from the downward vertical, forward positive, deg; 90 = thigh level."""
    return from_down(place(points, "hip", side), place(points, "knee", side))


def shank_angle(points: FloatArray, side: Side) -> FloatArray:
    """Knee to ankle from the downward vertical, ankle ahead of the knee positive, deg."""
    return from_down(place(points, "knee", side), place(points, "ankle", side))


def knee_flexion(points: FloatArray, side: Side) -> FloatArray:
    """180 minus the angle hip-knee-ankle, deg; an over-straightened knee is negative.

    Thigh angle minus shank angle gives the same number with the sign kept, where the plain
    inner angle would fold an over-straightened knee back to a bent one.
    """
    return wrapped(thigh_angle(points, side) - shank_angle(points, side))


def hip_flexion(points: FloatArray, side: Side) -> FloatArray:
    """Thigh against the trunk line, flexion positive, deg."""
    return wrapped(thigh_angle(points, side) + trunk_lean(points))


def foot_angle(points: FloatArray, side: Side) -> FloatArray:
    """Heel to toe from the level, toes up positive, deg."""
    d = place(points, "foot_index", side) - place(points, "heel", side)
    out: FloatArray = np.degrees(np.arctan2(d[..., 1], d[..., 0]))
    return out


def ankle_flexion(points: FloatArray, side: Side) -> FloatArray:
    """Foot against shank, 0 = right angle, toes up (dorsiflexion) positive, deg."""
    return wrapped(foot_angle(points, side) - shank_angle(points, side))


def elbow_angle(points: FloatArray, side: Side, out_deg: float = 0.0) -> FloatArray:
    """Inner angle shoulder-elbow-wrist, 180 = straight, deg.

    Parameters
    ----------
    points : (..., 33, 2) array
    side : {"left", "right"}
    out_deg : float
        How far upper arm and forearm of a bent arm are taken to lead out of the plane; 0 gives the
        angle as seen. See `elbow_in_space`.
    """
    seen = angle_between(*(place(points, joint, side) for joint in ("shoulder", "elbow", "wrist")))
    return elbow_in_space(seen, out_deg) if out_deg else seen


def elbow_in_space(seen_deg: FloatArray, out_deg: float) -> FloatArray:
    """Elbow angle in space of an elbow angle seen from the side, deg.

    Both segments lead from the elbow towards the midline and are foreshortened, so that the side
    view shows too open an elbow. With both at the angle b to the plane,
    cos(space) = cos(b)^2 cos(seen) + sin(b)^2. A straight arm swings in the plane, so b is
    `out_deg` at a right angle and otherwise `out_deg` sin(seen).

    Parameters
    ----------
    seen_deg : (...) array
    out_deg : float
        0 to 45.
    """
    seen = np.radians(seen_deg)
    out = np.radians(out_deg) * np.sin(seen)
    cos = np.cos(out) ** 2 * np.cos(seen) + np.sin(out) ** 2
    space: FloatArray = np.degrees(np.arccos(np.clip(cos, -1.0, 1.0)))
    return space


def upper_arm_angle(points: FloatArray, side: Side) -> FloatArray:
    """Shoulder to elbow against the trunk line, forward positive, deg."""
    arm = from_down(place(points, "shoulder", side), place(points, "elbow", side))
    return wrapped(arm + trunk_lean(points))


ANGLE_OF: Final[dict[str, AngleOf]] = {
    "trunk": trunk_lean,
    "thigh": thigh_angle,
    "hip": hip_flexion,
    "knee": knee_flexion,
    "shank": shank_angle,
    "ankle": ankle_flexion,
    "foot": foot_angle,
    "elbow": elbow_angle,
    "upper_arm": upper_arm_angle,
}
"""Function of each name in `shared.catalogue.ANGLES`."""


def trusted_points(smoothed: Smoothed) -> FloatArray:
    """Filtered positions, (N, 33, 2) px, NaN wherever the point is not to be trusted."""
    return np.where(smoothed.valid[:, :, None], smoothed.world_px, np.nan)


def frame_angles(points: FloatArray, arm_out_deg: float = 0.0) -> dict[str, FloatArray]:
    """All angles of every frame.

    Parameters
    ----------
    points : (N, 33, 2) array
        x forward, y up; NaN where there is no point.
    arm_out_deg : float
        See `elbow_angle`.

    Returns
    -------
    dict of str to (N,) array, deg
        ``"trunk_lean"`` and ``"<angle>_<side>"``; NaN where not measurable.
    """
    out = {"trunk_lean": trunk_lean(points)}
    for name, of in ANGLE_OF.items():
        if name != "trunk":
            out |= {f"{name}_{side}": of(points, side) for side in SIDES}
    if arm_out_deg:
        out |= {f"elbow_{side}": elbow_angle(points, side, arm_out_deg) for side in SIDES}
    return out
