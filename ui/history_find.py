"""From what the user types to athletes, sessions, takes and stored results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from shared import history as H
from shared.analysis import Analysis
from shared.analysis_json import read_analysis
from shared.errors import OptionError
from shared.files import file_sha256
from technique.takes import Take, bare_take, stored_take, take
from ui.clip_places import remembered_clip
from ui.leftovers import put_back

ANALYSIS_NAME: Final = "analysis.json"
SHORTEST_ID: Final = 6
MOST_NAMED: Final = 6
MOST_REPEATS: Final = 20
"""Takes that the athlete's own error is learned from; more say little more, and old ones less."""


@dataclass(frozen=True)
class Group:
    """What stands on one side of a comparison.

    Attributes
    ----------
    label : str
    takes : tuple of Take
        One per session, or one of a result folder.
    analyses : tuple of Analysis
        Of all clips in it.
    folders : tuple of (Path or None)
        Where the pictures of each analysis are, in the order of `analyses`.
    """

    label: str
    takes: tuple[Take, ...]
    analyses: tuple[Analysis, ...]
    folders: tuple[Path | None, ...]


def athlete_named(history: H.History, name: str) -> H.Athlete:
    """The athlete of that name, code or id; OptionError if there is none or more than one."""
    people = H.athletes(history)
    wanted = name.strip().casefold()
    for found in (
        [p for p in people if p.id == name],
        [p for p in people if p.name.casefold() == wanted],
        [p for p in people if wanted and p.name.casefold().startswith(wanted)],
    ):
        if len(found) == 1:
            return found[0]
        if found:
            raise OptionError(name, f"{len(found)} athletes answer to that", "give the name in full")
    known = ", ".join(p.name for p in people[:MOST_NAMED])
    there = f"the history knows {known}" if known else "the history has no athlete yet"
    raise OptionError(f"athlete '{name}'", there, "add one with: laneside athletes add NAME")


def id_of(kept: H.Athlete | H.Session | H.RunTime) -> str:
    """The id of something that was read from the history."""
    if kept.id is None:
        raise ValueError("it is not in the history yet")
    return kept.id


def is_invented_athlete(athlete: H.Athlete) -> bool:
    """Whether the athlete is one of ours, whom nobody filmed."""
    return athlete.notes.startswith("Invented")


def session_text(s: H.Session) -> str:
    """A session in a few words."""
    return f"{s.date}{f', {s.condition}' if s.condition else ''}"


def filmed_sessions(history: H.History, athlete: H.Athlete) -> tuple[H.Session, ...]:
    """Sessions with a measured clip, oldest first."""
    found = H.sessions(history, id_of(athlete))
    return tuple(s for s in reversed(found) if H.clips(history, id_of(s)))


def sessions_named(
    history: H.History, athlete: H.Athlete, said: str, *, filmed: bool = True
) -> tuple[H.Session, ...]:
    """The sessions that the user's words mean, oldest first.

    Parameters
    ----------
    history : History
    athlete : Athlete
    said : str
        ``first``, ``latest``, a day, a condition, ``DAY/CONDITION``, the start of an id, or several of
        these with commas between.
    filmed : bool
        Only sessions with a measured clip.

    Raises
    ------
    OptionError
        If no session of the athlete answers to it.
    """
    all_ = filmed_sessions(history, athlete)
    if not filmed:
        all_ = tuple(reversed(H.sessions(history, id_of(athlete))))
    found = _matching(all_, said.strip())
    if not found and "," in said:
        parts = [_matching(all_, part.strip()) for part in said.split(",")]
        if all(parts):
            found = tuple(s for s in all_ if any(s in part for part in parts))
    if not found:
        there = "; ".join(session_text(s) for s in all_[-MOST_NAMED:])
        why = f"{athlete.name} has no such session" + (f", the last are {there}" if there else " yet")
        mend = "give a day, a condition, DAY/CONDITION, first or latest" if there else "record a clip first"
        raise OptionError(f"'{said}'", why, mend)
    return found


def _matching(all_: Sequence[H.Session], said: str) -> tuple[H.Session, ...]:
    if not all_ or not said:
        return ()
    word = said.casefold()
    if word == "first":
        return (all_[0],)
    if word == "latest":
        return (all_[-1],)
    by_condition = tuple(s for s in all_ if s.condition.casefold() == word)
    if by_condition:
        return by_condition
    by_day = tuple(s for s in all_ if said in (s.date, s.date[:10]))
    if by_day:
        return by_day
    day, slash, condition = said.partition("/")
    if slash:
        own = condition.strip().casefold()
        return tuple(s for s in all_ if s.date[:10] == day.strip() and s.condition.casefold() == own)
    if len(said) >= SHORTEST_ID:
        return tuple(s for s in all_ if (s.id or "").startswith(said))
    return ()


