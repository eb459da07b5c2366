"""Intervals of events, as known truth supports them, and what of them all strides share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from shared.analysis import Event
from shared.landmarks import Side
from technique import error_model as em
from technique.error_model import ErrorTable, EventRow

SHARED = "shared_sd_s"
FEET_ALIKE = "feet_alike"
"""Names in `Event.evidence`: the error that all strides have in common (1 SD, s), and how alike it is
in both feet (correlation)."""


def halves(event: Event) -> tuple[float, float] | None:
    """95 % half-widths, s, of what an event shares with all strides, and of what is its own.

    None where the event does not say (`evidence` without `SHARED`).
    """
    shared = event.evidence.get(SHARED)
    if shared is None:
        return None
    whole = (event.high_s - event.low_s) / 2.0
    common = min(em.Z95 * shared, whole)
    return common, float((whole**2 - common**2) ** 0.5)


def widened(found: Sequence[Event], near: Side, table: ErrorTable | None = None) -> tuple[Event, ...]:
    """Events with the error of a pose model's foot landmarks in their 95 % intervals.

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
        Same times. What all strides share is the row's share of it with the row's 1.96 SD (root of
        the sum of squares), what is the event's own not less than the row's.
    """
    table = table or em.error_table()
    rows = {(r.kind, r.distance): r for r in table.event_error}
    out = []
    for event in found:
        row = rows.get((event.kind, "near" if event.side == near else "far"))
        out.append(event if row is None else _by_row(event, row))
    return tuple(out)


def _by_row(event: Event, row: EventRow) -> Event:
    known = halves(event)
    common, own = known if known is not None else ((event.high_s - event.low_s) / 2.0, 0.0)
    common, half = row.half_widths(common, own)
    evidence = {**event.evidence, SHARED: common / em.Z95, FEET_ALIKE: row.feet_alike}
    return replace(
        event,
        low_s=event.time_s - half,
        high_s=event.time_s + half,
        evidence=evidence if known else event.evidence,
    )
