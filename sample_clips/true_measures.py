"""Angles and measures of a known motion, by the project's definitions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_clips.body import HEEL_HEIGHT_M, TOE_HEIGHT_M
from sample_clips.gait import SIDES, Gait, touchdown_phase_s
from sample_clips.motion import Pose, centre_of_mass, pose
from shared import landmarks as lm
from shared.landmarks import Side, opposite

FloatArray = NDArray[np.float64]


def _from_down(a: FloatArray, b: FloatArray) -> FloatArray:
    """Direction a -> b from the downward vertical, forward positive, deg."""
    d = b - a
    angle: FloatArray = np.degrees(np.arctan2(d[..., 0], -d[..., 1]))
    return angle


def _wrapped(angle: FloatArray) -> FloatArray:
    wrapped: FloatArray = (angle + 180.0) % 360.0 - 180.0
    return wrapped


def _between(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Angle a-b-c, 0..180 deg."""
    u, v = a - b, c - b
    cross = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    angle: FloatArray = np.degrees(np.arctan2(np.abs(cross), (u * v).sum(axis=-1)))
    return angle


def sagittal_angles(metres: FloatArray) -> dict[str, FloatArray]:
    """Angles in the plane of travel.

    Parameters
    ----------
    metres : (T, 33, 2 or 3) array
        Landmarks, x forward, y up; further axes are ignored.

    Returns
    -------
    dict of str to (T,) array
        Degrees; names and signs of `shared.catalogue.ANGLES`.
    """
    xy = metres[..., :2]

    def p(joint: str, side: Side | None = None) -> FloatArray:
        return xy[:, lm.index(joint, side)]

    hip = (p("hip", "left") + p("hip", "right")) / 2
    chest = (p("shoulder", "left") + p("shoulder", "right")) / 2
    up = chest - hip
    trunk: FloatArray = np.degrees(np.arctan2(up[:, 0], up[:, 1]))
    out: dict[str, FloatArray] = {"trunk": trunk}
    for s in SIDES:
        thigh = _from_down(p("hip", s), p("knee", s))
        shank = _from_down(p("knee", s), p("ankle", s))
        line = p("foot_index", s) - p("heel", s)
        foot: FloatArray = np.degrees(np.arctan2(line[:, 1], line[:, 0]))
        out[f"thigh_{s}"] = thigh
        out[f"hip_{s}"] = thigh + trunk
        out[f"knee_{s}"] = 180.0 - _between(p("hip", s), p("knee", s), p("ankle", s))
        out[f"shank_{s}"] = shank
        out[f"foot_{s}"] = foot
        out[f"ankle_{s}"] = _wrapped(foot - shank)
        out[f"elbow_{s}"] = _between(p("shoulder", s), p("elbow", s), p("wrist", s))
        out[f"upper_arm_{s}"] = _wrapped(_from_down(p("shoulder", s), p("elbow", s)) + trunk)
    return out


def _at_cycle(gait: Gait, t: FloatArray) -> Pose:
    """Pose at cycle times (0 = left touchdown)."""
    return pose(gait, t - gait.runner.phase * gait.runner.stride_time_s)


