"""The commands that keep a history: record, athletes, sessions, export, import.

Heavy imports happen inside the commands, so that ``laneside --help`` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ui.cli_options import (
    AthleteNotes,
    BeltSpeed,
    CaptureRate,
    Condition,
    Consent,
    Day,
    HistoryFile,
    LegLength,
    Mass,
    MinorOrAdult,
    Profile,
    Sex,
    Stature,
    Units,
    Video,
    Who,
    checked_sex,
    checked_units,
)

if TYPE_CHECKING:
    from shared.history import Session

athletes_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Athletes: list, add, edit, delete."
)


def today() -> str:
    """This day."""
    from datetime import date

    return date.today().isoformat()


def record(
    athlete: Who,
    sources: Annotated[
        list[Path],
        typer.Argument(
            metavar="CLIP...", help="Videos or result folders: passes of one session.", show_default=False
        ),
    ],
    history: HistoryFile = None,
    day: Day = None,
    condition: Condition = "",
    repeat: Annotated[
        bool, typer.Option("--repeat", help="A take of the unchanged condition: teaches your own error.")
    ] = False,
    place: Annotated[str, typer.Option("--place", help="Where it was filmed.")] = "",
    surface: Annotated[str, typer.Option("--surface", help="Track, grass, treadmill ...")] = "",
    shoes: Annotated[str, typer.Option("--shoes", help="Shoes worn.")] = "",
    speed: Annotated[float | None, typer.Option("--speed", help="Speed aimed at, m/s.")] = None,
    pain: Annotated[int | None, typer.Option("--pain", help="Pain, 0 (none) to 10 (worst).")] = None,
    notes: Annotated[str, typer.Option("--notes", help="Notes of the session.")] = "",
    session: Annotated[
        str | None, typer.Option("--session", help="Add to a stored session: a day, DAY/CONDITION, latest.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Folder for results of measured clips.")] = None,
    capture_rate: CaptureRate = None,
    belt_speed: BeltSpeed = None,
    profile: Profile = "easy-run",
    video: Video = True,
    units: Units = "metric",
) -> None:
    """Measure clips, or take finished results, and keep them as one session of an athlete."""
    from shared import history as H
    from ui.history_find import athlete_named, id_of, session_text, sessions_named
    from ui.history_record import record as keep
    from ui.options import Options
    from ui.terminal import console, progress_bars

    options = Options(
        capture_rate_hz=capture_rate,
        belt_speed_mps=belt_speed,
        profile=profile,
        video=video,
        units=checked_units(units),
    )
    with H.open_history(history) as h:
        person = athlete_named(h, athlete)
        if session is not None:
            chosen: Session = sessions_named(h, person, session)[-1]
        else:
            chosen = H.Session(
                id_of(person),
                day or today(),
                place=place,
                surface=surface,
                shoes=shoes,
                condition=condition,
                speed_mps=speed,
                notes=notes,
                pain=pain,
                repeat_group=(condition or "usual") if repeat else None,
            )
            checked_session(h, chosen)
        with progress_bars() as progress:
            made = keep(h, chosen, sources, options, out, progress)
    screen = console()
    screen.print(f"{person.name}, {session_text(made.session)}:")
    for clip in made.clips:
        said = "kept" if clip.saved.new_clip else "this clip was kept before; it counts once"
        if clip.saved.moved_from:
            said = "moved here from another session; a clip counts once"
        screen.print(f" {Path(clip.analysis.clip.path).name}: {said} ({clip.folder})", soft_wrap=True)
    if person.stature_m is None:
        screen.print(
            "Without a body height there are no metres and no speed: laneside athletes edit "
            f"'{person.name}' --stature 1.75, then record again.",
            soft_wrap=True,
        )
    if not repeat:
        screen.print(
            "Film the unchanged condition once more in each session and record it with --repeat: "
            "from these takes the program learns your own error.",
            soft_wrap=True,
        )
    if made.failed:
        raise made.failed[0]


def checked_session(h: Any, session: Session) -> None:
    """Say what is wrong with a session before clips are measured for it; HistoryError."""
    from shared import history as H

    class _Back(Exception):
        pass

    try:
        with H.writing(h):
            H.save_session(h, session)
            raise _Back
    except _Back:
        pass


@athletes_app.command("list")
def list_athletes(history: HistoryFile = None, units: Units = "metric") -> None:
    """List the athletes."""
    from shared import history as H
    from ui.history_print import print_athletes

    shown = checked_units(units)
    with H.open_history(history) as h:
        print_athletes(h, H.athletes(h), shown)


def _said(**values: Any) -> dict[str, Any]:
    """What was said, checked like the same options of measure."""
    from ui.options import Options

    given = {k: v for k, v in values.items() if v is not None}
    checked_sex(given.get("sex"))
    Options(**{k: given[k] for k in ("stature_m", "mass_kg", "leg_length_m") if k in given})
    return given


@athletes_app.command("add")
def add_athlete(
    name: Who,
    history: HistoryFile = None,
    stature: Stature = None,
    mass: Mass = None,
    leg_length: LegLength = None,
    sex: Sex = None,
    minor: MinorOrAdult = None,
    consent: Consent = None,
    notes: AthleteNotes = None,
) -> None:
    """Add an athlete by name or code."""
    from shared import history as H
    from shared.errors import OptionError
    from ui.terminal import console

    given = _said(
        stature_m=stature,
        mass_kg=mass,
        leg_length_m=leg_length,
        sex=sex,
        minor=minor,
        consent=consent,
        notes=notes,
    )
    with H.open_history(history) as h:
        if any(p.name.casefold() == name.strip().casefold() for p in H.athletes(h)):
            raise OptionError(f"athlete '{name}'", "that name is taken", "give another name or a code")
        kept = H.save_athlete(h, H.Athlete(name, **given))
    console().print(f"Added {kept.name}.")
    if kept.minor and not kept.consent:
        console().print(
            "Under 18: film only with the consent of a parent or guardian, and note it with --consent."
        )
    if kept.stature_m is None:
        console().print(
            "Without a body height there are no metres and no speed: add --stature when you know it."
        )


@athletes_app.command("edit")
def edit_athlete(
    name: Who,
    history: HistoryFile = None,
    rename: Annotated[str | None, typer.Option("--rename", help="New name or code.")] = None,
    stature: Stature = None,
    mass: Mass = None,
    leg_length: LegLength = None,
    sex: Sex = None,
    minor: MinorOrAdult = None,
    consent: Consent = None,
    notes: AthleteNotes = None,
) -> None:
    """Change what is kept of an athlete; what is not said stays."""
    from dataclasses import replace

    from shared import history as H
    from ui.history_find import athlete_named
    from ui.terminal import console

    given = _said(
        stature_m=stature,
        mass_kg=mass,
        leg_length_m=leg_length,
        sex=sex,
        minor=minor,
        consent=consent,
        notes=notes,
    )
    with H.open_history(history) as h:
        person = athlete_named(h, name)
        kept = H.save_athlete(h, replace(person, name=rename or person.name, **given))
    console().print(f"Changed {kept.name}.")


@athletes_app.command("delete")
def delete_athlete(
    name: Who,
    history: HistoryFile = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
) -> None:
    """Delete an athlete with all sessions, clips, analyses, times, pictures and reports."""
    from shared import history as H
    from ui.history_find import athlete_named, id_of

    with H.open_history(history) as h:
        person = athlete_named(h, name)
        _ask(f"Delete {person.name} and everything measured of them from this machine?", yes)
        gone = H.delete_athlete(h, id_of(person))
    _after_deleting(gone, person.name)


def _ask(question: str, yes: bool) -> None:
    from shared.errors import OptionError

    if not yes and not typer.confirm(question):
        raise OptionError("delete", "you did not agree", "nothing was deleted")


def _after_deleting(gone: Any, name: str) -> None:
    from shared.errors import HistoryError
    from ui.history_record import remove_results
    from ui.terminal import console

    left = remove_results(gone.folders)
    if left:
        raise HistoryError(
            str(left[0]), "some results in it could not be deleted", "delete the folder by hand"
        )
    if not gone.clean:
        raise HistoryError(name, "it is deleted, but traces may be left on the disk", gone.why or "try again")
    console().print(
        f"Deleted {name}. Reports and exports that you wrote elsewhere are yours to delete.", soft_wrap=True
    )


def sessions(
    athlete: Who,
    history: HistoryFile = None,
    delete: Annotated[
        str | None, typer.Option("--delete", help="Delete this session: a day, DAY/CONDITION, or an id.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do it without asking.")] = False,
    units: Units = "metric",
) -> None:
    """List the sessions of an athlete, or delete one with its clips and analyses."""
    from shared import history as H
    from shared.errors import OptionError
    from ui.history_find import athlete_named, id_of, session_text, sessions_named
    from ui.history_print import print_sessions

    shown = checked_units(units)
    with H.open_history(history) as h:
        person = athlete_named(h, athlete)
        if delete is None:
            print_sessions(h, tuple(reversed(H.sessions(h, id_of(person)))), shown)
            return
        found = sessions_named(h, person, delete)
        if len(found) > 1:
            raise OptionError(
                f"'{delete}'", f"{len(found)} sessions answer to it", "give DAY/CONDITION or the id"
            )
        _ask(f"Delete the session {session_text(found[0])} of {person.name}?", yes)
        gone = H.delete_session(h, id_of(found[0]))
    _after_deleting(gone, session_text(found[0]))


def export(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="The zip to write.", show_default=False)],
    history: HistoryFile = None,
    athlete: Annotated[
        list[str] | None, typer.Option("--athlete", help="Only this athlete (may be repeated).")
    ] = None,
) -> None:
    """Write the history, or some athletes, to a zip of JSON and CSV."""
    from shared import history as H
    from ui.history_find import athlete_named, id_of
    from ui.terminal import console

    with H.open_history(history, read_only=True) as h:
        chosen = [id_of(athlete_named(h, name)) for name in athlete] if athlete else None
        H.export_history(h, file, chosen)
    console().print(f"Written: {file}", soft_wrap=True)


def import_(
    file: Annotated[
        Path, typer.Argument(metavar="FILE.zip", help="A zip made by export.", show_default=False)
    ],
    history: HistoryFile = None,
) -> None:
    """Merge an exported zip into the history; nothing is deleted."""
    from shared import history as H
    from ui.terminal import console

    with H.open_history(history) as h:
        done = H.import_history(h, file)
    console().print(f"{done.added} added, {done.updated} updated, {done.unchanged} unchanged.")
    for line in done.conflicts:
        console().print(f"- {line}", soft_wrap=True)


def register(app: typer.Typer) -> None:
    """Put the commands of the history under `app`."""
    from ui.history_cli_edit import register_edits
    from ui.history_cli_times import times_app
    from ui.history_cli_views import register_views

    app.command("record")(record)
    app.add_typer(athletes_app, name="athletes")
    app.command("sessions")(sessions)
    register_edits(app)
    register_views(app)
    app.add_typer(times_app, name="times")
    app.command("export")(export)
    app.command("import")(import_)
