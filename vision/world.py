"""Landmarks in a world that stands still: camera motion and roll taken out, x forward, y up.

Where the runner's size shows beyond doubt that the path comes nearer or goes away, that
perspective is taken out too, so that a step near the camera measures as much as one far from it.

Origin: the centre of the first frame's picture. Unit: px of the first frame at the athlete's
distance (after a wide pan: px at the nearest point of the path).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shared import landmarks as lm
from shared.track import CameraKind, Direction
from vision.camera_motion import CameraMotion
from vision.lane import Lane, centre_azimuth, lane_of_pan, reference_points
from vision.pan import Focal, picture_centre
from vision.raw import RawTrack
from vision.roll import Roll, combined_roll, roll_from_path
from vision.scale import body_size, mid_point, stance_foot_speeds
from vision.yaw import squared, unsquared, yaw_from_growth

__all__ = [
    "WorldView",
    "camera_kind",
    "levelled",
    "picture_points",
    "reference_points",
    "standing_foot_drift",
    "stride_count",
    "travel_direction",
    "world_marks",
    "world_points",
    "world_view",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FOOT_DRIFT = 0.30
"""A standing foot that moves by more than this share of the running speed belies the world."""
TREADMILL_RANGE = 1.0
"""On a treadmill the hips stay within this many statures from side to side."""
TREADMILL_STRIDES = 2.5
"""... while the legs make at least this many strides (on the ground that is 2 statures or more)."""


@dataclass(frozen=True)
class WorldView:
    """All that is needed to go from picture to world and back.

    Attributes
    ----------
    motion : CameraMotion
    camera : {"still", "panning", "treadmill"}
    direction : {"left", "right"}
        Direction of travel in the picture.
    direction_confidence : float
        0.5 (a guess) to 1.
    roll : Roll
        What is taken out (after a wide pan: beside the turning axis) and what may be left.
    lane : Lane or None
        Only after a wide pan.
    notes : tuple of str
        Plain sentences for the user.
    squared_deg : float
        Yaw that is taken out, because the runner's size clearly changes along the path; 0: none.
    """

    motion: CameraMotion
    camera: CameraKind
    direction: Direction
    direction_confidence: float
    roll: Roll
    lane: Lane | None
    notes: tuple[str, ...] = ()
    squared_deg: float = 0.0

    @property
    def picture_roll_deg(self) -> float:
        """Roll taken out in all, as seen in the first frame: level lines rise to the right by it."""
        if self.lane is None:
            return self.roll.roll_deg
        down = self.lane.upright.T @ np.array([0.0, 1.0, 0.0])
        return self.roll.roll_deg + float(np.degrees(np.arctan2(down[0], down[1])))

    @property
    def distance_relative_sd(self) -> float:
        """Relative SD that the camera's motion adds to distances."""
        return 0.0 if self.lane is None else self.lane.distance_relative_sd


def _turn(roll_deg: float) -> FloatArray:
    """Rotation (2, 2), x right y down, that makes level a line rising to the right by `roll_deg`."""
    r = np.radians(roll_deg)
    return np.array([[np.cos(r), -np.sin(r)], [np.sin(r), np.cos(r)]])


def levelled(
    reference: FloatArray, motion: CameraMotion, roll_deg: float, direction: Direction
) -> FloatArray:
    """Reference px (..., 2), y down, turned level, mirrored to x forward and y up."""
    out = (reference - picture_centre(motion.width, motion.height)) @ _turn(roll_deg).T
    return np.asarray(out * np.array([1.0 if direction == "right" else -1.0, -1.0]))


def world_points(xy: FloatArray, frames: IntArray, view: WorldView) -> FloatArray:
    """World position of picture points.

    Parameters
    ----------
    xy : (T, N, 2) array
        Upright picture px, y down; NaN stays NaN.
    frames : (T,) int array
        Decoded frame number of each row.
    view : WorldView

    Returns
    -------
    (T, N, 2) array
        px of the reference frame, x forward, y up, origin at the centre of the first picture.
    """
    reference = reference_points(np.asarray(xy, float), frames, view.motion, view.lane)
    level = levelled(reference, view.motion, view.roll.roll_deg, view.direction)
    return squared(level, view.squared_deg, view.motion.focal.px) if view.squared_deg else level


