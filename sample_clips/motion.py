"""Where every joint of an invented runner is at any time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_clips.body import DE_LEVA_MALE, HEEL_HEIGHT_M, TOE_HEIGHT_M
from sample_clips.gait import (
    Gait,
    drafted,
    flies,
    hip_offset,
    pelvis_at,
    plane_lengths,
    stance_leg,
    touchdown_phase_s,
)
from sample_clips.legs import leg_angles, rear_foot_point, rotated
from sample_clips.runner import Runner
from sample_clips.stance import ankle_give, stance_pitch, stance_toe_pitch
from shared import landmarks as lm
from shared.landmarks import Side, opposite

FloatArray = NDArray[np.float64]
SIDES: Final[tuple[Side, Side]] = ("left", "right")
_SIGN: Final[dict[str, float]] = {"left": -1.0, "right": 1.0}

_FACE: Final[dict[str, tuple[float, float, float]]] = {
    "nose": (0.112, -0.022, 0.0),
    "eye_inner": (0.084, 0.022, 0.019),
    "eye": (0.081, 0.023, 0.032),
    "eye_outer": (0.072, 0.022, 0.045),
    "ear": (-0.004, -0.006, 0.077),
    "mouth": (0.090, -0.066, 0.023),
}
"""Face points of a 1.78 m runner from the head's middle: forward, up, to its own side, m."""


@dataclass(frozen=True)
class Pose:
    """Joints over time in the runner's own axes (x forward, y up, z to the athlete's right), m.

    Attributes
    ----------
    points : dict of str to (T, 3) array
        The 33 landmarks by name and: ``pelvis`` (mid-hip), ``chest`` (mid-shoulder), ``head``
        (middle), ``vertex``, ``neck``, and per side ``ball``, ``sole_heel``, ``sole_toe``,
        ``fingertip``.
    pitch : dict of str to (T,) array
        Rear foot pitch (rad, toe up) per side ``left``, ``right``; toe segment pitch
        ``left_toe``, ``right_toe``; ``head``, ``trunk`` lean forward.
    turn : dict of str to (T,) array
        Rotation about the vertical (rad, right side forward) of ``pelvis`` and ``shoulder``.
    contact : dict of str to (T,) bool array
        Foot on the ground, per side.
    """

    points: dict[str, FloatArray]
    pitch: dict[str, FloatArray]
    turn: dict[str, FloatArray]
    contact: dict[str, NDArray[np.bool_]]

    def landmarks(self) -> FloatArray:
        """The 33 landmarks, (T, 33, 3) m."""
        return np.stack([self.points[n] for n in lm.NAMES], axis=1)


def solved(runner: Runner) -> Gait:
    """Solve a runner's cycle so that the centre of mass is a projectile in flight.

    Parameters
    ----------
    runner : Runner

    Returns
    -------
    Gait

    Raises
    ------
    OptionError
        If the parameters contradict each other.
    """
    gait = drafted(runner)
    if runner.standing or not flies(runner):
        return gait
    stride = runner.stride_time_s
    events = [touchdown_phase_s(runner, s) + d for s in SIDES for d in (0.0, runner.of(s).contact_time_s)]
    t = np.sort(np.concatenate([np.linspace(0, stride, 1601), events]))
    t = t[np.concatenate([[True], np.diff(t) > 1e-7])]
    for _ in range(6):
        moments = pose(gait, t - runner.phase * stride)
        above = centre_of_mass(moments)[:, 1] - moments.points["pelvis"][:, 1]
        above[-1] = above[0]
        gait = drafted(runner, (t, above))
    return gait


def cycle_time(runner: Runner, time_s: FloatArray) -> FloatArray:
    """Cycle time (s since a left touchdown) at clip time."""
    t: FloatArray = np.asarray(time_s, dtype=np.float64) + runner.phase * runner.stride_time_s
    return t


def _stack(x: FloatArray, y: FloatArray, z: FloatArray | float) -> FloatArray:
    x, y, z = np.broadcast_arrays(x, y, z)
    return np.stack([x, y, z], axis=-1).astype(np.float64)


