"""Corrections made by hand, as small values: what each says, in words and in the kept list."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

from shared import landmarks as lm
from shared.analysis import EventKind
from shared.errors import LanesideError
from shared.files import write_text
from shared.landmarks import Side

FILE: Final = "by_hand.json"
Limbs = Literal["legs", "arms", "legs and arms"]
LIMB_JOINTS: Final[dict[Limbs, tuple[str, ...]]] = {
    "legs": lm.LEG_JOINTS,
    "arms": lm.ARM_JOINTS,
    "legs and arms": (*lm.LEG_JOINTS, *lm.ARM_JOINTS),
}
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
class ExchangeRange:
    """Left and right are the wrong way round from one decoded frame to another, both included.

    The legs, the arms or both; which side is near stays as it is, since the athlete did not turn.
    """

    first: int
    last: int
    limbs: Limbs
    name: Literal["exchange range"] = "exchange range"


@dataclass(frozen=True)
class SetStature:
    """The athlete's height gives the scale, m."""

    stature_m: float
    name: Literal["set stature"] = "set stature"


Correction = MoveEvent | LeaveOut | MoveJoint | ExchangeSides | ExchangeRange | SetStature
_KINDS: Final[dict[str, Any]] = {
    kind.name: kind for kind in (MoveEvent, LeaveOut, MoveJoint, ExchangeSides, ExchangeRange, SetStature)
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
        case ExchangeRange():
            where = (
                f"frame {correction.first}"
                if correction.first == correction.last
                else f"frames {correction.first} to {correction.last}"
            )
            return f"left and right {correction.limbs} exchanged in {where}"
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
