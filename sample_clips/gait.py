"""Pelvis path, stance foot and swing curves of a runner as functions of cycle time.

Axes: x forward, y up (m), z to the athlete's right. Cycle time 0 is left touchdown; right
touchdown comes half a stride later. In flight the centre of mass is a projectile in height;
forward, mid-hip keeps its speed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BPoly, CubicHermiteSpline
from scipy.optimize import brentq

from sample_clips.legs import hermite, leg_angles, pitch_for, rear_foot_point
from sample_clips.runner import Runner
from sample_clips.stance import SideGait, ankle_give, stance_pitch, stance_toe_pitch
from shared.errors import OptionError
from shared.landmarks import Side, opposite

FloatArray = NDArray[np.float64]
Shift = tuple[FloatArray, FloatArray]
GRAVITY: Final[float] = 9.81
BRAKE_SHARE: Final[float] = 0.035
"""Speed lost and won back in a contact, share (2.7 % lost in a sprint: Coh 2018, Kinesiology 50:172)."""
SIDES: Final[tuple[Side, Side]] = ("left", "right")
_SIGN: Final[dict[str, float]] = {"left": -1.0, "right": 1.0}


@dataclass(frozen=True)
class Pelvis:
    """Path of mid-hip over a stride.

    Attributes
    ----------
    height : BPoly
        Height, m, on [0, stride], starting at left touchdown.
    sway : BPoly
        Forward position less speed x time, m.
    """

    height: BPoly | CubicHermiteSpline
    sway: BPoly


@dataclass(frozen=True)
class Gait:
    """A runner with everything solved; see `sample_clips.motion.pose`."""

    runner: Runner
    pelvis: Pelvis
    left: SideGait
    right: SideGait

    def of(self, side: Side) -> SideGait:
        """One side."""
        return self.left if side == "left" else self.right


def touchdown_phase_s(runner: Runner, side: Side) -> float:
    """Cycle time of a side's touchdown."""
    return 0.0 if side == "left" else runner.stride_time_s / 2


