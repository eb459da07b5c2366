"""Words, signs and numbers that comparison, trend and check share."""

from __future__ import annotations

from typing import Final

from shared.history_values import Edit, Session
from shared.units import INCHES, Units, height_text, mass_text
from technique.comparison import Change, Comparison
from technique.comparison_plan import outlook_text
from technique.rulers import Ruler, speed_ruler, turned
from ui import look
from ui.in_units import UNITS_FACT

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


def edit_text(edit: Edit, session: Session | None = None, units: Units = "metric") -> str:
    """What was changed and when, in one line; times are UTC."""
    where = ""
    if session is not None:
        where = f"session of {session.date}{f', {session.condition}' if session.condition else ''}: "
    word = FIELD_WORD.get(edit.field, edit.field)
    moment = edit.moment[:16].replace("T", " ")
    if edit.before is None and edit.after is None:
        return f"{moment}  {where}{word} changed"
    before, after = (_entry(edit.field, text, units == "imperial") for text in (edit.before, edit.after))
    return f"{moment}  {where}{word}: {before} → {after}"


def _entry(field: str, text: str | None, feet: bool) -> str:
    """What stood in a field, with its unit."""
    if not text or field not in ("stature_m", "mass_kg", "leg_length_m", "speed_mps"):
        return text or "empty"
    value = float(text)
    if field == "mass_kg":
        return mass_text(value, feet)
    if field == "speed_mps":
        return speed_ruler("imperial").change(value) if feet else f"{value:g} m/s"
    if field == "leg_length_m" and feet:
        return f"{value * INCHES.factor:.1f} in"
    return height_text(value, feet)


def change_sign(verdict: str, difference: float | None) -> str:
    """The sign beside a verdict; its direction is the number's, not good or bad."""
    if verdict in ("changed", "looks changed"):
        return "↑" if (difference or 0.0) > 0 else "↓"
    return "≈" if verdict == "no change beyond error" else "–"


def change_word(change: Change) -> str:
    """The verdict in words."""
    return "looks changed, may be chance" if change.verdict == "looks changed" else change.verdict


def interval_text(low: float | None, high: float | None, shown: Ruler) -> str:
    """Two ends of a difference's interval, without the unit."""
    if low is None or high is None:
        return ""
    return f"{shown.number(low, sign=True)} to {shown.number(high, sign=True)}"


def comparison_notes(found: Comparison, units: Units) -> list[str]:
    """The notes of a comparison, their numbers in `units`."""
    if units == "metric":
        return list(found.notes)
    ahead = outlook_text(found.outlook)
    return [
        *(outlook_text(found.outlook, units) or "" if n == ahead else turned(n, units) for n in found.notes),
        f"Written in {UNITS_FACT}.",
    ]


def capital(text: str) -> str:
    """The text with a capital letter in front."""
    return text[:1].upper() + text[1:]
