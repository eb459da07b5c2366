"""Which questions a comparison asks at once, and how the 5 % are shared between them.

A table has about a hundred rows. Calling a row *changed* at 5 % each would find a false one in most tables, so
all rows share the 5 %: half of it goes to the leading measures (or to those that somebody set out to change),
half to all others. Chosen before any result is looked at, the shares keep the whole table's chance of a false
*changed* at 5 % (Holm 1979, weighted).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from shared.catalogue import SYMMETRY_PREFIX
from shared.landmarks import Side, SideOrBoth
from technique.reliability import holm

LEADING: Final[tuple[str, ...]] = (
    "contact_time",
    "flight_time",
    "step_frequency",
    "trunk_lean",
    "thigh_angle_max",
    "td_distance_leg",
    "elbow_angle_mean",
    "arm_swing_range",
)
"""What a measured run is first looked at for: times, cadence, lean, knee lift, landing, arms."""
LEADING_SHARE: Final[float] = 0.5
TWINS: Final[Mapping[str, str]] = {
    "td_distance": "td_distance_leg",
    "td_distance_com": "td_distance_com_leg",
    "hand_past_hip_back": "hand_past_hip_back_thigh",
}
"""The same length in another unit: one question, answered once."""

Row = tuple[str, SideOrBoth]


def leading_rows(rows: Sequence[Row], near_sides: frozenset[Side], aims: Sequence[str] = ()) -> set[Row]:
    """Rows that get the leading share.

    Parameters
    ----------
    rows : sequence of (key, side)
    near_sides : frozenset of {"left", "right"}
        Sides that were towards the camera in both takes: only these are seen well enough to lead.
    aims : sequence of str
        Keys that somebody set out to change; they lead in place of `LEADING`, on both sides.
    """
    keys = frozenset(aims) or frozenset(LEADING)
    return {r for r in rows if r[0] in keys and (bool(aims) or r[1] == "both" or r[1] in near_sides)}


def row_weights(rows: Sequence[Row], leading: set[Row]) -> list[float]:
    """Share of the 5 % for each row, from 0 to 1, together 1; 0 for a row that repeats its twin."""
    there = set(rows)
    twin = [_twin(r) is not None and _twin(r) in there for r in rows]
    first = sum(r in leading and not t for r, t in zip(rows, twin))
    rest = sum(r not in leading and not t for r, t in zip(rows, twin))
    share = LEADING_SHARE if first and rest else float(bool(first))
    return [0.0 if t else share / first if r in leading else (1.0 - share) / rest for r, t in zip(rows, twin)]


def counted_together(rows: Sequence[Row], p: Sequence[float], weights: Sequence[float]) -> list[float]:
    """Adjusted p of every row; a twin has that of its twin."""
    asked = [i for i, w in enumerate(weights) if w > 0]
    found = dict(zip(asked, holm([p[i] for i in asked], [weights[i] for i in asked])))
    place = {rows[i]: i for i in asked}
    return [found[i] if i in found else found[place[_told_twin(r)]] for i, r in enumerate(rows)]


def _twin(row: Row) -> Row | None:
    base = row[0].removeprefix(SYMMETRY_PREFIX)
    front = SYMMETRY_PREFIX if base != row[0] else ""
    return (front + TWINS[base], row[1]) if base in TWINS else None


def _told_twin(row: Row) -> Row:
    twin = _twin(row)
    assert twin is not None
    return twin
