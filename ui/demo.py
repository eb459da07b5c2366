"""The demonstration: the main job on an invented sample clip."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from shared.errors import ClipError

CLIP: Final = Path(__file__).resolve().parents[1] / "sample_clips" / "clips" / "same_athlete_before.mp4"
STATURE_M: Final = 1.74
MASS_KG: Final = 68.0


def run_demo(out: Path) -> None:
    """Measure the sample clip into `out` and say where the report is.

    Raises
    ------
    ClipError
        If the sample clip is missing from this installation.
    """
    from ui.job import measure_clip
    from ui.options import Options
    from ui.terminal import console, progress_bars, summary

    if not CLIP.exists():
        raise ClipError(
            CLIP.name, "the sample clip is not here", "run this from a full checkout of the project"
        )
    console().print("An invented runner, rendered by sample_clips/; no real person.")
    with progress_bars() as progress:
        result = measure_clip(
            CLIP, out, Options(profile="fast-run", stature_m=STATURE_M, mass_kg=MASS_KG), progress
        )
    summary(result)
