"""Which of two linked leg chains is the near one: settled once from all that speaks for it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
from scipy.special import expit

from vision.raw import FloatArray

WEIGHTS: Final[dict[str, float]] = {"leg_names": 3.0, "arm_names": 2.5, "stance_height": 1.0}
"""Log-odds per unit of each piece of evidence; penalised logistic regression on parts of 0.35 to
1.2 s of rendered clips, rounded (docs/left-right.md)."""
HEIGHT_SCALE: Final = 0.05
"""Difference of the two stances, leg lengths, beyond which it tells no more."""


@dataclass(frozen=True)
class NearEvidence:
    """What speaks for the first leg chain being the near one; positive speaks for it.

    Attributes
    ----------
    leg_names : float
        Share of frames in which the model names the first chain as the near side, minus the share
        in which it does not, -1..1.
    arm_names : float
        The same for the arm that swings against the first chain, -1..1.
    stance_height : float
        How much lower in the picture the first chain's foot is at its lowest, -1..1: a camera
        above the ground sees the near foot's stance lower.
    """

    leg_names: float
    arm_names: float
    stance_height: float

    def log_odds(self) -> float:
        """Log-odds that the first chain is the near one."""
        return float(sum(WEIGHTS[name] * value for name, value in asdict(self).items()))

    def probability(self) -> float:
        """Probability that the first chain is the near one."""
        return float(expit(self.log_odds()))


def _mean(values: FloatArray) -> float:
    good = values[np.isfinite(values)]
    return float(good.mean()) if len(good) else 0.0


def near_evidence(
    leg: FloatArray, first_leg_is_left: FloatArray, first_arm_is_left: FloatArray, left_is_near: bool
) -> NearEvidence:
    """Evidence from one spell.

    Parameters
    ----------
    leg : (n, 2, 4, 2) array
        As in `BodyFrame.leg`, of the spell.
    first_leg_is_left, first_arm_is_left : (n,) arrays
        Probability that the first chain is what the model calls left.
    left_is_near : bool
        Which side the camera sees, from the direction the athlete faces.
    """
    sign = 1.0 if left_is_near else -1.0
    seen = np.isfinite(leg).all(axis=3).any(axis=(1, 2))
    height = leg[:, :, 2:, 1].min(axis=2)
    first = np.where(first_leg_is_left > 0.5, height[:, 0], height[:, 1])
    second = np.where(first_leg_is_left > 0.5, height[:, 1], height[:, 0])
    return NearEvidence(
        leg_names=sign * _mean(2 * first_leg_is_left[seen] - 1),
        arm_names=sign * _mean(2 * first_arm_is_left[seen] - 1),
        stance_height=float(np.tanh((_lowest(second) - _lowest(first)) / HEIGHT_SCALE)),
    )


def _lowest(height: FloatArray) -> float:
    """Mean of the lowest fifth of a series."""
    good = height[np.isfinite(height)]
    return float(np.mean(good[good <= np.quantile(good, 0.2)])) if len(good) else 0.0
