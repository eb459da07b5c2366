"""What command line and page show of the history: trends, the squad, the return check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from shared import history as H
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import OptionError, ProfileError
from shared.landmarks import SideOrBoth
from shared.units import Units
from technique.comparison import Change, compare, measure_name
from technique.return_check import ReturnCheck, return_check, session_log
from technique.rulers import Ruler, ruler
from technique.run_steps import KEYS as STEP_KEYS
from technique.run_steps import RunSteps, run_steps
from technique.takes import stored_take
from technique.targets import load_profile
from technique.time_comparison import TimeComparison, compare_times
from technique.trend import Trend, series_trend
from ui.history_find import (
    day_repeats,
    filmed_sessions,
    id_of,
    repeated_takes,
    session_group,
    session_text,
    sessions_named,
)
from ui.history_words import capital

BASELINE: Final = "baseline"
"""Sessions of this condition are an athlete's own values from before an injury."""
RETURN_PROFILE: Final = "return-check"
DUE_DAYS: Final = 28
"""An athlete is due when the latest session is older than this."""
SQUAD_KEYS: Final[tuple[str, ...]] = (
    "contact_time",
    "step_frequency",
    "speed",
    "trunk_lean",
    "thigh_angle_max",
    "thigh_angle_min",
    "knee_flexion_td",
    "shank_angle_td",
    "td_distance_leg",
    "elbow_angle_mean",
)
TREND_KEYS: Final[tuple[str, ...]] = (
    "thigh_angle_max",
    "trunk_lean",
    "contact_time",
    "step_frequency",
    "td_distance_leg",
    "elbow_angle_mean",
)
"""Shown when no measure is asked for."""


@dataclass(frozen=True)
class TrendView:
    """A trend with what a plot of it needs.

    Attributes
    ----------
    key, side : str
    trend : Trend
    title, axis : str
    target : (float or None, float or None) or None
        In the unit that is kept, as all numbers of the trend.
    target_from : str
    shown : Ruler
        How the numbers are written and drawn.
    """

    key: str
    side: SideOrBoth
    trend: Trend
    title: str
    axis: str
    target: tuple[float | None, float | None] | None
    target_from: str
    shown: Ruler


@dataclass(frozen=True)
class SquadLine:
    """One athlete for the coach.

    Attributes
    ----------
    athlete : Athlete
    session : Session or None
        The latest with a clip.
    since : Session or None
        The one it is held against.
    moved : tuple of Change
    why : str
        Why nothing is said of a change, or empty.
    days : int or None
        Since the latest session.
    due : bool
    """

    athlete: H.Athlete
    session: H.Session | None
    since: H.Session | None
    moved: tuple[Change, ...]
    why: str
    days: int | None
    due: bool


def measure_key(said: str) -> str:
    """The key that the user's words mean; OptionError if there is none."""
    word = said.strip().casefold().replace(" ", "_").replace("-", "_")
    own = word.removeprefix(SYMMETRY_PREFIX)
    if own in MEASURES:
        return word
    for key, kind in MEASURES.items():
        if kind.name.casefold() == said.strip().casefold():
            return key
    near = [key for key, kind in MEASURES.items() if own in key or said.casefold() in kind.name.casefold()]
    hint = ", ".join((near or list(TREND_KEYS))[:6])
    raise OptionError(f"measure '{said}'", "it is not known", f"use for instance {hint}")


def measured_sides(history: H.History, athlete: H.Athlete, key: str) -> tuple[SideOrBoth, ...]:
    """The sides of a measure that any session of the athlete has a value of."""
    sides: tuple[SideOrBoth, ...] = ("both", "left", "right")
    return tuple(
        s
        for s in sides
        if any(p.measure.value is not None for p in H.series(history, id_of(athlete), key, s))
    )


def trend_view(
    history: H.History,
    athlete: H.Athlete,
    key: str,
    side: SideOrBoth,
    condition: str | None = None,
    profile: str | None = None,
    units: Units = "metric",
) -> TrendView:
    """A measure of an athlete over time.

    Parameters
    ----------
    history : History
    athlete : Athlete
    key, side : str
    condition : str, optional
        Only sessions with this label.
    profile : str, optional
        Whose target is drawn; default that of the latest session.
    units : {"metric", "imperial"}
        Of words and axis.

    Raises
    ------
    OptionError
        If there is no session with this measure.
    """
    points = H.series(history, id_of(athlete), key, side)
    if condition is not None:
        points = tuple(p for p in points if p.session.condition.casefold() == condition.casefold())
    points = tuple(p for p in points if p.measure.unit != "class")
    if not points:
        where = f" in the condition '{condition}'" if condition else ""
        raise OptionError(
            measure_name(key, side), f"{athlete.name} has no session with it{where}", "record a clip first"
        )
    unit = points[0].measure.unit
    target, source = _target(profile or points[-1].analysis.profile, key)
    name = capital(measure_name(key, side))
    shown = ruler(key, unit, units)
    return TrendView(
        key,
        side,
        series_trend(points, units),
        f"{name}: {athlete.name}",
        f"{name}, {shown.words}",
        target,
        source,
        shown,
    )


def _target(profile: str, key: str) -> tuple[tuple[float | None, float | None] | None, str]:
    try:
        found = load_profile(profile)
    except ProfileError:
        return None, ""
    target = found.target(key)
    return (None, "") if target is None else ((target.low, target.high), found.title)


