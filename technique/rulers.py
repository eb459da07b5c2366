"""How the numbers of a measure are written where takes, weeks or sides are held against each other.

Everything is measured, kept and judged in metric units; a `Ruler` only writes. A change of a length is
written in inches in the other system, also where the length itself is told in feet and inches.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import Final

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.units import (
    IN_FEET,
    INCHES,
    MPH,
    OtherUnit,
    Units,
    feet_and_inches,
    in_other_units,
    other_unit,
    written,
)

INCH_STEPS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0)
MOST_DECIMALS: Final = 8
"""What differs only beyond this digit is written as equal."""


@dataclass(frozen=True)
class Ruler:
    """Unit and digits of one measure's numbers.

    Attributes
    ----------
    unit : str
        Sign after a number: ``m``, ``in``, ``deg`` (written °) ...
    factor : float
        Written units in one unit that is kept.
    decimals : int
    words : str
        The unit in words, for an axis.
    long : bool
        A value of zero or more, as against a change of it, is told in feet and inches.
    """

    unit: str
    factor: float
    decimals: int
    words: str
    long: bool = False

    def number(self, value: float, sign: bool = False) -> str:
        """A change, an error or an end of an interval, without its unit."""
        return written(value * self.factor, self.decimals, sign)

    @property
    def sign(self) -> str:
        """The unit as it stands after a number, a class without any."""
        if self.unit == "deg":
            return "°"
        return "" if self.unit == "class" else f" {self.unit.replace('deg/s', '°/s')}"

    def change(self, value: float, sign: bool = False) -> str:
        """The same with its unit."""
        return self.number(value, sign) + self.sign

    def value(self, value: float) -> str:
        """A value of the measure with its unit."""
        if not self.long or value < 0:
            return self.change(value)
        feet, inches = feet_and_inches(value, self.decimals)
        return f"{feet} ft {inches:.{self.decimals}f} in"

    def between(self, low: float, high: float) -> str:
        """Two ends of an interval of the measure's value; the unit is said only where it is not plain."""
        if self.long and low >= 0:
            return f"{self.value(low)} to {self.value(high)}"
        return f"{self.number(low)} to {self.number(high)}"

    def finer(self, digits: int = 1) -> Ruler:
        """With so many digits more."""
        return replace(self, decimals=self.decimals + digits)


def shown_value(value: float, unit: str, decimals: int, sign: bool = False) -> str:
    """A number with its unit as words and tables print it."""
    return Ruler(unit, 1.0, decimals, unit).change(value, sign)


def measure_decimals(key: str) -> int:
    """Digits worth showing in a difference: one more than in the value of an angle."""
    own = key.removeprefix(SYMMETRY_PREFIX)
    return 1 if own != key else max(MEASURES[own].decimals, 1)


def ruler(key: str, unit: str, units: Units = "metric", decimals: int | None = None) -> Ruler:
    """How the numbers of a measure are written.

    Parameters
    ----------
    key : str
        A measure, or ``symmetry_`` and a measure.
    unit : str
        The unit its numbers are kept in.
    units : {"metric", "imperial"}
    decimals : int, optional
        Digits of the metric number, default `measure_decimals`; a number in the other system is never
        coarser.
    """
    digits = measure_decimals(key) if decimals is None else decimals
    other = other_unit(key) if units == "imperial" else None
    if other is None:
        return Ruler(unit, 1.0, digits, "degrees" if unit == "deg" else unit)
    return _in_other(other if other == MPH else INCHES, digits, key in IN_FEET)


def speed_ruler(units: Units = "metric", decimals: int = 2) -> Ruler:
    """How speeds are written that are no measure of a clip."""
    return _in_other(MPH, decimals) if units == "imperial" else Ruler("m/s", 1.0, decimals, "m/s")


def _in_other(other: OtherUnit, digits: int, long: bool = False) -> Ruler:
    finest = math.ceil(digits - math.log10(other.factor))
    words = "feet and inches" if long else other.words
    return Ruler(other.unit, other.factor, max(finest, 0), words, long)


def foot_marks(low: float, high: float) -> tuple[list[float], list[str]]:
    """Where an axis of inches is marked, at most nine times, and what stands there in feet and inches."""
    step = next((s for s in INCH_STEPS if (high - low) / s <= 8), 12.0 * math.ceil((high - low) / 96))
    at = [round(step * i, 1) for i in range(math.ceil(low / step), math.floor(high / step) + 1)]
    return at, [f"{math.floor(v / 12)} ft {v % 12:g} in" if v >= 0 else f"{v:g} in" for v in at]


def turned(text: str, units: Units) -> str:
    """A sentence of the program with its lengths and speeds in `units`; what stands in “quotes” is a name."""
    if units == "metric":
        return text
    parts = re.split("(“[^”]*”)", text)
    return "".join(part if part.startswith("“") else in_other_units(part) for part in parts)


def telling_apart(made: Ruler, *pairs: tuple[float, float]) -> Ruler:
    """The ruler with as many digits more as it takes that no two of a pair are written alike.

    Rounding keeps the order of two numbers but can make them equal; a verdict that says *more than* must
    not stand beside two equal numbers. Pairs of equal numbers are left alone.
    """
    out = made
    while out.decimals < MOST_DECIMALS and any(a != b and out.number(a) == out.number(b) for a, b in pairs):
        out = out.finer()
    return out


def beyond_nought(low: float, high: float) -> tuple[float, float]:
    """The end of an interval that is nearer to nought, and nought: a pair for `telling_apart`."""
    return (low if abs(low) < abs(high) else high), 0.0
