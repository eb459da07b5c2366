"""The words of the cues, read from data: texts by measure and direction, and themes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

import yaml

from shared.catalogue import SYMMETRY_PREFIX

_FOLDER: Final = Path(__file__).parent / "data"
Direction = Literal["too_low", "too_high"]


@dataclass(frozen=True)
class CueText:
    """What a cue says, apart from the number.

    Attributes
    ----------
    headline : str
    why : str
        Why it matters, evidence in words.
    evidence : str
        Strength of that evidence.
    do, avoid : str
        One thing to try; what not to do.
    caution : str or None
    """

    headline: str
    why: str
    evidence: str
    do: str
    avoid: str
    caution: str | None


@dataclass(frozen=True)
class Theme:
    """Findings that are one thing to work on.

    Attributes
    ----------
    name, title : str
    shows_in : frozenset of (measure, direction)
    opposes : frozenset of str
        Themes whose advice would contradict this one's.
    """

    name: str
    title: str
    shows_in: frozenset[tuple[str, str]]
    opposes: frozenset[str]


def _read(name: str) -> dict[str, Any]:
    file = _FOLDER / f"{name}.yaml"
    if not file.exists():
        return {}
    raw: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
    return raw


def _text_key(key: str) -> str:
    return "symmetry" if key.startswith(SYMMETRY_PREFIX) else key


@cache
def _texts(name: str) -> Mapping[tuple[str, str], CueText]:
    raw = _read(name)
    return {
        (key, direction): CueText(**text)
        for key, by_direction in raw.get("texts", {}).items()
        for direction, text in by_direction.items()
    }


def cue_text(key: str, direction: Direction, use: str) -> CueText | None:
    """Words for a measure that is too low or too high.

    Parameters
    ----------
    key : str
        Measure key, or ``symmetry_<key>``; there too low means right is larger.
    direction : {"too_low", "too_high"}
    use : str
        `Profile.use`; its own wording goes before the general one.

    Returns
    -------
    CueText or None
        None when nothing sensible can be advised from that number.
    """
    like: Mapping[str, str] = _general()["texts_like"]
    found: CueText | None = None
    for name in (f"cues_{use}", "cues"):
        for alias in dict.fromkeys((_text_key(key), like.get(key, _text_key(key)))):
            found = found or _texts(name).get((alias, direction))
    for_every = _every(use)
    return replace(found, **for_every) if found is not None and for_every else found


@cache
def _general() -> dict[str, Any]:
    return _read("cues")


@cache
def _every(use: str) -> dict[str, str]:
    every: dict[str, str] = _read(f"cues_{use}").get("for_every", {})
    return every


@cache
def themes() -> tuple[Theme, ...]:
    """Every theme, in the order of the data."""
    found = []
    for name, row in _general()["themes"].items():
        pairs = set()
        for key, direction in row["shows_in"].items():
            pairs |= {
                (key, d) for d in (("too_low", "too_high") if direction == "both_ways" else (direction,))
            }
        found.append(Theme(name, row["title"], frozenset(pairs), frozenset(row.get("opposes", ()))))
    return tuple(found)


def theme_of(key: str, direction: Direction) -> Theme:
    """The theme that finding belongs to; one of its own where the table names none."""
    for theme in themes():
        if (_text_key(key), direction) in theme.shows_in:
            return theme
    return Theme(f"{key} {direction}", key, frozenset({(key, direction)}), frozenset())
