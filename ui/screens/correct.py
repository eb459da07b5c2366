"""Putting a result right by hand: events, joints, sides, scale; each step can be undone."""

from __future__ import annotations

import math
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Final

import streamlit as st

from shared import landmarks as lm
from shared.analysis import Analysis, Event
from shared.analysis_json import write_analysis
from shared.errors import LanesideError
from shared.track import Track
from ui import by_hand
from ui.by_hand import Correction, ExchangeRange, ExchangeSides, LeaveOut, MoveEvent, MoveJoint, SetStature
from ui.job import ANALYSIS_NAME
from ui.screens import frames, store, stored, units
from ui.screens.picker import picture_to_click
from ui.screens.style import words
from ui.screens.unit_inputs import HEIGHT, number_input
from ui.tables import write_tables

JOINTS: Final = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "foot_index")


def corrections_of(job: store.Job) -> tuple[Correction, ...]:
    """The corrections made so far."""
    return by_hand.read_corrections(store.job_folder(job.key) / by_hand.FILE)


def apply_corrections(job: store.Job, corrections: tuple[Correction, ...]) -> None:
    """Compute the result anew with these corrections and keep it, or keep nothing.

    Raises
    ------
    LanesideError
    """
    folder = store.result_folder(job)
    _, analysis = by_hand.corrected_analysis(stored.track_of(folder), job.options, corrections)
    write_tables(analysis, folder)
    write_analysis(analysis, folder / ANALYSIS_NAME)
    by_hand.write_corrections(corrections, store.job_folder(job.key) / by_hand.FILE)
    (store.job_folder(job.key) / store.STALE).touch()


def correct(job: store.Job, analysis: Analysis, track: Track, shown: Track, sample: int) -> None:
    """The tools, for the frame that the viewer shows.

    Parameters
    ----------
    track, shown : Track
        As measured, and with the corrections made so far.
    sample : int
        Row of both.
    """
    try:
        made = corrections_of(job)
    except LanesideError as error:
        st.error(str(error))
        made = ()

    def add(correction: Correction) -> None:
        _keep(job, (*made, correction))

    if st.toggle("Put something right by hand", key=f"by_hand_{job.key}"):
        with st.container(border=True):
            _tools(job, analysis, track, shown, sample, add)
    _undo(job, made)
    if problem := st.session_state.pop(f"correction_problem_{job.key}", None):
        st.error(problem)


def _tools(
    job: store.Job,
    analysis: Analysis,
    track: Track,
    shown: Track,
    sample: int,
    add: Callable[[Correction], None],
) -> None:
    tool = st.segmented_control(
        "What is wrong?",
        ["A touchdown or toe-off", "A joint", "Left and right", "The scale"],
        default="A touchdown or toe-off",
        key=f"tool_{job.key}",
    )
    if tool == "A joint":
        _joint(job, track, shown, sample, add)
    elif tool == "Left and right":
        _sides(job, analysis, track, sample, add)
    elif tool == "The scale":
        _scale(job, add)
    else:
        _event(job, analysis, int(track.frame[sample]), add)


def _keep(job: store.Job, corrections: tuple[Correction, ...]) -> None:
    """Apply and show the new result at once; a correction that can't be applied is said, not kept."""
    try:
        apply_corrections(job, corrections)
    except LanesideError as error:
        st.session_state[f"correction_problem_{job.key}"] = str(error)
    st.rerun()


def event_words(event: Event, near: str) -> str:
    """An event as a choice in a list."""
    foot = "near" if event.side == near else "far"
    half = 500 * (event.high_s - event.low_s)
    kind = by_hand.KIND_WORD[event.kind]
    return f"{kind}, {foot} ({event.side}), {event.time_s:.3f} s ± {half:.0f} ms, frame {event.frame}"


def _event(job: store.Job, analysis: Analysis, here: int, add: Callable[[Correction], None]) -> None:
    if not analysis.events:
        st.caption("No event was found in this clip.")
        return
    nearest = min(range(len(analysis.events)), key=lambda i: abs(analysis.events[i].frame - here))
    chosen = st.selectbox(
        "Event (the nearest to this frame is chosen)",
        range(len(analysis.events)),
        index=nearest,
        format_func=lambda i: event_words(analysis.events[i], analysis.near_side),
        key=f"event_{job.key}_{here}_{len(analysis.events)}",
    )
    event = analysis.events[chosen]
    with st.container(horizontal=True, gap="small"):
        for at, (label, frame) in enumerate(
            (
                ("One frame earlier", event.frame - 1),
                ("One frame later", event.frame + 1),
                (f"To this frame ({here})", here),
            )
        ):
            if st.button(label, key=f"move_{at}_{job.key}"):
                add(MoveEvent(event.kind, event.side, event.time_s, frame))
        if event.kind == "touchdown" and st.button("Leave this contact out", key=f"leave_{job.key}"):
            add(LeaveOut(event.side, event.time_s))


