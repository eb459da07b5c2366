"""Changing a session or an athlete after it was kept, by saying only what changes."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Final

from shared.errors import HistoryError
from shared.history_open import History, writing
from shared.history_queries import athlete as athlete_of
from shared.history_queries import session as session_of
from shared.history_save import save_athlete, save_session
from shared.history_values import Athlete, Session

_FIXED: Final[frozenset[str]] = frozenset(("id", "athlete", "changed"))


def edit_session(history: History, session: str, **changes: Any) -> Session:
    """Change some facts of a stored session: all of them or none, and note each in the log of edits.

    Parameters
    ----------
    history : History
    session : str
        Id.
    **changes
        Fields of `Session` (date, place, surface, shoes, condition, speed_mps, notes, pain, repeat_group).

    Returns
    -------
    Session
        As it stands now. Its clips, analyses and pictures are untouched.

    Raises
    ------
    HistoryError
        If the session is not there, a value makes no sense, or the file can't be written.
    """
    with writing(history):
        old = session_of(history, session)
        _demand_fields(history, Session, changes)
        new = replace(old, **changes)
        return old if new == old else save_session(history, new)


def edit_athlete(history: History, athlete: str, **changes: Any) -> Athlete:
    """The same for an athlete (name, stature_m, mass_kg, leg_length_m, sex, minor, consent, notes)."""
    with writing(history):
        old = athlete_of(history, athlete)
        _demand_fields(history, Athlete, changes)
        new = replace(old, **changes)
        return old if new == old else save_athlete(history, new)


def _demand_fields(history: History, kind: type, changes: dict[str, Any]) -> None:
    known = {f.name for f in fields(kind)} - _FIXED
    unknown = sorted(set(changes) - known)
    if unknown:
        raise HistoryError(
            str(history.path),
            f"{unknown[0]!r} can't be changed",
            f"change one of {', '.join(sorted(known))}",
        )