def squad_lines(
    history: H.History, due_days: int = DUE_DAYS, today: date | None = None
) -> tuple[SquadLine, ...]:
    """Every athlete: latest session, what moved beyond error since the one before, who is due.

    The latest session is held against the last one before it that has the same condition label, else
    against the last one of any. A change of condition is no trend, so the line says which.
    """
    now = today or date.today()
    rows = H.squad(history, SQUAD_KEYS)
    since_of = H.sessions_before(history)
    points = H.sessions_points(history, [id_of(s) for s in since_of.values()], SQUAD_KEYS)
    repeats = day_repeats(history, SQUAD_KEYS)
    out = []
    for row in rows:
        if row.session is None:
            out.append(SquadLine(row.athlete, None, None, (), "no clip yet", None, True))
            continue
        days = (now - date.fromisoformat(row.session.date[:10])).days
        since = since_of.get(id_of(row.athlete))
        moved: tuple[Change, ...] = ()
        why = "first session"
        if since is not None:
            same_day = since.date[:10] == row.session.date[:10]
            found = compare(
                stored_take(points[id_of(since)]),
                stored_take(row.points),
                # Passes of one day are told apart only where both are of that day.
                repeated_takes(history, id_of(row.athlete), SQUAD_KEYS)
                if same_day
                else repeats.get(id_of(row.athlete), ()),
                SQUAD_KEYS,
            )
            moved = (*found.changed, *found.perhaps)
            judged = any(c.verdict != "not comparable" and c.key != "speed" for c in found.changes)
            why = "" if moved else ("nothing beyond error" if judged else found.summary)
        out.append(SquadLine(row.athlete, row.session, since, moved, why, days, days > due_days))
    return tuple(out)


def check_view(
    history: H.History,
    athlete: H.Athlete,
    session: str = "latest",
    baseline: str | None = None,
    profile: str = RETURN_PROFILE,
    units: Units = "metric",
) -> tuple[ReturnCheck, H.Session, H.Session | None]:
    """The return check of a session, held against the athlete's own baseline where there is one.

    `baseline` None: the last session of the condition ``baseline``; empty: none.

    Raises
    ------
    OptionError, ProfileError
    """
    chosen = sessions_named(history, athlete, session)[-1]
    own: H.Session | None = None
    if baseline:
        own = sessions_named(history, athlete, baseline)[-1]
    elif baseline is None:
        stored = [s for s in filmed_sessions(history, athlete) if s.condition.casefold() == BASELINE]
        own = stored[-1] if stored else None
    if own is not None and own.id == chosen.id:
        if baseline:
            raise OptionError(
                "baseline", f"it is the same session ({session_text(own)})", "choose two different sessions"
            )
        own = None
    log = session_log([s for s in H.sessions(history, id_of(athlete)) if s.condition.casefold() != BASELINE])
    take = session_group(history, [chosen]).takes[0]
    made = return_check(
        take,
        load_profile(profile),
        None if own is None else session_group(history, [own]).takes[0],
        log,
        repeated_takes(history, id_of(athlete)),
        units,
    )
    return made, chosen, own


def filmed_steps(
    history: H.History,
    athlete: H.Athlete,
    run: H.RunTime,
    v_max: float | None = None,
    units: Units = "metric",
) -> tuple[RunSteps, ...]:
    """Steps of the clips that belong to a timed run: of its session, else of that day.

    Of one day those of the run's condition go before all others.
    """
    found = [s for s in filmed_sessions(history, athlete) if s.date[:10] == run.date[:10]]
    own = [s for s in found if run.session is not None and s.id == run.session]
    if run.session is not None and not own:
        own = [s for s in filmed_sessions(history, athlete) if s.id == run.session]
    same = [s for s in found if run.condition and s.condition.casefold() == run.condition.casefold()]
    chosen = own or same or found
    points = H.sessions_points(history, [id_of(s) for s in chosen], STEP_KEYS)
    takes = [stored_take(points[id_of(s)]) for s in chosen if id_of(s) in points]
    return tuple(steps for t in takes if (steps := run_steps(t, v_max, units)) is not None)


def runs_named(runs: Sequence[H.RunTime], said: str, distance_m: float | None) -> tuple[H.RunTime, ...]:
    """The timed runs of a condition or a day; OptionError if there is none."""
    fit = [r for r in runs if distance_m is None or abs(r.distance_m - distance_m) < 0.01]
    word = said.strip().casefold()
    found = [r for r in fit if r.condition.casefold() == word] or [
        r for r in fit if said in (r.date, r.date[:10])
    ]
    if not found:
        known = sorted({r.condition for r in fit if r.condition} | {r.date[:10] for r in fit})
        there = ", ".join(known[:8]) or "none"
        raise OptionError(
            f"'{said}'", f"no timed run answers to it (there is {there})", "give a condition or a day"
        )
    return tuple(found)


def times_compared(
    history: H.History, athlete: H.Athlete, before: str, after: str, distance_m: float | None = None
) -> TimeComparison:
    """Two conditions or days of timed runs; the spread of one condition over days is the error."""
    runs = H.run_times(history, id_of(athlete))
    conditions: dict[str, list[H.RunTime]] = {}
    for r in runs:
        if r.condition:
            conditions.setdefault(r.condition.casefold(), []).append(r)
    return compare_times(
        runs_named(runs, before, distance_m), runs_named(runs, after, distance_m), list(conditions.values())
    )
