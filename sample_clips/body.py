"""Body proportions and segment masses of an invented runner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HEEL_CONTACT_SHARE: Final[float] = -0.20
"""Where a landing heel touches, ahead of the ankle, as a share of the shoe's length."""
DE_LEVA_MALE: Final[dict[str, tuple[float, float]]] = {
    "head": (0.0694, 0.5002),
    "trunk": (0.4346, 0.4310),
    "upper_arm": (0.0271, 0.5772),
    "forearm": (0.0162, 0.4574),
    "hand": (0.0061, 0.3624),
    "thigh": (0.1416, 0.4095),
    "shank": (0.0433, 0.4395),
    "foot": (0.0137, 0.4415),
}
"""Segment: (share of body mass, centre of mass from the first endpoint as a share of length).

Endpoints: head vertex - cervicale, trunk mid-shoulder - mid-hip, limbs from the upper joint,
hand wrist - third fingertip, foot heel - toe tip. Source: de Leva 1996, J Biomech 29:1223,
male columns.
"""


@dataclass(frozen=True)
class Body:
    """Lengths in metres between joint centres, and the shoe.

    Attributes
    ----------
    stature_m : float
    thigh_m, shank_m, trunk_m, upper_arm_m, forearm_m, hand_m : float
        Segment lengths; trunk is mid-hip to mid-shoulder.
    hip_half_m, shoulder_half_m : float
        Half the distance between the joint centres.
    head_m : float
        Mid-shoulder to vertex.
    ankle_height_m : float
        Ankle joint above the sole of the flat shoe.
    shoe_m : float
        Length of the shoe.
    """

    stature_m: float
    thigh_m: float
    shank_m: float
    trunk_m: float
    upper_arm_m: float
    forearm_m: float
    hand_m: float
    hip_half_m: float
    shoulder_half_m: float
    head_m: float
    ankle_height_m: float
    shoe_m: float

    @property
    def heel_contact_x(self) -> float:
        """Where a landing heel touches, ahead of the ankle (negative: behind), m."""
        return HEEL_CONTACT_SHARE * self.shoe_m

    @property
    def ball_x(self) -> float:
        """Ball of the foot ahead of the ankle, m."""
        return 0.45 * self.shoe_m

    @property
    def toe_x(self) -> float:
        """Front of the big toe ahead of the ankle, m."""
        return 0.72 * self.shoe_m

    @property
    def heel_x(self) -> float:
        """Back of the heel ahead of the ankle, m."""
        return -0.25 * self.shoe_m

    @property
    def leg_m(self) -> float:
        """Hip to ankle of the straight leg, m."""
        return self.thigh_m + self.shank_m


HEEL_HEIGHT_M: Final[float] = 0.030
"""Heel landmark above the sole."""
TOE_HEIGHT_M: Final[float] = 0.025
"""Toe landmark above the sole."""


def body_of(
    stature_m: float = 1.78, leg_share: float = 1.0, arm_share: float = 1.0, width_share: float = 1.0
) -> Body:
    """Proportions of an adult of the given stature.

    Parameters
    ----------
    stature_m : float
        Stature, m.
    leg_share, arm_share, width_share : float
        Factors on the leg, arm and trunk-width proportions; 1 is the average.

    Returns
    -------
    Body
        Segment shares after de Leva 1996 (male, 1.741 m): thigh 0.2425, shank 0.249,
        upper arm 0.162, forearm 0.1545; widths and shoe are rounded common values.
    """
    s = stature_m
    thigh, shank = 0.2425 * s * leg_share, 0.247 * s * leg_share
    ankle = 0.045 * s
    head = 0.176 * s
    return Body(
        stature_m=s,
        thigh_m=thigh,
        shank_m=shank,
        trunk_m=s - ankle - thigh - shank - head,
        upper_arm_m=0.162 * s * arm_share,
        forearm_m=0.1545 * s * arm_share,
        hand_m=0.105 * s * arm_share,
        hip_half_m=0.047 * s * width_share,
        shoulder_half_m=0.100 * s * width_share,
        head_m=head,
        ankle_height_m=ankle,
        shoe_m=0.168 * s,
    )
