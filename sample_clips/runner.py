"""What an invented runner does, in numbers; sensible values from the speed alone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from sample_clips.body import Body, body_of
from shared.landmarks import Side


@dataclass(frozen=True)
class Technique:
    """One side's technique. Angles in degrees by the project's definitions.

    Attributes
    ----------
    contact_time_s : float
        Touchdown to toe-off.
    thigh_max_deg : float
        Largest thigh angle (knee lift); reached exactly.
    thigh_min_deg : float or None
        Smallest thigh angle; None: a little past its value at toe-off. Reached exactly when
        it lies below the toe-off value that the contact geometry leads to.
    knee_td_deg, knee_to_deg : float
        Knee flexion at touchdown (exact) and toe-off (exact where the heel can rise enough).
    knee_swing_max_deg : float
        Largest knee flexion in swing; reached exactly.
    td_distance_m : float
        Ankle ahead of mid-hip at touchdown; exact.
    foot_td_deg : float
        Heel to toe line at touchdown minus flat; positive: heel first. Exact.
    arm_front_deg, arm_back_deg : float
        Ends of the upper-arm swing against the trunk; exact.
    elbow_mean_deg, elbow_range_deg : float
        Mean over the cycle and difference of extremes; exact.
    """

    contact_time_s: float
    thigh_max_deg: float
    thigh_min_deg: float | None
    knee_td_deg: float
    knee_to_deg: float
    knee_swing_max_deg: float
    td_distance_m: float
    foot_td_deg: float
    arm_front_deg: float
    arm_back_deg: float
    elbow_mean_deg: float
    elbow_range_deg: float


@dataclass(frozen=True)
class Look:
    """Colours (sRGB 0..255) of body and clothes."""

    skin: tuple[int, int, int] = (196, 146, 116)
    hair: tuple[int, int, int] = (52, 36, 26)
    shirt: tuple[int, int, int] = (40, 92, 150)
    shorts: tuple[int, int, int] = (30, 30, 36)
    shoe: tuple[int, int, int] = (214, 96, 50)
    sock: tuple[int, int, int] = (225, 225, 225)


@dataclass(frozen=True)
class Runner:
    """An invented runner: speed, rhythm, technique of both sides, body, place and direction.

    Attributes
    ----------
    speed_mps : float
        Mean forward speed.
    step_frequency_hz : float
        Steps per second (both feet).
    left, right : Technique
    trunk_lean_deg : float
        Mean trunk lean over the cycle; exact.
    trunk_bob_deg : float
        Half range of its change, twice per cycle.
    pelvis_turn_deg, shoulder_turn_deg : float
        Half range of the rotation about the vertical.
    pelvis_list_deg : float
        Half range of the drop of the swinging side.
    arm_abduction_deg, hand_inward_deg : float
        Upper arm out of, and forearm into, the plane of travel.
    foot_half_width_m : float
        Foot from the midline; 0 on the line, negative crosses over.
    toe_out_deg : float
    pelvis_rise_m : float
        Pelvis higher at toe-off than at the next touchdown.
    body : Body
    look : Look
    direction : {"left", "right"}
        Direction of travel in the scene (right = +X).
    start_x_m : float
        Pelvis forward position at time 0, in the runner's own direction of travel.
    lane_z_m : float
        Scene Z of the path.
    phase : float
        Where in the cycle (0..1, 0 = left touchdown) time 0 is.
    treadmill : bool
        True: the runner stays in place and the belt moves.
    standing : bool
        True: a spectator who stands still.
    """

    speed_mps: float
    step_frequency_hz: float
    left: Technique
    right: Technique
    trunk_lean_deg: float = 6.0
    trunk_bob_deg: float = 1.5
    pelvis_turn_deg: float = 9.0
    shoulder_turn_deg: float = 9.0
    pelvis_list_deg: float = 2.0
    arm_abduction_deg: float = 14.0
    hand_inward_deg: float = 22.0
    foot_half_width_m: float = 0.04
    toe_out_deg: float = 6.0
    pelvis_rise_m: float = -0.01
    body: Body = field(default_factory=body_of)
    look: Look = field(default_factory=Look)
    direction: Side = "right"
    start_x_m: float = 0.0
    lane_z_m: float = 0.0
    phase: float = 0.0
    treadmill: bool = False
    standing: bool = False

    def of(self, side: Side) -> Technique:
        """Technique of one side."""
        return self.left if side == "left" else self.right

    @property
    def stride_time_s(self) -> float:
        """Two steps."""
        return 2.0 / self.step_frequency_hz


_SPEED: Final = (2.5, 3.5, 4.5, 5.5, 7.0, 9.5)
"""m/s; rows below belong to these speeds.