def _joint(
    job: store.Job, track: Track, shown: Track, sample: int, add: Callable[[Correction], None]
) -> None:
    near = shown.labelling.near_side
    names = [f"{side}_{joint}" for joint in JOINTS for side in (near, lm.opposite(near))]
    joint = st.selectbox(
        "Joint",
        names,
        format_func=lambda n: joint_words(n, near),
        key=f"joint_{job.key}",
    )
    x, y = (float(v) for v in shown.xy_px[sample, lm.INDEX[joint]])
    frame = int(track.frame[sample])
    data = stored.drawn_frame(job, track, sample, whole=False, skeleton=True, shown=shown)
    left, top, width, height = frames.close_up(track, sample)
    marks = [(x - left, y - top)] if x == x and y == y else []
    clicked = picture_to_click(
        data,
        f"Frame {frame}; the cross marks the {joint_words(joint, near)}",
        width,
        height,
        f"joint_pic_{job.key}_{frame}",
        line=marks,
    )
    st.caption("Click where the joint is; the numbers below do the same.")
    if clicked is not None:
        add(MoveJoint(joint, frame, clicked[0] + left, clicked[1] + top))
    a, b, c = st.columns([1, 1, 1], vertical_alignment="bottom")
    known = marks[0] if marks else (width / 2, height / 2)
    at = f"{job.key}_{joint}_{frame}_{known[0]:.1f}_{known[1]:.1f}"
    to_x = a.number_input("across, px", value=round(known[0] + left, 1), step=1.0, key=f"jx_{at}")
    to_y = b.number_input("down, px", value=round(known[1] + top, 1), step=1.0, key=f"jy_{at}")
    if c.button("Move it there", key=f"jgo_{job.key}"):
        add(MoveJoint(joint, frame, float(to_x), float(to_y)))


def joint_words(name: str, near: str) -> str:
    """A joint in words: near or far, then its name."""
    side, _, joint = name.partition("_")
    return f"{'near' if side == near else 'far'} {joint.replace('foot_index', 'toe')} ({side})"


WHOLE: Final = "in the whole clip"
SOME: Final = "in some frames"


def _sides(
    job: store.Job, analysis: Analysis, track: Track, sample: int, add: Callable[[Correction], None]
) -> None:
    where = st.radio("Left and right are exchanged", [WHOLE, SOME], horizontal=True, key=f"where_{job.key}")
    if where == WHOLE:
        st.caption(f"The side towards the camera is taken to be the {analysis.near_side} one.")
        if st.button("It is the other way round", key=f"sides_{job.key}"):
            add(ExchangeSides())
        return
    st.caption(
        "Step to the first frame in which the drawn legs or arms are the wrong way round, take it, then step to the "
        "last one and take that. Which side is near stays as it is."
    )
    here, low, high = int(track.frame[sample]), int(track.frame[0]), int(track.frame[-1])
    keys = {name: f"range_{name}_{job.key}" for name in ("first", "last")}
    for key in keys.values():
        st.session_state.setdefault(key, here)

    def take(name: str) -> None:
        st.session_state[keys[name]] = here
        if st.session_state[keys["last"]] < st.session_state[keys["first"]]:
            st.session_state[keys["last" if name == "first" else "first"]] = here

    for column, name in zip(st.columns(2), keys, strict=True):
        column.number_input(f"{name.capitalize()} frame", low, high, step=1, key=keys[name])
        column.button(
            f"{name.capitalize()} is this frame ({here})",
            on_click=take,
            args=(name,),
            key=f"take_{name}_{job.key}",
            width="stretch",
        )
    limbs = st.segmented_control(
        "What is exchanged?", list(by_hand.LIMB_JOINTS), default="legs", key=f"limbs_{job.key}"
    )
    first, last = (int(st.session_state[key]) for key in keys.values())
    if first > last:
        st.caption("The first frame must not come after the last.")
    elif limbs and st.button(
        f"Exchange them in frame {first}" if first == last else f"Exchange them in frames {first} to {last}",
        type="primary",
        key=f"range_go_{job.key}",
    ):
        add(ExchangeRange(first, last, limbs))


def _scale(job: store.Job, add: Callable[[Correction], None]) -> None:
    stature = number_input(HEIGHT, job.options.stature_m or 1.75, f"new_stature_{job.key}")
    cannot = stature is None or math.isnan(stature)
    if st.button("Take the scale from this height", key=f"stature_go_{job.key}", disabled=cannot) and stature:
        add(SetStature(stature))


def _undo(job: store.Job, made: tuple[Correction, ...]) -> None:
    if not made:
        return
    feet = units.imperial()
    items = "".join(f"<li>{escape(units.sentence(by_hand.sentence(c), feet))}</li>" for c in made)
    words(f"<p><strong>Made by hand</strong></p><ol>{items}</ol>")
    with st.container(horizontal=True, gap="small"):
        if st.button("Undo the last", key=f"undo_{job.key}"):
            _keep(job, made[:-1])
        if st.button("Undo all", key=f"undo_all_{job.key}"):
            _keep(job, ())


def stale_files(job: store.Job) -> bool:
    """Whether report, pictures and video are older than the corrections."""
    return (store.job_folder(job.key) / store.STALE).is_file()


def shown_track(job: store.Job, folder: Path) -> Track:
    """The track with the corrections made so far; as measured where they can't be applied."""
    track = stored.track_of(folder)
    try:
        return by_hand.corrected_track(track, corrections_of(job))
    except LanesideError:
        return track
