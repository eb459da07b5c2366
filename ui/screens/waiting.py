"""While work runs: what it is doing, the time left, the place in the queue, and a way to stop."""

from __future__ import annotations

import itertools
import time
from typing import Final

import streamlit as st

from ui.screens import place, store
from ui.screens.first_look import read_first_look
from ui.screens.style import literal, words
from ui.screens.work import overall, read_progress, seconds_left

POLL_S: Final = 0.7
"""Seconds between two looks at work that is going on or next."""
WAITING_POLL_S: Final = 4.0
"""The same with others before it: many waiting pages must not keep the server from its work."""
STAGE_WORD: Final[dict[str, str]] = {
    "opening the clip": "Opening the clip",
    "looking at the clip": "Looking at a few pictures",
    "looking for people": "Looking for people",
    "following the athlete": "Following the athlete, picture by picture",
    "pictures": "Drawing the key positions",
    "annotated video": "Writing the annotated video",
}


def time_words(seconds: float | None) -> str:
    """A time left in words, no finer than it can be known."""
    if seconds is None:
        return "working out the time left"
    if seconds < 8:
        return "a few seconds left"
    if seconds < 55:
        return f"about {5 * round(seconds / 5)} seconds left"
    minutes = round(seconds / 60)
    return "about a minute left" if minutes <= 1 else f"about {minutes} minutes left"


def queue_words(ahead: int) -> str:
    """The place in the queue in words."""
    if ahead == 0:
        return "Next in the queue"
    return "One clip is measured before yours" if ahead == 1 else f"{ahead} clips are measured before yours"


def place_in(order: list[store.Job], key: str) -> int:
    """How many are served before the clip of that key."""
    return sum(1 for _ in itertools.takewhile(lambda job: job.key != key, order))


def poll_s(ahead: int) -> float:
    """Seconds until a page looks again."""
    return POLL_S if ahead <= 1 else WAITING_POLL_S


def looking_screen(job: store.Job) -> None:
    """While the first look is taken."""
    st.title("A first look")
    _head(job)
    every = poll_s(_looks_before(job))

    @st.fragment(run_every=every)
    def poll() -> None:
        current = store.read_job(job.key)
        if current is None or current.state != "looking":
            st.rerun()
        ahead = _looks_before(job)
        if ahead > 1:
            st.progress(0.0, text=f"{ahead} clips are looked at before yours; a few seconds each")
        else:
            progress = read_progress(store.job_folder(job.key))
            stage = STAGE_WORD.get(str(progress.get("stage")), "Starting")
            total = progress.get("total") or 0
            st.progress(
                min(1.0, progress.get("done", 0) / total) if total else 0.0, text=f"{stage}; a few seconds"
            )
        if poll_s(ahead) != every:
            st.rerun()

    poll()
    _stop_button(job, "Stop")


def _looks_before(job: store.Job) -> int:
    """How many first looks are taken before this one; none when it has begun."""
    if read_progress(store.job_folder(job.key)):
        return 0
    return place_in(store.look_order(store.all_jobs()), job.key)


def waiting_screen(job: store.Job) -> None:
    """While the clip waits in the queue or is measured."""
    st.title("Measuring")
    _head(job)
    every = poll_s(place_in(store.queue_order(store.all_jobs()), job.key) if job.state == "waiting" else 0)

    @st.fragment(run_every=every)
    def poll() -> None:
        current = store.read_job(job.key)
        if current is None or current.state not in ("waiting", "running"):
            st.rerun()
        ahead = 0
        if current.state == "waiting":
            ahead = place_in(store.queue_order(store.all_jobs()), job.key)
            st.progress(0.0, text=queue_words(ahead))
        else:
            progress = read_progress(store.job_folder(job.key))
            stage = STAGE_WORD.get(str(progress.get("stage")), "Starting")
            st.progress(overall(progress), text=f"{stage}; {time_words(seconds_left(progress, time.time()))}")
        if poll_s(ahead) != every:
            st.rerun()

    poll()
    words(
        '<p class="quiet">You may close this page: the work goes on, and the result waits in <em>My clips</em>.</p>'
    )
    _stop_button(job, "Stop measuring")


def ended_screen(job: store.Job) -> None:
    """After a failure or a stop: one sentence and what to do next."""
    st.title("Not measured")
    _head(job)
    if job.state == "failed":
        st.error(literal(job.error or f"{job.name}: it could not be measured; try another clip."))
    else:
        st.info("You stopped this clip; nothing half-made was kept.")
    again, other, away = st.columns(3)
    if again.button("Try again", type="primary", width="stretch"):
        looked = read_first_look(store.job_folder(job.key) / store.FIRST_LOOK) is not None
        store.change(job, state="ready" if looked else "looking", error="")
        (store.job_folder(job.key) / store.CANCEL).unlink(missing_ok=True)
        place.queue().wake()
        st.rerun()
    if other.button("Another clip", width="stretch"):
        place.go_to(None)
        st.rerun()
    if away.button("Delete this clip", width="stretch"):
        store.remove(job)
        place.go_to(None)
        st.rerun()


def _head(job: store.Job) -> None:
    st.markdown(f"**{literal(job.name)}**" + (f" · {literal(job.label)}" if job.label else ""))


def _stop_button(job: store.Job, text: str) -> None:
    if st.button(text):
        current = store.read_job(job.key)
        if current is not None:
            store.ask_to_cancel(current)
            place.queue().wake()
        st.session_state["stopping"] = job.key
        st.rerun()
    if st.session_state.get("stopping") == job.key:
        st.caption("Stopping…")
