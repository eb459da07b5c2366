"""Everything a report needs except pixels: events, measures, curves, scores, cues."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared.landmarks import Side, SideOrBoth
from shared.track import CameraKind, ClipInfo, Direction, Scale, ViewQuality

FloatArray = NDArray[np.float64]

SCHEMA = "laneside/analysis/1"

EventKind = Literal["touchdown", "toe_off"]
Status = Literal["measured", "not_measurable"]
Verdict = Literal["inside", "borderline", "outside", "not_measurable"]


@dataclass(frozen=True)
class Event:
    """A touchdown or toe-off, with its 95 % interval.

    Attributes
    ----------
    kind : {"touchdown", "toe_off"}
    side : {"left", "right"}
    time_s, low_s, high_s : float
        Real seconds from the first frame; sub-frame.
    frame : int
        Nearest decoded frame.
    evidence : mapping of str to float
        What the pick rests on (named signals), for review.
    """

    kind: EventKind
    side: Side
    time_s: float
    low_s: float
    high_s: float
    frame: int
    evidence: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Observation:
    """One value of one step or stride, before it is summarised into a `Measure`.

    `low` and `high` are the 95 % interval of this single value; `frame` is the decoded frame it
    is read on; `stride` counts the strides of that side from 0.
    """

    key: str
    side: SideOrBoth
    stride: int
    value: float
    unit: str
    low: float
    high: float
    time_s: float
    frame: int


@dataclass(frozen=True)
class Measure:
    """The clip's value of one measure on one side, with its 95 % interval.

    Attributes
    ----------
    key, unit : str
        As in `shared.catalogue`.
    side : {"left", "right", "both"}
    value, low, high : float or None
        None when not measurable.
    n : int
        Number of steps or strides behind the value.
    status : {"measured", "not_measurable"}
    why : str or None
        Reason when not measurable.
    frame : int or None
        Decoded frame that shows it best.
    error_parts : mapping of str to float
        The half-widths (same unit, 95 %) that were combined, by name.
    label : str or None
        A class name for class-valued measures (strike pattern), else None.
    estimate : bool
        True for model-based estimates (kinetics), which are labelled so.
    """

    key: str
    side: SideOrBoth
    value: float | None
    unit: str
    low: float | None
    high: float | None
    n: int
    status: Status
    why: str | None = None
    frame: int | None = None
    error_parts: Mapping[str, float] = field(default_factory=dict)
    label: str | None = None
    estimate: bool = False


@dataclass(frozen=True)
class Curve:
    """Ensemble of a joint angle over the gait cycle, touchdown to touchdown.

    `mean`, `sd` and `half_width` (95 % of the mean, all known errors) are (101,) arrays in
    degrees at 0..100 % of the cycle; `strides` is (n, 101).
    """

    key: str
    side: SideOrBoth
    mean: FloatArray
    sd: FloatArray
    half_width: FloatArray
    strides: FloatArray
    n: int


@dataclass(frozen=True)
class Score:
    """A measure held against a target of the profile."""

    key: str
    side: SideOrBoth
    target: tuple[float | None, float | None]
    verdict: Verdict
    source: str
    area: str
    distance: float
    """How far outside the target, in units of the measure's 95 % half-width; 0 inside."""


@dataclass(frozen=True)
class Cue:
    """One thing to work on, on the frame it was seen."""

    key: str
    side: SideOrBoth
    text: str
    seen: str
    why: str
    do: str
    avoid: str
    evidence: str
    frame: int
    caution: str | None
    rank: int


@dataclass(frozen=True)
class Provenance:
    """How the analysis was made, so that it can be made again."""

    program_version: str
    created: str
    model: str
    settings: Mapping[str, object]


@dataclass(frozen=True)
class Analysis:
    """The whole result for one clip.

    `angles` maps ``"<angle>_<side>"`` (or ``"trunk_lean"``) to a (T,) array in degrees on
    `time_s`, NaN where not measurable; signs and names as in `shared.catalogue.ANGLES`.
    """

    clip: ClipInfo
    direction: Direction
    near_side: Side
    near_side_confidence: float
    camera: CameraKind
    scale: Scale | None
    quality: ViewQuality
    athlete: Mapping[str, float | str | None]
    profile: str
    frame: NDArray[np.int64]
    time_s: FloatArray
    angles: Mapping[str, FloatArray]
    events: tuple[Event, ...]
    observations: tuple[Observation, ...]
    measures: tuple[Measure, ...]
    curves: tuple[Curve, ...]
    scores: tuple[Score, ...]
    cues: tuple[Cue, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    provenance: Provenance

    def measure(self, key: str, side: SideOrBoth) -> Measure | None:
        """The measure of that key and side, or None."""
        for m in self.measures:
            if m.key == key and m.side == side:
                return m
        return None
