"""Several looks at one person, and what they agree on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm

FloatArray = NDArray[np.float64]
Effort = Literal["quick", "standard", "high"]


@dataclass(frozen=True)
class View:
    """One look.

    Attributes
    ----------
    scale : float
        Side of the window looked at over the side of the window asked for.
    mirrored : bool
        Look at the mirror image.
    """

    scale: float = 1.0
    mirrored: bool = False


@dataclass(frozen=True)
class ViewPlan:
    """Which looks a picture gets.

    Attributes
    ----------
    always : tuple of View
    on_doubt : tuple of View
        Added when the first two disagree on a leg (see `disagreement`).
    """

    always: tuple[View, ...]
    on_doubt: tuple[View, ...] = ()


PLANS: Final[dict[Effort, ViewPlan]] = {
    "quick": ViewPlan((View(),)),
    "standard": ViewPlan((View(), View(1.08)), (View(mirrored=True),)),
    "high": ViewPlan((View(), View(1.08), View(0.92), View(mirrored=True), View(1.08, mirrored=True))),
}
"""The median of three or more drops the look that got a limb wrong. Two looks that agree are as good
as three: "standard" comes within 2 % of always three looks, at 2.2 looks a picture (four rendered
clips, see docs/pose-modes.md)."""
DOUBT: Final = 0.03
"""Looks that place a leg's point farther apart than this, in window sides, disagree."""

_LEGS: Final = np.array(
    [lm.index(joint, side) for joint in lm.LEG_JOINTS if joint != "hip" for side in ("left", "right")]
)
_LIMBS: Final = tuple(
    tuple(np.array([lm.index(joint, side) for joint in joints]) for side in ("left", "right"))
    for joints in (lm.LEG_JOINTS, lm.ARM_JOINTS[1:])
)


def disagreement(looks: FloatArray) -> float:
    """Largest distance between the first two looks at a point of the legs below the hip.

    Parameters
    ----------
    looks : (V, P, K) array
        As for `agreed`.

    Returns
    -------
    float
        In the unit of x and y; 0 for a single look. Looks that exchange the legs disagree.
    """
    if len(looks) < 2:
        return 0.0
    apart = np.linalg.norm(looks[0, _LEGS, :2] - looks[1, _LEGS, :2], axis=-1)
    return float(apart.max())


def agreed(looks: FloatArray) -> FloatArray:
    """The median of several looks at the same landmarks, limb by limb.

    Parameters
    ----------
    looks : (V, P, K) array
        P >= 33 landmarks as x, y and further numbers, all in the same frame of reference.

    Returns
    -------
    (P, K) array

    Notes
    -----
    Looks may disagree on which leg (or arm) is the left one, and the middle of two legs is no leg.
    So each look's pair of limbs is first exchanged, where that fits the first look better, and the
    sides of the result are those that most looks gave it.
    """
    looks = looks.copy()
    for left, right in _LIMBS:
        both, other = np.concatenate([left, right]), np.concatenate([right, left])
        exchanged = np.zeros(len(looks), dtype=bool)
        for i in range(1, len(looks)):
            straight = np.linalg.norm(looks[i, both, :2] - looks[0, both, :2], axis=-1).sum()
            crossed = np.linalg.norm(looks[i, other, :2] - looks[0, both, :2], axis=-1).sum()
            if crossed < straight:
                looks[i, both] = looks[i, other]
                exchanged[i] = True
        if exchanged.mean() > 0.5:
            looks[:, both] = looks[:, other]
    return np.asarray(np.median(looks, axis=0))
