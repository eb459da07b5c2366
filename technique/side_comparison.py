"""Left against right in one take: the difference, its error, and whether it is more than that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.units import Units
from technique.rulers import Ruler, beyond_nought, ruler, telling_apart, turned
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
        Why not comparable.
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

    @property
    def sentence(self) -> str:
        """The verdict in plain words, to be printed unchanged."""
        return side_sentence(self)


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
    )


def side_ruler(s: SidePair) -> Ruler:
    """How left minus right is written, with digits enough to bear out the verdict; degrees or %."""
    made = ruler(SYMMETRY_PREFIX + s.key, s.difference_unit)
    if s.verdict != "differs" or s.difference is None or s.low is None or s.high is None:
        return made
    return telling_apart(made, (abs(s.difference), (s.high - s.low) / 2.0), beyond_nought(s.low, s.high))


def side_sentence(s: SidePair, units: Units = "metric") -> str:
    """The sentence of a row; `units` are those of both sides' values."""
    if s.verdict == "not comparable":
        return f"{s.name}: left and right not comparable, since {turned(s.reason or '', units)}."
    assert s.difference is not None and s.low is not None and s.high is not None
    assert s.left is not None and s.right is not None
    of = ruler(s.key, s.unit, units)
    values = f"left {of.value(s.left)}, right {of.value(s.right)}"
    shown = side_ruler(s)
    d, half = shown.change(s.difference, sign=True), shown.change((s.high - s.low) / 2.0)
    if s.verdict == "differs":
        return f"{s.name}: {values}; left − right {d}, more than its error of ± {half}."
    return f"{s.name}: {values}; left − right {d} lies within its error of ± {half}, so no difference can be told."
