"""The page: ``laneside page`` serves this file on the user's own machine."""

from __future__ import annotations

import streamlit as st

from shared.errors import LanesideError
from ui.screens import place
from ui.screens.navigation import pages
from ui.screens.style import apply_style, icon, name_uploads, problem


def main() -> None:
    """Draw the page that the address asks for."""
    st.set_page_config(page_title="Laneside", page_icon=icon(), layout="wide")
    apply_style()
    name_uploads()
    page = st.navigation(pages(), position="top")
    try:
        place.owner()
        place.remember_owner()
        page.run()
    except LanesideError as error:
        problem(str(error))


main()
