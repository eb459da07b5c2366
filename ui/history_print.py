"""What the command line shows of the history."""

from __future__ import annotations

from collections.abc import Sequence

from rich.markup import escape
from rich.table import Table

from shared import history as H
from shared.units import Units, height_text, mass_text
from technique.posture_points import point_sentence
from technique.return_check import ReturnCheck
from technique.rulers import shown_value, speed_ruler, turned
from technique.side_comparison import side_sentence
from technique.time_comparison import METHOD_WORDS
from ui.history_find import session_text
from ui.history_report import ComparisonFiles
from ui.history_rows import change_row, moved_text, short_sentence
from ui.history_views import SquadLine, TrendView
from ui.history_words import capital, change_sign, comparison_notes
from ui.terminal import console


def _table(*heads: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for head in heads:
        table.add_column(head, overflow="fold")
    return table


def print_athletes(history: H.History, people: Sequence[H.Athlete], units: Units = "metric") -> None:
    """Name, body sizes and number of sessions."""
    out = console()
    if not people:
        out.print("No athlete yet. Add one with: laneside athletes add NAME")
        return
    table = _table("athlete", "stature", "mass", "sessions", "latest", "notes")
    for p in people:
        found = H.sessions(history, p.id or "")
        table.add_row(
            escape(p.name) + (" (under age)" if p.minor else ""),
            "not given"
            if p.stature_m is None
            else height_text(p.stature_m, True)
            if units == "imperial"
            else f"{p.stature_m:.2f} m",
            "not given" if p.mass_kg is None else mass_text(p.mass_kg, units == "imperial"),
            str(len(found)),
            found[0].date[:10] if found else "-",
            escape(p.notes[:60]),
        )
    out.print(table)


def print_sessions(history: H.History, found: Sequence[H.Session], units: Units = "metric") -> None:
    """Oldest first, with clips and the group of repeats."""
    out = console()
    if not found:
        out.print("No session yet. Record one with: laneside record ATHLETE CLIP")
        return
    table = _table("day", "condition", "clips", "speed", "pain", "repeats", "place, shoes, notes", "id")
    for s in found:
        table.add_row(
            s.date,
            escape(s.condition),
            str(len(H.clips(history, s.id or ""))),
            "" if s.speed_mps is None else speed_ruler(units, 1).change(s.speed_mps),
            "" if s.pain is None else f"{s.pain}/10",
            escape(s.repeat_group or ""),
            escape(", ".join(x for x in (s.place, s.surface, s.shoes, s.notes) if x)[:60]),
            (s.id or "")[:8],
        )
    out.print(table)


def print_comparison(made: ComparisonFiles, units: Units = "metric") -> None:
    """What changed first, then every row that could be judged, then where the report is."""
    out = console()
    found = made.compared.comparison
    out.print(f"[bold]{escape(found.before)}[/bold] and [bold]{escape(found.after)}[/bold]", soft_wrap=True)
    out.print(turned(found.summary, units))
    for c in (*found.changed, *found.perhaps):
        tail = "" if c.verdict == "changed" else " May be chance."
        out.print(
            f" {change_sign(c.verdict, c.difference)} {escape(short_sentence(c, units))}{tail}",
            soft_wrap=True,
        )
    table = _table("measure", "before", "after", "difference", "95 % interval", "can tell", "verdict")
    for i, c in enumerate(found.changes):
        if c.verdict != "not comparable":
            r = change_row(c, i, units)
            table.add_row(
                r.name, r.before, r.after, r.difference, r.interval, r.detectable, f"{r.sign} {r.word}"
            )
    if table.row_count:
        out.print(table)
    reasons: dict[str, int] = {}
    for c in found.changes:
        if c.verdict == "not comparable":
            reasons[c.reason or ""] = reasons.get(c.reason or "", 0) + 1
    for why, n in reasons.items():
        out.print(f"Not comparable ({n}): {escape(turned(why, units))}.", soft_wrap=True)
    for curve in made.compared.curves:
        if curve.parts:
            out.print(f" ~ {capital(curve.sentence)}", soft_wrap=True)
    for note in (*comparison_notes(found, units), *made.notes):
        out.print(f"- {escape(note)}", soft_wrap=True)
    out.print(f"\nReport: {made.files[0]}", soft_wrap=True)


def print_trend(view: TrendView, every: bool) -> None:
    """The sentence; with `every`, each session and the notes as well."""
    out = console()
    out.print(escape(capital(view.trend.sentence)), soft_wrap=True)
    if not every:
        return
    table = _table("day", "value", "95 % interval", "condition", "")
    for p, odd in zip(view.trend.points, view.trend.outliers):
        table.add_row(
            p.date,
            view.shown.value(p.value),
            "" if p.low is None or p.high is None else view.shown.between(p.low, p.high),
            escape(p.label),
            "far off the line" if odd else "",
        )
    out.print(table)
    for note in view.trend.notes:
        out.print(f"- {note}", soft_wrap=True)


def print_check(made: ReturnCheck, session: H.Session, baseline: H.Session | None) -> None:
    """Fixed sentences first; then flags, points and what was not measured."""
    out = console()
    out.print(f"[bold]{escape(made.title)}[/bold]")
    out.print(
        f"Session: {escape(session_text(session))}. Own baseline: "
        f"{escape(session_text(baseline)) if baseline else 'none stored'}.",
        soft_wrap=True,
    )
    for line in made.fixed:
        out.print(f"! {line}", soft_wrap=True)
    out.print("[bold]For the clinician to look at[/bold]")
    for line in made.flags or (
        "Nothing stood out beyond its error. That says nothing of what was not measured.",
    ):
        out.print(f" ▲ {escape(line)}", soft_wrap=True)
    for title, lines in (
        ("Left against right", [side_sentence(s, made.units) for s in made.sides]),
        ("Posture points", [point_sentence(p, made.units) for p in made.points]),
        ("Progression", made.log_sentences),
        ("Not measured", made.not_measured),
        ("Notes", made.notes),
    ):
        if lines:
            out.print(f"[bold]{title}[/bold]")
            for line in lines:
                out.print(f" - {escape(capital(line))}", soft_wrap=True)


def print_squad(lines: Sequence[SquadLine], units: Units = "metric") -> None:
    """One row per athlete."""
    out = console()
    if not lines:
        out.print("No athlete yet. Add one with: laneside athletes add NAME")
        return
    table = _table("athlete", "latest session", "moved beyond error since the session before", "due")
    for line in lines:
        table.add_row(
            escape(line.athlete.name),
            "-" if line.session is None else escape(session_text(line.session)),
            escape(moved_text(line, units)),
            "▲ due" if line.due else f"{line.days} days ago",
        )
    out.print(table)


def print_runs(runs: Sequence[H.RunTime]) -> None:
    """Timed runs, newest first."""
    out = console()
    if not runs:
        out.print("No timed run yet. Add one with: laneside times add ATHLETE --distance M --time S")
        return
    table = _table("no.", "day", "distance", "time", "taken", "condition", "wind", "splits")
    for i, r in enumerate(runs, start=1):
        table.add_row(
            str(i),
            r.date,
            f"{r.distance_m:g} m",
            f"{r.time_s:.2f} s",
            METHOD_WORDS[r.method],
            escape(r.condition),
            "" if r.wind_mps is None else shown_value(r.wind_mps, "m/s", 1, sign=True),
            ", ".join(f"{s.distance_m:g} m {s.time_s:.2f}" for s in r.splits),
        )
    out.print(table)
