"""What changed between two takes, or groups of takes, by more than the error of measurement.

A difference counts as *changed* when it is larger than what error alone brings in 95 % of pairs (the
minimal detectable change of that very pair, see `technique.comparison_errors`), so of measures that
did not change at most 5 % are called changed. Looking at many measures at once gives many chances to
be wrong once: beside each verdict stands whether it holds when all measures of the comparison are
counted together (Holm 1979), which keeps a false one out of the whole table in 95 % of comparisons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX, MeasureKind
from shared.landmarks import SideOrBoth
from technique.comparison_errors import (
    DifferenceError,
    Source,
    comparable_keys,
    difference_error,
)
from technique.reliability import holm
from technique.speed_relations import SpeedShare, speed_share
from technique.takes import Take, measure_reason, speed_reason, whole_reason

ChangeVerdict = Literal["changed", "no change beyond error", "not comparable"]

ORDER_ADVICE: Final[str] = (
    "To test something you can put on or leave off, run it in the order without, with, without (A-B-A): "
    "what only warming up or tiring brings then shows as a difference between the two runs without."
)
REPEAT_ADVICE: Final[str] = (
    "Film one more take of the unchanged condition in every session: from these the program learns how "
    "far your own numbers wander, and the error gets as small as it really is."
)
MANY: Final[str] = (
    "Of measures that did not change, up to 1 in 20 is called changed by chance. “Holds among all” marks "
    "changes that stand when every measure of this table is counted together."
)


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
    verdict : {"changed", "no change beyond error", "not comparable"}
    reason : str or None
        Why not comparable.
    p, p_all : float or None
        Chance of such a difference from error alone; the same counted over the whole table (Holm).
    holds : bool
        `changed`, and p_all at most 0.05.
    error_source : {"own repeats", "published", "judged"} or None
    speed : SpeedShare or None
        What the difference in speed alone would bring.
    as_speed : bool
        The difference is what the difference in speed alone would bring.
    estimate : bool
    sentence : str
        The verdict in plain words, to be printed unchanged.
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
    holds: bool
    error_source: Source | None
    speed: SpeedShare | None
    as_speed: bool
    estimate: bool
    sentence: str


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
    """

    before: str
    after: str
    same_day: bool
    speed_before: float | None
    speed_after: float | None
    changes: tuple[Change, ...]
    summary: str
    notes: tuple[str, ...]

    @property
    def changed(self) -> tuple[Change, ...]:
        """Rows with the verdict *changed*."""
        return tuple(c for c in self.changes if c.verdict == "changed")

    def change(self, key: str, side: SideOrBoth) -> Change | None:
        """The row of that key and side, or None."""
        return next((c for c in self.changes if (c.key, c.side) == (key, side)), None)


