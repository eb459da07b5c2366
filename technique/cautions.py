"""Cautions: which is shown when, each with its source and the strength of its evidence.

The program measures. It never diagnoses, never clears anyone to run, and gives no score of
injury risk; the sentences that say so can't be switched off by a profile.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import yaml

_FILE: Final = Path(__file__).parent / "data" / "cautions.yaml"
ADULT_AGE: Final = 18
_NO: Final = frozenset({"", "no", "none", "false", "0"})


@dataclass(frozen=True)
class Caution:
    """A sentence of care.

    Attributes
    ----------
    name : str
        Word a profile lists it by.
    text : str
        What the user reads.
    source, evidence : str
        Citation (or "common practice, no source") and its strength.
    when : str
        always, cue, listed, ``use:<use>`` or ``athlete:<flag>``.
    """

    name: str
    text: str
    source: str
    evidence: str
    when: str


class _ListsCautions(Protocol):
    @property
    def cautions(self) -> tuple[str, ...]: ...

    @property
    def use(self) -> str: ...


def _table() -> dict[str, Caution]:
    raw: dict[str, dict[str, str]] = yaml.safe_load(_FILE.read_text(encoding="utf-8"))
    return {name: Caution(name=name, **row) for name, row in raw.items()}


CAUTIONS: Final[Mapping[str, Caution]] = _table()
"""Every caution by name, in the order they are shown."""

CAUTION_IDS: Final[tuple[str, ...]] = tuple(CAUTIONS)


def athlete_flags(athlete: Mapping[str, object] | None) -> frozenset[str]:
    """What the user told us that calls for care: any of "pain", "recent_injury", "minor".

    Parameters
    ----------
    athlete : mapping or None
        Keys read: `pain` and `recent_injury` (anything but "no" or empty counts as yes), and
        `age` in years.
    """
    told = dict(athlete or {})
    flags = {
        flag
        for flag in ("pain", "recent_injury")
        if told.get(flag) is not None and str(told[flag]).strip().lower() not in _NO | {"0.0"}
    }
    try:
        if told.get("age") is not None and float(str(told["age"])) < ADULT_AGE:
            flags.add("minor")
    except ValueError:
        pass  # an age that isn't a number tells nothing
    return frozenset(flags)


def cautions(
    profile: _ListsCautions, athlete: Mapping[str, object] | None = None, cues: Sequence[object] = ()
) -> tuple[Caution, ...]:
    """The cautions that belong beside this result, most pressing first.

    Parameters
    ----------
    profile : Profile
        Adds the cautions it lists; a profile used for a return check always brings the four
        fixed return sentences.
    athlete : mapping, optional
        As for `athlete_flags`.
    cues : sequence
        The cues given; with at least one, the cautions about changing technique are shown.

    Returns
    -------
    tuple of Caution
        A sentence of the profile writer's own comes last, with the profile as its source.
    """
    flags = athlete_flags(athlete)
    shown = [
        c
        for c in CAUTIONS.values()
        if c.when == "always"
        or c.name in profile.cautions
        or (c.when == "cue" and cues)
        or c.when == f"use:{profile.use}"
        or (c.when.startswith("athlete:") and c.when.removeprefix("athlete:") in flags)
    ]
    pressing = [c for c in shown if c.when.startswith(("athlete:", "use:"))]
    rest = [c for c in shown if c not in pressing]
    own = [
        Caution(
            name="own", text=text, source="the profile's own words", evidence="common practice", when="listed"
        )
        for text in profile.cautions
        if text not in CAUTIONS
    ]
    return tuple(pressing + rest + own)


def caution_lines(of: Iterable[Caution]) -> tuple[str, ...]:
    """The texts alone, for `Analysis.cautions`."""
    return tuple(c.text for c in of)
