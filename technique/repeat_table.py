"""Published and judged values of how far an unchanged runner's measures wander."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any, Final, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field

from shared.catalogue import MEASURES, SYMMETRY_PREFIX

Mark = Literal["seen", "memory", "judgement"]
ROOT_2: Final[float] = 2.0**0.5


class RepeatRow(BaseModel):
    """SEM of some measures within a day and between days; see the file for the words."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    keys: tuple[str, ...]
    within_day: float = Field(gt=0)
    between_day: float = Field(gt=0)
    share: bool = False
    mark: Mark
    within_mark: Mark = "judgement"
    source: str = Field(min_length=3)

    def published(self, same_day: bool) -> bool:
        """True where the figure stood in a text that was read."""
        return (self.within_mark if same_day else self.mark) == "seen"

    def sem(self, value: float, same_day: bool) -> float:
        """In the unit of the measure, at that value."""
        own = self.within_day if same_day else self.between_day
        return own * abs(value) if self.share else own


@cache
def between_day() -> Mapping[str, Any]:
    """The whole data file."""
    text = resources.files("technique").joinpath("data/between_day.yaml").read_text(encoding="utf-8")
    data: Mapping[str, Any] = yaml.safe_load(text)
    return data


@cache
def _rows(table: str) -> Mapping[str, RepeatRow]:
    rows = [RepeatRow(**row) for row in between_day()[table]]
    return {key: row for row in rows for key in row.keys}


def repeat_row(key: str) -> RepeatRow:
    """Row of a measure, or of the measure a symmetry is made of. KeyError if there is none."""
    return _rows("measures")[key.removeprefix(SYMMETRY_PREFIX)]


def curve_row(key: str) -> RepeatRow:
    """Row of a curve. KeyError if there is none."""
    return _rows("curves")[key]


def published_sem(key: str, value: float, same_day: bool, side_mean: float | None = None) -> float:
    """SEM of one take by the table.

    Parameters
    ----------
    key : str
        Of a measure or a symmetry.
    value : float
        Of the measure.
    same_day : bool
    side_mean : float, optional
        For a symmetry in %: mean of both sides of the measure itself.

    Returns
    -------
    float
        For a symmetry, root 2 times that of one side, in degrees or in % of the mean of both sides.
    """
    row = repeat_row(key)
    if not key.startswith(SYMMETRY_PREFIX):
        return row.sem(value, same_day)
    own = key.removeprefix(SYMMETRY_PREFIX)
    if MEASURES[own].unit == "deg":
        return ROOT_2 * row.sem(value, same_day)
    if row.share:
        return ROOT_2 * 100.0 * row.sem(1.0, same_day)
    mean = abs(side_mean) if side_mean else float("nan")
    return ROOT_2 * 100.0 * row.sem(mean, same_day) / mean
