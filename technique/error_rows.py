"""The table that the error of a number is read from: its rows, reading and writing it.

`python -m benchmarks.accuracy` writes it from cases with known truth (benchmarks/accuracy/fitting.py).
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

Distance = Literal["near", "far"]
View = Literal["any", "good", "poor"]

Z95: Final[float] = 1.959963984540054
GOOD_YAW_DEG: Final[float] = 12.0
GOOD_LEG_PX: Final[float] = 85.0
"""A good view: a judgement, set before any error was looked at (85 px of leg: 175 of stature)."""
TRANSFER_SD: Final[float] = 0.5
"""Share of a correction, 1 SD, by which the bias on a real runner may differ from the drawn runners' one
(a judgement: 95 % from no bias to twice it). In one real jog the trunk came out 3-8 % too long and a flat
foot 3-8 deg toes-down, where drawn runners gave 9 % and 4-15 deg (docs/joints.md)."""


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ErrorRow(_Row):
    """Error of one measure as found against known truth.

    Attributes
    ----------
    key, unit : str
        As in `shared.catalogue`.
    distance : {"near", "far"}
        Side of the body against the camera; measures of the whole body stand under "near".
    bias : float
        Mean of measured minus true over clips.
    sd : float
        SD over clips of the same, beyond what the other parts explain.
    n : int
        Clips behind it; 0: taken from literature or judged.
    source : str
    view : {"any", "good", "poor"}
        Kind of view the row holds for; see `view_class`.
    relative : bool
        Bias, SD and correction are shares of the value, not in its unit.
    share : float
        Share of `technique.error_model.TESTED_PARTS` that the truth supports; below 1 where they
        proved too wide.
    correction : float
        Taken out of the value where the points come from one of the table's pose models: the mean
        error over all views, drawn towards zero by what it is uncertain by; 0 where it is not clear.
    """

    key: str
    unit: str
    distance: Distance
    view: View = "any"
    bias: float
    sd: float = Field(ge=0)
    n: int = Field(ge=0)
    source: str = Field(min_length=3)
    relative: bool = False
    share: float = Field(default=1.0, gt=0, le=1)
    correction: float = 0.0

    def corrected(self, value: float) -> float:
        """The value without the pose model's mean error."""
        return value - self.correction * (abs(value) if self.relative else 1.0)

    def half_widths(self, value: float, corrected: bool = False) -> dict[str, float]:
        """95 % half-widths of the pose model's error by part, in the unit of the value.

        Parameters
        ----------
        value : float
        corrected : bool
            The correction was taken out: then the part "model bias" is what it may be wrong by on
            this runner, from no bias at all to twice the one found. Else the whole of it counts,
            under a name of its own, since it is added linearly.
        """
        size = abs(value) if self.relative else 1.0
        spread = Z95 * self.sd * size
        if corrected:
            return {"model": spread, "model bias": Z95 * TRANSFER_SD * abs(self.correction) * size}
        return {"model": spread, "bias not taken out": abs(self.correction) * size}


class EventRow(_Row):
    """Error of one kind of event beyond its own interval, as found against known truth.

    Attributes
    ----------
    kind, distance : str
        `distance` of the foot from the camera.
    bias, sd : float
        s. Mean error (it counts within the spread), and what all events of a foot in a clip are off
        by beyond the share below, 1 SD.
    n : int
        Events behind it.
    share : float
        Of what the event itself says that all strides have in common, so much the truth supports.
    own_sd : float
        s; single events about the mean of their clip, where the event itself says less.
    feet_alike : float
        Correlation between the two feet of what the strides have in common.
    """

    kind: Literal["touchdown", "toe_off"]
    distance: Distance
    bias: float
    sd: float = Field(ge=0)
    n: int = Field(ge=0)
    source: str = Field(min_length=3)
    share: float = Field(default=1.0, gt=0, le=1)
    own_sd: float = Field(default=0.0, ge=0)
    feet_alike: float = Field(default=0.0, ge=0, lt=1)

    def half_widths(self, common: float, own: float) -> tuple[float, float]:
        """95 % half-widths, s, of what all strides share and of the whole event, as this row has them.

        Parameters
        ----------
        common, own : float
            What the event itself says of both, 95 %.
        """
        shared = float(((self.share * common) ** 2 + (Z95 * self.sd) ** 2) ** 0.5)
        return shared, float((shared**2 + max(own, Z95 * self.own_sd) ** 2) ** 0.5)