def picture_points(world: FloatArray, frames: IntArray, view: WorldView) -> FloatArray:
    """Picture px (T, N, 2), y down, of world points: the inverse of `world_points`."""
    sign = np.array([1.0 if view.direction == "right" else -1.0, -1.0])
    centre = picture_centre(view.motion.width, view.motion.height)
    level = np.asarray(world, float)
    if view.squared_deg:
        level = unsquared(level, view.squared_deg, view.motion.focal.px)
    reference = (level * sign) @ _turn(view.roll.roll_deg) + centre
    rows = view.motion.at(frames)
    lane = view.lane
    if lane is None or view.motion.rotvec is None:
        m = view.motion.transforms[rows]
        back = np.linalg.inv(m[:, :, :2])
        return np.asarray(np.einsum("tij,tnj->tni", back, reference - m[:, None, :, 2]))
    flat = (reference - lane.centre) / lane.focal_px
    x = flat[..., 0] + np.tan(centre_azimuth(lane) - lane.square_on_rad)
    a = np.arctan(x) + lane.square_on_rad
    fall = flat[..., 1] * np.cos(np.arctan(x))
    rays = np.stack([np.sin(a), fall, np.cos(a)], axis=-1)
    turn = lane.upright @ Rotation.from_rotvec(view.motion.rotvec[rows]).as_matrix()
    local = np.einsum("tji,tnj->tni", turn, rays)
    ahead = local[..., 2:] > 1e-6
    return np.where(
        ahead, lane.centre + lane.focal_px * local[..., :2] / np.where(ahead, local[..., 2:], 1), np.nan
    )


def world_marks(points: FloatArray, frames: IntArray, view: WorldView) -> FloatArray:
    """World px (N, 2) of points marked in the picture, each on its own frame."""
    return world_points(np.asarray(points, float)[:, None], np.asarray(frames), view)[:, 0]


def stride_count(xy: FloatArray) -> float:
    """Number of strides, from the ankles passing each other; sides may be exchanged.

    Parameters
    ----------
    xy : (T, 33, 2) array
        Picture or world px.
    """
    # Loaded here: it brings all of scipy's statistics with it, and the first look need not wait for that.
    from scipy.signal import find_peaks

    apart = np.abs(xy[:, lm.index("ankle", "left"), 0] - xy[:, lm.index("ankle", "right"), 0])
    ok = np.isfinite(apart)
    size = body_size(xy).median_px
    if ok.sum() < 6 or not np.isfinite(size):
        return 0.0
    filled = np.interp(np.arange(len(apart)), np.flatnonzero(ok), apart[ok])
    return len(find_peaks(filled, prominence=0.2 * size)[0]) / 2


def travel_direction(reference: FloatArray, treadmill: bool) -> tuple[Direction, float]:
    """Direction of travel in the picture and how sure it is (0.5..1).

    Parameters
    ----------
    reference : (T, 33, 2) array
        Reference px, y down.
    treadmill : bool
        Then from where feet and face point, else from the course of the hips.
    """
    hip = mid_point(reference, "hip")[:, 0]
    size = body_size(reference).median_px
    ok = np.isfinite(hip)
    if not treadmill and ok.sum() >= 3 and size > 0:
        t = np.flatnonzero(ok)
        travelled = float(np.polyfit(t, hip[ok], 1)[0]) * (t[-1] - t[0]) / size
        if abs(travelled) > 0.5:
            return ("right" if travelled > 0 else "left"), float(min(1.0, 0.6 + abs(travelled) / 5))
    votes = []
    for side in ("left", "right"):
        toe, heel = lm.index("foot_index", side), lm.index("heel", side)
        votes.append(reference[:, toe, 0] - reference[:, heel, 0])
    ears = mid_point(reference, "ear")[:, 0]
    votes.append(2 * (reference[:, lm.INDEX["nose"], 0] - ears))
    seen = np.concatenate(votes)
    seen = seen[np.isfinite(seen)]
    if not len(seen):
        return "right", 0.5
    share = float(np.mean(seen > 0))
    return ("right" if share >= 0.5 else "left"), max(share, 1 - share)


def standing_foot_drift(world: FloatArray, time_s: FloatArray) -> float:
    """Speed of the standing foot over the speed of the hips; 0 when the world stands still.

    Parameters
    ----------
    world : (T, 33, 2) array
        World px, x forward, y up.
    time_s : (T,) array

    Returns
    -------
    float
        Positive = the ground seems to move forward; NaN where no stance is seen.
    """
    hip = mid_point(world, "hip")[:, 0]
    ok = np.isfinite(hip)
    if ok.sum() < 12:
        return float("nan")
    speed = float(np.polyfit(time_s[ok], hip[ok], 1)[0])
    found = -stance_foot_speeds(world - np.where(ok, hip, np.nan)[:, None, None] * [1.0, 0.0], time_s)
    return float(1 + np.median(found) / speed) if len(found) >= 2 and speed > 0 else float("nan")


