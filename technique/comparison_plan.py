"""How large a change must be to be found, and how many passes it takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from shared.catalogue import MEASURES
from shared.landmarks import Side, SideOrBoth
from shared.units import Units
from technique.comparison_errors import DifferenceError
from technique.comparison_family import LEADING, Row
from technique.comparison_words import measure_name
from technique.rulers import ruler
from technique.takes import Take

PASSES: Final[tuple[int, ...]] = (1, 2, 3, 4, 6, 8)
FIRST: Final[str] = "thigh_angle_max"
"""Told of where nobody named an aim."""
P: Final[float] = 0.05
POWER: Final[float] = 0.95


@dataclass(frozen=True)
class Outlook:
    """What comparisons like this one can find, for one measure.

    Attributes
    ----------
    key, side : str
    passes : int
        In each take of this comparison (the fewer of both).
    found : tuple of (int, float)
        Passes in each take, and the true change that is then called *changed* in 95 % of comparisons.
    """

    key: str
    side: SideOrBoth
    passes: int
    found: tuple[tuple[int, float], ...]


def outlook(
    errors: Mapping[Row, DifferenceError],
    weights: Mapping[Row, float],
    near_sides: frozenset[Side],
    aims: Sequence[str],
    takes: Sequence[Take],
) -> Outlook | None:
    """The outlook of the first aim, else of knee lift, on a side that was near the camera.

    Only for takes of one day, where every pass is a repeat of its condition. The error is taken as it is
    known now; more passes also make it better known, so the figures are on the safe side.
    """
    keys = (*aims, FIRST, *LEADING)
    row = next(
        (r for key in keys for r in errors if r[0] == key and (r[1] == "both" or r[1] in near_sides)), None
    )
    if row is None or weights[row] <= 0.0:
        return None
    level = P * weights[row] / sum(weights.values())
    have = min(t.pass_count(*row) for t in takes)
    error = errors[row]
    found = tuple((n, error.with_passes(n / have).surely_seen(level, POWER)) for n in PASSES)
    return Outlook(row[0], row[1], have, found)


def outlook_text(made: Outlook | None, units: Units = "metric") -> str | None:
    """The outlook in a sentence."""
    if made is None:
        return None
    shown = ruler(made.key, MEASURES[made.key].unit, units)
    now = next((least for n, least in made.found if n == made.passes), None)
    more = [(n, least) for n, least in made.found if n > made.passes][:3]
    name = measure_name(made.key, made.side)
    parts = ", ".join(f"{shown.change(least)} with {n}" for n, least in more)
    have = "1 pass" if made.passes == 1 else f"{made.passes} passes"
    told = f"a change of {shown.change(now)} or more is" if now is not None else "larger changes are"
    return f"With {have} in each take, {told} found in 19 of 20 comparisons ({name})" + (
        f"; with more passes in each: {parts}." if parts else "."
    )
