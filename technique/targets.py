"""Profiles of targets, and measures held against them.

The verdict compares the measure's closed 95 % interval [l, h] with the closed target range
[L, H] (a missing end is infinite):

- *inside*: the whole interval lies in the range, L <= l and h <= H;
- *outside*: the whole interval lies beyond one end, h < L or l > H;
- *borderline*: anything else, so an end of the range lies within the measure's error;
- *not measurable*: there is no value, or no error bar to judge it by.

Widening the interval can therefore turn inside or outside into borderline, never the reverse.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, get_args

from shared.analysis import Measure, Score, Verdict
from shared.catalogue import MEASURES
from shared.errors import ProfileError
from shared.landmarks import Side, SideOrBoth
from technique.profile_lines import shown
from technique.profile_schema import LARGEST_FILE, Profile, Target, profile_from_text, target_area

PROFILE_FOLDER: Final = Path(__file__).parent / "profiles"
FARTHEST: Final = 99.0
"""Cap of `Score.distance`, met only where a measure claims next to no error."""


@dataclass(frozen=True)
class AreaPicture:
    """How many targets of one body area are met; counts, no grade."""

    area: str
    inside: int
    borderline: int
    outside: int
    not_measurable: int


def profile_names() -> tuple[str, ...]:
    """Names of the built-in profiles, sorted."""
    return tuple(sorted(path.stem for path in PROFILE_FOLDER.glob("*.yaml")))


def load_profile(name_or_path: str | Path) -> Profile:
    """The built-in profile of that name, or the one in that file.

    Parameters
    ----------
    name_or_path : str or Path
        A name of `profile_names`, or the path of a YAML file. A built-in name wins over a file
        of the same name; write ``./easy-run`` for the file.

    Returns
    -------
    Profile

    Raises
    ------
    ProfileError
        No such profile or file, not readable, too large, or any fault in it; the message names
        the file, each line and the mend.
    """
    given = str(name_or_path)
    if given in profile_names():
        file = PROFILE_FOLDER / f"{given}.yaml"
        return profile_from_text(file.read_text(encoding="utf-8"), given, file.name)
    if not given.strip():
        raise ProfileError("profile", "the name is empty", f"use one of {', '.join(profile_names())}")
    path = Path(given).expanduser()
    label = shown(given).strip("'") if len(given) <= 40 else given.replace("\n", " ")
    try:
        if path.is_dir():
            raise ProfileError(label, "that is a folder", "name a YAML file in it")
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _unknown(given, label) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "not a file name"
        raise ProfileError(
            label, f"the profile can't be read ({why})", "check the path and its permissions"
        ) from None
    if len(raw) > LARGEST_FILE:
        raise ProfileError(
            label,
            f"the file is larger than {LARGEST_FILE // 1024} kB",
            "give a profile, a short YAML file of targets",
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ProfileError(
            label, f"line {line}: it is not UTF-8 text", "save it as plain UTF-8 text"
        ) from None
    return profile_from_text(text, path.stem, label)


def _unknown(given: str, label: str) -> ProfileError:
    if Path(given).suffix.lower() in (".yaml", ".yml") or "/" in given or "\\" in given:
        return ProfileError(label, "there is no such profile file", "check the path")
    names = profile_names()
    near = difflib.get_close_matches(given[:100], names, n=1)
    hint = f"did you mean '{near[0]}'? The built-in ones are " if near else "use one of "
    return ProfileError(
        label, "there is no profile of that name", f"{hint}{', '.join(names)}, or the path of a file"
    )


def scores(measures: Iterable[Measure], profile: Profile, near_side: Side | None = None) -> tuple[Score, ...]:
    """Every target of the profile with its verdict.

    Parameters
    ----------
    measures : iterable of Measure
        Clip values with 95 % intervals.
    profile : Profile
    near_side : {"left", "right"}, optional
        Side towards the camera, for targets of the near side. None: such targets are held
        against both sides.

    Returns
    -------
    tuple of Score
        In the profile's order, left before right. A target without its measure is
        "not_measurable".

    Raises
    ------
    ValueError
        If a measure's unit is not its target's.
    """
    by_key = {(m.key, m.side): m for m in measures}
    return tuple(
        _score(by_key.get((target.measure, side)), target, side)
        for target in profile.targets
        for side in _sides(target, near_side)
    )


def _sides(target: Target, near_side: Side | None) -> tuple[SideOrBoth, ...]:
    if target.side == "both":
        return ("both",)
    if target.side == "near" and near_side is not None:
        return (near_side,)
    return ("left", "right")


def _score(measure: Measure | None, target: Target, side: SideOrBoth) -> Score:
    verdict: Verdict = "not_measurable"
    distance = 0.0
    if measure is not None and measure.unit != target.unit:
        raise ValueError(f"{measure.key} is in {measure.unit!r}, its target in {target.unit!r}")
    interval = None if measure is None else _interval(measure)
    if measure is not None and measure.value is not None and interval is not None:
        verdict = verdict_of(*interval, target.low, target.high)
        distance = _distance(measure.value, *interval, target)
    return Score(
        key=target.measure,
        side=side,
        target=(target.low, target.high),
        verdict=verdict,
        source=target.source,
        area=target_area(target.measure),
        distance=distance,
    )


def _interval(measure: Measure) -> tuple[float, float] | None:
    """The 95 % interval, stretched to hold its own value; None without a usable one."""
    numbers = (measure.value, measure.low, measure.high)
    if measure.status != "measured" or any(n is None or not math.isfinite(n) for n in numbers):
        return None
    known = [n for n in numbers if n is not None]
    return min(known), max(known)


def verdict_of(low: float, high: float, target_low: float | None, target_high: float | None) -> Verdict:
    """Verdict of the closed interval [low, high] against a closed range.

    Parameters
    ----------
    low, high : float
        95 % interval of the measure, ``low <= high``.
    target_low, target_high : float or None
        Ends of the range, same unit; None is open.

    Returns
    -------
    {"inside", "borderline", "outside"}

    Raises
    ------
    ValueError
        If the interval is upside down or not a number.
    """
    if not low <= high:
        raise ValueError(f"an interval needs low <= high, got {low}, {high}")
    floor = -math.inf if target_low is None else target_low
    ceiling = math.inf if target_high is None else target_high
    if floor <= low and high <= ceiling:
        return "inside"
    if high < floor or low > ceiling:
        return "outside"
    return "borderline"


def _distance(value: float, low: float, high: float, target: Target) -> float:
    """How far the value lies beyond its range, in half-widths of its error on that side."""
    if target.low is not None and value < target.low:
        gap, error = target.low - value, high - value
    elif target.high is not None and value > target.high:
        gap, error = value - target.high, value - low
    else:
        return 0.0
    return FARTHEST if error <= gap / FARTHEST else gap / error


def by_area(of: Iterable[Score]) -> tuple[AreaPicture, ...]:
    """Counts of verdicts by body area, in the catalogue's order; areas without a target left out."""
    all_scores = tuple(of)
    order = tuple(dict.fromkeys(kind.area for kind in MEASURES.values()))
    pictures = []
    for area in order:
        verdicts = [s.verdict for s in all_scores if s.area == area]
        if verdicts:
            counts = {v: verdicts.count(v) for v in get_args(Verdict)}
            pictures.append(AreaPicture(area=area, **counts))
    return tuple(pictures)


def speed_mismatch(measures: Iterable[Measure], profile: Profile) -> str | None:
    """Plain sentence when the clip's whole speed interval lies outside what the profile suits.

    None when it fits, and when the speed isn't known.
    """
    for m in measures:
        if m.key == "speed":
            interval = _interval(m)
            if interval is None or verdict_of(*interval, profile.speed.low, profile.speed.high) != "outside":
                return None
            top = profile.speed.high
            suits = (
                f"{profile.speed.low:g} m/s and faster"
                if top is None
                else f"{profile.speed.low:g} to {top:g} m/s"
            )
            return (
                f"The speed in this clip ({m.value:.1f} m/s) is outside what the profile "
                f"'{profile.title}' suits ({suits}), so its targets don't fit this run."
            )
    return None


def profiles_for_speed(speed_mps: float) -> tuple[str, ...]:
    """Built-in profiles for steady running that suit a speed in m/s; first steps and checks left out."""
    loaded = (load_profile(name) for name in profile_names())
    return tuple(
        p.name
        for p in loaded
        if p.use in ("running", "sprinting")
        and verdict_of(speed_mps, speed_mps, p.speed.low, p.speed.high) == "inside"
    )
