"""Feet, inches and miles per hour beside the metric units that everything is measured and kept in.

Values are stored in metric units only; this is the one place where they are turned into others, to
be shown. Degrees, seconds, shares, steps per minute and the units of the force estimates stay.

References
----------
International yard and pound agreement of 1959: 1 yard = 0.9144 m exactly, so 1 in = 0.0254 m,
1 ft = 0.3048 m, 1 mile = 1609.344 m; 1 lb = 0.45359237 kg exactly.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from shared.catalogue import MEASURES

Units = Literal["metric", "imperial"]
M_PER_INCH: Final = 0.0254
M_PER_FOOT: Final = 0.3048
MPS_PER_MPH: Final = 1609.344 / 3600
KG_PER_POUND: Final = 0.45359237
INCHES_PER_FOOT: Final = 12


@dataclass(frozen=True)
class OtherUnit:
    """How a metric value is shown in the other system.

    Attributes
    ----------
    unit, words : str
        Sign after a number, and the unit in words.
    factor : float
        Other units in one metric unit.
    decimals : int
        Digits after the point worth showing.
    """

    unit: str
    words: str
    factor: float
    decimals: int


INCHES: Final = OtherUnit("in", "inches", 1 / M_PER_INCH, 1)
FEET: Final = OtherUnit("ft", "feet", 1 / M_PER_FOOT, 1)
MPH: Final = OtherUnit("mph", "miles per hour", 1 / MPS_PER_MPH, 1)
POUNDS: Final = OtherUnit("lb", "pounds", 1 / KG_PER_POUND, 1)
IN_FEET: Final = frozenset({"step_length"})
"""Measures in metres that are long enough for feet."""


def other_unit(key: str) -> OtherUnit | None:
    """The other unit of a measure; None where it is the same in both systems.

    Parameters
    ----------
    key : str
        Measure of the catalogue; anything else (``symmetry_`` and kin) has no other unit.
    """
    kind = MEASURES.get(key)
    if kind is None or kind.unit not in ("m", "m/s"):
        return None
    return MPH if kind.unit == "m/s" else FEET if key in IN_FEET else INCHES


def with_minus(text: str) -> str:
    """A written number with a true minus sign; a zero has no sign at all, neither ``-0`` nor ``+0``."""
    return (text.lstrip("+-") if float(text) == 0 else text).replace("-", "\N{MINUS SIGN}")


def written(value: float, decimals: int, sign: bool = False) -> str:
    """A number with so many digits after the point, as every page, picture and table writes it.

    Parameters
    ----------
    value : float
    decimals : int
    sign : bool
        A plus before what is above zero.
    """
    return with_minus(f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}")


def number_in(text: str) -> float:
    """The number that `with_minus` wrote; ValueError for anything else."""
    return float(text.replace("\N{MINUS SIGN}", "-"))


def other_number(value: float, other: OtherUnit) -> str:
    """A metric value, written in the other unit without its sign of unit."""
    return written(value * other.factor, other.decimals)


def feet_and_inches(metres: float, decimals: int = 1) -> tuple[int, float]:
    """A length of zero or more as whole feet and inches, the inches to so many decimals.

    Rounded once, on the inches as a whole: 11.99 in is no "0 ft 12.0 in".
    ``feet_and_inches(in_metres(f, i))`` is ``(f, i)`` for every i with one decimal below 12.
    """
    parts = 10**decimals
    feet, rest = divmod(round(parts * metres / M_PER_INCH), parts * INCHES_PER_FOOT)
    return feet, rest / parts


def in_metres(feet: float, inches: float) -> float:
    """The length of so many feet and inches, m."""
    return (INCHES_PER_FOOT * feet + inches) * M_PER_INCH


def celsius(fahrenheit: float) -> float:
    """A temperature in degrees Celsius; 32 °F are 0 °C and 212 °F are 100 °C."""
    return (fahrenheit - 32.0) / 1.8


def height_text(metres: float, imperial: bool = False) -> str:
    """A body height: ``1.75 m``, or ``5 ft 8.9 in``."""
    if not imperial:
        return f"{metres:.4g} m"
    feet, inches = feet_and_inches(metres)
    return f"{feet} ft {inches:g} in"


def mass_text(kilograms: float, imperial: bool = False) -> str:
    """A body mass: ``70 kg``, or ``154.3 lb``."""
    return f"{kilograms * POUNDS.factor:.4g} lb" if imperial else f"{kilograms:.4g} kg"


_NUMBER: Final = r"(?<![\w.])[\N{MINUS SIGN}-]?\d+(?:\.\d+)?"
_QUANTITY: Final = re.compile(
    rf"({_NUMBER}(?:(?:, | and | to | or | ± ){_NUMBER})*) (m/s|metres|m|cm)(?![\w/^²])"
)
_BY_SIGN: Final[dict[str, OtherUnit]] = {
    "m/s": MPH,
    "metres": OtherUnit("feet", "feet", 1 / M_PER_FOOT, 1),
    "m": FEET,
    "cm": OtherUnit("in", "inches", 0.01 / M_PER_INCH, 1),
}


def in_other_units(text: str) -> str:
    """A sentence with its lengths and speeds in the other units.

    A quantity is one number, or several joined by commas, *and*, *to*, *or* and ±, before its unit. Whole
    numbers up to 10 or more stay whole: "the first 20 m" are 66 ft, not 65.6.
    """

    def turned(found: re.Match[str]) -> str:
        other = _BY_SIGN[found[2]]
        rough = "." not in found[1] and any(abs(number_in(n)) >= 10 for n in re.findall(_NUMBER, found[1]))
        digits = 0 if rough else other.decimals
        numbers = re.sub(_NUMBER, lambda n: written(number_in(n[0]) * other.factor, digits), found[1])
        return f"{numbers} {other.unit}"

    return _QUANTITY.sub(turned, text)