def session_group(history: H.History, sessions: Sequence[H.Session], label: str = "") -> Group:
    """A group of stored sessions, with whole analyses."""
    name = label or group_text(sessions)
    takes: list[Take] = []
    analyses: list[Analysis] = []
    folders: list[Path | None] = []
    for s in sessions:
        own = []
        for clip in H.clips(history, id_of(s)):
            own.append(H.analysis(history, clip.latest))
            head = next((a for a in H.analyses(history, s.athlete, clip.sha256) if a.latest), None)
            folders.append(Path(head.folder) if head is not None and head.folder else None)
        takes.append(take(own, name, s.date, s.speed_mps))
        analyses += own
    return Group(name, tuple(takes), tuple(analyses), tuple(folders))


def group_text(sessions: Sequence[H.Session]) -> str:
    """A label for several sessions."""
    conditions = {s.condition for s in sessions}
    if len(sessions) == 1:
        return session_text(sessions[0])
    days = f"{sessions[0].date[:10]} to {sessions[-1].date[:10]}"
    if len(conditions) == 1 and (only := next(iter(conditions))):
        return f"{only}, {len(sessions)} sessions, {days}"
    return f"{len(sessions)} sessions, {days}"


def folder_group(place: Path, label: str = "") -> Group:
    """A group of one result folder (or its ``analysis.json``), without a history."""
    file = place / ANALYSIS_NAME if place.is_dir() else place
    if not file.is_file():
        put_back(file.parent)  # of a program that was killed while it replaced the result
    if not file.is_file():
        raise OptionError(
            str(place), "there is no analysis.json in it", "give a folder made by laneside measure"
        )
    found = read_analysis(file)
    name = label or file.parent.name or found.clip.path
    return Group(name, (take([found], name),), (found,), (file.parent,))


def newest_repeats(groups: Sequence[H.RepeatGroup]) -> list[tuple[H.Session, ...]]:
    """The newest `MOST_REPEATS` sessions of unchanged conditions, from the condition that was repeated last on."""
    out = []
    room = MOST_REPEATS
    for group in sorted(groups, key=lambda g: g.sessions[-1].date, reverse=True):
        own = group.sessions[-room:] if room > 0 else ()
        room -= len(own)
        out.append(own)
    return out


def repeated_takes(history: H.History, athlete: str, keys: Sequence[str] | None = None) -> list[list[Take]]:
    """Takes of unchanged conditions, each inner list one condition, for the athlete's own error.

    The newest ones, see `newest_repeats`; `keys` reads only these measures.
    """
    chosen = newest_repeats(H.repeats(history, athlete))
    points = H.sessions_points(history, [id_of(s) for own in chosen for s in own], keys)
    return [[stored_take(points[id_of(s)]) for s in own if id_of(s) in points] for own in chosen]


def day_repeats(history: H.History, keys: Sequence[str]) -> dict[str, list[list[Take]]]:
    """By athlete: `repeated_takes` as bare numbers of each session, enough for the error from day to day.

    One question for everybody; the takes hold the mean of their passes without its interval.
    """
    chosen: dict[str, list[tuple[H.Session, ...]]] = {}
    for athlete, sessions in H.repeated_sessions(history).items():
        by_group: dict[str | None, list[H.Session]] = {}
        for s in sessions:
            by_group.setdefault(s.repeat_group, []).append(s)
        groups = [H.RepeatGroup(name or "", tuple(own)) for name, own in by_group.items()]
        chosen[athlete] = newest_repeats(groups)
    ids = [id_of(s) for groups_ in chosen.values() for own in groups_ for s in own]
    found = H.session_means(history, ids, keys)
    return {
        athlete: [[bare_take(s.date, found[id_of(s)]) for s in own if id_of(s) in found] for own in groups_]
        for athlete, groups_ in chosen.items()
    }


def clip_file(folder: Path | None, analysis: Analysis, also: Sequence[Path] = ()) -> Path | None:
    """The clip of a stored result, if it is still there and still the same.

    Looked for where it was last seen (`ui.clip_places`), beside the result, and in `also`.
    """
    if folder is None:
        return None
    name = Path(analysis.clip.path).name
    places = [folder.parent / "clip" / name, folder / name, folder.parent / name, *also]
    if (last := remembered_clip(analysis.clip.sha256)) is not None:
        places.insert(0, last)
    for place in places:
        try:
            if place.is_file() and file_sha256(place) == analysis.clip.sha256:
                return place
        except OSError:
            continue
    return None
