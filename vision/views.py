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
    turns : tuple of tuples of View
        The looks that successive pictures get, in turn.
    on_doubt : tuple of View
        Added when the first two disagree on a leg (see `disagreement`).
    every : int
        One picture in so many is looked at.
    """

    turns: tuple[tuple[View, ...], ...]
    on_doubt: tuple[View, ...] = ()
    every: int = 1


PLAIN: Final = View()
MIRRORED: Final = View(mirrored=True)
ENOUGH_HZ: Final = 55.0
FINE_HZ: Final = 100.0
QUICK_HZ: Final = 50.0
"""Pictures looked at per second of running, at least, where the clip has as many; the second in clips
of at least `FAST_HZ`."""
FAST_HZ: Final = 200.0
FEW_HZ: Final = 90.0
"""A clip with fewer pictures per second gets two looks at each."""


def view_plan(effort: Effort, rate_hz: float) -> ViewPlan:
    """The looks for a clip.

    Parameters
    ----------
    effort : {"quick", "standard", "high"}
    rate_hz : float
        Pictures per second of running.

    Notes
    -----
    Looks differ at random from picture to picture and steadily from one another; what is read from
    the track is smoothed over several pictures anyway. So from `FEW_HZ` on the two looks (plain and
    mirrored) take turns: angles came out as good as with both at every picture (thigh 1.71 against
    1.85, knee 2.42 against 2.47, foot 3.50 against 3.78 degrees, nine rendered clips at 240/s), and
    as good with every second picture left out (1.66, 2.40, 3.49 there; on 21 clips at 120/s thigh 1.90
    against 1.91, knee 2.48 against 2.49, foot 4.41 against 4.45 degrees, touchdown 5.1 against 4.3 ms).
    Three of four left out at 240/s cost 0.1 to 0.2 degrees. See docs/pose-modes.md.
    """
    if effort == "high":
        return ViewPlan(((PLAIN, View(1.08), View(0.92), MIRRORED, View(1.08, mirrored=True)),))
    enough = QUICK_HZ if effort == "quick" else FINE_HZ if rate_hz >= FAST_HZ else ENOUGH_HZ
    every = max(1, int(rate_hz / enough))
    if effort == "quick" or rate_hz >= FEW_HZ:
        return ViewPlan(((PLAIN,), (MIRRORED,)), every=every)
    return ViewPlan(((PLAIN, MIRRORED),), (View(1.08),))


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
