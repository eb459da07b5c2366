"""A posture check for the clinician before a return to sprinting: what was measured, what was not.

It never says that somebody may sprint. It lists, compares with the athlete's own pre-injury baseline
and with the ranges of a profile, and leaves the decision to the licensed clinician.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import OptionError
from shared.history_values import Session
from shared.units import Units
from technique.cautions import CAUTIONS
from technique.comparison import Comparison, compare, measure_name
from technique.comparison_words import sentence_of
from technique.posture_points import PosturePoint, point_sentence, posture_points
from technique.profile_schema import Profile
from technique.rulers import ruler, speed_ruler, telling_apart, turned
from technique.run_times import FASTEST_MPS
from technique.side_comparison import ORDINARY, SidePair, compare_sides, side_sentence, sides_reason
from technique.takes import Take

HIGHEST_PAIN: Final[int] = 10
DEFERS: Final[str] = (
    "Whether, when and how fast to sprint is for the licensed clinician who treats the athlete to decide, "
    "together with the athlete."
)
NOT_IN_A_SIDE_VIEW: Final[tuple[str, ...]] = (
    "pelvic drop, side-bend and rotation of the trunk, and anything else seen from the front or behind",
    "pelvic tilt",
    "strength, flexibility, and how the tissue heals",
    "pain and confidence, unless entered in the log",
)
NO_THRESHOLD: Final[str] = (
    "There is no agreed limit of left against right for a return: in the London Delphi consensus 2023 (Br J Sports "
    "Med) 66 % of the experts agreed on strength within 10 % of earlier values and 45 % on flexibility, short of "
    "consensus (expert opinion). Asymmetry did not raise injury risk in 836 runners (Malisoux et al. 2024, moderate)."
)
RANK: Final[tuple[str, ...]] = (
    "trunk_lean",
    "thigh_angle_max",
    "thigh_angle_min",
    "td_distance",
    "td_distance_leg",
    "contact_time",
    "flight_time",
    "knee_flexion_swing_max",
    "knee_flexion_td",
    "knee_flexion_stance_max",
)
"""Measures the check looks at, trunk and thigh first."""


@dataclass(frozen=True)
class LogRow:
    """One session on the way back.

    Attributes
    ----------
    date : str
        ISO 8601.
    speed_mps : float or None
        Fastest speed reached.
    pain : int or None
        0 (none) to 10 (worst), entered by the athlete.
    note : str
    """

    date: str
    speed_mps: float | None
    pain: int | None
    note: str = ""


@dataclass(frozen=True)
class ReturnCheck:
    """The whole check.

    Attributes
    ----------
    title : str
    fixed : tuple of str
        Sentences that belong on top of every such check.
    sides : tuple of SidePair
    points : tuple of PosturePoint
    baseline : Comparison or None
        Against the athlete's own pre-injury baseline.
    log : tuple of LogRow
        By date.
    log_sentences : tuple of str
    flags : tuple of str
        What the clinician should look at, in plain words.
    measured, not_measured : tuple of str
    notes : tuple of str
    units : {"metric", "imperial"}
        Of the numbers in its sentences.
    """

    title: str
    fixed: tuple[str, ...]
    sides: tuple[SidePair, ...]
    points: tuple[PosturePoint, ...]
    baseline: Comparison | None
    log: tuple[LogRow, ...]
    log_sentences: tuple[str, ...]
    flags: tuple[str, ...]
    measured: tuple[str, ...]
    not_measured: tuple[str, ...]
    notes: tuple[str, ...]
    units: Units = "metric"


def fixed_sentences() -> tuple[str, ...]:
    """The sentences that no profile can switch off."""
    return (*(c.text for c in CAUTIONS.values() if c.when == "use:return"), DEFERS)


def checked_log(rows: Sequence[LogRow]) -> tuple[LogRow, ...]:
    """The rows by date.

    Raises
    ------
    OptionError
        If a date is no day, a pain score is not a whole number from 0 to 10, or a speed can't be right.
    """
    for r in rows:
        try:
            date.fromisoformat(r.date[:10])
        except ValueError:
            raise OptionError(
                "progression log", f"{r.date!r} is not a day", "write it as year-month-day"
            ) from None
        if r.pain is not None and not (isinstance(r.pain, int) and 0 <= r.pain <= HIGHEST_PAIN):
            raise OptionError(
                "progression log",
                f"a pain score of {r.pain} on {r.date[:10]} is not on the scale",
                "enter a whole number from 0 (none) to 10 (worst)",
            )
        if r.speed_mps is not None and not (math.isfinite(r.speed_mps) and 0 < r.speed_mps <= FASTEST_MPS):
            raise OptionError(
                "progression log",
                f"a speed of {r.speed_mps:g} m/s on {r.date[:10]} can't be right",
                f"enter it in m/s, above 0 and up to {FASTEST_MPS:g}",
            )
    return tuple(sorted(rows, key=lambda r: r.date))


def session_log(sessions: Sequence[Session]) -> tuple[LogRow, ...]:
    """Log rows of stored sessions that have a speed or a pain score."""
    rows = [
        LogRow(s.date, s.speed_mps, s.pain, s.notes)
        for s in sessions
        if s.speed_mps is not None or s.pain is not None
    ]
    return checked_log(rows)


def return_check(
    take: Take,
    profile: Profile,
    baseline: Take | None = None,
    log: Sequence[LogRow] = (),
    repeats: Sequence[Sequence[Take]] = (),
    units: Units = "metric",
) -> ReturnCheck:
    """What the clips show about posture and sides, for the clinician.

    Parameters
    ----------
    take : Take
        The clips of one session, best one pass from each side.
    profile : Profile
        Its ranges are shown with their sources; `technique/profiles/return-check.yaml` or a copy.
    baseline : Take, optional
        The athlete's own, from before the injury.
    log : sequence of LogRow
    repeats : sequence of sequence of Take
        As for `comparison.compare`.
    units : {"metric", "imperial"}
        Of what its sentences say; everything is judged in metric units.

    Raises
    ------
    OptionError
        If a log row can't be right.
    """
    rows = checked_log(log)
    sides = compare_sides(take, RANK)
    points = posture_points(take, profile)
    keys = (*RANK, *(SYMMETRY_PREFIX + k for k in RANK))
    against = None if baseline is None else compare(baseline, take, repeats, keys)
    wanted = {
        (m.key, m.side): m
        for m in take.measures
        if m.key in RANK or m.key == "speed" or any(m.key == t.measure for t in profile.targets)
    }
    ordered = sorted(wanted.values(), key=lambda m: (_rank(m.key), m.side))
    return ReturnCheck(
        f"{profile.title}: one observation for the clinician",
        fixed_sentences(),
        sides,
        points,
        against,
        rows,
        _log_sentences(rows, units),
        _flags(take, sides, points, against, rows, units),
        tuple(_measured(m, units) for m in ordered if m.value is not None),
        (
            *(
                f"{measure_name(m.key, m.side)}: {turned(m.why or '', units)}"
                for m in ordered
                if m.value is None
            ),
            *NOT_IN_A_SIDE_VIEW,
        ),
        _notes(take, baseline),
        units,
    )


def _rank(key: str) -> int:
    own = key.removeprefix(SYMMETRY_PREFIX)
    order = (*RANK, *(k for k in MEASURES if k not in RANK))
    return order.index(own) + (len(order) if own != key else 0)


def _measured(m: Measure, units: Units) -> str:
    assert m.value is not None
    shown = ruler(m.key, m.unit, units)
    half = "" if m.low is None or m.high is None else f" ± {shown.change((m.high - m.low) / 2)}"
    return f"{measure_name(m.key, m.side)}: {shown.value(m.value)}{half}"


def _log_sentences(rows: Sequence[LogRow], units: Units) -> tuple[str, ...]:
    out = []
    for r in rows:
        speed = (
            "speed not entered"
            if r.speed_mps is None
            else f"{speed_ruler(units, 1).change(r.speed_mps)} reached"
        )
        pain = "pain not entered" if r.pain is None else f"pain {r.pain} of 10"
        out.append(f"{r.date[:10]}: {speed}, {pain}" + (f" ({r.note})." if r.note else "."))
    return tuple(out)


def _flags(
    take: Take,
    sides: Sequence[SidePair],
    points: Sequence[PosturePoint],
    against: Comparison | None,
    rows: Sequence[LogRow],
    units: Units,
) -> tuple[str, ...]:
    flags = _pain_flags(rows, units)
    if (reason := sides_reason(take)) is not None:
        flags.append(f"Left and right can't be compared: {turned(reason, units)}.")
    flags += [f"Outside the profile: {point_sentence(p, units)}" for p in points if p.verdict == "outside"]
    outside = {p.key.removeprefix(SYMMETRY_PREFIX) for p in points if p.verdict == "outside"}
    flags += [
        f"Left and right differ by more than the error: {side_sentence(s, units)}"
        for s in sides
        if s.verdict == "differs" and s.key not in outside
    ]
    if against is not None:
        flags += [
            f"Other than in the athlete's own baseline: {sentence_of(c, units)}"
            for c in against.changes
            if c.verdict in ("changed", "looks changed")
        ]
    return tuple(flags)


def _pain_flags(rows: Sequence[LogRow], units: Units) -> list[str]:
    told = [r for r in rows if r.pain is not None]
    flags = []
    if told and (last := told[-1]).pain:
        flags.append(
            f"Pain of {last.pain} of 10 was entered on {last.date[:10]}: "
            "show this to the clinician before the next run."
        )
    for a, b in zip(told[-2:-1], told[-1:]):
        if a.pain is not None and b.pain is not None and b.pain > a.pain:
            rose = ""
            if a.speed_mps and b.speed_mps and b.speed_mps > a.speed_mps:
                shown = telling_apart(speed_ruler(units, 1), (a.speed_mps, b.speed_mps))
                rose = (
                    f" while the speed rose from {shown.number(a.speed_mps)} to {shown.change(b.speed_mps)}"
                )
            flags.append(
                f"Pain rose from {a.pain} to {b.pain} of 10 between {a.date[:10]} and {b.date[:10]}{rose}."
            )
    if rows and any(r.pain is None for r in rows):
        flags.append("A pain score is missing for at least one session: ask for it.")
    return flags


def _notes(take: Take, baseline: Take | None) -> tuple[str, ...]:
    notes = [NO_THRESHOLD, ORDINARY]
    if baseline is None:
        notes.append(
            "No pre-injury baseline is stored, so nothing tells what is usual for this athlete; "
            "ranges of other people say little about one."
        )
    if take.speed_mps is None:
        notes.append("The speed of this run is not known, and almost every measure changes with speed.")
    return tuple(notes)
