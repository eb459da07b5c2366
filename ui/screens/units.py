"""The visitor's choice of units, kept from screen to screen and begun with on the next visit.

What is turned into what stands in `shared.units`, how a result says it in `ui.in_units`.
"""

from __future__ import annotations

from typing import Final

import streamlit as st

from shared.units import Units
from ui.in_units import sentence
from ui.screens import place, store

__all__ = ["IMPERIAL", "KEY", "METRIC", "choose", "chosen", "imperial", "sentence"]

KEY: Final = "units"
METRIC, IMPERIAL = "metric", "feet and inches"


def begin() -> None:
    """A new visit starts with the units in which the newest clip of its list was measured."""
    if KEY not in st.session_state:
        newest = next((job for job in store.jobs_of(place.owner()) if job.queued), None)
        feet = newest is not None and newest.options.imperial
        st.session_state[KEY] = IMPERIAL if feet else METRIC


def imperial() -> bool:
    """Whether this visit asked for feet and inches."""
    return str(st.session_state.get(KEY, METRIC)) == IMPERIAL


def chosen() -> Units:
    """The choice as `ui.options.Options` knows it."""
    return "imperial" if imperial() else "metric"


def choose(where: str) -> None:
    """Let the user choose; `where` tells several choices on several pages apart."""
    control = f"{KEY}_{where}"
    st.segmented_control(
        "Units",
        [METRIC, IMPERIAL],
        default=IMPERIAL if imperial() else METRIC,
        key=control,
        on_change=lambda: st.session_state.update({KEY: st.session_state.get(control) or METRIC}),
        help="For what you read and type, and for reports. What is stored, and the data files, stay metric.",
    )
