"""How far the unchanged athlete's measures wander, learned from the passes and takes at hand.

Within one day, camera untouched, every pass is a repeat of its condition: the passes of the two takes that are
compared count as well as those of the takes that were filmed for it, and a take of n passes is root n
steadier than one. Between days the means of days are the repeats, of which passes of one day say nothing.

Few repeats give a poor SEM. All measures of the same takes are looked at together: how far their variances
lie from what was expected of each (within a day the passes' own intervals, between days the table) says how
much that expectation is worth for this athlete, and each SEM is pooled with it by that worth
(`technique.reliability.variance_prior`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from shared.catalogue import SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from technique.comparison_family import TWINS, Row
from technique.reliability import (
    NO_PRIOR,
    Repeatability,
    VariancePrior,
    moderated_repeatability,
    pooled_repeatability,
    variance_prior,
)
from technique.takes import Take

FREEDOM_NEEDED: Final[int] = 3
"""Degrees of freedom from which the athlete's own repeats stand alone (4 takes of one condition, or 2
takes in each of 3 sessions; a judgement)."""
FREEDOM_NEEDED_TOGETHER: Final[int] = 2
"""The same where the other measures lend theirs (2 passes in each of two takes; a judgement)."""


def own_repeatability(
    repeats: Sequence[Sequence[Take]], key: str, side: SideOrBoth, same_day: bool
) -> Repeatability | None:
    """SEM from repeats of unchanged conditions.

    Parameters
    ----------
    repeats : sequence of sequence of Take
        Each inner sequence holds takes of one unchanged condition, on one day or on several.
    key, side : str
    same_day : bool
        True: spread of passes of the same day. False: spread of the means of days, for which passes of
        one day say nothing.
    """
    groups: list[list[float]] = []
    for number, same in enumerate(repeats):
        days: dict[str, list[float]] = {}
        for i, t in enumerate(same):
            # A take without a date is on a day of its own.
            if found := t.pass_values(key, side):
                days.setdefault(t.day or f"unknown {number}.{i}", []).extend(found)
        if same_day:
            groups += list(days.values())
        else:
            groups.append([sum(v) / len(v) for v in days.values()])
    return pooled_repeatability(groups)


def all_repeats(
    before: Sequence[Take], after: Sequence[Take], repeats: Sequence[Sequence[Take]]
) -> tuple[tuple[Take, ...], ...]:
    """The repeats, and the compared takes themselves as two more conditions; every clip once."""
    there = {clip for same in repeats for t in same for clip in t.clips}
    more = [tuple(t for t in group if not t.clips & there) for group in (before, after)]
    return (*(tuple(same) for same in repeats), *(group for group in more if group))


def own_errors(
    rows: Sequence[Row], repeats: Sequence[Sequence[Take]], same_day: bool, expected: Mapping[Row, float]
) -> tuple[dict[Row, Repeatability], VariancePrior]:
    """SEM of one pass (same day) or of one day, each pooled with what was expected of it.

    Parameters
    ----------
    rows : sequence of (key, side)
    repeats : sequence of sequence of Take
    same_day : bool
    expected : mapping
        SEM that was expected of each row; 0 where nothing was.

    Returns
    -------
    dict
        Rows with any repeat. Those with too few of them keep their plain own SEM and freedom.
    VariancePrior
        What the measures together say.
    """
    found = {row: own for row in rows if (own := own_repeatability(repeats, *row, same_day)) is not None}
    asked = [
        row
        for row, own in found.items()
        if own.freedom >= FREEDOM_NEEDED_TOGETHER
        and expected.get(row, 0.0) > 0.0
        # A symmetry, or the same length in another unit, is no further witness.
        and not row[0].startswith(SYMMETRY_PREFIX)
        and row[0] not in TWINS
    ]
    prior = (
        variance_prior(
            [(found[row].sem / expected[row]) ** 2 for row in asked], [found[row].freedom for row in asked]
        )
        if asked
        else NO_PRIOR
    )
    out = {}
    for row, own in found.items():
        enough = own.freedom >= FREEDOM_NEEDED_TOGETHER and expected.get(row, 0.0) > 0.0
        out[row] = moderated_repeatability(own, expected[row], prior) if enough else own
    return out, prior