class TypicalRow(_Row):
    """Typical SD of single strides within a clip."""

    key: str
    unit: str
    sd: float = Field(gt=0)
    source: str = Field(min_length=3)


class PlaneRow(_Row):
    """95 % half-width from limbs that leave the plane of travel."""

    key: str
    unit: str
    half_width: float = Field(ge=0)
    source: str = Field(min_length=3)


class ErrorTable(_Row):
    """All tables of the error model.

    `pose_models` names those on whose points the corrections were found; points from elsewhere
    (markers, exact truth) are not corrected. `arm_out_deg`: see `technique.angles.elbow_angle`.
    """

    schema_: Literal["laneside/error-table/1"] = Field("laneside/error-table/1", alias="schema")
    made: str
    model_error: tuple[ErrorRow, ...]
    typical_sd: tuple[TypicalRow, ...]
    out_of_plane: tuple[PlaneRow, ...]
    event_error: tuple[EventRow, ...] = ()
    pose_models: tuple[str, ...] = ()
    arm_out_deg: float = Field(default=0.0, ge=0, lt=45)

    def corrects(self, pose_model: str) -> bool:
        """True where the corrections were found on points of this pose model."""
        return pose_model in self.pose_models

    def error(self, key: str, distance: Distance, view: View = "any") -> ErrorRow:
        """Row of a measure. KeyError if there is none.

        Where there is no row for the view, the one for any view stands in (or the poor view's, for
        a view that is not known); where there is no far row, the near row.
        """
        rows = {(r.key, r.distance, r.view): r for r in self.model_error}
        places: tuple[Distance, ...] = (distance, "near")
        kinds: tuple[View, ...] = ("any", "poor") if view == "any" else (view, "any")
        for place in places:
            for kind in kinds:
                if (key, place, kind) in rows:
                    return rows[key, place, kind]
        raise KeyError((key, distance, view))

    def typical(self, key: str) -> float:
        """Typical within-clip SD of single strides. KeyError if there is none."""
        return {r.key: r.sd for r in self.typical_sd}[key]

    def plane(self, key: str) -> float:
        """Half-width from limbs out of the plane; 0 where the table has no row."""
        return {r.key: r.half_width for r in self.out_of_plane}.get(key, 0.0)


def view_class(yaw_deg: float, leg_px: float) -> View:
    """ "good" for a runner large enough in the picture and seen from the side, else "poor".

    Parameters
    ----------
    yaw_deg : float
        Camera off a true side view; NaN when unknown, which counts as poor.
    leg_px : float
        Hip to ankle of the straight leg.
    """
    good = np.isfinite(yaw_deg) and yaw_deg <= GOOD_YAW_DEG and leg_px >= GOOD_LEG_PX
    return "good" if good else "poor"


def load_error_table(path: Path) -> ErrorTable:
    """An error table from a JSON file. Raises pydantic.ValidationError when it is not one."""
    return ErrorTable.model_validate_json(path.read_text(encoding="utf-8"))


@cache
def error_table() -> ErrorTable:
    """The table that comes with the program."""
    text = resources.files("technique").joinpath("data/error_table.json").read_text(encoding="utf-8")
    return ErrorTable.model_validate_json(text)


def write_error_table(table: ErrorTable, path: Path) -> None:
    """Write a table as JSON, one row per line, so that changes can be read."""
    data = table.model_dump(by_alias=True)
    lines = [
        "{",
        *(f'"{k}": {json.dumps(data[k])},' for k in ("schema", "made", "pose_models", "arm_out_deg")),
    ]
    names = ("model_error", "typical_sd", "out_of_plane", "event_error")
    for name in names:
        rows = ",\n".join("  " + json.dumps(row, ensure_ascii=False) for row in data[name])
        lines.append(f'"{name}": [\n{rows}\n]' + ("," if name != names[-1] else ""))
    path.write_text("\n".join([*lines, "}"]) + "\n", encoding="utf-8")
