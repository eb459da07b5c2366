"""What the command line shows: progress, findings, a summary."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.progress import (
    Progress as Bars,
)
from rich.table import Table

from shared.errors import one_line
from shared.progress import Progress

if TYPE_CHECKING:
    from ui.job import Finding, Result

PLAIN_EVERY_S = 5.0
"""Seconds between progress lines when the output is not a terminal."""
WIDTH_ELSEWHERE: Final = 120
"""Letters in a line of a table when the output is not a terminal."""


def console() -> Console:
    """The console for normal output; standard error is kept for failures."""
    terminal = sys.stdout.isatty()
    width = None if terminal or os.environ.get("COLUMNS") else WIDTH_ELSEWHERE
    return Console(file=sys.stdout, highlight=False, soft_wrap=not terminal, width=width)


@contextmanager
def progress_bars() -> Iterator[Progress]:
    """Progress with time left on a terminal; a line every few seconds elsewhere."""
    out = console()
    if not out.is_terminal:
        yield _plain_progress(out)
        return
    with Bars(
        TextColumn("{task.description:<24}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=out,
    ) as bars:
        tasks: dict[str, TaskID] = {}

        def report(stage: str, done: int, total: int | None) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield report


def _plain_progress(out: Console) -> Progress:
    said: dict[str, float] = {}

    def report(stage: str, done: int, total: int | None) -> None:
        now = time.monotonic()
        if stage not in said or now - said[stage] >= PLAIN_EVERY_S or (total is not None and done == total):
            said[stage] = now
            out.print(f"{stage}: {done}" + (f" of {total}" if total else ""))

    return report


def summary(result: Result, feet: bool = False) -> None:
    """Doubts and cues first, then the numbers held against targets, the folder and the report.

    Parameters
    ----------
    result : Result
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.
    """
    from technique.time_base_notes import time_base_doubts
    from ui.in_units import sentence
    from ui.report import DOUBTS_HEAD, NO_CUES
    from ui.target_table import missing_targets, target_rows

    out = console()
    analysis = result.analysis
    out.print()
    out.print(
        f"[bold]{analysis.profile}[/bold], near side {analysis.near_side}, {analysis.camera} camera, "
        f"time base: {analysis.clip.time_base} ({analysis.clip.capture_rate_hz:g} frames a second)"
    )
    doubts = time_base_doubts(analysis.notes)
    why_none = str(analysis.provenance.settings.get("why_no_cues") or NO_CUES)
    if doubts:
        out.print(f"[bold]{DOUBTS_HEAD}[/bold]")
        for note in doubts:
            out.print(f"- {escape(one_line(sentence(note, feet)))}")
    if analysis.cues:
        out.print("[bold]What to work on, in order[/bold]")
        for cue in analysis.cues:
            out.print(f" {cue.rank}. {cue.text} (frame {cue.frame})")
    else:
        out.print(sentence(why_none, feet))
    rows = target_rows(analysis, feet)
    if rows:
        table = Table(box=None, pad_edge=False)
        for head in ("measure", "side", "value", "95 % interval", "target", ""):
            table.add_column(head, no_wrap=head in ("value", "95 % interval"))
        for row in rows:
            table.add_row(*row)
        out.print(table)
    for why, names in missing_targets(analysis, feet):
        out.print(f"Not measurable here: {names}: {escape(one_line(why))}")
    for note in analysis.notes:
        if note not in (*doubts, why_none):
            out.print(f"- {escape(one_line(sentence(note, feet)))}")
    out.print(f"\nReport: {escape(one_line(str(result.report)))}")


def print_findings(clip: Path, findings: Sequence[Finding]) -> None:
    """Suitability, a line each; the level is a word, never a colour alone."""
    out = console()
    out.print(escape(one_line(clip.name)))
    for finding in findings:
        out.print(f" {finding.level:<8} {escape(one_line(finding.text))}")


def print_profiles() -> None:
    """Names and descriptions of the built-in profiles."""
    from technique.targets import load_profile, profile_names

    out = console()
    for name in profile_names():
        profile = load_profile(name)
        out.print(f"[bold]{name}[/bold]  {profile.title}\n    {profile.description.strip()}")
