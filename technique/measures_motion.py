"""What all measures are taken from: points, events put into steps, scale, view, athlete."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.analysis import Event
from shared.landmarks import Side
from shared.track import CameraKind, Track
from technique.angles import SIDES, place, trusted_points
from technique.body import ARM_MASS, BodyTable, table_for, with_far_arm
from technique.error_rows import ErrorTable, error_table
from technique.smoothed import Smoothed
from technique.smoothing import leg_length

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

TROCHANTER_SHARE: Final[float] = 0.53
"""Leg length as a share of stature (Winter after Drillis and Contini; Morin et al. 2005)."""
LONGEST_STEP: Final[float] = 1.5
"""An event more than this many median step (stride) times later belongs to a gap, not a step."""
LONGEST_STEP_S: Final[float] = 0.9
"""No step is longer, in a slow walk either (1 m/s: about 0.65 s; a judgement). A stride: twice that."""
LATERAL_SHARE: Final[dict[str, float]] = {
    "shoulder": 0.10,
    "elbow": 0.14,
    "wrist": 0.10,
    "pinky": 0.10,
    "index": 0.10,
    "thumb": 0.10,
    "hip": 0.05,
    "knee": 0.04,
    "ankle": 0.03,
    "heel": 0.03,
    "foot_index": 0.04,
    "eye": 0.02,
    "ear": 0.04,
}
"""Beside the midline while running, as a share of stature (common proportions; a judgement)."""
LEG_SHARE_OF_STATURE: Final[float] = 0.491
"""Hip to ankle (Winter after Drillis and Contini)."""
UNKNOWN_YAW_DEG: Final[float] = 15.0
"""How far off a side view the camera is taken to be where that can't be judged (a judgement)."""
HIDDEN_ARM_SHARE: Final[float] = 0.25
"""An elbow or wrist hidden in more than this share of frames makes that arm not measurable."""
HIDDEN_LEG_SHARE: Final[float] = 0.5
"""The same for a knee, ankle, heel or toe."""
LEAST_LEG_CONFIDENCE: Final[float] = 0.7
"""Below this confidence that the legs are the right way round, a frame is not used."""


@dataclass(frozen=True)
class Athlete:
    """What the user says about the athlete; all optional.

    Attributes
    ----------
    stature_m, mass_kg, leg_length_m : float or None
        `leg_length_m` is hip (greater trochanter) to ground, standing.
    sex : {"male", "female"} or None
        Only picks the table of segment masses.
    minor, injury : bool
        Under 18; pain or a recent injury. They add cautions and change no number.
    """

    stature_m: float | None = None
    mass_kg: float | None = None
    leg_length_m: float | None = None
    sex: Literal["male", "female"] | None = None
    minor: bool = False
    injury: bool = False


@dataclass(frozen=True)
class Step:
    """One contact of one foot and what follows it.

    Attributes
    ----------
    side : {"left", "right"}
    stride : int
        Counts the touchdowns of that side from 0.
    touchdown : Event
    toe_off : Event or None
        Of the same contact.
    next_other : Event or None
        Next touchdown of the other foot.
    next_same : Event or None
        Next touchdown of the same foot.
    """

    side: Side
    stride: int
    touchdown: Event
    toe_off: Event | None
    next_other: Event | None
    next_same: Event | None


