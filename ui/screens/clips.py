"""My clips: everything in this visit's list, and its state."""

from __future__ import annotations

import time
from typing import Final

import streamlit as st

from ui.screens import place, store
from ui.screens.style import literal, words

STATE_WORD: Final[dict[str, str]] = {
    "looking": "◌ being looked at",
    "ready": "◐ waits for your answers",
    "waiting": "◌ in the queue",
    "running": "◌ being measured",
    "done": "● measured",
    "failed": "▲ not measured",
    "cancelled": "○ stopped",
}


def clips_screen() -> None:
    """The list, newest first."""
    st.title("My clips")
    place.queue()
    owner = place.owner()
    if not store.jobs_of(owner):
        words("<p>Nothing here yet. Put a clip in under <strong>Measure a clip</strong>.</p>")
        return

    @st.fragment(run_every=2.0)
    def table() -> None:
        for job in store.jobs_of(owner):
            _row(job)

    table()
    with st.expander("Open this list in another browser"):
        words("<p>Whoever has this address on this machine sees this list; nobody else does.</p>")
        st.code(f"?{place.LIST}={owner}", language=None)


def _row(job: store.Job) -> None:
    line = st.container(
        border=True, horizontal=True, horizontal_alignment="distribute", vertical_alignment="center"
    )
    with line:
        when = time.strftime("%d %b, %H:%M", time.localtime(job.created))
        label = f" · {literal(job.label)}" if job.label else ""
        st.markdown(f"**{literal(job.name)}**{label}  \n{STATE_WORD[job.state]} · {when}")
        if st.button("Open", key=f"open_{job.key}"):
            place.go_to(job)
            from ui.screens.navigation import page

            st.switch_page(page("measure"), query_params={place.CLIP: job.key})
