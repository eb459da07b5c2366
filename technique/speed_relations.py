"""What a change of speed alone does to a measure.

Nothing is adjusted by it. It only says when a difference is what the difference in speed would bring.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field

from technique.reliability import Z95


class SpeedRelation(BaseModel):
    """One row of the table; see the data file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    key: str
    form: Literal["power", "line"]
    slope: float
    sd: float = Field(ge=0)
    source: str = Field(min_length=3)


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    lowest_mps: float
    highest_mps: float
    relations: tuple[SpeedRelation, ...]


@dataclass(frozen=True)
class SpeedShare:
    """What a change of speed alone would bring to a measure.

    Attributes
    ----------
    expected, half_width : float
        Unit of the measure; 95 % of runners lie within.
    source : str
    """

    expected: float
    half_width: float
    source: str


@cache
def _table() -> _Table:
    text = resources.files("technique").joinpath("data/speed_relations.yaml").read_text(encoding="utf-8")
    return _Table(**yaml.safe_load(text))


def speed_relations() -> Mapping[str, SpeedRelation]:
    """Every relation by the key of its measure."""
    return {r.key: r for r in _table().relations}


def speed_share(
    key: str, value: float, before_mps: float | None, after_mps: float | None
) -> SpeedShare | None:
    """What going from one speed to another alone would change.

    Parameters
    ----------
    key : str
    value : float
        The measure at the first speed.
    before_mps, after_mps : float or None

    Returns
    -------
    SpeedShare or None
        None without both speeds, without a relation, or outside the speeds it was found at.
    """
    table = _table()
    row = speed_relations().get(key)
    if row is None or before_mps is None or after_mps is None:
        return None
    if not all(table.lowest_mps <= v <= table.highest_mps for v in (before_mps, after_mps)):
        return None
    if row.form == "line":
        step = after_mps - before_mps
        return SpeedShare(row.slope * step, Z95 * row.sd * abs(step), row.source)
    ratio = after_mps / before_mps
    ends = [value * (ratio ** (row.slope + sign * Z95 * row.sd) - 1.0) for sign in (-1.0, 1.0)]
    return SpeedShare(value * (ratio**row.slope - 1.0), abs(ends[1] - ends[0]) / 2.0, row.source)