@dataclass(frozen=True)
class Motion:
    """Everything that the measures of one clip are taken from.

    Attributes
    ----------
    smoothed : Smoothed
    points : (N, 33, 2) array
        Filtered world positions, px; NaN where not to be trusted.
    mass_points : (N, 33, 2) array
        The same with the far arm filled in, for the centre of mass.
    noise : (33, 2) array
        Landmark noise left after filtering, px (1 SD).
    steps : tuple of Step
        In order of time.
    near : {"left", "right"}
    leg_px, thigh_px : float
        Hip to ankle of the straight leg, and hip to knee, px.
    metres_per_px : float or None
    scale_sd : float
        Relative, 1 SD.
    camera : {"still", "panning", "treadmill"}
    belt_speed_mps : float or None
    yaw_deg : float
        Estimate, degrees off a true side view; NaN when unknown.
    yaw_95_deg : float
        The far end of what it may be.
    roll_sd_deg : float
    hidden : dict of str to float
        Share of frames in which a landmark is hidden or not valid.
    frame_interval_s : float
        Between frames that were looked at.
    capture_rate_hz : float
        Frames of the clip per real second, looked at or not.
    athlete : Athlete
    table : str
        Table of segment masses.
    far_arm_px : float
        95 % half-width of the centre of mass from the far arm that was filled in, px.
    pose_model : str
        What the points come from (`Track.model`).
    arm_out_deg : float
        See `technique.angles.elbow_angle`; 0 for points that no correction was found on.
    """

    smoothed: Smoothed
    points: FloatArray
    mass_points: FloatArray
    noise: FloatArray
    steps: tuple[Step, ...]
    near: Side
    leg_px: float
    thigh_px: float
    metres_per_px: float | None
    scale_sd: float
    camera: CameraKind
    belt_speed_mps: float | None
    yaw_deg: float
    yaw_95_deg: float
    roll_sd_deg: float
    hidden: dict[str, float]
    frame_interval_s: float
    capture_rate_hz: float
    athlete: Athlete
    table: BodyTable
    far_arm_px: float
    pose_model: str = ""
    arm_out_deg: float = 0.0

    @property
    def far(self) -> Side:
        """The side away from the camera."""
        return lm.opposite(self.near)

    @property
    def time_s(self) -> FloatArray:
        """Time grid, (N,) s."""
        return self.smoothed.time_s

    def of_side(self, side: Side) -> tuple[Step, ...]:
        """Steps that begin with this foot."""
        return tuple(s for s in self.steps if s.side == side)

    def lateral_px(self) -> FloatArray:
        """Each landmark beside the midline, right positive, (33,) px."""
        stature = self.leg_px / LEG_SHARE_OF_STATURE
        out = np.zeros(lm.COUNT)
        for joint, share in LATERAL_SHARE.items():
            out[lm.index(joint, "right")] = share * stature
            out[lm.index(joint, "left")] = -share * stature
        return out

    def frame_at(self, time_s: float) -> int:
        """Decoded frame nearest to a time."""
        return int(self.smoothed.frame[int(np.argmin(np.abs(self.time_s - time_s)))])

    def stride_at(self, side: Side, time_s: float) -> int:
        """Stride of that side which a time falls in; -1 before its first touchdown."""
        return sum(s.touchdown.time_s <= time_s for s in self.of_side(side)) - 1

    def stride_time(self) -> float | None:
        """Median stride time, s; twice the median step where there is no whole stride."""
        whole = [s.next_same.time_s - s.touchdown.time_s for s in self.steps if s.next_same]
        if whole:
            return float(np.median(whole))
        half = [s.next_other.time_s - s.touchdown.time_s for s in self.steps if s.next_other]
        return 2.0 * float(np.median(half)) if half else None

    def leg_length_m(self) -> float | None:
        """Hip to ground, m: as given, else 0.53 of the stature, else from the picture."""
        if self.athlete.leg_length_m:
            return self.athlete.leg_length_m
        if self.athlete.stature_m:
            return TROCHANTER_SHARE * self.athlete.stature_m
        if self.metres_per_px is None:
            return None
        return self.leg_px * self.metres_per_px * TROCHANTER_SHARE / LEG_SHARE_OF_STATURE


def steps_of(events: Sequence[Event]) -> tuple[Step, ...]:
    """Put events into steps.

    Parameters
    ----------
    events : sequence of Event
        In any order.

    Returns
    -------
    tuple of Step
        By time of touchdown. A following event that comes later than `LONGEST_STEP` median
        steps or strides is left out, because one was missed in between.
    """
    downs = sorted((e for e in events if e.kind == "touchdown"), key=lambda e: e.time_s)
    offs = sorted((e for e in events if e.kind == "toe_off"), key=lambda e: e.time_s)
    same_gaps = [
        b.time_s - a.time_s for side in SIDES for a, b in _pairs([e for e in downs if e.side == side])
    ]
    step_gaps = [b.time_s - a.time_s for a, b in _pairs(downs) if a.side != b.side]
    step_limit = min(LONGEST_STEP * float(np.median(step_gaps or [np.inf])), LONGEST_STEP_S)
    stride_limit = min(LONGEST_STEP * float(np.median(same_gaps or [np.inf])), 2.0 * LONGEST_STEP_S)
    steps = []
    counts = {"left": 0, "right": 0}
    for down in downs:
        t = down.time_s
        later_same = next((e for e in downs if e.side == down.side and e.time_s > t), None)
        until = later_same.time_s if later_same else t + stride_limit
        other = next((e for e in downs if e.side != down.side and t < e.time_s < until), None)
        off = next((e for e in offs if e.side == down.side and t < e.time_s < until), None)
        steps.append(
            Step(
                down.side,
                counts[down.side],
                down,
                off,
                other if other and other.time_s - t <= step_limit else None,
                later_same if later_same and later_same.time_s - t <= stride_limit else None,
            )
        )
        counts[down.side] += 1
    return tuple(steps)


def _pairs(events: Sequence[Event]) -> list[tuple[Event, Event]]:
    return list(pairwise(events))


def points_at(points: FloatArray, time_s: FloatArray, at: float) -> FloatArray:
    """Points between two samples, by a cubic through the four around them.

    Parameters
    ----------
    points : (N, ...) array
        On the even grid `time_s`.
    time_s : (N,) array
    at : float
        Any time; outside the grid the result is NaN.

    Returns
    -------
    (...) array
        Straight line between the two neighbours where an outer one is missing.
    """
    nothing = np.full(points.shape[1:], np.nan)
    n = len(time_s)
    if n < 2:
        return nothing
    step = (time_s[-1] - time_s[0]) / (n - 1)
    place_in = (at - time_s[0]) / step
    if not -0.5 <= place_in <= n - 0.5:
        return nothing
    i = int(np.clip(np.floor(place_in), 0, n - 2))
    u = place_in - i
    line: FloatArray = points[i] * (1.0 - u) + points[i + 1] * u
    if i == 0 or i + 2 >= n:
        return line
    a, b, c, d = points[i - 1], points[i], points[i + 1], points[i + 2]
    cubic = (
        a * (-u * (u - 1) * (u - 2) / 6)
        + b * ((u + 1) * (u - 1) * (u - 2) / 2)
        + c * (-(u + 1) * u * (u - 2) / 2)
        + d * ((u + 1) * u * (u - 1) / 6)
    )
    return np.where(np.isfinite(cubic), cubic, line)


