"""Corrections made by hand, applied: to events, joints, sides and scale of a stored track.

A correction is a small value (`ui.corrections`); a list of them is applied to the track as it was
measured, so that each can be taken back. No pose is run again: everything after the landmarks is
computed anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.analysis import Analysis, Event, EventKind
from shared.errors import OptionError
from shared.landmarks import Side
from shared.track import Scale, Track
from ui.corrections import (
    FILE,
    KIND_WORD,
    LIMB_JOINTS,
    Correction,
    CorrectionError,
    ExchangeRange,
    ExchangeSides,
    LeaveOut,
    MoveEvent,
    MoveJoint,
    SetStature,
    read_corrections,
    sentence,
    write_corrections,
)
from ui.options import Options

__all__ = [
    "FILE",
    "KIND_WORD",
    "LIMB_JOINTS",
    "Correction",
    "CorrectionError",
    "ExchangeRange",
    "ExchangeSides",
    "LeaveOut",
    "MoveEvent",
    "MoveJoint",
    "SetStature",
    "corrected_analysis",
    "corrected_events",
    "corrected_track",
    "read_corrections",
    "sentence",
    "write_corrections",
]
NEAR_S: Final = 0.1
"""A corrected event is found again within this time of where the program had put it."""
HALF_FRAME: Final = 0.5


def corrected_track(track: Track, corrections: Sequence[Correction]) -> Track:
    """The track with joints moved, sides exchanged, in all frames or some, and scale set.

    Raises
    ------
    CorrectionError
        If a frame or a joint is not in the track.
    OptionError
        If a height makes no sense.
    """
    for correction in corrections:
        match correction:
            case MoveJoint():
                track = _with_joint(track, correction)
            case ExchangeSides():
                track = _with_sides_exchanged(track)
            case ExchangeRange():
                track = _with_range_exchanged(track, correction)
            case SetStature():
                track = replace(track, scale=_scale(track, correction.stature_m))
            case _:
                pass
    return track


def _with_joint(track: Track, correction: MoveJoint) -> Track:
    rows = np.flatnonzero(track.frame == correction.frame)
    if not len(rows) or correction.joint not in lm.INDEX:
        raise CorrectionError(
            f"frame {correction.frame}", "the athlete was not followed there", "choose a frame of the run"
        )
    row, joint = int(rows[0]), lm.INDEX[correction.joint]
    xy, world, confidence = track.xy_px.copy(), track.world_px.copy(), track.confidence.copy()
    place = np.array([correction.x_px, correction.y_px])
    world[row, joint] = _to_world(track, row, joint, place)
    xy[row, joint] = place
    confidence[row, joint] = 1.0
    return replace(track, xy_px=xy, world_px=world, confidence=confidence)


def _to_world(track: Track, row: int, joint: int, place: NDArray[np.float64]) -> NDArray[np.float64]:
    """World position of a place in one frame's picture.

    Over one body the way from picture to world is nearly affine, so the frame's points give it by
    least squares; where the joint had a place, only the shift from there is taken that way.
    """
    xy, world = track.xy_px[row], track.world_px[row]
    known = np.isfinite(xy).all(axis=1) & np.isfinite(world).all(axis=1)
    if known.sum() < 4:
        raise CorrectionError(
            f"frame {int(track.frame[row])}", "too little of the body is seen there", "choose another frame"
        )
    middle = xy[known].mean(axis=0)
    ones = np.column_stack([xy[known] - middle, np.ones(known.sum())])
    fit, *_ = np.linalg.lstsq(ones, world[known], rcond=None)
    found: NDArray[np.float64] = np.array([*(place - middle), 1.0]) @ fit
    if known[joint]:
        found = world[joint] + (place - xy[joint]) @ fit[:2]
    return found


def _with_sides_exchanged(track: Track) -> Track:
    other = np.array([lm.INDEX[_opposite_name(name)] for name in lm.NAMES])
    labelling = replace(
        track.labelling, near_side=lm.opposite(track.labelling.near_side), near_side_confidence=1.0
    )
    hidden = {_opposite_name(name): share for name, share in track.quality.hidden.items()}
    return replace(
        track,
        xy_px=track.xy_px[:, other],
        world_px=track.world_px[:, other],
        confidence=track.confidence[:, other],
        labelling=labelling,
        quality=replace(track.quality, hidden=hidden),
    )


def _rows_of(track: Track, correction: ExchangeRange) -> NDArray[np.intp]:
    """Rows of the track within the range."""
    return np.flatnonzero((track.frame >= correction.first) & (track.frame <= correction.last))


def _with_range_exchanged(track: Track, correction: ExchangeRange) -> Track:
    rows = _rows_of(track, correction)
    if not len(rows) or correction.limbs not in LIMB_JOINTS:
        raise CorrectionError(
            f"frames {correction.first} to {correction.last}",
            "the athlete was not followed there",
            "let the range start and end within the run, the start first",
        )
    left = np.array([lm.index(joint, "left") for joint in LIMB_JOINTS[correction.limbs]])
    right = np.array([lm.index(joint, "right") for joint in LIMB_JOINTS[correction.limbs]])
    to, of = np.concatenate([left, right]), np.concatenate([right, left])
    changed = {}
    for name in ("xy_px", "world_px", "confidence"):
        values = getattr(track, name).copy()
        values[np.ix_(rows, to)] = values[np.ix_(rows, of)]
        changed[name] = values
    labelling = track.labelling
    if "legs" in correction.limbs:
        sure = labelling.legs_confidence.copy()
        sure[rows] = 1.0
        labelling = replace(labelling, legs_confidence=sure)
    return replace(track, **changed, labelling=labelling)


def _opposite_name(name: str) -> str:
    if "left" in name:
        return name.replace("left", "right")
    return name.replace("right", "left")


def _scale(track: Track, stature_m: float) -> Scale:
    from vision.scale import body_size, scale_from_stature

    Options(stature_m=stature_m)  # raises OptionError when it is no height
    found = scale_from_stature(body_size(track.world_px), stature_m)
    if not isinstance(found, Scale):
        raise OptionError("the height", found.why, "leave the scale as it is")
    return found


def corrected_events(
    found: Sequence[Event], track: Track, corrections: Sequence[Correction]
) -> tuple[Event, ...]:
    """The events with some moved and some contacts left out, in order of time.

    A moved event gets the interval of the frame it was put on: half a frame to each side.

    Raises
    ------
    CorrectionError
        If an event can't be found again, or its new frame is not in the track.
    """
    events = list(found)
    for i, correction in enumerate(corrections):
        match correction:
            case MoveEvent():
                side = _side_now(correction.side, correction.was_s, track, corrections[i:])
                at = _nearest(events, correction.kind, side, correction.was_s)
                events[at] = _moved(events[at], track, correction.frame)
            case LeaveOut():
                side = _side_now(correction.side, correction.touchdown_s, track, corrections[i:])
                at = _nearest(events, "touchdown", side, correction.touchdown_s)
                start = events[at]
                del events[at]
                after = [e for e in events if e.side == side and e.time_s > start.time_s]
                follows = min(after, key=lambda e: e.time_s, default=None)
                if follows is not None and follows.kind == "toe_off":
                    events.remove(follows)
            case _:
                pass
    return tuple(sorted(events, key=lambda e: e.time_s))


def _side_now(side: Side, time_s: float, track: Track, later: Sequence[Correction]) -> Side:
    """What a side is called after `later`: a correction names it as it was called when it was made."""
    row = int(np.argmin(np.abs(track.time_s - time_s)))
    turns = sum(
        isinstance(c, ExchangeSides)
        or (isinstance(c, ExchangeRange) and "legs" in c.limbs and c.first <= track.frame[row] <= c.last)
        for c in later
    )
    return lm.opposite(side) if turns % 2 else side


def _nearest(events: Sequence[Event], kind: EventKind, side: Side, time_s: float) -> int:
    rows = [i for i, e in enumerate(events) if e.kind == kind and e.side == side]
    best = min(rows, key=lambda i: abs(events[i].time_s - time_s), default=None)
    if best is None or abs(events[best].time_s - time_s) > NEAR_S:
        raise CorrectionError(
            f"the {side} {KIND_WORD[kind]} at {time_s:.3f} s", "it is no longer there", "undo this correction"
        )
    return best


def _moved(event: Event, track: Track, frame: int) -> Event:
    rows = np.flatnonzero(track.frame == frame)
    if not len(rows):
        raise CorrectionError(f"frame {frame}", "the athlete was not followed there", "choose another frame")
    time_s = float(track.time_s[rows[0]])
    near = track.time_s[max(0, rows[0] - 1) : rows[0] + 2]
    half = HALF_FRAME * float(np.min(np.diff(near)))  # of the frames that were looked at
    return replace(
        event,
        time_s=time_s,
        low_s=time_s - half,
        high_s=time_s + half,
        frame=frame,
        evidence={"by hand": 1.0},
    )


def corrected_analysis(
    track: Track, options: Options, corrections: Sequence[Correction]
) -> tuple[Track, Analysis]:
    """Track and analysis with all corrections in them, recorded as made by hand.

    Parameters
    ----------
    track : Track
        As measured.
    options : Options
        What the user said before the measurement.
    corrections : sequence of Correction
        In the order they were made.

    Raises
    ------
    MotionError, ProfileError, CorrectionError, OptionError
    """
    from technique.analyse import Athlete, analysis_of
    from technique.error_events import widened
    from technique.events import events
    from technique.smoothing import smooth
    from technique.targets import load_profile

    for correction in corrections:
        if isinstance(correction, SetStature):
            options = replace(options, stature_m=correction.stature_m)
    changed = corrected_track(track, corrections)
    smoothed = smooth(changed)
    found = corrected_events(widened(events(smoothed), changed.labelling.near_side), changed, corrections)
    athlete = Athlete(
        stature_m=options.stature_m,
        mass_kg=options.mass_kg,
        leg_length_m=options.leg_length_m,
        sex=options.sex,
        minor=options.minor,
        injury=options.injury,
    )
    analysis = analysis_of(
        changed,
        smoothed,
        found,
        load_profile(options.profile),
        athlete,
        datetime.now(UTC).isoformat(timespec="seconds"),
        version("laneside"),
    )
    if options.face_hidden or options.minor:
        face = "hidden" if options.face_hidden else "shown"
        analysis = replace(analysis, athlete={**analysis.athlete, "face": face})
    if not corrections:
        return changed, analysis
    said = [sentence(c) for c in corrections]
    provenance = replace(analysis.provenance, settings={**analysis.provenance.settings, "made by hand": said})
    note = f"Put right by hand: {'; '.join(said)}."
    return changed, replace(analysis, provenance=provenance, notes=(note, *analysis.notes))
