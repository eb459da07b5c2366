"""Intervals of events, widened by what known truth showed beyond them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shared.analysis import Event
from shared.landmarks import Side
from technique import error_model as em
from technique.error_model import ErrorTable


def widened(found: Sequence[Event], near: Side, table: ErrorTable | None = None) -> tuple[Event, ...]:
    """Events with the error of foot landmarks in their 95 % intervals.

    Parameters
    ----------
    found : sequence of Event
        From `technique.events.events`, whose intervals know the landmarks' noise and the spread
        between runners, but not that a pose model sets the far foot's points less well.
    near : {"left", "right"}
        Side towards the camera.
    table : ErrorTable, optional
        Default: the one that comes with the program. Kinds without a row are left as they are.

    Returns
    -------
    tuple of Event
        Same times. Each half-width is the root of the sum of squares of the row's share of its own
        and of its 1.96 SD, plus the size of the row's bias.
    """
    table = table or em.error_table()
    rows = {(r.kind, r.distance): r for r in table.event_error}
    out = []
    for event in found:
        row = rows.get((event.kind, "near" if event.side == near else "far"))
        if row is None:
            out.append(event)
            continue
        low, high = (
            ((row.share * (event.time_s - end)) ** 2 + (em.Z95 * row.sd) ** 2) ** 0.5 + abs(row.bias)
            for end in (event.low_s, event.high_s)
        )
        out.append(replace(event, low_s=event.time_s - low, high_s=event.time_s + high))
    return tuple(out)