def true_measures(gait: Gait, samples: int = 4000) -> dict[str, float]:
    """Every kinematic measure of the catalogue, from the motion itself.

    Parameters
    ----------
    gait : Gait
    samples : int
        Moments per stride for extremes and means.

    Returns
    -------
    dict of str to float
        ``key_left`` / ``key_right`` or ``key``. Keys and units of `shared.catalogue.MEASURES`.
        The backward thigh velocity is given as a positive number.
    """
    r = gait.runner
    stride = r.stride_time_s
    dt = stride / samples
    t = np.arange(samples) * dt
    whole = _at_cycle(gait, t)
    angle = sagittal_angles(whole.landmarks())
    com = centre_of_mass(whole)
    half = samples // 2
    rise = np.mean([np.ptp(com[:half, 1]), np.ptp(com[half:, 1])])
    out: dict[str, float] = {
        "step_frequency": 60.0 * r.step_frequency_hz,
        "speed": r.speed_mps,
        "trunk_lean": float(angle["trunk"].mean()),
        "vertical_oscillation": float(rise),
    }
    flat = np.degrees(np.arctan2(TOE_HEIGHT_M - HEEL_HEIGHT_M, r.body.toe_x - r.body.heel_x))
    for s in SIDES:
        contact = r.of(s).contact_time_s
        td = touchdown_phase_s(r, s)
        moments = _at_cycle(gait, np.array([td, td + contact / 2, td + contact - 1e-9]))
        at = sagittal_angles(moments.landmarks())
        p = {k: v[0] for k, v in moments.points.items()}
        com_td = centre_of_mass(moments)[0, 0]
        ahead = float(p[f"{s}_ankle"][0] - p["pelvis"][0])
        ahead_com = float(p[f"{s}_ankle"][0] - com_td)
        leg = r.body.leg_m
        tau = (t - td) % stride
        thigh, knee = angle[f"thigh_{s}"], angle[f"knee_{s}"]
        rate = np.gradient(np.concatenate([thigh[-2:], thigh, thigh[:2]]), dt)[2:-2]
        late = (tau > contact + 0.5 * (stride - contact)) & (tau < stride - 2 * dt)
        swing = (tau > contact + 2 * dt) & (tau < stride - 2 * dt)
        arm, elbow = angle[f"upper_arm_{s}"], angle[f"elbow_{s}"]
        front, back = int(np.argmax(arm)), int(np.argmin(arm))
        w, sh = whole.points[f"{s}_wrist"], whole.points[f"{s}_shoulder"]
        eye = whole.points[f"{s}_eye"]
        past = float(whole.points["pelvis"][back, 0] - w[back, 0])
        values = {
            "contact_time": contact,
            "flight_time": stride / 2 - contact,
            "step_time": stride / 2,
            "stride_time": stride,
            "duty_factor": 100.0 * contact / stride,
            "step_length": _step_length(gait, s),
            "trunk_lean_td": at["trunk"][0],
            "trunk_lean_midstance": at["trunk"][1],
            "trunk_lean_to": at["trunk"][2],
            "thigh_angle_max": thigh.max(),
            "thigh_angle_min": thigh.min(),
            "knee_flexion_td": at[f"knee_{s}"][0],
            "knee_flexion_to": at[f"knee_{s}"][2],
            "knee_flexion_stance_max": knee[tau < contact].max(),
            "knee_flexion_swing_max": knee[tau >= contact].max(),
            "thigh_angular_velocity_forward": rate[swing].max(),
            "thigh_angular_velocity_back": -rate[late].min(),
            "shank_angle_td": at[f"shank_{s}"][0],
            "foot_angle_td": at[f"foot_{s}"][0] - flat,
            "td_distance": ahead,
            "td_distance_leg": 100.0 * ahead / leg,
            "td_distance_com": ahead_com,
            "td_distance_com_leg": 100.0 * ahead_com / leg,
            "elbow_angle_front": elbow[front],
            "elbow_angle_back": elbow[back],
            "elbow_angle_mean": elbow.mean(),
            "arm_swing_front": arm.max(),
            "arm_swing_back": arm.min(),
            "arm_swing_range": np.ptp(arm),
            "hand_height_front": 100.0 * (w[front, 1] - sh[front, 1]) / (eye[front, 1] - sh[front, 1]),
            "hand_past_hip_back": past,
            "hand_past_hip_back_thigh": 100.0 * past / r.body.thigh_m,
        }
        out.update({f"{k}_{s}": float(v) for k, v in values.items()})
    return out


def _step_length(gait: Gait, side: Side) -> float:
    """Flat foot to the next flat foot of the other side, m (belt speed x time added in place)."""
    r = gait.runner

    def planted(s: Side, begin: float) -> float:
        p = _at_cycle(gait, np.array([begin])).points["pelvis"][0, 0]
        p += r.speed_mps * begin if r.treadmill else 0.0
        return float(p) + r.of(s).td_distance_m - gait.of(s).ankle_td_x

    td = touchdown_phase_s(r, side)
    return planted(opposite(side), td + r.stride_time_s / 2) - planted(side, td)