def pose(gait: Gait, time_s: FloatArray) -> Pose:
    """The runner at given times.

    Parameters
    ----------
    gait : Gait
        From `sample_clips.gait.solved`.
    time_s : (T,) array
        Real seconds from the clip's first frame.

    Returns
    -------
    Pose
    """
    r = gait.runner
    t = cycle_time(r, np.atleast_1d(time_s))
    if r.standing:
        return _standing(gait, np.atleast_1d(time_s))
    px, py = pelvis_at(gait.pelvis, r, t)
    start = pelvis_at(gait.pelvis, r, cycle_time(r, np.array([0.0])))[0][0]
    points: dict[str, FloatArray] = {"pelvis": _stack(px, py, 0.0)}
    pitch: dict[str, FloatArray] = {}
    contact: dict[str, NDArray[np.bool_]] = {}
    stride = r.stride_time_s
    for side in SIDES:
        tau = np.mod(t - touchdown_phase_s(r, side), stride)
        contact[side] = tau < r.of(side).contact_time_s
        _leg(gait, side, t, tau, px, py, contact[side], points, pitch)
    turn = {
        "pelvis": np.radians(r.pelvis_turn_deg) * np.cos(2 * np.pi * (t / stride - 0.5)),
        "shoulder": -np.radians(r.shoulder_turn_deg) * np.cos(2 * np.pi * (t / stride - 0.5)),
    }
    lean = np.radians(r.trunk_lean_deg) + np.radians(r.trunk_bob_deg) * np.cos(4 * np.pi * t / stride - 1.0)
    _upper_body(gait, t, lean, turn["shoulder"], points, pitch)
    offset = -start + r.start_x_m - (r.speed_mps * np.atleast_1d(time_s) if r.treadmill else 0.0)
    for p in points.values():
        p[:, 0] += offset
    return Pose(points, pitch, turn, contact)


def _leg(
    gait: Gait,
    side: Side,
    t: FloatArray,
    tau: FloatArray,
    px: FloatArray,
    py: FloatArray,
    on: NDArray[np.bool_],
    points: dict[str, FloatArray],
    pitch: dict[str, FloatArray],
) -> None:
    r, g, b = gait.runner, gait.of(side), gait.runner.body
    stride = r.stride_time_s
    hx, hy, hz = hip_offset(r, side, t)
    l1, l2, across = plane_lengths(r, side, t)
    st_th, st_kn = stance_leg(r, gait.pelvis, g, side, np.where(on, tau, 0.0))
    sw = np.clip(tau, g.contact_s, stride)
    thigh = np.where(on, st_th, g.thigh(sw))
    knee = np.where(on, st_kn, g.knee(sw))
    shank = thigh - knee
    p = np.where(on, stance_pitch(g, tau), g.foot(sw) + g.thigh(sw) - g.knee(sw))
    x_hip, y_hip = px + hx, py + hy
    kx, ky = x_hip + l1 * np.sin(thigh), y_hip - l1 * np.cos(thigh)
    ax, ay = kx + l2 * np.sin(shank), ky - l2 * np.cos(shank)
    # in contact the foot is placed by the ground, exactly
    begin = t - tau
    x0 = pelvis_at(gait.pelvis, r, begin)[0] + r.of(side).td_distance_m - g.ankle_td_x
    q = stance_toe_pitch(g, tau)
    fx, fy = rear_foot_point(b, 0.0, b.ankle_height_m, p, q)
    gx, gy = (np.where(on, v, 0.0) for v in ankle_give(g, tau))
    ax, ay = np.where(on, x0 + fx + gx, ax), np.where(on, fy + gy, ay)
    share = b.thigh_m / b.leg_m
    z_ankle = hz + across
    out = _SIGN[side] * np.sin(np.radians(r.toe_out_deg))

    def rear(x: float, y: float) -> FloatArray:
        dx, dy = rotated(np.full_like(p, x), np.full_like(p, y - b.ankle_height_m), p)
        return _stack(ax - gx + dx, ay - gy + dy, z_ankle + out * x)

    toe_pitch = np.where(on, np.where(p > 0, p, q), p + g.toe(sw))
    ball = rear(b.ball_x, 0.0)
    reach = b.toe_x - b.ball_x
    # the toe tip leaves the ground at toe-off and then keeps clear of it
    clear = 1.0 - 0.25 * np.clip((tau - g.contact_s) / 0.02, 0.0, 1.0)
    lowest = -np.arcsin(np.clip(clear * np.maximum(ball[:, 1], 0.0) / reach, 0.0, 1.0))
    toe_pitch = np.where(on, toe_pitch, np.maximum(toe_pitch, lowest))

    def toe(x: float, y: float) -> FloatArray:
        dx, dy = rotated(np.full_like(p, x), np.full_like(p, y), toe_pitch)
        return ball + _stack(dx, dy, out * x)

    points[f"{side}_hip"] = _stack(x_hip, y_hip, hz)
    points[f"{side}_knee"] = _stack(kx, ky, hz + share * across)
    points[f"{side}_ankle"] = _stack(ax, ay, z_ankle)
    points[f"{side}_heel"] = rear(b.heel_x, HEEL_HEIGHT_M)
    points[f"{side}_sole_heel"] = rear(b.heel_contact_x, 0.0)
    points[f"{side}_ball"] = ball
    points[f"{side}_foot_index"] = toe(reach, TOE_HEIGHT_M)
    points[f"{side}_sole_toe"] = toe(reach, 0.0)
    pitch[side] = p
    pitch[f"{side}_toe"] = toe_pitch


