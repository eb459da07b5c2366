"""The table of measures and curves: key, unit, plain words, body area.

Definitions and signs are written out in docs/measures.md; this table is what code and pages
share, so that a measure has one name and one unit everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Sidedness = Literal["side", "both"]
Area = Literal["rhythm", "trunk", "legs", "foot strike", "arms", "forces"]
Needs = Literal["nothing", "scale", "scale and mass", "scale or belt", "mass"]


@dataclass(frozen=True)
class MeasureKind:
    """One row of the table.

    Attributes
    ----------
    key, unit : str
    name : str
        The trade's term.
    plain : str
        The same in a runner's words.
    sided : {"side", "both"}
        "side": one value per side; "both": one value for the body.
    area : str
        Body area that reports group by.
    needs : str
        What must be given beside the picture.
    estimate : bool
        A model-based estimate, labelled so wherever it is shown.
    decimals : int
        Digits after the point worth showing.
    """

    key: str
    unit: str
    name: str
    plain: str
    sided: Sidedness
    area: Area
    needs: Needs = "nothing"
    estimate: bool = False
    decimals: int = 0


def _kinds() -> tuple[MeasureKind, ...]:
    k = MeasureKind
    return (
        k(
            "contact_time",
            "s",
            "contact time",
            "time the foot is on the ground",
            "side",
            "rhythm",
            decimals=3,
        ),
        k(
            "flight_time",
            "s",
            "flight time",
            "time in the air after this foot leaves",
            "side",
            "rhythm",
            decimals=3,
        ),
        k(
            "step_time",
            "s",
            "step time",
            "time from this foot's landing to the other's",
            "side",
            "rhythm",
            decimals=3,
        ),
        k("step_frequency", "steps/min", "step frequency", "steps per minute", "both", "rhythm"),
        k(
            "stride_time",
            "s",
            "stride time",
            "time of two steps, one gait cycle",
            "side",
            "rhythm",
            decimals=3,
        ),
        k(
            "duty_factor",
            "%",
            "duty factor",
            "share of the cycle the foot is on the ground",
            "side",
            "rhythm",
            decimals=1,
        ),
        k(
            "step_length",
            "m",
            "step length",
            "distance from this foot's landing to the other's",
            "side",
            "rhythm",
            "scale or belt",
            decimals=2,
        ),
        k("speed", "m/s", "speed", "running speed", "both", "rhythm", "scale or belt", decimals=2),
        k(
            "vertical_oscillation",
            "m",
            "vertical oscillation",
            "how far the body rises and falls in a step",
            "both",
            "rhythm",
            "scale",
            decimals=3,
        ),
        k("trunk_lean", "deg", "trunk lean", "lean of the trunk, forward positive", "both", "trunk"),
        k("trunk_lean_td", "deg", "trunk lean at touchdown", "lean as the foot lands", "side", "trunk"),
        k(
            "trunk_lean_midstance",
            "deg",
            "trunk lean at mid-stance",
            "lean half way through contact",
            "side",
            "trunk",
        ),
        k("trunk_lean_to", "deg", "trunk lean at toe-off", "lean as the foot leaves", "side", "trunk"),
        k(
            "thigh_angle_max",
            "deg",
            "largest thigh angle (knee lift)",
            "how high the knee comes; 90 = thigh level",
            "side",
            "legs",
        ),
        k(
            "thigh_angle_min",
            "deg",
            "smallest thigh angle (thigh extension)",
            "how far the thigh goes back",
            "side",
            "legs",
        ),
        k(
            "knee_flexion_td",
            "deg",
            "knee flexion at touchdown",
            "knee bend as the foot lands",
            "side",
            "legs",
        ),
        k(
            "knee_flexion_stance_max",
            "deg",
            "largest knee flexion in stance",
            "deepest knee bend on the ground",
            "side",
            "legs",
        ),
        k(
            "knee_flexion_swing_max",
            "deg",
            "largest knee flexion in swing",
            "how far the heel folds up",
            "side",
            "legs",
        ),
        k(
            "knee_flexion_to",
            "deg",
            "knee flexion at toe-off",
            "knee bend as the foot leaves",
            "side",
            "legs",
        ),
        k(
            "thigh_angular_velocity_forward",
            "deg/s",
            "largest forward thigh angular velocity",
            "how fast the thigh swings forward",
            "side",
            "legs",
        ),
        k(
            "thigh_angular_velocity_back",
            "deg/s",
            "largest backward thigh angular velocity",
            "how fast the thigh comes back to the ground",
            "side",
            "legs",
        ),
        k(
            "shank_angle_td",
            "deg",
            "shank angle at touchdown",
            "lower leg at landing; positive = ankle ahead of knee",
            "side",
            "foot strike",
        ),
        k(
            "foot_angle_td",
            "deg",
            "foot angle at touchdown",
            "foot to the ground at landing; positive = toes up",
            "side",
            "foot strike",
        ),
        k(
            "strike_pattern",
            "class",
            "strike pattern",
            "which part of the foot lands first",
            "side",
            "foot strike",
        ),
        k(
            "td_distance",
            "m",
            "touchdown distance to hip",
            "how far ahead of the hips the foot lands",
            "side",
            "foot strike",
            "scale",
            decimals=2,
        ),
        k(
            "td_distance_leg",
            "% leg",
            "touchdown distance to hip, relative",
            "the same as a share of leg length",
            "side",
            "foot strike",
            decimals=0,
        ),
        k(
            "td_distance_com",
            "m",
            "touchdown distance to centre of mass",
            "how far ahead of the body's balance point the foot lands",
            "side",
            "foot strike",
            "scale",
            decimals=2,
        ),
        k(
            "td_distance_com_leg",
            "% leg",
            "touchdown distance to centre of mass, relative",
            "the same as a share of leg length",
            "side",
            "foot strike",
            decimals=0,
        ),
        k(
            "elbow_angle_front",
            "deg",
            "elbow angle, front of swing",
            "elbow when the hand is in front; 180 = straight",
            "side",
            "arms",
        ),
        k(
            "elbow_angle_back",
            "deg",
            "elbow angle, back of swing",
            "elbow when the hand is behind",
            "side",
            "arms",
        ),
        k("elbow_angle_mean", "deg", "mean elbow angle", "elbow over the whole cycle", "side", "arms"),
        k(
            "arm_swing_front",
            "deg",
            "arm swing, front",
            "upper arm to trunk at the front end",
            "side",
            "arms",
        ),
        k(
            "arm_swing_back",
            "deg",
            "arm swing, back",
            "upper arm to trunk at the back end (negative = behind)",
            "side",
            "arms",
        ),
        k("arm_swing_range", "deg", "arm swing range", "front end to back end", "side", "arms"),
        k(
            "hand_height_front",
            "%",
            "hand height, front",
            "hand height in front; 100 = eye level, 0 = shoulder",
            "side",
            "arms",
        ),
        k(
            "hand_past_hip_back",
            "m",
            "hand past hip, back",
            "how far the hand goes behind the hip",
            "side",
            "arms",
            "scale",
            decimals=2,
        ),
        k(
            "hand_past_hip_back_thigh",
            "% thigh",
            "hand past hip, back, relative",
            "the same as a share of thigh length",
            "side",
            "arms",
        ),
        k(
            "leg_stiffness",
            "kN/m",
            "leg stiffness",
            "how springy the leg is",
            "side",
            "forces",
            "scale and mass",
            True,
            1,
        ),
        k(
            "vertical_stiffness",
            "kN/m",
            "vertical stiffness",
            "how springy the whole body is",
            "side",
            "forces",
            "mass",
            True,
            1,
        ),
        k(
            "vertical_force_peak",
            "body weights",
            "peak vertical force",
            "largest push of the ground",
            "side",
            "forces",
            estimate=True,
            decimals=2,
        ),
        k(
            "hip_moment_swing_flexion",
            "N·m/kg",
            "hip flexion moment in swing",
            "hip effort that brings the leg forward",
            "side",
            "forces",
            "scale",
            True,
            2,
        ),
        k(
            "hip_moment_swing_extension",
            "N·m/kg",
            "hip extension moment in swing",
            "hip effort that brings the leg back",
            "side",
            "forces",
            "scale",
            True,
            2,
        ),
        k(
            "hip_power_swing_peak",
            "W/kg",
            "peak hip power in swing",
            "largest hip power while the leg swings",
            "side",
            "forces",
            "scale",
            True,
            1,
        ),
    )


MEASURES: Final[dict[str, MeasureKind]] = {kind.key: kind for kind in _kinds()}
"""Every measure by key. `td_distance_leg` and kin carry the design's "% leg length" forms."""

SYMMETRY_PREFIX: Final[str] = "symmetry_"
"""`symmetry_<key>`: left minus right; degrees for angles, else % of the mean of both sides."""

ANGLES: Final[dict[str, str]] = {
    "trunk": "trunk lean from vertical, forward positive",
    "thigh": "hip to knee from the downward vertical, forward positive",
    "hip": "thigh plus trunk lean, flexion positive",
    "knee": "180 minus the angle hip-knee-ankle, flexion positive",
    "shank": "knee to ankle from the downward vertical, ankle ahead positive",
    "ankle": "foot against shank, 0 = right angle, toes up (dorsiflexion) positive",
    "foot": "heel to toe from the ground, toes up positive",
    "elbow": "angle shoulder-elbow-wrist, 180 = straight",
    "upper_arm": "shoulder to elbow against the trunk, forward positive",
}
"""Angles given per frame and over the gait cycle, all in degrees."""

CURVES: Final[tuple[str, ...]] = ("trunk", "thigh", "hip", "knee", "ankle", "elbow", "upper_arm")
