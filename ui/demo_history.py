"""The demonstration's history: eight invented weeks, and what compare, trend and check say of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from shared import history as H
from shared.analysis import Analysis
from shared.files import output_error, write_text
from shared.landmarks import SideOrBoth
from technique.profile_schema import Profile
from technique.speed_profile import time_at
from technique.targets import load_profile
from ui.history_invented import NOTE, Chosen, invented_pass, wandering

RUNNER: Final = "Invented runner A"
RETURNING: Final = "Invented runner B"
DUE: Final = "Invented runner C"
USUAL: Final = "usual"
DRILLS: Final = "after knee drills"
WEEKS: Final = 8
KNEE_LIFT_DEG: Final = (0.0, 0.0, 0.0, 0.0, 2.0, 5.0, 7.0, 9.0)
"""Known change of the largest thigh angle of runner A, week by week; nothing else is changed."""
SPLITS_M: Final = (5.0, 10.0, 20.0, 30.0, 40.0)
SEED: Final = 8


@dataclass(frozen=True)
class Week:
    """One invented session.

    `days_ago` counts back from the day of the demonstration.
    """

    days_ago: int
    condition: str
    chosen: Chosen
    notes: str = ""
    speed_mps: float | None = None
    pain: int | None = None
    repeat_group: str | None = None


def _days_ago(week: int) -> int:
    return 7 * (WEEKS - 1 - week) + 3


def _weeks_of_runner() -> list[Week]:
    out = []
    for week, lift in enumerate(KNEE_LIFT_DEG):
        usual = week < 4
        add: dict[tuple[str, SideOrBoth], float] = {("thigh_angle_max", "both"): lift}
        out.append(
            Week(
                _days_ago(week),
                USUAL if usual else DRILLS,
                Chosen(add),
                "headwind" if week == 2 else "",
                repeat_group=USUAL if usual else None,
            )
        )
    return out


def _weeks_of_returning(speed: float) -> list[Week]:
    out = [Week(_days_ago(0), "baseline", Chosen(), "before the invented strain", speed)]
    for week, (slower, knee, contact, pain) in enumerate(
        (
            (0.35, 12.0, 0.16, 4),
            (0.25, 10.0, 0.13, 3),
            (0.15, 9.0, 0.11, 2),
            (0.08, 8.0, 0.1, 1),
            (0.0, 8.0, 0.09, 1),
        ),
        start=3,
    ):
        chosen = Chosen(
            {("knee_flexion_swing_max", "left"): -knee},
            {("contact_time", "left"): contact, ("speed", "both"): -slower},
        )
        out.append(
            Week(_days_ago(week), "return", chosen, "invented left strain", speed * (1 - slower), pain)
        )
    return out


def build_history(file: Path, base: Analysis, today: date | None = None) -> None:
    """Make the invented history anew.

    Parameters
    ----------
    file : Path
        The history; one that is there is replaced.
    base : Analysis
        The measured sample clip that everything is made from.
    today : date, optional

    Raises
    ------
    HistoryError, OutputError
    """
    now = today or date.today()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        for old in (file, Path(f"{file}-wal"), Path(f"{file}-shm")):
            old.unlink(missing_ok=True)
    except OSError as error:
        raise output_error(file, error) from error
    speed = next((m.value for m in base.measures if m.key == "speed" and m.value is not None), 4.5)
    rng = np.random.default_rng(SEED)
    profile = load_profile(base.profile)
    with H.open_history(file) as history, H.writing(history):
        for name, weeks in (
            (RUNNER, _weeks_of_runner()),
            (RETURNING, _weeks_of_returning(speed)),
            (DUE, [Week(41, USUAL, Chosen())]),
        ):
            athlete = H.save_athlete(history, H.Athlete(name, 1.74, 68.0, notes=NOTE))
            for week in weeks:
                _save_week(history, athlete, week, now, base, rng, profile)
        _save_runs(history, H.athletes(history)[0], now, rng)


def _save_week(
    history: H.History,
    athlete: H.Athlete,
    week: Week,
    now: date,
    base: Analysis,
    rng: np.random.Generator,
    profile: Profile,
) -> None:
    day = (now - timedelta(days=week.days_ago)).isoformat()
    session = H.save_session(
        history,
        H.Session(
            athlete.id or "",
            day,
            place="an invented track",
            surface="track",
            condition=week.condition,
            speed_mps=week.speed_mps,
            notes=week.notes,
            pain=week.pain,
            repeat_group=week.repeat_group,
        ),
    )
    offsets = wandering(base, rng)
    for number in (1, 2):
        for near in ("right", "left"):
            made = invented_pass(
                base,
                f"invented {athlete.name} {day} {near} {number}",
                f"{day}T12:00:00+00:00",
                near,
                offsets,
                week.chosen,
                rng,
                profile,
            )
            H.save_analysis(history, made, session.id or "")


def _save_runs(history: H.History, athlete: H.Athlete, now: date, rng: np.random.Generator) -> None:
    """Invented gates at 40 m: top speed and time constant are known."""
    for week in range(WEEKS):
        v_max, tau = (8.2, 1.15) if week < 4 else (8.35, 1.12)
        v_max *= 1.0 + 0.004 * float(rng.standard_normal())
        times = time_at(np.array(SPLITS_M), v_max, tau) + 0.008 * rng.standard_normal(len(SPLITS_M))
        splits = tuple(H.Split(d, round(float(t), 3)) for d, t in zip(SPLITS_M, times))
        H.save_run_time(
            history,
            H.RunTime(
                athlete.id or "",
                (now - timedelta(days=_days_ago(week))).isoformat(),
                SPLITS_M[-1],
                splits[-1].time_s,
                "gates",
                splits,
                wind_mps=round(float(rng.uniform(-0.8, 0.8)), 1),
                temperature_c=14.0,
                condition=USUAL if week < 4 else DRILLS,
                notes="invented",
            ),
        )


@dataclass(frozen=True)
class DemoFiles:
    """What the demonstration of the history left behind, and the sentences worth showing."""

    history: Path
    comparison: Path
    trend: Path
    check: Path
    sentences: tuple[str, ...]


def show_history(base: Analysis, out: Path, today: date | None = None) -> DemoFiles:
    """Build the invented history in `out` and write comparison, trend and check of it.

    Raises
    ------
    HistoryError, OutputError
    """
    from ui.history_check_report import write_check
    from ui.history_find import athlete_named, repeated_takes, session_group, sessions_named
    from ui.history_plots import trend_plot
    from ui.history_report import write_comparison
    from ui.history_views import check_view, times_compared, trend_view
    from ui.history_words import capital

    file = out / "history.sqlite"
    build_history(file, base, today)
    near = base.near_side
    with H.open_history(file, read_only=True) as h:
        runner = athlete_named(h, RUNNER)
        groups = [session_group(h, sessions_named(h, runner, said)) for said in (USUAL, "latest")]
        compared = write_comparison(
            groups[0], groups[1], out / "comparison", repeated_takes(h, runner.id or ""), video=False
        )
        trend = trend_view(h, runner, "thigh_angle_max", near)
        write_text(
            out / "trend.svg",
            trend_plot(trend.trend, f"{trend.title} (invented)", trend.axis, trend.target, trend.shown),
        )
        back = athlete_named(h, RETURNING)
        made, session, baseline = check_view(h, back)
        files, _ = write_check(made, back, session, baseline, out / "return_check", invented=True)
        times = times_compared(h, runner, USUAL, DRILLS)
    knee = compared.compared.comparison.change("thigh_angle_max", near)
    return DemoFiles(
        file,
        compared.files[0],
        out / "trend.svg",
        files[0],
        (
            compared.compared.comparison.summary,
            *([capital(knee.sentence)] if knee is not None else []),
            capital(trend.trend.sentence),
            times.sentence,
            *(capital(f) for f in made.flags[:3]),
        ),
    )
