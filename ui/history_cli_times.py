"""Timed runs on the command line: add, import, list, profile, compare, delete."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from ui.cli_options import Condition, Day, HistoryFile, Units, Who, checked_units
from ui.history_cli import today

times_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Timed runs: add, import, list, speed profile, compare."
)
Number = Annotated[int, typer.Option("--run", help="Number of the run in times list.")]


def splits_of(text: str) -> tuple[Any, ...]:
    """Read ``10=1.95,20=3.1``; OptionError if it is not that."""
    from shared.errors import OptionError
    from shared.history import Split

    out = []
    for part in (p for p in text.split(",") if p.strip()):
        metres, mark, seconds = part.partition("=")
        try:
            if not mark:
                raise ValueError
            out.append(Split(float(metres), float(seconds)))
        except ValueError:
            raise OptionError(
                "--splits", f"'{part}' is not METRES=SECONDS", "write 10=1.95,20=3.10"
            ) from None
    return tuple(out)


@times_app.command("add")
def add(
    athlete: Who,
    distance: Annotated[float, typer.Option("--distance", help="Metres.")],
    time: Annotated[float, typer.Option("--time", help="Seconds.")],
    method: Annotated[str, typer.Option("--method", help="hand, gates or video.")] = "hand",
    splits: Annotated[str, typer.Option("--splits", help="Running times: 10=1.95,20=3.10,30=4.15")] = "",
    history: HistoryFile = None,
    day: Day = None,
    wind: Annotated[float | None, typer.Option("--wind", help="m/s, tail wind positive.")] = None,
    temperature: Annotated[float | None, typer.Option("--temperature", help="Degrees Celsius.")] = None,
    condition: Condition = "",
    notes: Annotated[str, typer.Option("--notes", help="Notes.")] = "",
) -> None:
    """Keep a timed run."""
    from shared import history as H
    from technique.run_times import checked_run
    from ui.history_find import athlete_named, id_of
    from ui.terminal import console

    found = splits_of(splits)
    with H.open_history(history) as h:
        person = athlete_named(h, athlete)
        run = H.RunTime(
            id_of(person),
            day or today(),
            distance,
            time,
            method,  # type: ignore[arg-type]
            found,
            wind,
            temperature,
            condition,
            notes,
        )
        H.save_run_time(h, checked_run(run))
    console().print(f"Kept: {distance:g} m in {time:.2f} s.")


@times_app.command("import")
def import_table(
    athlete: Who,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="One run a line.", show_default=False)],
    history: HistoryFile = None,
) -> None:
    """Keep timed runs from a CSV table: date, distance_m, time_s, method, split_10, split_20 ..."""
    from shared import history as H
    from technique.run_times import read_run_times
    from ui.history_find import athlete_named, id_of
    from ui.terminal import console

    with H.open_history(history) as h:
        person = athlete_named(h, athlete)
        runs = read_run_times(file, id_of(person))
        new = keep_new(h, runs)
    console().print(f"{new} runs kept, {len(runs) - new} were there already.")


def keep_new(h: Any, runs: Any) -> int:
    """Save runs that are not in the history yet, all or none; how many were new."""
    from dataclasses import replace

    from shared import history as H

    new = 0
    with H.writing(h):
        for run in runs:
            plain = replace(run, id=None, changed=None)
            there = [replace(r, id=None, changed=None, session=None) for r in H.run_times(h, run.athlete)]
            if plain not in there:
                H.save_run_time(h, plain)
                new += 1
    return new


@times_app.command("list")
def list_times(athlete: Who, history: HistoryFile = None) -> None:
    """List the timed runs of an athlete, newest first."""
    from shared import history as H
    from ui.history_find import athlete_named, id_of
    from ui.history_print import print_runs

    with H.open_history(history, read_only=True) as h:
        print_runs(H.run_times(h, id_of(athlete_named(h, athlete))))


@times_app.command("profile")
def profile(
    athlete: Who,
    run: Number = 1,
    history: HistoryFile = None,
    out: Annotated[Path | None, typer.Option("--out", help="Write the plot as SVG into this file.")] = None,
    units: Units = "metric",
) -> None:
    """Fit the speed profile to the splits of a run: top speed, acceleration, force and power."""
    from shared import history as H
    from shared.files import write_text
    from technique.speed_profile import profile_sentence, run_profile
    from technique.speed_profile_forces import force_sentence, force_velocity
    from ui.history_find import athlete_named
    from ui.history_plots import profile_plot
    from ui.history_views import filmed_steps
    from ui.terminal import console

    shown = checked_units(units)
    with H.open_history(history, read_only=True) as h:
        person = athlete_named(h, athlete)
        chosen = run_number(H.run_times(h, person.id or ""), run)
        made = run_profile(chosen)
        steps = filmed_steps(h, person, chosen, made.v_max.value, shown)
    force = force_velocity(made, person.stature_m, person.mass_kg, chosen.wind_mps, chosen.temperature_c)
    screen = console()
    screen.print(f"{chosen.distance_m:g} m on {chosen.date}: {chosen.time_s:.2f} s")
    for line in (
        profile_sentence(made, shown),
        force_sentence(force, shown),
        *(f"- {n}" for n in made.notes),
    ):
        screen.print(line, soft_wrap=True)
    for filmed in steps:
        screen.print(filmed.sentence, soft_wrap=True)
    if not steps:
        screen.print("No clip of that day is kept, so nothing is said of step frequency and length.")
    if out is not None:
        write_text(out, profile_plot(made, chosen, shown))
        screen.print(f"Plot: {out}", soft_wrap=True)


def run_number(runs: Any, number: int) -> Any:
    """The run of that number; OptionError if there is none."""
    from shared.errors import OptionError

    if not 1 <= number <= len(runs):
        raise OptionError(
            "--run",
            f"there is no run number {number}",
            "see laneside times list" if runs else "add a run first",
        )
    return runs[number - 1]


@times_app.command("compare")
def compare(
    athlete: Who,
    before: Annotated[
        str, typer.Argument(metavar="BEFORE", help="A condition or a day.", show_default=False)
    ],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same.", show_default=False)],
    distance: Annotated[
        float | None, typer.Option("--distance", help="Only runs over this distance, m.")
    ] = None,
    history: HistoryFile = None,
) -> None:
    """Say whether two conditions differ by more than timing and day-to-day spread can bring."""
    from shared import history as H
    from ui.history_find import athlete_named
    from ui.history_views import times_compared
    from ui.terminal import console

    with H.open_history(history, read_only=True) as h:
        made = times_compared(h, athlete_named(h, athlete), before, after, distance)
    console().print(made.sentence, soft_wrap=True)
    for note in made.notes:
        console().print(f"- {note}", soft_wrap=True)


@times_app.command("delete")
def delete(athlete: Who, run: Number, history: HistoryFile = None) -> None:
    """Delete a timed run."""
    from shared import history as H
    from shared.errors import HistoryError
    from ui.history_find import athlete_named
    from ui.terminal import console

    with H.open_history(history) as h:
        chosen = run_number(H.run_times(h, athlete_named(h, athlete).id or ""), run)
        gone = H.delete_run_time(h, chosen.id)
    if not gone.clean:
        raise HistoryError(
            "the run", "it is deleted, but traces may be left on the disk", gone.why or "try again"
        )
    console().print(f"Deleted: {chosen.distance_m:g} m of {chosen.date}.")