def _elbow_shape(phase: FloatArray, swing_range_deg: float) -> FloatArray:
    """Elbow opening over the arm cycle (phase 0 = front), mean 0 and range 1."""
    down = float(np.clip(swing_range_deg / 60.0, 0.2, 1.0))

    def raw(a: FloatArray) -> FloatArray:
        opening: FloatArray = -0.6 * np.cos(a) + 0.5 * down * np.sin(a) + 0.12 * np.cos(2 * a)
        return opening

    dense = raw(np.linspace(0, 2 * np.pi, 1441))
    shape: FloatArray = raw(phase) / (dense.max() - dense.min())
    return shape


def _upper_body(
    gait: Gait,
    t: FloatArray,
    lean: FloatArray,
    shoulder_turn: FloatArray,
    points: dict[str, FloatArray],
    pitch: dict[str, FloatArray],
) -> None:
    r, b = gait.runner, gait.runner.body
    stride = r.stride_time_s
    pelvis = points["pelvis"]
    up = _stack(np.sin(lean), np.cos(lean), 0.0)
    chest = pelvis + b.trunk_m * up
    points["chest"] = chest
    nod = 0.35 * lean
    head_up = _stack(np.sin(nod), np.cos(nod), 0.0)
    head_fwd = _stack(np.cos(nod), -np.sin(nod), 0.0)
    scale = b.stature_m / 1.78
    neck = chest + 0.055 * scale * up
    vertex = chest + b.head_m * head_up + 0.025 * scale * head_fwd
    head = vertex - 0.118 * scale * head_up
    points.update(neck=neck, vertex=vertex, head=head)
    pitch["trunk"], pitch["head"] = lean, nod
    z = np.array([0.0, 0.0, 1.0])
    for name, (fx, fy, fz) in _FACE.items():
        base = head + scale * (fx * head_fwd + fy * head_up)
        if name == "nose":
            points[name] = base
            continue
        for side in SIDES:
            key = f"mouth_{side}" if name == "mouth" else f"{side}_{name}"
            points[key] = base + scale * fz * _SIGN[side] * z
    for side in SIDES:
        q, sign = r.of(side), _SIGN[side]
        front = touchdown_phase_s(r, opposite(side)) - 0.05 * stride
        a = 2 * np.pi * (t - front) / stride
        swing = np.radians(
            (q.arm_front_deg + q.arm_back_deg) / 2 + (q.arm_front_deg - q.arm_back_deg) / 2 * np.cos(a)
        )
        elbow = np.radians(q.elbow_mean_deg + q.elbow_range_deg * _elbow_shape(a, q.elbow_range_deg))
        half = sign * b.shoulder_half_m
        shoulder = chest + _stack(half * np.sin(shoulder_turn), 0.0 * t, half * np.cos(shoulder_turn))
        upper = swing - lean
        fore = upper + np.pi - elbow
        out = np.radians(r.arm_abduction_deg)
        inward = np.radians(r.hand_inward_deg) * (0.6 + 0.4 * np.cos(a))
        d1 = _stack(np.cos(out) * np.sin(upper), -np.cos(out) * np.cos(upper), sign * np.sin(out))
        d2 = _stack(np.cos(inward) * np.sin(fore), -np.cos(inward) * np.cos(fore), -sign * np.sin(inward))
        n = _stack(np.cos(fore), np.sin(fore), 0.0)
        e = shoulder + b.upper_arm_m * d1
        w = e + b.forearm_m * d2
        points[f"{side}_shoulder"] = shoulder
        points[f"{side}_elbow"] = e
        points[f"{side}_wrist"] = w
        points[f"{side}_index"] = w + scale * (0.085 * d2 + 0.022 * n)
        points[f"{side}_pinky"] = w + scale * (0.078 * d2 - 0.028 * n)
        points[f"{side}_thumb"] = w + scale * (0.050 * d2 + 0.036 * n - 0.012 * sign * z)
        points[f"{side}_fingertip"] = w + b.hand_m * d2


