"""Where the user is: the list that the visit belongs to, and the clip that is open."""

from __future__ import annotations

from typing import Final

import streamlit as st

from ui.screens import store
from ui.screens.queue import Queue

COOKIE: Final = "laneside_list"
LIST: Final = "list"
CLIP: Final = "clip"
A_YEAR_S: Final = 31_536_000


@st.cache_resource(show_spinner=False, on_release=Queue.close)
def queue() -> Queue:
    """The one queue of this server."""
    return Queue()


def owner() -> str:
    """Name of this visit's list: from the address, a cookie of an earlier visit, or new.

    The cookie stays on this machine and holds nothing but that random name.
    """
    if store.is_key(st.session_state.get(LIST)):
        return str(st.session_state[LIST])
    shared = st.query_params.get(LIST)
    kept = st.context.cookies.get(COOKIE)
    if store.is_key(shared):
        name = str(shared)
    elif store.is_key(kept):
        name = str(kept)
    else:
        name = store.new_key()
        st.session_state["new_list"] = True
    st.session_state[LIST] = name
    return name


def remember_owner() -> None:
    """Leave the cookie on a first visit."""
    if st.session_state.pop("new_list", False):
        name = owner()
        st.html(
            f'<script>document.cookie = "{COOKIE}={name}; path=/; max-age={A_YEAR_S}; SameSite=Strict";</script>',
            unsafe_allow_javascript=True,
        )


def open_job() -> store.Job | None:
    """The clip that is open, or None."""
    key = st.session_state.get(CLIP) or st.query_params.get(CLIP)
    job = store.read_job(key) if isinstance(key, str) else None
    if job is None:
        st.session_state.pop(CLIP, None)
        st.query_params.pop(CLIP, None)
        return None
    st.session_state[CLIP] = job.key
    st.query_params[CLIP] = job.key
    return job


def go_to(job: store.Job | None) -> None:
    """Open a clip, or none; shown at the next run of the page."""
    if job is None:
        st.session_state.pop(CLIP, None)
        st.query_params.pop(CLIP, None)
    else:
        st.session_state[CLIP] = job.key
        st.query_params[CLIP] = job.key
