"""The one place for the look: colours, fonts, words and signs that pictures and pages share.

Near and far differ in colour, line width and dash; a verdict is a word and a sign, never a
colour alone. The colours keep a contrast of at least 4.5 : 1 on white (checked in a test).
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Final

from shared.analysis import Verdict

INK: Final = "#16212B"
PAPER: Final = "#FFFFFF"
QUIET: Final = "#5A6773"
LINE: Final = "#D5DCE2"
WASH: Final = "#F3F6F8"
NEAR: Final = "#0A5F73"
FAR: Final = "#A34B00"
TRUNK: Final = "#3D2C6B"
TARGET: Final = "#4B7A2B"
NEAR_ON_PICTURE: Final = "#38D6F0"
FAR_ON_PICTURE: Final = "#FFB25C"
TRUNK_ON_PICTURE: Final = "#FFFFFF"

VERDICT_SIGN: Final[dict[Verdict, str]] = {
    "inside": "●",
    "borderline": "◐",
    "outside": "▲",
    "not_measurable": "○",
}
VERDICT_WORD: Final[dict[Verdict, str]] = {
    "inside": "inside the target",
    "borderline": "too close to call",
    "outside": "outside the target",
    "not_measurable": "not measurable here",
}
VERDICT_INK: Final[dict[Verdict, str]] = {
    "inside": "#2F6417",
    "borderline": "#75560A",
    "outside": "#9B2C1D",
    "not_measurable": QUIET,
}

AREA_WORD: Final[dict[str, str]] = {
    "rhythm": "Rhythm",
    "trunk": "Trunk",
    "legs": "Legs",
    "foot strike": "Foot strike",
    "arms": "Arms",
    "forces": "Forces (estimates)",
}


@lru_cache
def font_folder() -> Path:
    """Folder with the DejaVu fonts that come with matplotlib (no system font is needed)."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
