"""All pages in one place: add a line here to add a page."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any, Final

import streamlit as st

SCREENS: Final[tuple[tuple[str, str, str], ...]] = (
    ("measure", "Measure a clip", "measure:measure_screen"),
    ("clips", "My clips", "clips:clips_screen"),
    ("targets", "Targets", "targets:targets_screen"),
    ("athletes", "Athletes", "athletes:athletes_screen"),
    ("compare", "Compare", "compare:compare_screen"),
    ("trend", "Trend", "trend:trend_screen"),
    ("times", "Run times", "times:times_screen"),
    ("return-check", "Return check", "check:check_screen"),
    ("squad", "Squad", "squad:squad_screen"),
)
"""Address, title and screen (module and function) of each page, in the order of the bar; the first is the way in.

A screen is imported when it is first shown, so that the first page need not wait for all the others.
"""


def screen(place: str) -> Callable[[], None]:
    """The screen of that module and function, imported when it is called."""
    module, _, function = place.partition(":")

    def show() -> None:
        getattr(import_module(f"ui.screens.{module}"), function)()

    return show


def pages() -> list[Any]:
    """The pages for `st.navigation`; made anew for each run, since they belong to one visit."""
    return [
        st.Page(screen(place), title=title, url_path=address, default=i == 0)
        for i, (address, title, place) in enumerate(SCREENS)
    ]


def page(address: str) -> Any:
    """The page of that address."""
    return next(p for p, (name, _, _) in zip(pages(), SCREENS) if name == address)
