"""Which of two linked leg chains is the near one: settled once from all that speaks for it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
from scipy.special import expit

from shared import landmarks as lm
from vision.raw import FloatArray, RawTrack

WEIGHTS: Final[dict[str, float]] = {
    "leg_names": 4.0,
    "arm_names": 2.0,
    "depth": 0.0,
    "visibility": 0.0,
    "smoothness": 1.0,
    "stance_height": 0.0,
}
"""Log-odds per unit of each piece of evidence."""


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
    depth : float
        Mean depth of the second chain's leg behind the first's, leg lengths.
    visibility : float
        Mean visibility of the first chain's leg minus the second's, -1..1.
    smoothness : float
        Logarithm of the ratio of the misfits of the second and the first chain: a hidden leg is
        followed worse.
    stance_height : float
        How much lower in the picture the first chain's foot is at its lowest, leg lengths.
    """

    leg_names: float
    arm_names: float
    depth: float
    visibility: float
    smoothness: float
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
    raw: RawTrack,
    spell: slice,
    leg: FloatArray,
    size_px: FloatArray,
    first_leg_is_left: FloatArray,
    first_arm_is_left: FloatArray,
    left_is_near: bool,
    misfits: tuple[float, float],
) -> NearEvidence:
    """Evidence from one spell.

    Parameters
    ----------
    raw : RawTrack
    spell : slice
    leg : (n, 2, 4, 2) array
        As in `BodyFrame.leg`, of the spell.
    size_px : (n,) array
        Leg length, px.
    first_leg_is_left, first_arm_is_left : (n,) arrays
        Probability that the first chain is what the model calls left.
    left_is_near : bool
        Which side the camera sees, from the direction of travel.
    misfits : tuple of float
        Typical misfit of the first and the second chain.
    """
    sign = 1.0 if left_is_near else -1.0
    seen = np.isfinite(leg).all(axis=3).any(axis=(1, 2))
    legs = np.where(seen, 2 * first_leg_is_left - 1, np.nan)
    arms = np.where(seen, 2 * first_arm_is_left - 1, np.nan)
    joints = ("knee", "ankle")
    left = [lm.index(joint, "left") for joint in joints]
    right = [lm.index(joint, "right") for joint in joints]
    behind = (raw.depth_px[spell][:, right] - raw.depth_px[spell][:, left]).mean(axis=1) / size_px
    clear = (raw.visibility[spell][:, left] - raw.visibility[spell][:, right]).mean(axis=1)
    height = leg[:, :, 2:, 1].min(axis=2)
    first = np.where(first_leg_is_left > 0.5, height[:, 0], height[:, 1])
    second = np.where(first_leg_is_left > 0.5, height[:, 1], height[:, 0])

    def lowest(values: FloatArray) -> float:
        good = values[np.isfinite(values)]
        return float(np.mean(good[good <= np.quantile(good, 0.2)])) if len(good) else 0.0

    return NearEvidence(
        leg_names=sign * _mean(legs),
        arm_names=sign * _mean(arms),
        depth=_mean(legs * behind),
        visibility=_mean(legs * clear),
        smoothness=float(np.log(max(misfits[1], 1e-3) / max(misfits[0], 1e-3))),
        stance_height=lowest(second) - lowest(first),
    )
