"""Left against right in one take: the difference, its error, and whether it is more than that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from technique.comparison import measure_decimals, shown_value
from technique.symmetry import stands_out
from technique.takes import Take, speed_reason

SideVerdict = Literal["differs", "no difference beyond error", "not comparable"]

ORDINARY: Final[str] = (
    "Up to 3° left to right in joint angles is ordinary (Stiffler-Joachim et al. 2021, 204 athletes); times and "
    "lengths of young athletes differ by 1 to 5.7 % (Sports 2024, 12:117)."
)


@dataclass(frozen=True)
class SidePair:
    """One measure on both sides.

    Attributes
    ----------
    key, name, unit : str
        `unit` of both values.
    left, right : float or None
    left_half, right_half : float or None
        95 % half-widths.
    difference, low, high : float or None
        Left minus right with its 95 % interval, in `difference_unit`.
    difference_unit : str
        deg for angles, else % of the mean of both sides.
    verdict : {"differs", "no difference beyond error", "not comparable"}
    reason : str or None
    sentence : str
        To be printed unchanged.
    """

    key: str
    name: str
    unit: str
    left: float | None
    right: float | None
    left_half: float | None
    right_half: float | None
    difference: float | None
    low: float | None
    high: float | None
    difference_unit: str
    verdict: SideVerdict
    reason: str | None
    sentence: str


def compare_sides(t: Take, keys: Sequence[str] | None = None) -> tuple[SidePair, ...]:
    """Left against right for every measure that has two sides.

    Parameters
    ----------
    t : Take
        Filmed from both sides; else no row is comparable, since the far leg is seen less well.
    keys : sequence of str, optional
        Default: all two-sided measures of the take.
    """
    reason = sides_reason(t)
    found = [m for m in t.measures if m.key.startswith(SYMMETRY_PREFIX)]
    return tuple(
        _pair(t, m, reason)
        for m in found
        if keys is None or m.key.removeprefix(SYMMETRY_PREFIX) in keys or m.key in keys
    )


def sides_reason(t: Take) -> str | None:
    """Why left and right of a take may not be compared, or None."""
    if len(t.near_sides) < 2:
        seen = next(iter(t.near_sides))
        other = "right" if seen == "left" else "left"
        return f"only the {seen} side was filmed and the {other} leg is partly hidden; film a pass from the {other} too"
    speeds = dict(t.side_speeds)
    return speed_reason(speeds.get("left"), speeds.get("right"))


def _half(m: Measure | None) -> float | None:
    return None if m is None or m.low is None or m.high is None else (m.high - m.low) / 2.0


def _pair(t: Take, m: Measure, reason: str | None) -> SidePair:
    key = m.key.removeprefix(SYMMETRY_PREFIX)
    kind = MEASURES[key]
    left, right = t.measure(key, "left"), t.measure(key, "right")
    why = reason or (m.why or "not measurable" if m.value is None else None)
    verdict: SideVerdict = (
        "not comparable" if why else "differs" if stands_out(m) else "no difference beyond error"
    )
    return SidePair(
        key,
        kind.name,
        kind.unit,
        None if left is None else left.value,
        None if right is None else right.value,
        _half(left),
        _half(right),
        m.value,
        m.low,
        m.high,
        m.unit,
        verdict,
        why,
        _sentence(m, kind.name, verdict, why, left, right),
    )


def _sentence(
    m: Measure, name: str, verdict: SideVerdict, why: str | None, left: Measure | None, right: Measure | None
) -> str:
    if verdict == "not comparable":
        return f"{name}: left and right not comparable, since {why}."
    assert m.value is not None and m.low is not None and m.high is not None
    assert left is not None and right is not None and left.value is not None and right.value is not None
    digits = measure_decimals(left.key)
    values = f"left {shown_value(left.value, left.unit, digits)}, right {shown_value(right.value, right.unit, digits)}"
    d, half = shown_value(m.value, m.unit, 1, sign=True), shown_value((m.high - m.low) / 2.0, m.unit, 1)
    if verdict == "differs":
        return f"{name}: {values}; left − right {d}, more than its error of ± {half}."
    return (
        f"{name}: {values}; left − right {d} lies within its error of ± {half}, so no difference can be told."
    )
