"""Words, signs and numbers that comparison, trend and check share."""

from __future__ import annotations

from typing import Final

from shared.history_values import Edit, Session
from shared.units import written
from technique.comparison import Change, measure_decimals, shown_value
from ui import look

BEFORE: Final = look.FAR
AFTER: Final = look.NEAR
PART: Final = look.TRUNK
"""A part of the gait cycle in which two curves differ."""

CHANGE_INK: Final[dict[str, str]] = {
    "changed": look.TRUNK,
    "looks changed": look.TRUNK,
    "no change beyond error": look.VERDICT_INK["inside"],
    "not comparable": look.QUIET,
}
SOURCE_WORD: Final[dict[str | None, str]] = {
    "own repeats": "the athlete's own repeats",
    "published": "published",
    "judged": "judged",
    None: "",
}


FIELD_WORD: Final[dict[str, str]] = {
    "name": "name",
    "stature_m": "body height",
    "mass_kg": "body mass",
    "leg_length_m": "leg length",
    "sex": "sex",
    "minor": "under 18",
    "consent": "consent",
    "date": "day",
    "speed_mps": "speed",
    "repeat_group": "repeat of the unchanged condition",
}
"""Fields whose word is not their name."""


def edit_text(edit: Edit, session: Session | None = None) -> str:
    """What was changed and when, in one line; times are UTC."""
    where = ""
    if session is not None:
        where = f"session of {session.date}{f', {session.condition}' if session.condition else ''}: "
    word = FIELD_WORD.get(edit.field, edit.field)
    moment = edit.moment[:16].replace("T", " ")
    if edit.before is None and edit.after is None:
        return f"{moment}  {where}{word} changed"
    return f"{moment}  {where}{word}: {edit.before or 'empty'} → {edit.after or 'empty'}"


def change_sign(verdict: str, difference: float | None) -> str:
    """The sign beside a verdict; its direction is the number's, not good or bad."""
    if verdict in ("changed", "looks changed"):
        return "↑" if (difference or 0.0) > 0 else "↓"
    return "≈" if verdict == "no change beyond error" else "–"


def change_word(change: Change) -> str:
    """The verdict in words."""
    return "looks changed, may be chance" if change.verdict == "looks changed" else change.verdict


def plain_number(value: float | None, key: str, unit: str, sign: bool = False) -> str:
    """A number with its unit, or a dash."""
    return "–" if value is None else shown_value(value, unit, measure_decimals(key), sign)


def interval_text(low: float | None, high: float | None, key: str) -> str:
    """Two ends of an interval, without the unit."""
    if low is None or high is None:
        return ""
    digits = measure_decimals(key)
    return f"{written(low, digits, sign=True)} to {written(high, digits, sign=True)}"


def capital(text: str) -> str:
    """The text with a capital letter in front."""
    return text[:1].upper() + text[1:]