def _standing(gait: Gait, time_s: FloatArray) -> Pose:
    """A spectator: upright, arms hanging, weight shifting a little."""
    r, b = gait.runner, gait.runner.body
    t = np.asarray(time_s, dtype=np.float64)
    zero = np.zeros_like(t)
    shift = 0.008 * np.sin(2 * np.pi * 0.3 * t)
    height = b.ankle_height_m + b.leg_m - 0.004
    points: dict[str, FloatArray] = {"pelvis": _stack(shift + r.start_x_m, zero + height, 0.0)}
    pitch: dict[str, FloatArray] = {}
    contact: dict[str, NDArray[np.bool_]] = {}
    for side in SIDES:
        sign = _SIGN[side]
        hip = points["pelvis"] + np.array([0.0, 0.0, sign * b.hip_half_m])
        x0 = r.start_x_m + 0.02 * sign
        th, _ = leg_angles(
            x0 - hip[:, 0], b.ankle_height_m - hip[:, 1], np.array(b.thigh_m), np.array(b.shank_m)
        )
        ankle = _stack(zero + x0, zero + b.ankle_height_m, sign * 0.11)
        points[f"{side}_hip"] = hip
        points[f"{side}_knee"] = _stack(
            hip[:, 0] + b.thigh_m * np.sin(th), hip[:, 1] - b.thigh_m * np.cos(th), sign * 0.10
        )
        points[f"{side}_ankle"] = ankle
        flat = np.array([0.0, -b.ankle_height_m, 0.0])
        for name, x, y in (
            ("heel", b.heel_x, HEEL_HEIGHT_M),
            ("sole_heel", b.heel_contact_x, 0.0),
            ("ball", b.ball_x, 0.0),
            ("foot_index", b.toe_x, TOE_HEIGHT_M),
            ("sole_toe", b.toe_x, 0.0),
        ):
            points[f"{side}_{name}"] = ankle + flat + np.array([x, y, sign * 0.1 * x])
        pitch[side] = zero
        pitch[f"{side}_toe"] = zero
        contact[side] = np.ones(len(t), dtype=bool)
    _upper_body(gait, 0 * t, zero + 0.02, zero, points, pitch)
    return Pose(points, pitch, {"pelvis": zero, "shoulder": zero}, contact)


def centre_of_mass(body_pose: Pose) -> FloatArray:
    """Whole-body centre of mass, (T, 3) m, de Leva's male segments."""
    p = body_pose.points
    total = np.zeros_like(p["pelvis"])

    def add(segment: str, a: FloatArray, b: FloatArray) -> None:
        nonlocal total
        mass, along = DE_LEVA_MALE[segment]
        total = total + mass * (a + along * (b - a))

    add("head", p["vertex"], p["neck"])
    add("trunk", p["chest"], p["pelvis"])
    for s in SIDES:
        add("upper_arm", p[f"{s}_shoulder"], p[f"{s}_elbow"])
        add("forearm", p[f"{s}_elbow"], p[f"{s}_wrist"])
        add("hand", p[f"{s}_wrist"], p[f"{s}_fingertip"])
        add("thigh", p[f"{s}_hip"], p[f"{s}_knee"])
        add("shank", p[f"{s}_knee"], p[f"{s}_ankle"])
        add("foot", p[f"{s}_heel"], p[f"{s}_foot_index"])
    return total
