"""The visitor's choice of units, kept from screen to screen.

What is turned into what stands in `shared.units`, how a result says it in `ui.in_units`.
"""

from __future__ import annotations

from typing import Final

import streamlit as st

from shared.units import Units
from ui.in_units import sentence

__all__ = ["IMPERIAL", "KEY", "METRIC", "choose", "chosen", "imperial", "sentence"]

KEY: Final = "units"
METRIC, IMPERIAL = "metric", "feet and inches"


def imperial() -> bool:
    """Whether this visit asked for feet and inches."""
    return str(st.session_state.get(KEY, METRIC)) == IMPERIAL


def chosen() -> Units:
    """The choice as `ui.options.Options` knows it."""
    return "imperial" if imperial() else "metric"


def choose(place: str) -> None:
    """Let the user choose; `place` tells several choices on several pages apart."""
    control = f"{KEY}_{place}"
    st.segmented_control(
        "Units",
        [METRIC, IMPERIAL],
        default=IMPERIAL if imperial() else METRIC,
        key=control,
        on_change=lambda: st.session_state.update({KEY: st.session_state.get(control) or METRIC}),
        help="For what you read and type, and for reports. What is stored, and the data files, stay metric.",
    )
