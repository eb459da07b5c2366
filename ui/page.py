"""The page: ``laneside page`` serves this file on the user's own machine."""

from __future__ import annotations

import streamlit as st
from streamlit import runtime

from shared.errors import LanesideError
from ui.access import refusal
from ui.screens import place, units
from ui.screens.navigation import pages
from ui.screens.style import apply_style, icon, name_uploads, problem
from ui.serve import HOST


def main() -> None:
    """Draw the page that the address asks for."""
    st.set_page_config(page_title="Laneside", page_icon=icon(), layout="wide")
    apply_style()
    name_uploads()
    if (why := refusal(st.get_option("server.address") if runtime.exists() else HOST)) is not None:
        problem(why)
        st.stop()
    page = st.navigation(pages(), position="top")
    try:
        place.owner()
        place.remember_owner()
        units.begin()
        page.run()
    except LanesideError as error:
        problem(str(error))


main()
