"""The options that commands share: each is named, explained and checked in one place."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

if TYPE_CHECKING:
    from shared import units
    from ui.options import Options

# -- of a clip --------------------------------------------------------------------------------------

Clip = Annotated[Path, typer.Argument(help="The video file.", show_default=False)]
Out = Annotated[Path, typer.Option("--out", help="Folder for the results.")]
Profile = Annotated[str, typer.Option("--profile", help="Profile of targets: a name or a file.")]
Stature = Annotated[float | None, typer.Option("--stature", help="Body height in metres; gives the scale.")]
Mass = Annotated[float | None, typer.Option("--mass", help="Body mass in kilograms.")]
LegLength = Annotated[float | None, typer.Option("--leg-length", help="Hip to ground in metres.")]
Sex = Annotated[str | None, typer.Option("--sex", help="female or male: chooses the segment table.")]
CaptureRate = Annotated[
    float | None, typer.Option("--capture-rate", help="Frames per real second it was filmed at.")
]
BeltSpeed = Annotated[float | None, typer.Option("--belt-speed", help="Treadmill speed in m/s.")]
AthleteAt = Annotated[str | None, typer.Option("--athlete", help="Who to measure: X,Y@SECONDS.")]
Marked = Annotated[
    str | None, typer.Option("--marked-distance", help="Known distance: X1,Y1,X2,Y2=METRES (px).")
]
Weights = Annotated[Path | None, typer.Option("--weights", help="Heavier pose weights (.task or .tflite).")]
Effort = Annotated[str, typer.Option("--effort", help="quick, standard or high: faster, or a little better.")]
Minor = Annotated[bool, typer.Option("--minor", help="The athlete is under 18.")]
Injury = Annotated[bool, typer.Option("--injury", help="Pain or a recent injury: adds cautions.")]
BlurFace = Annotated[
    bool | None,
    typer.Option("--blur-face/--no-blur-face", help="Hide the athlete's face; without a word: of minors."),
]
Video = Annotated[bool, typer.Option("--video/--no-video", help="Write the annotated video.")]
Cache = Annotated[
    bool, typer.Option("--cache/--no-cache", help="Keep what was seen, for measuring the clip again.")
]
Units = Annotated[
    str, typer.Option("--units", help="metric or imperial: of what is shown; data files stay metric.")
]

# -- of the history ---------------------------------------------------------------------------------

HistoryFile = Annotated[
    Path | None,
    typer.Option(
        "--history", help="History file; default: history.sqlite in LANESIDE_DATA or the data folder."
    ),
]
Who = Annotated[str, typer.Argument(metavar="ATHLETE", help="Name or code.", show_default=False)]
Day = Annotated[str | None, typer.Option("--date", help="Day of filming, 2026-05-01; default today.")]
Condition = Annotated[
    str, typer.Option("--condition", help="What was tried: usual, new shoes, with the belt ...")
]
MinorOrAdult = Annotated[bool | None, typer.Option("--minor/--adult", help="Under 18.")]
Consent = Annotated[
    str | None, typer.Option("--consent", help="Who agreed to the filming, to what and when.")
]
AthleteNotes = Annotated[str | None, typer.Option("--notes", help="Notes.")]

FIELDS: Final = {
    "profile": "profile",
    "stature": "stature_m",
    "mass": "mass_kg",
    "leg_length": "leg_length_m",
    "sex": "sex",
    "capture_rate": "capture_rate_hz",
    "belt_speed": "belt_speed_mps",
    "athlete": "athlete",
    "marked_distance": "marked",
    "weights": "weights",
    "effort": "effort",
    "minor": "minor",
    "injury": "injury",
    "video": "video",
    "cache": "cache",
    "blur_face": "blur_face",
    "units": "units",
}
"""A command's parameter, and the field of `ui.options.Options` that it fills."""


def options_said(said: Mapping[str, Any]) -> Options:
    """The options among a command's values; what else is in `said` is left alone.

    Raises
    ------
    OptionError
    """
    from shared.errors import OptionError
    from ui import options

    given = {field: said[name] for name, field in FIELDS.items() if name in said}
    checked_sex(given.get("sex"))
    if "units" in given:
        given["units"] = checked_units(given["units"])
    if given.get("effort", "standard") not in ("quick", "standard", "high"):
        raise OptionError("--effort", f"'{given['effort']}' is not known", "say quick, standard or high")
    for field, read in (("athlete", options.athlete_point), ("marked", options.marked_distance)):
        if given.get(field) is not None:
            given[field] = read(given[field])
    return options.Options(**given)


def checked_sex(said: str | None) -> None:
    """Say what is wrong with ``--sex``; OptionError."""
    from shared.errors import OptionError

    if said not in (None, "female", "male"):
        raise OptionError("--sex", f"'{said}' is not known", "say female or male, or leave it out")


def checked_units(said: str) -> units.Units:
    """The units that ``--units`` asks for; OptionError when it is no such word."""
    from shared.errors import OptionError

    if said == "metric":
        return "metric"
    if said == "imperial":
        return "imperial"
    raise OptionError("--units", f"'{said}' is not known", "say metric or imperial")
