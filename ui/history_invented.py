"""Invented passes for the demonstration: one measured clip, changed by known amounts and seeded noise.

Nothing here was filmed. Every analysis carries a note that it is invented.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared.analysis import Analysis, Curve, Measure
from shared.catalogue import SYMMETRY_PREFIX
from shared.landmarks import Side, SideOrBoth, opposite
from technique.profile_schema import Profile
from technique.repeat_table import published_sem
from technique.symmetry import symmetries
from technique.targets import scores

FloatArray = NDArray[np.float64]

NOTE: Final = (
    "Invented: no such run was filmed; a measured sample clip was changed by chosen amounts and noise."
)
DAY_SHARE: Final = 0.35
"""The invented runners wander by this share of the table's day-to-day error."""
PASS_SHARE: Final = 0.15
"""Passes of one session differ by this share of it."""
STRIDES: Final = 3
STRIDE_SD_DEG: Final = 1.6
BUMP_PERCENT: Final = 11.0
"""A change of a largest angle is spread over this much of the cycle (1 SD)."""


@dataclass(frozen=True)
class Chosen:
    """What is known to be changed in a session.

    Attributes
    ----------
    add : mapping of (key, side) to float
        Added to the measure, in its unit. Side "both" of a two-sided measure means each side.
    share : mapping of (key, side) to float
        The measure times one plus this.
    """

    add: Mapping[tuple[str, SideOrBoth], float] = field(default_factory=dict)
    share: Mapping[tuple[str, SideOrBoth], float] = field(default_factory=dict)


def mirrored(a: Analysis) -> Analysis:
    """The same run as if filmed from the other side: left and right exchanged."""

    def other(side: SideOrBoth) -> SideOrBoth:
        return "both" if side == "both" else opposite(side)

    return replace(
        a,
        direction="left" if a.direction == "right" else "right",
        near_side=opposite(a.near_side),
        measures=tuple(
            replace(m, side=other(m.side)) for m in a.measures if not m.key.startswith(SYMMETRY_PREFIX)
        ),
        curves=tuple(replace(c, side=other(c.side)) for c in a.curves),
    )


def wandering(base: Analysis, rng: np.random.Generator) -> dict[tuple[str, SideOrBoth], float]:
    """How far one day lies from the runner's own mean, in the unit of each measure.

    Both sides of a measure wander together for the most part, as one body does.
    """
    shared: dict[str, float] = {}
    out: dict[tuple[str, SideOrBoth], float] = {}
    for m in base.measures:
        if m.value is None or m.key.startswith(SYMMETRY_PREFIX) or m.unit == "class":
            continue
        sd = DAY_SHARE * published_sem(m.key, m.value, same_day=False)
        if m.key == "speed":
            sd = 0.008 * m.value
        common = shared.setdefault(m.key, float(rng.standard_normal()))
        out[m.key, m.side] = sd * (0.9 * common + 0.44 * float(rng.standard_normal()))
    return out


def invented_pass(
    base: Analysis,
    name: str,
    created: str,
    near: Side,
    day: Mapping[tuple[str, SideOrBoth], float],
    chosen: Chosen,
    rng: np.random.Generator,
    profile: Profile,
) -> Analysis:
    """One pass of an invented session.

    Parameters
    ----------
    base : Analysis
        A measured sample clip.
    name : str
        Of the clip that was never filmed; its hash is made from it.
    created : str
        ISO 8601.
    near : {"left", "right"}
    day : mapping
        From `wandering`; the same for all passes of a session.
    chosen : Chosen
    rng : numpy.random.Generator
    profile : Profile
        Whose targets it is held against.

    Returns
    -------
    Analysis
        Without frames, events and cues, which belong to the clip it is made from.
    """
    a = base if base.near_side == near else mirrored(base)
    measures = [_moved(m, day, chosen, rng) for m in a.measures if not m.key.startswith(SYMMETRY_PREFIX)]
    measures += symmetries(measures)
    none: FloatArray = np.empty(0)
    return replace(
        a,
        clip=replace(
            a.clip, path=f"{name}.mp4", sha256=hashlib.sha256(name.encode()).hexdigest(), notes=(NOTE,)
        ),
        frame=np.empty(0, dtype=np.int64),
        time_s=none,
        angles={},
        events=(),
        observations=(),
        measures=tuple(measures),
        curves=tuple(_moved_curve(c, day, chosen, rng) for c in a.curves if c.n > 0),
        scores=scores(measures, profile, near),
        cues=(),
        notes=(NOTE,),
        provenance=replace(a.provenance, created=created),
    )


def _change(
    key: str, side: SideOrBoth, value: float, day: Mapping[tuple[str, SideOrBoth], float], chosen: Chosen
) -> float:
    out = day.get((key, side), 0.0)
    for where in dict.fromkeys((side, "both")):
        out += chosen.add.get((key, where), 0.0)
        out += value * chosen.share.get((key, where), 0.0)
    return float(out)


def _moved(
    m: Measure,
    day: Mapping[tuple[str, SideOrBoth], float],
    chosen: Chosen,
    rng: np.random.Generator,
) -> Measure:
    if m.value is None or m.low is None or m.high is None or m.unit == "class":
        return replace(m, frame=None)
    d = _change(m.key, m.side, m.value, day, chosen)
    if m.key != "speed":
        d += PASS_SHARE * published_sem(m.key, m.value, same_day=True) * float(rng.standard_normal())
    return replace(m, value=m.value + d, low=m.low + d, high=m.high + d, frame=None)


MOVED_CURVES: Final[dict[str, tuple[str, ...]]] = {
    "trunk": ("trunk_lean",),
    "thigh": ("thigh_angle_max",),
    "hip": ("thigh_angle_max",),
    "knee": ("knee_flexion_swing_max",),
    "elbow": ("elbow_angle_mean",),
}


def _moved_curve(
    c: Curve,
    day: Mapping[tuple[str, SideOrBoth], float],
    chosen: Chosen,
    rng: np.random.Generator,
) -> Curve:
    percent = np.arange(101.0)
    mean = c.mean.copy()
    for key in MOVED_CURVES.get(c.key, ()):
        d = _change(key, c.side, 0.0, day, chosen)
        if c.key in ("trunk", "elbow"):
            mean = mean + d
        else:
            away = (percent - percent[int(np.nanargmax(mean))] + 50.0) % 101.0 - 50.0
            mean = mean + d * np.exp(-0.5 * (away / BUMP_PERCENT) ** 2)
    phase = 2 * np.pi * (percent[None] / 100.0 * rng.integers(1, 4, (STRIDES, 1)) + rng.random((STRIDES, 1)))
    strides = mean + STRIDE_SD_DEG * (
        rng.standard_normal((STRIDES, 1)) * 0.5 + rng.standard_normal((STRIDES, 1)) * np.sin(phase)
    )
    return replace(c, mean=strides.mean(axis=0), sd=strides.std(axis=0, ddof=1), strides=strides, n=STRIDES)
