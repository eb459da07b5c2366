"""The demonstration: the main job on an invented sample clip, and an invented history of eight weeks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from shared.errors import ClipError

if TYPE_CHECKING:
    from shared.analysis import Analysis
    from ui.job import Result

CLIP: Final = Path(__file__).resolve().parents[1] / "sample_clips" / "clips" / "same_athlete_before.mp4"
AFTER: Final = CLIP.with_name("same_athlete_after.mp4")
STATURE_M: Final = 1.74
MASS_KG: Final = 68.0


def run_demo(out: Path) -> None:
    """Measure the sample clip into `out`, compare it with a second one, and show an invented history.

    Raises
    ------
    ClipError
        If the sample clip is missing from this installation.
    """
    from ui.job import measure_apart
    from ui.options import Options
    from ui.terminal import console, progress_bars, summary

    if not CLIP.exists():
        raise ClipError(
            CLIP.name, "the sample clip is not here", "run this from a full checkout of the project"
        )
    console().print("An invented runner, rendered by sample_clips/; no real person.")
    with progress_bars() as progress:
        result = measure_apart(
            CLIP, out, Options(profile="fast-run", stature_m=STATURE_M, mass_kg=MASS_KG), progress
        )
    summary(result)
    _compared(result, out)
    _history(result.analysis, out)


def _compared(before: Result, out: Path) -> None:
    """The same invented athlete with another technique: what changed, side by side."""
    from ui.history_find import folder_group
    from ui.history_report import write_comparison
    from ui.job import measure_apart
    from ui.options import Options
    from ui.terminal import console, progress_bars

    if not AFTER.exists():
        return
    screen = console()
    screen.print("\n[bold]The same invented runner after a change of technique[/bold]")
    options = Options(profile="fast-run", stature_m=STATURE_M, mass_kg=MASS_KG, video=False)
    with progress_bars() as progress:
        after = measure_apart(AFTER, out / "after", options, progress)
        made = write_comparison(
            folder_group(before.folder, "before"),
            folder_group(after.folder, "after"),
            out / "comparison",
            clips=(CLIP, AFTER),
            progress=progress,
        )
    screen.print(made.compared.comparison.summary)
    screen.print(f"Comparison: {made.files[0]}", soft_wrap=True)


def _history(base: Analysis, out: Path) -> None:
    """Eight invented weeks in their own file, with what compare, trend and check say of them."""
    from ui.demo_history import RUNNER, show_history
    from ui.terminal import console

    screen = console()
    screen.print("\n[bold]Eight invented weeks: no such sessions were filmed[/bold]")
    shown = show_history(base, out / "history")
    for line in shown.sentences:
        screen.print(f"- {line}", soft_wrap=True)
    screen.print(f"Comparison of weeks: {shown.comparison}", soft_wrap=True)
    screen.print(f"Trend: {shown.trend}", soft_wrap=True)
    screen.print(f"Return check: {shown.check}", soft_wrap=True)
    screen.print(f"History: {shown.history}", soft_wrap=True)
    screen.print(f'Try: laneside trend "{RUNNER}" --history {shown.history}', soft_wrap=True)
