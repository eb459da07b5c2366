"""Corrections made by hand: to events, joints, sides and scale of a stored track.

A correction is a small value; a list of them is applied to the track as it was measured, so that
each can be taken back. No pose is run again: everything after the landmarks is computed anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.analysis import Analysis, Event, EventKind
from shared.errors import LanesideError, OptionError
from shared.files import write_text
from shared.landmarks import Side
from shared.track import Scale, Track
from ui.options import Options

FILE: Final = "by_hand.json"
NEAR_S: Final = 0.1
"""A corrected event is found again within this time of where the program had put it."""
HALF_FRAME: Final = 0.5
KIND_WORD: Final[dict[EventKind, str]] = {"touchdown": "touchdown", "toe_off": "toe-off"}


class CorrectionError(LanesideError):
    """A correction can't be applied to this result."""

    exit_code = 8


@dataclass(frozen=True)
class MoveEvent:
    """A touchdown or toe-off belongs on another frame.

    Attributes
    ----------
    kind, side
    was_s : float
        Where the program had put it, real seconds.
    frame : int
        Decoded frame it belongs on.
    """

    kind: EventKind
    side: Side
    was_s: float
    frame: int
    name: Literal["move event"] = "move event"


@dataclass(frozen=True)
class LeaveOut:
    """A contact, from its touchdown to its toe-off, does not count; nor do the strides that need it."""

    side: Side
    touchdown_s: float
    name: Literal["leave out"] = "leave out"


@dataclass(frozen=True)
class MoveJoint:
    """A joint belongs at another place in one frame: upright px of the clip."""

    joint: str
    frame: int
    x_px: float
    y_px: float
    name: Literal["move joint"] = "move joint"


@dataclass(frozen=True)
class ExchangeSides:
    """Left and right are the wrong way round in the whole clip."""

    name: Literal["exchange sides"] = "exchange sides"


@dataclass(frozen=True)
class SetStature:
    """The athlete's height gives the scale, m."""

    stature_m: float
    name: Literal["set stature"] = "set stature"


Correction = MoveEvent | LeaveOut | MoveJoint | ExchangeSides | SetStature
_KINDS: Final[dict[str, Any]] = {
    kind.name: kind for kind in (MoveEvent, LeaveOut, MoveJoint, ExchangeSides, SetStature)
}


def sentence(correction: Correction) -> str:
    """A correction in words."""
    match correction:
        case MoveEvent():
            return (
                f"{correction.side} {KIND_WORD[correction.kind]} at {correction.was_s:.3f} s "
                f"moved to frame {correction.frame}"
            )
        case LeaveOut():
            return f"contact of the {correction.side} foot at {correction.touchdown_s:.3f} s left out"
        case MoveJoint():
            words = correction.joint.replace("foot_index", "toe").replace("_", " ")
            return f"{words} moved in frame {correction.frame}"
        case ExchangeSides():
            return "left and right exchanged"
        case SetStature():
            return f"scale taken from a height of {correction.stature_m:.2f} m"


def write_corrections(corrections: Sequence[Correction], path: Path) -> None:
    """Keep the list; OutputError if it can't be written."""
    write_text(path, json.dumps([asdict(c) for c in corrections], indent=1))


def read_corrections(path: Path) -> tuple[Correction, ...]:
    """The kept list; empty when there is none.

    Raises
    ------
    CorrectionError
        If the file is not such a list.
    """
    if not path.is_file():
        return ()
    try:
        return tuple(_KINDS[entry["name"]](**entry) for entry in json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise CorrectionError(path.name, "the kept corrections can't be read", "undo all of them") from error


def corrected_track(track: Track, corrections: Sequence[Correction]) -> Track:
    """The track with joints moved, sides exchanged and scale set.

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
        # A correction names the side as it was called when it was made.
        later = sum(isinstance(c, ExchangeSides) for c in corrections[i:]) % 2 == 1
        match correction:
            case MoveEvent():
                side = lm.opposite(correction.side) if later else correction.side
                at = _nearest(events, correction.kind, side, correction.was_s)
                events[at] = _moved(events[at], track, correction.frame)
            case LeaveOut():
                side = lm.opposite(correction.side) if later else correction.side
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
    half = HALF_FRAME / track.clip.capture_rate_hz
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