def compare(
    before: Take | Sequence[Take],
    after: Take | Sequence[Take],
    repeats: Sequence[Sequence[Take]] = (),
    keys: Sequence[str] | None = None,
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

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        If a group is empty.
    """
    a = (before,) if isinstance(before, Take) else tuple(before)
    b = (after,) if isinstance(after, Take) else tuple(after)
    if not a or not b:
        raise ValueError("both groups need at least one take")
    days = {t.day for t in (*a, *b)}
    same_day = len(days) == 1 and "" not in days
    speeds = _mean([t.speed_mps for t in a]), _mean([t.speed_mps for t in b])
    pairs = [(x, y) for x in a for y in b]
    whole = next((r for x, y in pairs if (r := whole_reason(x, y))), None)
    by_speed = speed_reason(*speeds)
    rows = []
    for key, side in comparable_keys((*a, *b)):
        if keys is not None and key not in keys:
            continue
        reason = whole or next((r for x, y in pairs if (r := measure_reason(x, y, key, side))), None)
        if reason is None and key != "speed":
            reason = by_speed
        rows.append(_row(a, b, key, side, reason, same_day, speeds, repeats))
    done = tuple(_worded(r, a[0].label, b[0].label) for r in _counted_together(rows))
    return Comparison(
        a[0].label,
        b[0].label,
        same_day,
        *speeds,
        done,
        _summary(done, whole, by_speed),
        _notes(done, a, b, same_day, by_speed, speeds),
    )


def measure_name(key: str, side: SideOrBoth) -> str:
    """The trade's name with the side, for tables and sentences."""
    own = key.removeprefix(SYMMETRY_PREFIX)
    name = MEASURES[own].name
    if own != key:
        return f"left − right of {name}"
    return name if side == "both" else f"{name}, {side}"


def shown_value(value: float, unit: str, decimals: int, sign: bool = False) -> str:
    """A number with its unit as words and tables print it."""
    text = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", "−") + ("°" if unit == "deg" else f" {unit}")


def measure_decimals(key: str) -> int:
    """Digits worth showing in a difference: one more than in the value of an angle."""
    own = key.removeprefix(SYMMETRY_PREFIX)
    kind: MeasureKind = MEASURES[own]
    return 1 if own != key else max(kind.decimals, 1)


def _mean(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None


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
    repeats: Sequence[Sequence[Take]],
) -> Change:
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
        "",
    )
    if first is None or last is None:
        return row
    error: DifferenceError = difference_error(a, b, key, side, same_day, repeats)
    d, half = last - first, error.half_width
    share = speed_share(key, first, *speeds)
    row = replace(
        row,
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
    if row.reason is not None:
        return row
    p = error.chance(d)
    return replace(row, p=p, verdict="changed" if abs(d) > half else "no change beyond error")


def _counted_together(rows: Sequence[Change]) -> list[Change]:
    judged = [r for r in rows if r.p is not None]
    adjusted = iter(holm([r.p for r in judged if r.p is not None]))
    out = []
    for r in rows:
        if r.p is None:
            out.append(r)
        else:
            p_all = next(adjusted)
            out.append(replace(r, p_all=p_all, holds=r.verdict == "changed" and p_all <= 0.05))
    return out


def _worded(r: Change, before: str, after: str) -> Change:
    digits = measure_decimals(r.key)
    if r.verdict == "not comparable":
        text = f"{r.name}: not comparable, since {r.reason}."
        return replace(r, sentence=text)
    assert r.difference is not None and r.detectable is not None
    assert r.before is not None and r.after is not None
    values = f"{shown_value(r.before, r.unit, digits)} to {shown_value(r.after, r.unit, digits)}"
    least = shown_value(r.detectable, r.unit, digits)
    change = shown_value(r.difference, r.unit, digits, sign=True)
    if r.verdict == "no change beyond error":
        text = f"{r.name}: no change beyond error ({values}; {change} is within the {least} that error alone can bring)."
        return replace(r, sentence=text)
    text = f"{r.name}: changed, {values} ({change}, more than the {least} that error alone can bring)."
    if r.as_speed and r.speed is not None:
        brings = shown_value(r.speed.expected, r.unit, digits, sign=True)
        text += f" The difference in speed alone would bring about {brings}."
    if not r.holds:
        text += " With so many measures looked at, one like this can turn up by chance: film it again."
    return replace(r, sentence=text)


def _summary(rows: Sequence[Change], whole: str | None, by_speed: str | None) -> str:
    if whole or by_speed:
        return f"The two can't be compared: {whole or by_speed}."
    judged = [r for r in rows if r.verdict != "not comparable"]
    if not judged:
        return "Nothing could be compared; each row says why."
    changed = [r for r in judged if r.verdict == "changed"]
    if not changed:
        return f"None of the {len(judged)} measures changed by more than the error of measurement."
    firm = sum(r.holds for r in changed)
    return (
        f"{len(changed)} of {len(judged)} measures changed by more than the error of measurement; "
        f"{firm} of these hold{'s' if firm == 1 else ''} among all."
    )


def _notes(
    rows: Sequence[Change],
    a: Sequence[Take],
    b: Sequence[Take],
    same_day: bool,
    by_speed: str | None,
    speeds: tuple[float | None, float | None],
) -> tuple[str, ...]:
    notes = []
    if by_speed:
        notes.append("Almost every measure changes with speed. Run both at the same speed, within 2 to 3 %.")
    elif speeds[0] is None or speeds[1] is None:
        notes.append(
            "The speed of at least one is not known, so a change may be the speed's doing: give the stature, "
            "a marked distance, or the speed."
        )
    own = sum(r.error_source == "own repeats" for r in rows)
    judged = sum(r.error_source in ("published", "judged") for r in rows)
    if judged:
        what = "within one day" if same_day else "from day to day"
        notes.append(
            f"For {judged} of {own + judged} measures the error {what} is not the athlete's own: published values "
            "stand in, or a judgement where none was found (each row says which). It is likely too large for some "
            "and too small for others."
        )
        notes.append(REPEAT_ADVICE)
    if own:
        notes.append(f"For {own} measures the error was learned from the athlete's own repeated takes.")
    if any(t.yaw_deg is None for t in (*a, *b)):
        notes.append("How far the camera stood off a true side view is not known for every clip.")
    if same_day and len(a) == len(b) == 1:
        notes.append(ORDER_ADVICE)
    notes.append(MANY)
    return tuple(notes)
