"""What the history keeps, as small frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from shared.analysis import Measure
from shared.landmarks import Side
from shared.track import CameraKind, Direction

TimingMethod = Literal["hand", "gates", "video"]
Sex = Literal["female", "male"]


@dataclass(frozen=True)
class Athlete:
    """Somebody whose runs are kept; a code does as well as a name.

    Attributes
    ----------
    name : str
        Name or code, not empty.
    stature_m, leg_length_m : float or None
        Metres.
    mass_kg : float or None
    sex : {"female", "male"} or None
    minor : bool
        Under age, so that consent of a parent or guardian is needed.
    consent : str
        Who agreed to the filming, to what and when, in the user's words.
    notes : str
    id : str or None
        Given by `save_athlete`; the same in every copy of the history.
    changed : str or None
        When it was last saved (UTC, ISO 8601); saving an outdated copy is refused.
    """

    name: str
    stature_m: float | None = None
    mass_kg: float | None = None
    leg_length_m: float | None = None
    sex: Sex | None = None
    minor: bool = False
    consent: str = ""
    notes: str = ""
    id: str | None = None
    changed: str | None = None


@dataclass(frozen=True)
class Session:
    """One day's filming of one athlete in one condition; its clips are passes.

    Attributes
    ----------
    athlete : str
        Id of the athlete.
    date : str
        ISO 8601 day, or day and time (``2026-05-01`` or ``2026-05-01T17:30``).
    place, surface, shoes, condition, notes : str
        In the user's words. `condition` labels what was tried (``"usual"``, ``"+5 % step rate"``).
    speed_mps : float or None
        Speed aimed at or set on the belt, m/s.
    pain : int or None
        0 (none) to 10 (worst).
    repeat_group : str or None
        Sessions with the same group are takes of the unchanged condition: the spread between them
        is the measurement error, so they feed the SEM.
    id, changed
        As in `Athlete`.
    """

    athlete: str
    date: str
    place: str = ""
    surface: str = ""
    shoes: str = ""
    condition: str = ""
    speed_mps: float | None = None
    notes: str = ""
    pain: int | None = None
    repeat_group: str | None = None
    id: str | None = None
    changed: str | None = None


@dataclass(frozen=True)
class Split:
    """Time from the start at a distance along the run."""

    distance_m: float
    time_s: float


@dataclass(frozen=True)
class RunTime:
    """A timed run.

    Attributes
    ----------
    athlete : str
        Id of the athlete.
    date : str
        As in `Session`.
    distance_m, time_s : float
        The whole run.
    method : {"hand", "gates", "video"}
    splits : tuple of Split
        Running times at rising distances.
    wind_mps : float or None
        Along the run, tail wind positive.
    temperature_c : float or None
    condition, notes : str
    session : str or None
        Id of the session it was run in.
    id, changed
        As in `Athlete`.
    """

    athlete: str
    date: str
    distance_m: float
    time_s: float
    method: TimingMethod
    splits: tuple[Split, ...] = ()
    wind_mps: float | None = None
    temperature_c: float | None = None
    condition: str = ""
    notes: str = ""
    session: str | None = None
    id: str | None = None
    changed: str | None = None


@dataclass(frozen=True)
class Clip:
    """A video file by the hash of its bytes; one per athlete however often it is analysed."""

    sha256: str
    name: str
    athlete: str
    session: str
    analyses: int
    latest: str
    """Id of the latest analysis."""


@dataclass(frozen=True)
class StoredAnalysis:
    """Head of a stored analysis; `analysis` gives the whole.

    Attributes
    ----------
    id : str
        SHA-256 of the stored document: the same result has the same id everywhere.
    created : str
        When it was measured (UTC, ISO 8601).
    latest : bool
        False for an older version of the same clip.
    folder : str or None
        Where its pictures and reports were written on this machine.
    """

    id: str
    clip: str
    session: str
    athlete: str
    created: str
    program_version: str
    model: str
    profile: str
    near_side: Side
    direction: Direction
    camera: CameraKind
    capture_rate_hz: float
    latest: bool
    folder: str | None


@dataclass(frozen=True)
class Saved:
    """What saving an analysis did.

    Attributes
    ----------
    analysis, clip : str
        Id of the analysis, hash of the clip.
    new_clip, new_analysis : bool
        False when the history had it already.
    moved_from : str or None
        Id of the session the clip stood in before; a clip was filmed in one session only.
    """

    analysis: str
    clip: str
    new_clip: bool
    new_analysis: bool
    moved_from: str | None


@dataclass(frozen=True)
class SeriesPoint:
    """One measure of one clip (latest analysis) with the session it belongs to."""

    session: Session
    analysis: StoredAnalysis
    measure: Measure


@dataclass(frozen=True)
class SquadRow:
    """An athlete with the latest session that has an analysed clip, if any.

    `points` holds the measures of every clip of that session (latest analyses).
    """

    athlete: Athlete
    session: Session | None
    points: tuple[SeriesPoint, ...]


@dataclass(frozen=True)
class RepeatGroup:
    """Takes of the unchanged condition, oldest first."""

    name: str
    sessions: tuple[Session, ...]


@dataclass(frozen=True)
class Edit:
    """One field of an athlete or a session that was changed after it was first kept.

    Attributes
    ----------
    id, athlete : str
    session : str or None
        None where it is the athlete's own.
    moment : str
        UTC, ISO 8601.
    field : str
    before, after : str or None
        As text; both None for names, consent and notes, of which only the change is kept.
    """

    id: str
    athlete: str
    session: str | None
    moment: str
    field: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class Deleted:
    """What a deletion left to do.

    Attributes
    ----------
    folders : tuple of Path
        Folders with pictures and reports of what was deleted; delete them too.
    clean : bool
        True when no byte of it is left in the history file, its log or its backup copies.
    why : str or None
        One sentence on what to do when it is not.
    """

    folders: tuple[Path, ...]
    clean: bool
    why: str | None = None


@dataclass(frozen=True)
class Imported:
    """What an import did, in rows; importing the same file again gives only `unchanged`."""

    added: int
    updated: int
    unchanged: int
    conflicts: tuple[str, ...]
    """One sentence for each thing that stood differently on both sides and how it was settled."""
