"""The commands that change a stored session, and that list what was changed."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from ui.cli_options import HistoryFile, Units, Who, checked_units


def edit_session(
    athlete: Who,
    session: Annotated[
        str,
        typer.Argument(metavar="SESSION", help="A day, DAY/CONDITION, latest, or an id.", show_default=False),
    ],
    history: HistoryFile = None,
    day: Annotated[str | None, typer.Option("--date", help="Day of filming, 2026-05-01.")] = None,
    condition: Annotated[str | None, typer.Option("--condition", help="What was tried.")] = None,
    place: Annotated[str | None, typer.Option("--place", help="Where it was filmed.")] = None,
    surface: Annotated[str | None, typer.Option("--surface", help="Track, grass, treadmill ...")] = None,
    shoes: Annotated[str | None, typer.Option("--shoes", help="Shoes worn.")] = None,
    speed: Annotated[str | None, typer.Option("--speed", help="Speed aimed at, m/s; none to clear.")] = None,
    pain: Annotated[str | None, typer.Option("--pain", help="Pain, 0 to 10; none to clear.")] = None,
    notes: Annotated[str | None, typer.Option("--notes", help="Notes of the session.")] = None,
    repeat: Annotated[
        bool | None,
        typer.Option("--repeat/--no-repeat", help="Whether it is a take of the unchanged condition."),
    ] = None,
) -> None:
    """Change what is kept of a session; what is not said stays, and its clips and numbers stay as they are."""
    from shared import history as H
    from shared.errors import OptionError
    from ui.history_find import athlete_named, id_of, session_text, sessions_named
    from ui.terminal import console

    changes: dict[str, Any] = {
        "date": day,
        "condition": condition,
        "place": place,
        "surface": surface,
        "shoes": shoes,
        "notes": notes,
    }
    changes = {k: v.strip() for k, v in changes.items() if v is not None}
    if speed is not None:
        changes["speed_mps"] = cleared_number(speed, "--speed", float)
    if pain is not None:
        changes["pain"] = cleared_number(pain, "--pain", int)
    with H.open_history(history) as h:
        person = athlete_named(h, athlete)
        found = sessions_named(h, person, session, filmed=False)
        if len(found) > 1:
            raise OptionError(
                f"'{session}'", f"{len(found)} sessions answer to it", "give DAY/CONDITION or the id"
            )
        old = found[0]
        if repeat is not None:
            label = changes.get("condition", old.condition) or "usual"
            changes["repeat_group"] = label if repeat else None
        if not changes:
            raise OptionError("edit-session", "nothing to change was said", "give for instance --shoes")
        kept = H.edit_session(h, id_of(old), **changes)
    said = "Nothing was different." if kept == old else f"Changed: {person.name}, {session_text(kept)}."
    console().print(said, soft_wrap=True)


def cleared_number(said: str, option: str, kind: type) -> Any:
    """The number that was said, or None for ``none``; OptionError if it is neither."""
    from shared.errors import OptionError

    if said.strip().casefold() == "none":
        return None
    try:
        return kind(said)
    except ValueError:
        raise OptionError(option, f"'{said}' is not a number", "give a number, or none to clear it") from None


def edits(athlete: Who, history: HistoryFile = None, units: Units = "metric") -> None:
    """List what was changed of an athlete and their sessions after they were first kept, newest first."""
    from shared import history as H
    from ui.history_find import athlete_named, id_of
    from ui.history_words import edit_text
    from ui.terminal import console

    shown = checked_units(units)
    with H.open_history(history, read_only=True) as h:
        person = athlete_named(h, athlete)
        days = {s.id: s for s in H.sessions(h, id_of(person))}
        found = H.edits(h, id_of(person))
    if not found:
        console().print(f"Nothing of {person.name} was changed since it was first kept.")
    for e in found:
        console().print(edit_text(e, days.get(e.session) if e.session else None, shown), soft_wrap=True)


def register_edits(app: typer.Typer) -> None:
    """Put these commands under `app`."""
    app.command("edit-session")(edit_session)
    app.command("edits")(edits)