def motion(
    track: Track,
    smoothed: Smoothed,
    events: Sequence[Event],
    athlete: Athlete | None = None,
    table: ErrorTable | None = None,
) -> Motion:
    """Gather what the measures need.

    Parameters
    ----------
    track : Track
    smoothed : Smoothed
        Of the same track.
    events : sequence of Event
    athlete : Athlete, optional
    table : ErrorTable, optional
        Says how elbows are read; default: the one that comes with the program.
    """
    athlete = athlete or Athlete()
    table = table or error_table()
    points = trusted_points(smoothed)
    near = track.labelling.near_side
    far = lm.opposite(near)
    # Frames where the legs may be exchanged are of no use for either leg.
    sure = np.interp(smoothed.time_s, track.time_s, track.labelling.legs_confidence)
    unsure = sure < LEAST_LEG_CONFIDENCE
    for side in SIDES:
        for joint in lm.LEG_JOINTS[1:]:
            points[unsure, lm.index(joint, side)] = np.nan
    # Frames before the athlete comes into view, or after, hide nothing.
    in_view = smoothed.valid[:, [lm.index("hip", side) for side in SIDES]].any(axis=1)
    valid_share = smoothed.valid[in_view].mean(axis=0) if in_view.any() else np.zeros(lm.COUNT)
    hidden = {
        name: max(float(track.quality.hidden.get(name, 0.0)), 1.0 - float(valid_share[i]))
        for i, name in enumerate(lm.NAMES)
    }
    steps = steps_of(events)
    q = track.quality
    yaw_sd = q.off_perpendicular_sd_deg if np.isfinite(q.off_perpendicular_sd_deg) else 0.0
    known = np.isfinite(q.off_perpendicular_deg)
    yaw = abs(q.off_perpendicular_deg) if known else float("nan")
    yaw_95 = min(yaw + 1.96 * yaw_sd, 60.0) if known else UNKNOWN_YAW_DEG
    thigh = np.linalg.norm(place(points, "hip", near) - place(points, "knee", near), axis=-1)
    draft = Motion(
        smoothed=smoothed,
        points=points,
        mass_points=points,
        noise=smoothed.noise_left_px,
        steps=steps,
        near=near,
        leg_px=leg_length(points),
        thigh_px=float(np.nanquantile(thigh, 0.7)) if np.isfinite(thigh).any() else float("nan"),
        metres_per_px=track.scale.metres_per_px if track.scale else None,
        scale_sd=track.scale.relative_sd if track.scale else 0.0,
        camera=track.camera,
        belt_speed_mps=track.belt_speed_mps,
        yaw_deg=yaw,
        yaw_95_deg=yaw_95,
        roll_sd_deg=q.roll_sd_deg if np.isfinite(q.roll_sd_deg) else 0.0,
        hidden=hidden,
        frame_interval_s=1.0 / smoothed.rate_hz,
        capture_rate_hz=track.clip.capture_rate_hz,
        athlete=athlete,
        table=table_for(athlete.sex),
        far_arm_px=0.0,
        pose_model=track.model,
        arm_out_deg=table.arm_out_deg if table.corrects(track.model) else 0.0,
    )
    if not arm_hidden(draft, far):
        return draft
    stride = draft.stride_time()
    half = round(stride / 2.0 * smoothed.rate_hz) if stride else None
    filled = with_far_arm(points, far, half)
    against = place(points, "elbow", near) - place(points, "shoulder", near)
    wander = float(np.sqrt(np.nansum(np.nanvar(against, axis=0)))) if np.isfinite(against).any() else 0.0
    values = {f: getattr(draft, f) for f in draft.__dataclass_fields__}
    return Motion(**values | {"mass_points": filled, "far_arm_px": 1.96 * ARM_MASS * wander})


def arm_hidden(m: Motion, side: Side) -> float:
    """Share of frames (0..1) in which this arm is hidden, 0 when it is seen well enough."""
    worst = max(m.hidden[f"{side}_{joint}"] for joint in ("elbow", "wrist"))
    return worst if worst > HIDDEN_ARM_SHARE else 0.0


def leg_hidden(m: Motion, side: Side) -> float:
    """Share of frames in which this leg is hidden, 0 when it is seen well enough."""
    worst = max(m.hidden[f"{side}_{joint}"] for joint in ("knee", "ankle"))
    return worst if worst > HIDDEN_LEG_SHARE else 0.0
