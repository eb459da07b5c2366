"""Left minus right of every two-sided measure, with the error of both sides.

References
----------
Robinson RO, Herzog W, Nigg BM (1987) Use of force platform variables to quantify the effects of
    chiropractic manipulation on gait symmetry. J Manipulative Physiol Ther 10:172-176 (the index).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from technique.error_model import combined

NOT_COMPARED: Final[frozenset[str]] = frozenset(("strike_pattern",))
SHARED_PARTS: Final[frozenset[str]] = frozenset(("scale", "camera roll", "mass", "leg length", "speed"))
"""Errors that both sides of one clip have alike, so that a difference is free of them."""


def symmetry_index(left: float, right: float) -> float:
    """(left - right) / mean of both, in %."""
    return 100.0 * (left - right) / ((left + right) / 2.0)


def difference_key(key: str) -> bool:
    """True where a symmetry is a plain difference, False where it is a share of the mean."""
    return MEASURES[key].unit == "deg"


def symmetries(measures: Sequence[Measure]) -> list[Measure]:
    """A `symmetry_<key>` measure of side "both" for every measure that has two sides.

    Degrees for angles, else % of the mean of both sides (a percentage of an angle near zero
    explodes). The far side is seen less well than the near side; the interval carries the errors
    of both, and a difference counts only when its interval leaves out zero (`stands_out`).

    Parameters
    ----------
    measures : sequence of Measure
        Clip values.

    Returns
    -------
    list of Measure
        In the order of the left sides.
    """
    right = {m.key: m for m in measures if m.side == "right"}
    return [_symmetry(m, right[m.key]) for m in measures if m.side == "left" and m.key not in NOT_COMPARED]


def stands_out(measure: Measure) -> bool:
    """True when a symmetry measure's interval leaves out zero."""
    return measure.low is not None and measure.high is not None and not measure.low <= 0.0 <= measure.high


def _symmetry(left: Measure, right: Measure) -> Measure:
    key = SYMMETRY_PREFIX + left.key
    plain = difference_key(left.key)
    unit = "deg" if plain else "%"
    lacking = [m for m in (left, right) if m.value is None]
    if lacking:
        sides = " and ".join(m.side for m in lacking)
        return _none(key, unit, left.estimate, f"the {sides} side is not measurable: {lacking[0].why}")
    assert left.value is not None and right.value is not None
    mean = (left.value + right.value) / 2.0
    halves = [_own_half_width(m) for m in (left, right)]
    if not plain and abs(mean) <= max(halves):
        return _none(
            key, unit, left.estimate, "the values are too near zero for a percentage to mean anything"
        )
    factor = 1.0 if plain else 100.0 / abs(mean)
    # The index moves by the other side's value over the mean when one side moves.
    weights = (1.0, 1.0) if plain else (abs(right.value / mean) * factor, abs(left.value / mean) * factor)
    value = left.value - right.value if plain else symmetry_index(left.value, right.value)
    parts = {"left": weights[0] * halves[0], "right": weights[1] * halves[1]}
    half = float((parts["left"] ** 2 + parts["right"] ** 2) ** 0.5)
    return Measure(
        key,
        "both",
        value,
        unit,
        value - half,
        value + half,
        min(left.n, right.n),
        "measured",
        None,
        left.frame,
        parts,
        None,
        left.estimate,
    )


def _own_half_width(m: Measure) -> float:
    """Half of the interval, without the errors that both sides share."""
    if not m.error_parts:
        return 0.0 if m.low is None or m.high is None else (m.high - m.low) / 2.0
    return combined({k: v for k, v in m.error_parts.items() if k not in SHARED_PARTS})


def _none(key: str, unit: str, estimate: bool, why: str) -> Measure:
    return Measure(key, "both", None, unit, None, None, 0, "not_measurable", why, estimate=estimate)
