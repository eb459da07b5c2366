"""The commands that look back: compare, trend, return-check, squad."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from ui.cli_options import HistoryFile, Units, Who, checked_units


def compare(
    before: Annotated[
        str,
        typer.Argument(
            metavar="BEFORE",
            help="A result folder; or, with --athlete, a session or group.",
            show_default=False,
        ),
    ],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same.", show_default=False)],
    athlete: Annotated[
        str | None, typer.Option("--athlete", help="Whose sessions BEFORE and AFTER are.")
    ] = None,
    history: HistoryFile = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for the report.")] = Path("laneside_comparison"),
    video: Annotated[bool, typer.Option("--video/--no-video", help="Write the side-by-side video.")] = True,
    aim: Annotated[
        list[str] | None,
        typer.Option("--aim", help="A measure you set out to change: found sooner (may be repeated)."),
    ] = None,
    units: Units = "metric",
) -> None:
    """Say what changed beyond error between two results, sessions or groups of sessions.

    A session is a day (2026-05-01), DAY/CONDITION, a condition (all its sessions), first, latest, or several
    with commas between.
    """
    from shared import history as H
    from ui.history_find import athlete_named, id_of, repeated_takes, session_group, sessions_named
    from ui.history_print import print_comparison
    from ui.history_report import write_comparison
    from ui.history_views import measure_key
    from ui.terminal import progress_bars

    shown = checked_units(units)
    repeats: list[Any] = []
    aims = [measure_key(said) for said in aim or ()]
    if athlete is None:
        groups = [_folder(said) for said in (before, after)]
    else:
        with H.open_history(history, read_only=True) as h:
            person = athlete_named(h, athlete)
            found = [sessions_named(h, person, said) for said in (before, after)]
            _apart(found[0], found[1])
            groups = [session_group(h, s) for s in found]
            repeats = repeated_takes(h, id_of(person))
    with progress_bars() as progress:
        made = write_comparison(
            groups[0], groups[1], out, repeats, video=video, progress=progress, aims=aims, units=shown
        )
    print_comparison(made, shown)


def _folder(said: str) -> Any:
    from shared.errors import OptionError
    from ui.history_find import folder_group

    if not Path(said).exists():
        raise OptionError(
            said,
            "there is no such result folder",
            "give a folder made by measure, or name --athlete for sessions",
        )
    return folder_group(Path(said))


def _apart(a: Any, b: Any) -> None:
    from shared.errors import OptionError
    from ui.history_find import session_text

    both = {s.id for s in a} & {s.id for s in b}
    if both:
        name = next(session_text(s) for s in a if s.id in both)
        raise OptionError(
            "compare", f"the session {name} stands on both sides", "choose two different sessions"
        )


def trend(
    athlete: Who,
    measure: Annotated[
        str | None, typer.Argument(metavar="[MEASURE]", help="Key or name; default: a few.")
    ] = None,
    history: HistoryFile = None,
    side: Annotated[
        str | None, typer.Option("--side", help="left, right or both; default: all measured.")
    ] = None,
    condition: Annotated[
        str | None, typer.Option("--condition", help="Only sessions of this condition.")
    ] = None,
    profile: Annotated[str | None, typer.Option("--profile", help="Profile whose target is drawn.")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Write the plot as SVG into this file.")] = None,
    units: Units = "metric",
) -> None:
    """Show a measure across weeks with a fitted trend and its interval; no session is dropped."""
    from shared import history as H
    from shared.errors import OptionError
    from shared.files import write_text
    from ui.history_find import athlete_named
    from ui.history_plots import trend_plot
    from ui.history_print import print_trend
    from ui.history_views import TREND_KEYS, measure_key, measured_sides, trend_view
    from ui.terminal import console

    shown = checked_units(units)
    if side not in (None, "left", "right", "both"):
        raise OptionError("--side", f"'{side}' is not known", "say left, right or both")
    keys = TREND_KEYS if measure is None else (measure_key(measure),)
    views = []
    with H.open_history(history, read_only=True) as h:
        person = athlete_named(h, athlete)
        for key in keys:
            sides = measured_sides(h, person, key) if side is None else (side,)
            views += [trend_view(h, person, key, s, condition, profile, shown) for s in sides]  # type: ignore[arg-type]
    if not views:
        what = "these measures" if measure is None else f"'{measure}'"
        raise OptionError(
            f"trend of {what}", f"{person.name} has no session with a value", "record a clip first"
        )
    for view in views:
        print_trend(view, every=measure is not None)
    if out is not None:
        view = views[0]
        write_text(out, trend_plot(view.trend, view.title, view.axis, view.target, view.shown))
        console().print(f"Plot: {out}", soft_wrap=True)


def return_check(
    athlete: Who,
    history: HistoryFile = None,
    session: Annotated[str, typer.Option("--session", help="The session to look at.")] = "latest",
    baseline: Annotated[
        str | None,
        typer.Option(
            "--baseline", help="The athlete's own session from before; default: condition 'baseline'."
        ),
    ] = None,
    profile: Annotated[
        str, typer.Option("--profile", help="Profile with ranges and sources.")
    ] = "return-check",
    out: Annotated[Path, typer.Option("--out", help="Folder for the report.")] = Path(
        "laneside_return_check"
    ),
    units: Units = "metric",
) -> None:
    """Posture and left against right before a return to sprinting, for the clinician; it never decides."""
    from shared import history as H
    from ui.history_check_report import write_check
    from ui.history_find import athlete_named, is_invented_athlete
    from ui.history_print import print_check
    from ui.history_views import check_view
    from ui.terminal import console

    shown = checked_units(units)
    with H.open_history(history, read_only=True) as h:
        person = athlete_named(h, athlete)
        made, chosen, own = check_view(h, person, session, baseline, profile, shown)
    files, notes = write_check(made, person, chosen, own, out, invented=is_invented_athlete(person))
    print_check(made, chosen, own)
    for note in notes:
        console().print(f"- {note}", soft_wrap=True)
    console().print(f"\nReport: {files[0]}", soft_wrap=True)


def squad(
    history: HistoryFile = None,
    due: Annotated[int, typer.Option("--due", help="Days after which an athlete is due.")] = 28,
    units: Units = "metric",
) -> None:
    """All athletes: latest session, what moved beyond error since the one before, who is due."""
    from shared import history as H
    from shared.errors import OptionError
    from ui.history_print import print_squad
    from ui.history_views import squad_lines

    shown = checked_units(units)
    if due < 1:
        raise OptionError("--due", f"{due} days make no sense", "give 1 or more")
    with H.open_history(history, read_only=True) as h:
        print_squad(squad_lines(h, due), shown)


def register_views(app: typer.Typer) -> None:
    """Put the commands under `app`."""
    app.command("compare")(compare)
    app.command("trend")(trend)
    app.command("return-check")(return_check)
    app.command("squad")(squad)
