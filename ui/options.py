"""What the user may say about a clip, checked once for command line and page alike."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from shared.errors import OptionError
from shared.units import Units

Effort = Literal["quick", "standard", "high"]
Sex = Literal["female", "male"]


@dataclass(frozen=True)
class AthletePoint:
    """A point on the athlete: upright px and real seconds from the first frame."""

    x_px: float
    y_px: float
    time_s: float


@dataclass(frozen=True)
class MarkedDistance:
    """Two points in the upright picture (px), in the plane of travel, and the metres between them."""

    x1_px: float
    y1_px: float
    x2_px: float
    y2_px: float
    metres: float


@dataclass(frozen=True)
class Options:
    """Everything the user may add to a clip; None: not said.

    Attributes
    ----------
    profile : str
        Name of a built-in profile or path of a profile file.
    stature_m, mass_kg, leg_length_m : float or None
    sex : {"female", "male"} or None
        Chooses the segment table for the centre of mass; None: the mean of both.
    capture_rate_hz : float or None
        Frames per real second at which the clip was filmed.
    belt_speed_mps : float or None
        Treadmill speed.
    athlete : AthletePoint or None
        Who to measure, when several people are in the picture.
    marked : MarkedDistance or None
    weights : Path or None
        Heavier pose weights.
    effort : {"quick", "standard", "high"}
    minor, injury : bool
        The athlete is under 18; has pain or a recent injury. Changes the cautions, and `minor` what
        `face_hidden` is where `blur_face` was not said.
    blur_face : bool or None
        Make the athlete's face unrecognisable in pictures, video and report; None: for minors.
    video : bool
        Write the annotated video.
    cache : bool
        Keep what was seen in the clip, and use it when the same clip is measured again.
    units : {"metric", "imperial"}
        Of report, pictures and the command line's table; what is stored is always metric.
    """

    profile: str = "easy-run"
    stature_m: float | None = None
    mass_kg: float | None = None
    leg_length_m: float | None = None
    sex: Sex | None = None
    capture_rate_hz: float | None = None
    belt_speed_mps: float | None = None
    athlete: AthletePoint | None = None
    marked: MarkedDistance | None = None
    weights: Path | None = None
    effort: Effort = "standard"
    minor: bool = False
    injury: bool = False
    video: bool = True
    cache: bool = True
    blur_face: bool | None = None
    units: Units = "metric"

    @property
    def imperial(self) -> bool:
        """Whether report, pictures and table are written in feet, inches and miles per hour."""
        return self.units == "imperial"

    @property
    def face_hidden(self) -> bool:
        """Whether the athlete's face is made unrecognisable in what is written."""
        return self.minor if self.blur_face is None else self.blur_face

    def __post_init__(self) -> None:
        for name, value, low, high, unit in (
            ("--stature", self.stature_m, 0.8, 2.5, "metres (1.75, not 175)"),
            ("--mass", self.mass_kg, 15.0, 300.0, "kilograms"),
            ("--leg-length", self.leg_length_m, 0.3, 1.5, "metres"),
            ("--capture-rate", self.capture_rate_hz, 5.0, 2000.0, "frames per second"),
            ("--belt-speed", self.belt_speed_mps, 0.3, 13.0, "metres per second"),
        ):
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                raise OptionError(
                    name, f"{value:g} is not between {low:g} and {high:g}", f"give it in {unit}"
                )
        if self.marked is not None and not 0.05 <= self.marked.metres <= 200.0:
            raise OptionError(
                "--marked-distance",
                f"{self.marked.metres:g} m is not between 0.05 and 200 m",
                "give the true distance in metres",
            )


_NUMBER = r"\s*(-?\d+(?:\.\d+)?)\s*"


def athlete_point(text: str) -> AthletePoint:
    """Read ``X,Y@SECONDS`` (upright px and real seconds); OptionError if it is not that."""
    found = re.fullmatch(f"{_NUMBER},{_NUMBER}@{_NUMBER}", text)
    if not found:
        raise OptionError("--athlete", f"'{text}' is not X,Y@SECONDS", "write for instance 640,360@1.5")
    return AthletePoint(*(float(v) for v in found.groups()))


def marked_distance(text: str) -> MarkedDistance:
    """Read ``X1,Y1,X2,Y2=METRES`` (upright px); OptionError if it is not that."""
    found = re.fullmatch(f"{_NUMBER},{_NUMBER},{_NUMBER},{_NUMBER}={_NUMBER}", text)
    if not found:
        raise OptionError(
            "--marked-distance", f"'{text}' is not X1,Y1,X2,Y2=METRES", "write for instance 200,600,980,602=5"
        )
    return MarkedDistance(*(float(v) for v in found.groups()))
