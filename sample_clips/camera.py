"""A pinhole camera that stands still, pans after a runner, shakes and rolls.

Scene axes: X to the right in the picture of a side view, Y up, Z towards the camera (m). The
picture's origin is the outer corner of its first pixel: x right, y down, pixel centres at n + 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Where the camera is, where it looks and how steady it is held.

    Attributes
    ----------
    width, height : int
        Upright picture size, px.
    view_deg : float
        Horizontal field of view.
    distance_m : float
        From the looked-at point, along the ground.
    height_m : float
        Camera above the ground.
    look_x_m, look_y_m, look_z_m : float
        Point of the scene the camera looks at when not panning.
    off_perpendicular_deg : float
        Angle between the optical axis and the normal of the plane of travel, seen from above;
        positive: the camera stands further along +X.
    roll_deg : float
        Clockwise turn of the camera; the picture turns the other way.
    pan : {"still", "follow"}
        "follow": turns so that the first runner stays near the middle.
    pan_error_deg : float
        Slow irregularity of the panning hand, amplitude.
    shake_deg : float
        Hand shake, standard deviation of each axis, below about 8 Hz.
    seed : int
    """

    width: int = 1280
    height: int = 720
    view_deg: float = 50.0
    distance_m: float = 8.0
    height_m: float = 1.1
    look_x_m: float = 0.0
    look_y_m: float = 0.95
    look_z_m: float = 0.0
    off_perpendicular_deg: float = 0.0
    roll_deg: float = 0.0
    pan: Literal["still", "follow"] = "still"
    pan_error_deg: float = 0.0
    shake_deg: float = 0.0
    seed: int = 0

    @property
    def focal_px(self) -> float:
        """Focal length in px."""
        return float(self.width / 2 / np.tan(np.radians(self.view_deg) / 2))

    @property
    def position(self) -> FloatArray:
        """Scene position (3,), m."""
        a = np.radians(self.off_perpendicular_deg)
        place: FloatArray = np.array(
            [
                self.look_x_m + self.distance_m * np.sin(a),
                self.height_m,
                self.look_z_m + self.distance_m * np.cos(a),
            ]
        )
        return place


def _wander(time_s: FloatArray, lowest_hz: float, highest_hz: float, seed: int, terms: int = 6) -> FloatArray:
    """Smooth irregular function of time with mean 0 and standard deviation about 1."""
    rng = np.random.default_rng(seed)
    f = rng.uniform(lowest_hz, highest_hz, terms)
    phase = rng.uniform(0, 2 * np.pi, terms)
    total: FloatArray = np.sin(2 * np.pi * np.outer(time_s, f) + phase).sum(axis=1)
    total /= np.sqrt(terms / 2)
    return total


def angles(camera: Camera, time_s: FloatArray, followed_x: FloatArray) -> FloatArray:
    """Pan (about the vertical), tilt (up positive) and roll, (T, 3) rad.

    Parameters
    ----------
    camera : Camera
    time_s : (T,) array
    followed_x : (T,) array
        Scene X of the runner to follow.
    """
    t = np.asarray(time_s, dtype=np.float64)
    c = camera.position
    x = camera.look_x_m if camera.pan == "still" else followed_x
    dx, dz = x - c[0], camera.look_z_m - c[2]
    pan = np.arctan2(dx, -dz) + np.zeros_like(t)
    tilt = np.arctan2(camera.look_y_m - c[1], np.hypot(dx, dz)) + np.zeros_like(t)
    if camera.pan == "follow":
        pan = pan + np.radians(camera.pan_error_deg) * _wander(t, 0.2, 1.2, camera.seed + 11) / 1.5
    if camera.shake_deg:
        s = np.radians(camera.shake_deg)
        pan = pan + s * _wander(t, 0.5, 8.0, camera.seed + 1)
        tilt = tilt + s * _wander(t, 0.5, 8.0, camera.seed + 2)
        roll_shake = s * _wander(t, 0.5, 6.0, camera.seed + 3)
    else:
        roll_shake = np.zeros_like(t)
    return np.column_stack([pan, tilt, np.radians(camera.roll_deg) + roll_shake])


def axes(turn: FloatArray) -> FloatArray:
    """Camera axes in the scene: rows right, down, forward; (..., 3, 3) from (..., 3) angles."""
    pan, tilt, roll = np.moveaxis(np.asarray(turn, dtype=np.float64), -1, 0)
    cp, sp, ct, st = np.cos(pan), np.sin(pan), np.cos(tilt), np.sin(tilt)
    zero = np.zeros_like(pan)
    forward = np.stack([sp * ct, st, -cp * ct], axis=-1)
    right = np.stack([cp, zero, sp], axis=-1)
    down = np.stack([sp * st, -ct, -cp * st], axis=-1)
    cr, sr = np.cos(roll)[..., None], np.sin(roll)[..., None]
    return np.stack([cr * right + sr * down, cr * down - sr * right, forward], axis=-2)


def projected(camera: Camera, rotation: FloatArray, points: FloatArray) -> FloatArray:
    """Picture position of scene points.

    Parameters
    ----------
    camera : Camera
    rotation : (T, 3, 3) array
        From `axes`.
    points : (T, N, 3) array
        Scene points, m.

    Returns
    -------
    (T, N, 2) array
        px, x right, y down; NaN behind the camera.
    """
    local = np.einsum("tij,tnj->tni", rotation, points - camera.position)
    depth = np.where(local[..., 2] > 0.05, local[..., 2], np.nan)
    xy: FloatArray = camera.focal_px * local[..., :2] / depth[..., None]
    xy += np.array([camera.width / 2, camera.height / 2])
    return xy