Contact: 2.5-4.5 m/s mean of 26 treadmill runners (Fukuchi et al. 2017, PeerJ 5:e3298);
9.5 m/s one measured sprint (Dorn et al. 2012, J Exp Biol 215:1944); between: interpolated.
Step frequency: common practice for the jog, the same sprint at 9.5 m/s. Knee in swing: about 90
running and 105-130 sprinting (Novacheck 1998, from memory). The rest: common practice, no source.
"""
_BY_SPEED: Final[dict[str, tuple[float, ...]]] = {
    "contact_time_s": (0.266, 0.218, 0.185, 0.160, 0.131, 0.103),
    "step_frequency_hz": (2.65, 2.75, 2.88, 3.05, 3.50, 4.40),
    "thigh_max_deg": (29.0, 37.0, 44.0, 51.0, 60.0, 69.0),
    "knee_td_deg": (13.0, 14.0, 16.0, 18.0, 21.0, 23.0),
    "knee_to_deg": (11.0, 10.0, 10.0, 11.0, 13.0, 15.0),
    "knee_swing_max_deg": (86.0, 99.0, 108.0, 114.0, 120.0, 128.0),
    "td_distance_m": (0.17, 0.21, 0.255, 0.29, 0.345, 0.39),
    "foot_td_deg": (12.0, 11.0, 8.0, 3.0, -4.0, -9.0),
    "trunk_lean_deg": (6.0, 7.0, 8.0, 8.0, 7.0, 5.0),
    "arm_front_deg": (14.0, 18.0, 22.0, 28.0, 36.0, 44.0),
    "arm_back_deg": (-42.0, -46.0, -50.0, -54.0, -60.0, -66.0),
    "elbow_mean_deg": (88.0, 88.0, 88.0, 90.0, 92.0, 96.0),
    "elbow_range_deg": (20.0, 24.0, 30.0, 38.0, 48.0, 58.0),
}
_WALK: Final[dict[str, float]] = {
    "step_frequency_hz": 1.9,
    "thigh_max_deg": 31.0,
    "knee_td_deg": 9.0,
    "knee_to_deg": 34.0,
    "knee_swing_max_deg": 62.0,
    "td_distance_m": 0.34,
    "foot_td_deg": 18.0,
    "trunk_lean_deg": 3.0,
    "arm_front_deg": 14.0,
    "arm_back_deg": -22.0,
    "elbow_mean_deg": 158.0,
    "elbow_range_deg": 14.0,
}
WALK_BELOW_MPS: Final[float] = 2.1
"""Below this speed `runner_at` walks (double support, no flight)."""


def runner_at(speed_mps: float, **changes: Any) -> Runner:
    """A runner with sensible values for one speed.

    Parameters
    ----------
    speed_mps : float
        1.2 (walk) to 10 m/s.
    **changes
        Any field of `Runner`, or of `Technique` (then for both sides), or ``left_<field>`` /
        ``right_<field>`` for one side.

    Returns
    -------
    Runner

    Raises
    ------
    TypeError
        If a name in `changes` is unknown.
    """
    if speed_mps < WALK_BELOW_MPS:
        values = dict(_WALK)
        values["step_frequency_hz"] = 1.9 * (speed_mps / 1.5) ** 0.5
        values["contact_time_s"] = 0.60 * 2.0 / values["step_frequency_hz"]
    else:
        values = {k: float(np.interp(speed_mps, _SPEED, row)) for k, row in _BY_SPEED.items()}
        if speed_mps > _SPEED[-1]:
            values["contact_time_s"] *= _SPEED[-1] / speed_mps
    frequency = values.pop("step_frequency_hz")
    lean = values.pop("trunk_lean_deg")
    base = Technique(thigh_min_deg=None, **values)
    names = set(Technique.__dataclass_fields__)
    both = {k: v for k, v in changes.items() if k in names}
    left = {k[5:]: v for k, v in changes.items() if k.startswith("left_") and k[5:] in names}
    right = {k[6:]: v for k, v in changes.items() if k.startswith("right_") and k[6:] in names}
    known = names | {f"left_{n}" for n in names} | {f"right_{n}" for n in names}
    rest = {k: v for k, v in changes.items() if k not in known}
    runner = Runner(
        speed_mps=speed_mps,
        step_frequency_hz=frequency,
        left=replace(base, **{**both, **left}),
        right=replace(base, **{**both, **right}),
        trunk_lean_deg=lean,
        treadmill=False,
    )
    return replace(runner, **rest)
