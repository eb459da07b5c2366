"""What changed between two takes, or groups of takes, by more than the error of measurement.

A difference that is larger than what error alone brings in 95 % of pairs (the minimal detectable change of
that very pair, see `technique.comparison_errors`) *looks changed*; of measures that did not change at most
5 % do. Looking at many measures at once gives many chances to be wrong once, so *changed* is kept for those
that stand when all measures of the comparison are counted together (Holm 1979, see
`technique.comparison_family`): no false one is in the whole table in 95 % of comparisons.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import OptionError
from shared.landmarks import SideOrBoth
from technique.comparison_errors import (
    DifferenceError,
    Source,
    comparable_keys,
    difference_error,
    own_difference_errors,
)
from technique.comparison_family import Row, counted_together, leading_rows, row_weights
from technique.comparison_plan import Outlook, outlook, outlook_text
from technique.comparison_repeats import all_repeats
from technique.comparison_words import measure_name, notes_of, sentence_of, summary_of
from technique.reliability import Repeatability
from technique.speed_relations import SpeedShare, speed_share
from technique.takes import Take, measure_reason, speed_reason, whole_reason

__all__ = ["Change", "Comparison", "compare", "measure_name"]

ChangeVerdict = Literal["changed", "looks changed", "no change beyond error", "not comparable"]
ALL_TOGETHER_P = 0.05


@dataclass(frozen=True)
class Change:
    """One row of a comparison.

    Attributes
    ----------
    key, side, name, unit : str
    before, after : float or None
        Means of the two groups; None where not measurable.
    difference, low, high : float or None
        After minus before and its 95 % interval.
    detectable : float or None
        Minimal detectable change of this pair, 95 %.
    verdict : {"changed", "looks changed", "no change beyond error", "not comparable"}
    reason : str or None
        Why not comparable.
    p, p_all : float or None
        Chance of such a difference from error alone; the same counted over the whole table (Holm).
    leading : bool
        Among the measures that share half of the 5 % (`technique.comparison_family`).
    error_source : {"own repeats", "published", "judged"} or None
    speed : SpeedShare or None
        What the difference in speed alone would bring.
    as_speed : bool
        The difference is what the difference in speed alone would bring.
    estimate : bool
    """

    key: str
    side: SideOrBoth
    name: str
    unit: str
    before: float | None
    after: float | None
    difference: float | None
    low: float | None
    high: float | None
    detectable: float | None
    verdict: ChangeVerdict
    reason: str | None
    p: float | None
    p_all: float | None
    leading: bool
    error_source: Source | None
    speed: SpeedShare | None
    as_speed: bool
    estimate: bool

    @property
    def sentence(self) -> str:
        """The verdict in plain words, to be printed unchanged."""
        return sentence_of(self)

    @property
    def holds(self) -> bool:
        """It stands when all measures are counted together."""
        return self.verdict == "changed"


@dataclass(frozen=True)
class Comparison:
    """The whole comparison.

    Attributes
    ----------
    before, after : str
        Labels.
    same_day : bool
    speed_before, speed_after : float or None
        m/s.
    changes : tuple of Change
        In the catalogue's order, symmetries last.
    summary : str
        One sentence.
    notes : tuple of str
        What the reader should know, most important first.
    outlook : Outlook or None
        How large a change of the first leading measure must be to be found, by passes; None when not
        comparable.
    """

    before: str
    after: str
    same_day: bool
    speed_before: float | None
    speed_after: float | None
    changes: tuple[Change, ...]
    summary: str
    notes: tuple[str, ...]
    outlook: Outlook | None = None

    @property
    def changed(self) -> tuple[Change, ...]:
        """Rows with the verdict *changed*."""
        return tuple(c for c in self.changes if c.verdict == "changed")

    @property
    def perhaps(self) -> tuple[Change, ...]:
        """Rows with the verdict *looks changed*."""
        return tuple(c for c in self.changes if c.verdict == "looks changed")

    def change(self, key: str, side: SideOrBoth) -> Change | None:
        """The row of that key and side, or None."""
        return next((c for c in self.changes if (c.key, c.side) == (key, side)), None)


def compare(
    before: Take | Sequence[Take],
    after: Take | Sequence[Take],
    repeats: Sequence[Sequence[Take]] = (),
    keys: Sequence[str] | None = None,
    aims: Sequence[str] = (),
) -> Comparison:
    """Compare two takes, or two groups of takes, of one athlete.

    Parameters
    ----------
    before, after : Take or sequence of Take
        Groups are averaged, each take counting alike.
    repeats : sequence of sequence of Take
        Takes of unchanged conditions of this athlete, each inner sequence one condition; the error is
        learned from them. Takes that stand in `before` or `after` may be among them.
    keys : sequence of str, optional
        Measures to compare; default all, symmetries included.
    aims : sequence of str
        Keys that somebody set out to change, named before looking: they are found sooner.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        If a group is empty.
    OptionError
        If an aim is not a measure.
    """
    a = (before,) if isinstance(before, Take) else tuple(before)
    b = (after,) if isinstance(after, Take) else tuple(after)
    if not a or not b:
        raise ValueError("both groups need at least one take")
    for aim in aims:
        if aim.removeprefix(SYMMETRY_PREFIX) not in MEASURES:
            raise OptionError(f"measure '{aim}'", "it is not known", "use a key of the measures")
    days = {t.day for t in (*a, *b)}
    same_day = len(days) == 1 and "" not in days
    speeds = _mean([t.speed_mps for t in a]), _mean([t.speed_mps for t in b])
    pairs = [(x, y) for x in a for y in b]
    whole = next((r for x, y in pairs if (r := whole_reason(x, y))), None)
    by_speed = speed_reason(*speeds)
    asked = [row for row in comparable_keys((*a, *b)) if keys is None or row[0] in keys]
    held = [row for row in asked if all(_has(t, row) for t in (*a, *b))]
    own = own_difference_errors(a, b, held, same_day, all_repeats(a, b, repeats))
    rows, errors = [], {}
    for key, side in asked:
        reason = whole or next((r for x, y in pairs if (r := measure_reason(x, y, key, side))), None)
        if reason is None and key != "speed":
            reason = by_speed
        row, error = _row(a, b, key, side, reason, same_day, speeds, own.get((key, side)))
        rows.append(row)
        if error is not None and row.p is not None:
            errors[key, side] = error
    near = frozenset.intersection(*(t.near_sides for t in (*a, *b)))
    leading = leading_rows(list(errors), near, aims)
    weights = dict(zip(errors, row_weights(list(errors), leading)))
    done = tuple(_counted_together(rows, leading, weights))
    ahead = outlook(errors, weights, near, aims, (*a, *b)) if same_day else None
    return Comparison(
        a[0].label,
        b[0].label,
        same_day,
        *speeds,
        done,
        summary_of(done, whole, by_speed),
        notes_of(done, a, b, same_day, by_speed, speeds, outlook_text(ahead)),
        ahead,
    )


def _has(t: Take, row: Row) -> bool:
    m = t.measure(*row)
    return m is not None and m.value is not None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) / len(known) if known else None


def _group_value(
    group: Sequence[Take], key: str, side: SideOrBoth
) -> tuple[float | None, str | None, Measure | None]:
    """Mean of a group, or why there is none."""
    found = [(t, t.measure(key, side)) for t in group]
    for t, m in found:
        if m is None or m.value is None:
            why = m.why if m is not None and m.why else "it is not among the measures"
            return None, f"not measurable in “{t.label}”: {why}", m
    return _mean([m.value for _, m in found if m is not None]), None, found[0][1]


def _row(
    a: Sequence[Take],
    b: Sequence[Take],
    key: str,
    side: SideOrBoth,
    reason: str | None,
    same_day: bool,
    speeds: tuple[float | None, float | None],
    own: Repeatability | None,
) -> tuple[Change, DifferenceError | None]:
    first, why_first, m = _group_value(a, key, side)
    last, why_last, m_last = _group_value(b, key, side)
    kind = MEASURES[key.removeprefix(SYMMETRY_PREFIX)]
    some = m or m_last
    row = Change(
        key,
        side,
        measure_name(key, side),
        some.unit if some is not None else kind.unit,
        first,
        last,
        None,
        None,
        None,
        None,
        "not comparable",
        reason or why_first or why_last,
        None,
        None,
        False,
        None,
        None,
        False,
        kind.estimate,
    )
    if first is None or last is None:
        return row, None
    error = difference_error(a, b, key, side, same_day, own)
    d, half = last - first, error.half_width()
    share = speed_share(key, first, *speeds)
    comparable = row.reason is None
    verdict: ChangeVerdict = "looks changed" if abs(d) > half else "no change beyond error"
    row = replace(
        row,
        p=error.chance(d) if comparable else None,
        verdict=verdict if comparable else "not comparable",
        difference=d,
        low=d - half,
        high=d + half,
        detectable=half,
        error_source=error.source,
        speed=share,
        as_speed=share is not None
        and abs(d) > half
        and abs(d - share.expected) <= float(np.hypot(half, share.half_width)),
    )
    return row, error


def _counted_together(
    rows: Sequence[Change], leading: set[Row], weights: Mapping[Row, float]
) -> list[Change]:
    judged = [r for r in rows if r.p is not None]
    names = [(r.key, r.side) for r in judged]
    found = counted_together(
        names, [r.p for r in judged if r.p is not None], [weights[name] for name in names]
    )
    p_all = dict(zip(names, found))
    out = []
    for r in rows:
        name = (r.key, r.side)
        if name in p_all:
            stands = r.verdict == "looks changed" and p_all[name] <= ALL_TOGETHER_P
            r = replace(
                r,
                p_all=p_all[name],
                leading=name in leading,
                verdict="changed" if stands else r.verdict,
            )
        out.append(r)
    return out