def camera_kind(
    reference: FloatArray, motion: CameraMotion, belt_speed_mps: float | None
) -> tuple[CameraKind, tuple[str, ...]]:
    """Whether the camera stood still, followed the athlete, or filmed a treadmill.

    Parameters
    ----------
    reference : (T, 33, 2) array
        Reference px, y down.
    motion : CameraMotion
    belt_speed_mps : float or None
        Treadmill speed given by the user; then it is one.
    """
    if belt_speed_mps is not None:
        return "treadmill", ()
    if motion.moved:
        return "panning", (
            "The camera followed the runner: distances and speed carry more error than from a still "
            "camera; angles and times are less affected.",
        )
    hip = mid_point(reference, "hip")[:, 0]
    hip = hip[np.isfinite(hip)]
    stature = body_size(reference).stature_px
    if len(hip) and np.isfinite(stature):
        reach = float(np.percentile(hip, 98) - np.percentile(hip, 2)) / stature
        if reach < TREADMILL_RANGE and stride_count(reference) >= TREADMILL_STRIDES:
            if motion.confidence.max(initial=0.0) == 0:
                return "treadmill", (
                    "The runner stays in one place in the picture and the background is plain: taken as a "
                    "treadmill; if the camera followed the runner, distances and speed are not valid.",
                )
            return "treadmill", (
                "The runner stays in one place before a still background: taken as a treadmill. Give the "
                "belt speed to get step length and speed.",
            )
    return "still", ()


def world_view(raw: RawTrack, motion: CameraMotion, belt_speed_mps: float | None = None) -> WorldView:
    """Camera kind, direction of travel, roll and plane of travel of a clip.

    Parameters
    ----------
    raw : RawTrack
        Sides need not be repaired yet.
    motion : CameraMotion
    belt_speed_mps : float, optional
        Treadmill speed, if it is one.
    """
    xy = raw.xy_px
    lane = lane_of_pan(xy, raw.frame, motion) if belt_speed_mps is None else None
    reference = reference_points(xy, raw.frame, motion, lane)
    kind, notes = camera_kind(reference, motion, belt_speed_mps)
    direction, confidence = travel_direction(reference, kind == "treadmill")
    evidence = [] if lane is not None else list(motion.lines)
    if kind != "treadmill":
        size = body_size(reference)
        path = roll_from_path(mid_point(reference, "hip"), size.chain_px, size.stature_px)
        evidence += [path] if path is not None else []
    roll = combined_roll(evidence)
    yaw = 0.0
    if kind != "treadmill" and lane is None:
        yaw = _yaw_to_take_out(levelled(reference, motion, roll.roll_deg, direction), motion)
    if kind == "treadmill" and confidence < 0.8:
        notes += ("Which way the runner faces could not be told for certain.",)
    if roll.sd_deg > 1.2:
        notes += (
            "Whether the phone was level can't be told from this clip: angles to the vertical, such as "
            f"trunk lean, may all be off by the same {2 * roll.sd_deg:.0f}°.",
        )
    view = WorldView(motion, kind, direction, confidence, roll, lane, motion.notes + notes, yaw)
    drift = standing_foot_drift(world_points(xy, raw.frame, view), raw.time_s)
    if kind == "treadmill" or not abs(drift) > FOOT_DRIFT:
        return view
    why = (
        "the camera probably moved along instead of turning on the spot"
        if kind == "panning"
        else "the background may have been followed wrongly"
    )
    said = f"The standing foot seems to slide over the ground ({why}): distances and speed are not valid."
    return replace(view, notes=(*view.notes, said))


def _yaw_to_take_out(level: FloatArray, motion: CameraMotion) -> float:
    """Yaw, degrees, where the change of size along the path is beyond doubt; else 0."""
    certain = Focal(motion.focal.px, 0.0, True)
    seen = yaw_from_growth(level, certain)
    if seen is None or abs(seen.yaw_deg) < max(2.5 * seen.sd_deg, 3.0):
        return 0.0
    return seen.yaw_deg