def hip_offset(runner: Runner, side: Side, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hip joint less mid-hip (x, y, z), m, at cycle time `t`."""
    stride = runner.stride_time_s
    turn = np.radians(runner.pelvis_turn_deg) * np.cos(2 * np.pi * (t / stride - 0.5))
    mid_stance = runner.left.contact_time_s / 2
    drop = np.radians(runner.pelvis_list_deg) * np.cos(2 * np.pi * (t - mid_stance) / stride)
    half = _SIGN[side] * runner.body.hip_half_m
    return half * np.sin(turn), -half * np.sin(drop), half * np.cos(turn) * np.cos(drop)


def plane_lengths(runner: Runner, side: Side, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Thigh and shank as seen in the plane of travel, and hip-to-ankle z, m."""
    body = runner.body
    across = _SIGN[side] * runner.foot_half_width_m - hip_offset(runner, side, t)[2]
    share = body.thigh_m / body.leg_m
    thigh = np.sqrt(body.thigh_m**2 - (share * across) ** 2)
    shank = np.sqrt(body.shank_m**2 - ((1 - share) * across) ** 2)
    return thigh, shank, across


def pelvis_at(p: Pelvis, runner: Runner, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mid-hip (x, y) at cycle time `t` (any number of strides), m."""
    u = np.mod(t, runner.stride_time_s)
    return runner.speed_mps * t + p.sway(u), p.height(u)


def stance_leg(
    runner: Runner, p: Pelvis, g: SideGait, side: Side, tau: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Thigh angle and knee flexion (rad) in contact."""
    t0 = touchdown_phase_s(runner, side)
    t = t0 + tau
    px, py = pelvis_at(p, runner, t)
    hx, hy, _ = hip_offset(runner, side, t)
    x0 = pelvis_at(p, runner, np.array(t0))[0] + runner.of(side).td_distance_m - g.ankle_td_x
    ax, ay = rear_foot_point(
        runner.body, 0.0, runner.body.ankle_height_m, stance_pitch(g, tau), stance_toe_pitch(g, tau)
    )
    gx, gy = ankle_give(g, tau)
    thigh, shank, _ = plane_lengths(runner, side, t)
    return leg_angles(x0 + ax + gx - px - hx, ay + gy - py - hy, thigh, shank)


def _touchdown_height(runner: Runner, side: Side, pitch: float) -> tuple[float, float]:
    """Mid-hip height at touchdown and ankle x offset of the pitched foot."""
    t = np.array(touchdown_phase_s(runner, side))
    ax, ay = rear_foot_point(runner.body, 0.0, runner.body.ankle_height_m, np.array(pitch))
    hx, hy, _ = hip_offset(runner, side, t)
    thigh, shank, _ = plane_lengths(runner, side, t)
    k = np.radians(runner.of(side).knee_td_deg)
    d2 = thigh**2 + shank**2 + 2 * thigh * shank * np.cos(k)
    dx = runner.of(side).td_distance_m - hx
    if d2 <= dx**2:
        raise OptionError("td_distance_m", "the leg is too short for it", "ask for less")
    return float(ay + np.sqrt(d2 - dx**2) - hy), float(ax)


def _running_pelvis(runner: Runner, td_height: dict[Side, float]) -> Pelvis:
    """Projectile between toe-off and touchdown, one smooth quintic in each contact."""
    half = runner.stride_time_s / 2
    arrive: dict[Side, float] = {}
    leave: dict[Side, tuple[float, float]] = {}
    for side in SIDES:
        flight = half - runner.of(side).contact_time_s
        rise = runner.pelvis_rise_m
        v0 = GRAVITY * flight / 2 - rise / flight
        leave[side] = (td_height[opposite(side)] + rise, v0)
        arrive[opposite(side)] = v0 - GRAVITY * flight
    times: list[float] = []
    rows: list[list[float]] = []
    sway_times: list[float] = []
    sway: list[list[float]] = []
    for i, side in enumerate(SIDES):
        begin, contact = i * half, runner.of(side).contact_time_s
        times += [begin, begin + contact]
        rows += [[td_height[side], arrive[side], -GRAVITY], [*leave[side], -GRAVITY]]
        # brake, then push: the pelvis falls behind by a few mm and catches up, no net change
        lag = BRAKE_SHARE * runner.speed_mps * contact / 4
        sway_times += [begin, begin + contact / 2, begin + contact]
        sway += [[0.0, 0.0, 0.0], [-lag, 0.0, 0.0], [0.0, 0.0, 0.0]]
    times.append(2 * half)
    rows.append(rows[0])
    sway_times.append(2 * half)
    sway.append([0.0, 0.0, 0.0])
    return Pelvis(BPoly.from_derivatives(times, rows), BPoly.from_derivatives(sway_times, sway))


def _walking_pelvis(runner: Runner, td_height: dict[Side, float]) -> Pelvis:
    stride = runner.stride_time_s
    double = (runner.left.contact_time_s + runner.right.contact_time_s) / 2 - stride / 2
    t = np.linspace(0, stride, 33)
    w = 4 * np.pi / stride
    lag = w * double / 2
    amplitude = 0.018
    mean = (td_height["left"] + td_height["right"]) / 2 + amplitude * np.cos(lag)
    rows = np.column_stack(
        [
            mean - amplitude * np.cos(w * t - lag),
            amplitude * w * np.sin(w * t - lag),
            amplitude * w**2 * np.cos(w * t - lag),
        ]
    )
    return Pelvis(BPoly.from_derivatives(t, rows), BPoly.from_derivatives(t, np.zeros((33, 3))))


def drafted(runner: Runner, shift: Shift | None = None) -> Gait:
    """Solve the cycle of a runner for a given movement of the centre of mass against the pelvis.

    Parameters
    ----------
    runner : Runner
    shift : tuple of (N,) arrays, optional
        Cycle time (s, from 0 to the stride) and height of the centre of mass above mid-hip (m).
        None: it stays where it is.

    Returns
    -------
    Gait

    Raises
    ------
    OptionError
        If the parameters contradict each other.
    """
    if runner.step_frequency_hz <= 0:
        raise OptionError("step_frequency_hz", "it is not positive", "ask for 1 to 5 steps per second")
    body = runner.body
    td_height: dict[Side, float] = {}
    td_x: dict[Side, float] = {}
    pitch: dict[Side, float] = {}
    for side in SIDES:
        pitch[side] = pitch_for(body, np.radians(runner.of(side).foot_td_deg))
        td_height[side], td_x[side] = _touchdown_height(runner, side, pitch[side])
    if not flies(runner):
        pelvis = _walking_pelvis(runner, td_height)
    elif shift is None:
        pelvis = _running_pelvis(runner, td_height)
    else:
        above = {s: float(np.interp(touchdown_phase_s(runner, s), *shift)) for s in SIDES}
        mass = _running_pelvis(runner, {s: td_height[s] + above[s] for s in SIDES})
        y = mass.height(shift[0]) - shift[1]
        pelvis = Pelvis(CubicHermiteSpline(shift[0], y, np.gradient(y, shift[0])), mass.sway)
    left, right = (_side(runner, pelvis, s, pitch[s], td_x[s]) for s in SIDES)
    return Gait(runner, pelvis, left, right)


def flies(runner: Runner) -> bool:
    """True for running (both feet leave the ground), false for walking."""
    return all(runner.of(s).contact_time_s < runner.stride_time_s / 2 for s in SIDES)


def _side(runner: Runner, pelvis: Pelvis, side: Side, pitch_td: float, td_x: float) -> SideGait:
    q = runner.of(side)
    contact, stride = q.contact_time_s, runner.stride_time_s
    empty = hermite([(0.0, 0.0, 0.0), (1.0, 0.0, 0.0)])
    walk = contact > stride / 2

    def draft(pitch_to: float) -> SideGait:
        return SideGait(
            contact,
            pitch_td,
            pitch_to,
            flat_s=(0.22 if pitch_td > 0 else 0.45) * contact,
            rise_s=(0.5 if walk else 0.3) * contact,
            rise_slope=2.75,  # the knee has nearly stopped extending as the foot leaves
            ankle_td_x=td_x,
            give=0.0 if walk else 1.0,
            thigh=empty,
            knee=empty,
            foot=empty,
            toe=empty,
        )

    def knee_at_toe_off(pitch_to: float) -> float:
        _, k = stance_leg(runner, pelvis, draft(pitch_to), side, np.array(contact))
        return float(np.degrees(k)) - q.knee_to_deg

    tries = np.radians(np.arange(-10.0, -90.0, -2.5))
    misses = np.array([knee_at_toe_off(float(p)) for p in tries])
    up = np.flatnonzero((misses[:-1] < 0) & (misses[1:] >= 0))
    if len(up):
        pitch_to = float(brentq(knee_at_toe_off, tries[up[0]], tries[up[0] + 1]))
    else:
        pitch_to = float(tries[len(misses) - 1 - np.argmax(misses[::-1])])
        if abs(knee_at_toe_off(pitch_to)) > 15.0:
            raise OptionError(
                "knee_to_deg",
                "the leg can't have that bend where the foot leaves the ground",
                "change touchdown distance, contact time or knee angles",
            )
    step = 1e-4

    g = draft(pitch_to)
    th, kn = stance_leg(runner, pelvis, g, side, np.array([contact - step, contact]))
    slow = 2e-3  # wider than the table of the pelvis path
    last = stance_leg(runner, pelvis, g, side, contact - slow * np.array([2.0, 1.0, 0.0]))
    th_v, kn_v = (float((v[0] - 4 * v[1] + 3 * v[2]) / (2 * slow)) for v in last)
    td_th, td_kn = stance_leg(runner, pelvis, g, side, np.array([0.0, step]))
    w_th, w_kn = _landing_rates(runner, pelvis, side, float(td_th[0]), float(td_kn[0]))
    swing = stride - contact

    thigh = [(contact, float(th[1]), float(th_v))]
    if q.thigh_min_deg is None:
        if th_v < 0:
            stop = min(0.06 * stride, 0.2 * swing)
            thigh.append((contact + stop, float(th[1] + th_v * stop / 2), 0.0))
    else:
        low = np.radians(q.thigh_min_deg)
        if low > th[1] or th_v >= 0:
            raise OptionError(
                "thigh_min_deg",
                f"the contact itself takes the thigh to {np.degrees(th[1]):.0f} degrees",
                "ask for a smaller angle, a longer touchdown distance or a shorter contact",
            )
        stop = float(np.clip(2 * (th[1] - low) / -th_v, 0.02 * swing, 0.25 * swing))
        thigh.append((contact + stop, float(low), 0.0))
    # knee fold at 66 % and thigh peak at 78 % of the cycle in running at 2.5-4.5 m/s, own reading
    # of the mean curves of Fukuchi et al. 2017 (PeerJ 5:e3298); earlier in sprinting and walking
    # (Novacheck 1998, Gait Posture 7:77, from memory)
    duty = contact / stride
    fold_at = 0.74 if walk else float(np.clip(0.66 - 1.8 * (0.29 - duty), 0.54, 0.67))
    top_at = 0.86 if walk else float(np.clip(0.78 - 0.6 * (0.29 - duty), 0.74, 0.79))
    thigh += [
        (top_at * stride, float(np.radians(q.thigh_max_deg)), 0.0),
        (stride, float(td_th[0]), w_th),
    ]
    straight = float(max(td_kn[0] - np.radians(0.0 if walk else 4.0), np.radians(3.0)))
    knee = [
        (contact, float(kn[1]), float(max(kn_v, 0.0))),
        (fold_at * stride, float(np.radians(q.knee_swing_max_deg)), 0.0),
        (0.965 * stride, straight, 0.0),
        (stride, float(td_kn[0]), float(np.clip(w_kn, 0.0, 4.0))),
    ]

    def ankle_angle(p: float, thigh_angle: float, knee_angle: float) -> float:
        return p - (thigh_angle - knee_angle)

    p2 = stance_pitch(g, np.array([contact - step, contact]))
    q2 = stance_toe_pitch(g, np.array([contact - step, contact]))
    a0 = ankle_angle(float(p2[0]), float(th[0]), float(kn[0]))
    a1 = ankle_angle(float(p2[1]), float(th[1]), float(kn[1]))
    a_td = ankle_angle(pitch_td, float(td_th[0]), float(td_kn[0]))
    foot = [
        (contact, a1, (a1 - a0) / step),
        (contact + 0.08 * swing, a1 + (a1 - a0) / step * 0.03 * swing, 0.0),
        (contact + 0.68 * swing, float(np.radians(8.0)), 0.0),
        (stride, a_td, 0.0),
    ]
    p_v = float((p2[1] - p2[0]) / step)
    toe = [
        (contact, float(q2[1] - p2[1]), float((q2[1] - q2[0]) / step) - p_v),
        (contact + 0.35 * swing, 0.17, 0.0),
        (contact + 0.80 * swing, 0.17, 0.0),
        (stride, max(0.0, -pitch_td), 0.0),
    ]
    return replace(g, thigh=hermite(thigh), knee=hermite(knee), foot=hermite(foot), toe=hermite(toe))


def _landing_rates(
    runner: Runner, pelvis: Pelvis, side: Side, thigh_angle: float, knee_angle: float
) -> tuple[float, float]:
    """Thigh and knee angular velocity (rad/s) just before touchdown.

    The foot comes down at 0.5 + 0.1 x speed m/s and still moves forward at 0.1 x speed, as far
    as joint rates below about 500 deg/s allow.
    """
    slow = 2e-3  # wider than the table of the pelvis path
    t = touchdown_phase_s(runner, side) + runner.stride_time_s - slow * np.array([2.0, 1.0, 0.0])
    path = pelvis_at(pelvis, runner, t - 1e-9)
    vx, vy = (float((v[0] - 4 * v[1] + 3 * v[2]) / (2 * slow)) for v in path)
    want = np.array([0.1 * runner.speed_mps - vx, -(0.5 + 0.1 * runner.speed_mps) - vy])
    l1, l2 = runner.body.thigh_m, runner.body.shank_m
    sigma = thigh_angle - knee_angle
    jac = np.array(
        [
            [l1 * np.cos(thigh_angle) + l2 * np.cos(sigma), -l2 * np.cos(sigma)],
            [l1 * np.sin(thigh_angle) + l2 * np.sin(sigma), -l2 * np.sin(sigma)],
        ]
    )
    damp = 0.02
    rates = np.linalg.solve(jac.T @ jac + damp**2 * np.eye(2), jac.T @ want)
    limit = np.radians(520.0)
    return float(np.clip(rates[0], -limit, 0.0)), float(np.clip(rates[1], -limit, np.radians(120.0)))
