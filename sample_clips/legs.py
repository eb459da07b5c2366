"""Foot on the ground, two-link leg, smooth curves: the geometry below `sample_clips.gait`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BPoly
from scipy.optimize import brentq

from sample_clips.body import HEEL_HEIGHT_M, TOE_HEIGHT_M, Body

FloatArray = NDArray[np.float64]


def rotated(x: FloatArray, y: FloatArray, turn: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Vector (x, y) turned by `turn` rad, x towards y."""
    c, s = np.cos(turn), np.sin(turn)
    return c * x - s * y, s * x + c * y


def rear_foot_point(
    body: Body, x: float, y: float, pitch: FloatArray, toe_pitch: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """A point of the rear foot on the ground.

    Its heel (pitch > 0) or the front part (pitch < 0) stays where it is; the front part turns
    about the toe tip by `toe_pitch`. `x`, `y` in the flat foot, origin on the sole below the
    ankle; angles in rad, toe up positive.
    """
    reach = body.toe_x - body.ball_x
    tip = np.minimum(toe_pitch, 0.0)
    ball_x = body.toe_x - reach * np.cos(tip)
    ball_y = -reach * np.sin(tip)
    heel = np.asarray(pitch > 0)
    dx, dy = rotated(x - np.where(heel, body.heel_contact_x, body.ball_x), np.full_like(pitch, y), pitch)
    return np.where(heel, body.heel_contact_x, ball_x) + dx, np.where(heel, 0.0, ball_y) + dy


def hermite(knots: list[tuple[float, float, float]]) -> BPoly:
    """Smooth curve through (time, value, slope); second derivative continuous inside.

    Quintic pieces whose second derivatives are the mean of the two neighbouring cubics'.
    """
    t = np.array([k[0] for k in knots])
    y = np.array([k[1] for k in knots])
    v = np.array([k[2] for k in knots])
    h = np.diff(t)
    m = np.diff(y) / h
    start = (6 * m - 4 * v[:-1] - 2 * v[1:]) / h
    end = (-6 * m + 2 * v[:-1] + 4 * v[1:]) / h
    a = np.concatenate([start[:1], (end[:-1] + start[1:]) / 2, end[-1:]])
    return BPoly.from_derivatives(t, np.column_stack([y, v, a]))


def leg_angles(
    dx: FloatArray, dy: FloatArray, thigh: FloatArray, shank: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Thigh angle and knee flexion (rad) that put the ankle at (dx, dy) from the hip."""
    d2 = dx**2 + dy**2
    cos_k = (d2 - thigh**2 - shank**2) / (2 * thigh * shank)
    knee: FloatArray = np.arccos(np.clip(cos_k, -1.0, np.cos(np.radians(0.5))))
    line: FloatArray = np.arctan2(dx, -dy)
    return line + np.arctan2(shank * np.sin(knee), thigh + shank * np.cos(knee)), knee


def foot_line(body: Body, pitch: float) -> float:
    """Heel to toe line (rad) of a foot on the ground, toes flat when the heel is up."""
    hx, hy = rear_foot_point(body, body.heel_x, HEEL_HEIGHT_M, np.array(pitch))
    if pitch > 0:
        tx, ty = rear_foot_point(body, body.toe_x, TOE_HEIGHT_M, np.array(pitch))
    else:
        tx, ty = np.array(body.toe_x), np.array(TOE_HEIGHT_M)
    return float(np.arctan2(ty - hy, tx - hx))


def pitch_for(body: Body, line: float) -> float:
    """Rear foot pitch that gives a heel to toe line `line` above its flat value."""
    flat = foot_line(body, 0.0)
    return float(brentq(lambda p: foot_line(body, p) - flat - line, -1.3, 1.2))
