"""All pages in one place: add a line here to add a page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import streamlit as st

from ui.screens.athletes import athletes_screen
from ui.screens.check import check_screen
from ui.screens.clips import clips_screen
from ui.screens.compare import compare_screen
from ui.screens.measure import measure_screen
from ui.screens.squad import squad_screen
from ui.screens.targets import targets_screen
from ui.screens.times import times_screen
from ui.screens.trend import trend_screen

SCREENS: Final[tuple[tuple[str, str, Callable[[], None]], ...]] = (
    ("measure", "Measure a clip", measure_screen),
    ("clips", "My clips", clips_screen),
    ("targets", "Targets", targets_screen),
    ("athletes", "Athletes", athletes_screen),
    ("compare", "Compare", compare_screen),
    ("trend", "Trend", trend_screen),
    ("times", "Run times", times_screen),
    ("return-check", "Return check", check_screen),
    ("squad", "Squad", squad_screen),
)
"""Address, title and screen of each page, in the order of the bar; the first is the way in."""


def pages() -> list[Any]:
    """The pages for `st.navigation`; made anew for each run, since they belong to one visit."""
    return [
        st.Page(screen, title=title, url_path=address, default=i == 0)
        for i, (address, title, screen) in enumerate(SCREENS)
    ]


def page(address: str) -> Any:
    """The page of that address."""
    return next(p for p, (name, _, _) in zip(pages(), SCREENS) if name == address)
