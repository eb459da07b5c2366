"""The first screen: what this is, a sample to try, how to film, and where to put a clip."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import streamlit as st

from shared.errors import LanesideError
from ui.demo import CLIP as DEMO_CLIP
from ui.demo import MASS_KG, STATURE_M
from ui.options import Options
from ui.screens import place, store
from ui.screens.filming import advice_html
from ui.screens.style import problem, words
from ui.uploads import let_go

STEPS: Final = (
    "<strong>Put in a clip</strong> or try the sample.",
    "<strong>Say who is measured</strong>: which runner, how tall, what kind of run.",
    "<strong>Read what to work on</strong>, then every number behind it. A clip of a few seconds takes about half a minute.",
)
SAMPLE_VARIABLE: Final = "LANESIDE_SAMPLE"
LEAD: Final = (
    "Film a run from the side with a phone; Laneside measures the technique frame by frame and shows each "
    "number on the picture it came from, with an honest error. You get the few things worth working on, in "
    "order, and everything stays on this machine."
)


def sample_clip() -> Path | None:
    """The invented sample clip of this installation, or None."""
    import os

    given = os.environ.get(SAMPLE_VARIABLE, "").strip()
    for path in ([Path(given)] if given else []) + [DEMO_CLIP]:
        if path.is_file():
            return path
    return None


def start_screen() -> None:
    """Show the first screen."""
    st.title("Running technique, measured")
    steps = "".join(f"<li>{step}</li>" for step in STEPS)
    words(f'<p class="lead">{LEAD}</p><ol class="steps">{steps}</ol>')
    _upload()
    _sample()
    st.header("How to film", anchor="how-to-film")
    words(advice_html())


def _upload() -> None:
    files = st.file_uploader(
        f"Put your clips here (up to {store.LIMIT_MB // 1024} GB each; several at once are fine)",
        type=list(store.SUFFIXES),
        accept_multiple_files=True,
        max_upload_size=store.LIMIT_MB,
        key=f"upload_{st.session_state.get('uploads', 0)}",
    )
    if not files:
        return
    added: list[store.Job] = []
    for file in files:
        try:
            added.append(store.add_clip(file, file.name, place.owner()))
            let_go(file.file_id)
        except LanesideError as error:
            problem(f"{store.safe_name(file.name)}: {error.why}; {error.mend}.")
    if added:
        # A new key empties the uploader, so that the copies in memory are let go of.
        st.session_state["uploads"] = st.session_state.get("uploads", 0) + 1
        place.queue().wake()
        place.go_to(added[0])
        st.rerun()


def _sample() -> None:
    clip = sample_clip()
    left, right = st.columns([1, 2], vertical_alignment="center")
    pressed = left.button(
        "Try the sample clip",
        disabled=clip is None,
        help=None if clip else "The sample clip is not in this installation; run from a full checkout.",
        width="stretch",
    )
    right.caption(
        "No clip at hand? This is an invented runner, drawn by this project: no real person."
        if clip
        else "The sample clip is not in this installation."
    )
    if pressed and clip is not None:
        try:
            with clip.open("rb") as source:
                job = store.add_clip(source, "sample-runner" + clip.suffix, place.owner(), invented=True)
            store.change(job, options=Options(profile="fast-run", stature_m=STATURE_M, mass_kg=MASS_KG))
        except (LanesideError, OSError) as error:
            problem(str(error))
            return
        place.queue().wake()
        place.go_to(job)
        st.rerun()
