"""The plane of travel seen by a camera that turned, and points with the camera's motion taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shared import landmarks as lm
from vision.camera_motion import CameraMotion
from vision.pan import PanAxis, azimuth_and_fall, pan_axis, picture_centre, square_on_azimuth
from vision.roll import RollEvidence, combined_roll
from vision.scale import body_size, mid_point

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Lane:
    """The upright plane the athlete runs in, seen by a camera that turned on the spot.

    Attributes
    ----------
    focal_px : float
    upright : (3, 3) array
        Turns reference-frame directions so that the turning axis points down.
    square_on_rad : float
        Azimuth at which the path is nearest and the view is square on.
    square_on_sd_rad : float
    centre : (2,) array
        Principal point, px.
    distance_relative_sd : float
        Relative SD that the focal length and `square_on_rad` leave on distances in body sizes.
    """

    focal_px: float
    upright: FloatArray
    square_on_rad: float
    square_on_sd_rad: float
    centre: FloatArray
    distance_relative_sd: float


def reference_points(
    xy: FloatArray, frames: IntArray, motion: CameraMotion, lane: Lane | None = None
) -> FloatArray:
    """Points with the camera's motion taken out, px of the reference frame, y down.

    Parameters
    ----------
    xy : (T, N, 2) array
        Upright picture px.
    frames : (T,) int array
        Decoded frame number of each row.
    motion : CameraMotion
    lane : Lane, optional
        Given after a wide pan.

    Returns
    -------
    (T, N, 2) array
    """
    rows = motion.at(frames)
    if lane is None or motion.rotvec is None:
        m = motion.transforms[rows]
        return np.asarray(np.einsum("tij,tnj->tni", m[:, :, :2], xy) + m[:, None, :, 2])
    azimuth, fall = azimuth_and_fall(xy, motion.rotvec[rows], lane.focal_px, lane.centre, lane.upright)
    a = azimuth - lane.square_on_rad
    near = np.abs(a) < np.radians(80)
    x = np.where(near, np.tan(a), np.nan) - np.tan(centre_azimuth(lane) - lane.square_on_rad)
    y = np.where(near, fall / np.cos(a), np.nan)
    return np.asarray(lane.centre + lane.focal_px * np.stack([x, y], axis=-1))


def centre_azimuth(lane: Lane) -> float:
    """Azimuth, rad, of the centre of the first frame's picture."""
    ahead = lane.upright @ np.array([0.0, 0.0, 1.0])
    return float(np.arctan2(ahead[0], ahead[2]))


def lane_of_pan(xy: FloatArray, frames: IntArray, motion: CameraMotion) -> Lane | None:
    """The plane of travel after a wide pan; None when the camera did not pan widely.

    Parameters
    ----------
    xy : (T, 33, 2) array
        Upright picture px.
    frames : (T,) int array
    motion : CameraMotion
    """
    if motion.rotvec is None:
        return None
    centre = picture_centre(motion.width, motion.height)
    axis = pan_axis(motion.rotvec)
    upright = _careful_upright(axis, motion.lines)
    rotvec = motion.rotvec[motion.at(frames)]

    def lane_with(focal: float, offset: float, known: Lane | None) -> Lane:
        turn = rotvec * motion.focal.px / focal
        azimuth, fall = azimuth_and_fall(xy, turn, focal, centre, upright)
        hip = azimuth[:, [lm.index("hip", "left"), lm.index("hip", "right")]].mean(axis=1)
        if known is None:
            size = body_size(np.stack([azimuth, fall], axis=-1)).chain_px
            a0, sd = square_on_azimuth(hip, size)
        else:
            a0, sd = known.square_on_rad, known.square_on_sd_rad
        return Lane(focal, upright, a0 + offset, sd, centre, 0.0)

    def reach_in_bodies(lane: Lane) -> float:
        assert motion.rotvec is not None
        scaled = replace(motion, rotvec=motion.rotvec * motion.focal.px / lane.focal_px)
        ref = reference_points(xy, frames, scaled, lane)
        hip = mid_point(ref, "hip")[:, 0]
        hip = hip[np.isfinite(hip)]
        size = body_size(ref).median_px
        return float(np.ptp(hip)) / size if len(hip) and size > 0 else np.nan

    lane = lane_with(motion.focal.px, 0.0, None)
    base = reach_in_bodies(lane)
    parts = [
        (reach_in_bodies(lane_with(motion.focal.px, sign * lane.square_on_sd_rad, lane)) - base) / base
        for sign in (-1, 1)
    ]
    by_angle = float(np.sqrt(np.mean(np.square(parts))))
    up = motion.focal.px + motion.focal.sd_px
    by_focal = abs((reach_in_bodies(lane_with(up, 0.0, lane)) - base) / base)
    total = float(np.sqrt(np.nansum([by_angle**2, by_focal**2, 0.02**2])))
    return Lane(lane.focal_px, upright, lane.square_on_rad, lane.square_on_sd_rad, centre, total)


def _careful_upright(axis: PanAxis, lines: tuple[RollEvidence, ...]) -> FloatArray:
    """Rotation to upright: the turning axis, held back where the turn is small or wobbles."""
    axis_sd = float(np.hypot(0.7, np.degrees(1.5 * max(axis.wobble_deg, 0.2) / max(axis.range_deg, 1.0))))
    roll = combined_roll([RollEvidence("turning axis", axis.roll_deg, axis_sd), *lines])
    down = axis.upright.T @ np.array([0.0, 1.0, 0.0])
    pitch = np.degrees(np.arctan2(down[2], down[1])) * 25 / (25 + axis_sd**2)
    mean = roll.roll_deg if roll.sd_deg < 1.5 else 0.0
    return np.asarray(Rotation.from_euler("zx", [mean, -pitch], degrees=True).as_matrix())
