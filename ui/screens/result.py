"""The result: what to work on first, then everything behind it."""

from __future__ import annotations

import time
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import Any, Final

import streamlit as st

from shared.analysis import Analysis
from shared.errors import LanesideError
from shared.units import Units
from technique.cues import why_no_cues
from technique.targets import profile_names
from ui import look, report
from ui.pictures import Picture
from ui.screens import numbers, place, stills, store, stored, units
from ui.screens.ask import profile_title
from ui.screens.correct import apply_corrections, corrections_of, stale_files
from ui.screens.downloads import downloads
from ui.screens.meaning import meaning
from ui.screens.profiles import known_profile, own_profiles
from ui.screens.style import jpeg_img, literal, problem, words
from ui.screens.viewer import viewer

JUMPS: Final = (
    ("#work", "What to work on"),
    ("#numbers", "Numbers"),
    ("#frames", "Frame by frame"),
    ("#meaning", "What a number means"),
    ("#clip", "How good this clip is"),
    ("#files", "Files"),
    ("#keep", "Keep it"),
)

UNITS_WORD: Final[dict[Units, str]] = {
    "metric": "metric units",
    "imperial": "feet, inches and miles per hour",
}
SEEN: Final = "result_seen"
TO_DRAW_S: Final = 0.25
"""Time for the browser to draw the cues; the plots' program then takes it about half a second to start."""


def result_screen(job: store.Job) -> None:
    """Show a finished result, the most useful first."""
    folder = store.result_folder(job)
    try:
        analysis = stored.analysis_of(folder)
    except LanesideError as error:
        st.title("Not measured")
        problem(f"{job.name}: {error.why}; {error.mend}.")
        return
    made = report.content(
        analysis,
        stills.pictures(job, analysis, folder),
        (folder / "annotated.mp4").is_file(),
        units.imperial(),
    )
    _head(job, analysis)
    _doubts(job, made)
    _cues(job, analysis, made, folder)
    _let_it_be_drawn(job)
    _numbers(made)
    st.header("Frame by frame", anchor="frames")
    viewer(job, analysis, folder)
    _video(folder)
    st.header("What a number means", anchor="meaning")
    meaning(job, analysis)
    _about(analysis, made)
    st.header("Files", anchor="files")
    _rewriting(job)
    downloads(job, folder)


def _rewriting(job: store.Job) -> None:
    """Offer report and pictures anew where they are older than the tables, or in other units."""
    wanted = units.chosen()
    if stale_files(job):
        st.info("Report, pictures and video were made before your last change; the tables have it already.")
        press = "Write report, pictures and video again"
    elif wanted != job.written:
        st.info(f"Report and pictures are written in {UNITS_WORD[job.written]}.")
        press = f"Write them in {UNITS_WORD[wanted]}"
    else:
        return
    if st.button(press):
        store.enqueue(job, replace(job.options, units=wanted), job.label, rewrite=True)
        place.queue().wake()
        st.rerun()


def _let_it_be_drawn(job: store.Job) -> None:
    """At a first look, let the browser draw the cues before it is busy with the plots' program."""
    if st.session_state.get(SEEN) != job.key:
        st.session_state[SEEN] = job.key
        time.sleep(TO_DRAW_S)


def _head(job: store.Job, analysis: Analysis) -> None:
    st.title("What to work on")
    label = f" · {literal(job.label)}" if job.label else ""
    invented = " · an invented runner" if job.invented else ""
    st.markdown(
        f"**{literal(job.name)}**{label}{invented} · held against the targets for *{literal(targets_title(job, analysis))}*"
    )
    links = "".join(f'<a href="{target}" target="_self">{escape(text)}</a>' for target, text in JUMPS[1:])
    words(f'<nav class="jump small" aria-label="Parts of this result">{links}</nav>')


def _doubts(job: store.Job, made: dict[str, Any]) -> None:
    """A wrong time base goes before everything else."""
    if not made["doubts"]:
        return
    lines = "".join(f"<li>{escape(note)}</li>" for note in made["doubts"])
    words(
        f'<div class="note caution" role="alert"><strong>{report.DOUBTS_HEAD}</strong><ul>{lines}</ul></div>'
    )
    if st.button("Give the true capture rate and measure again"):
        store.change(job, state="ready")
        st.rerun()


def targets_title(job: store.Job, analysis: Analysis) -> str:
    """Title of the profile that the result was held against."""
    own = job.options.profile
    return profile_title(own if Path(own).stem == analysis.profile else analysis.profile)


def no_cue_words(job: store.Job, analysis: Analysis) -> str:
    """Why there is no cue, in words."""
    told: dict[str, object] = {"recent_injury": "yes"} if job.options.injury else {}
    try:
        profile = known_profile(job.options.profile)
    except LanesideError:
        return "There is no cue for this clip."
    why = why_no_cues(analysis.measures, analysis.scores, profile, told)
    return why or "There is no cue for this clip."


def verdict_words(analysis: Analysis) -> str:
    """How many numbers meet their targets, in a sentence."""
    counts = {v: sum(s.verdict == v for s in analysis.scores) for v in look.VERDICT_WORD}
    held = sum(counts.values()) - counts["not_measurable"]
    if not held:
        return "No number of this clip can be held against these targets."
    numbers_ = "1 number is" if held == 1 else f"{held} numbers are"
    return (
        f"{numbers_} held against targets: {counts['inside']} inside, {counts['borderline']} too close to call, "
        f"{counts['outside']} outside."
    )


def _cues(job: store.Job, analysis: Analysis, made: dict[str, Any], folder: Path) -> None:
    if not made["cues"]:
        why = units.sentence(no_cue_words(job, analysis), units.imperial())
        words(f'<p class="lead">{escape(why)}</p>')
    for cue in made["cues"]:
        picture: Picture | None = cue["picture"]
        data = stills.still(job, folder, picture, stills.LARGE_PX) if picture else None
        words(cue_html(cue, data))
    words(f"<p>{escape(verdict_words(analysis))} <a href='#numbers' target='_self'>See them all.</a></p>")
    if made["cautions"]:
        lines = "".join(f"<li>{escape(line)}</li>" for line in made["cautions"])
        words(f'<div class="note caution"><strong>Before you change anything</strong><ul>{lines}</ul></div>')
    if made["positions"]:
        seen = ((p, stills.still(job, folder, p, stills.SMALL_PX)) for p in made["positions"])
        figures = "".join(
            f"<figure>{jpeg_img(data, p.alt)}<figcaption>{escape(p.title)}, frame {p.frame}</figcaption></figure>"
            for p, data in seen
            if data is not None
        )
        with st.expander("The key positions of the stride", expanded=not made["cues"]):
            words(f'<div class="stills">{figures}</div>')


def cue_html(cue: dict[str, Any], picture: bytes | None) -> str:
    """One cue beside the picture it was seen on (JPEG, if there is one)."""
    shown = "" if picture is None else jpeg_img(picture, cue["picture"].alt)
    kind = "cue" if shown else "cue alone"
    parts = "".join(
        f"<dt>{name}</dt><dd>{escape(cue[key])}</dd>"
        for name, key in (
            ("Seen", "seen"),
            ("Why", "why"),
            ("Try", "do"),
            ("Avoid", "avoid"),
            ("Evidence", "evidence"),
        )
        if cue[key]
    )
    caution = (
        f'<p class="note caution"><strong>Caution.</strong> {escape(cue["caution"])}</p>'
        if cue["caution"]
        else ""
    )
    return (
        f'<article class="{kind}">{shown}<div><h3>{cue["rank"]}. {escape(cue["text"])}</h3>'
        f'<p class="small quiet">{escape(cue["side"])}, frame {cue["frame"]}</p><dl>{parts}</dl>{caution}</div></article>'
    )


def _numbers(made: dict[str, Any]) -> None:
    st.header("Numbers, by body area", anchor="numbers")
    words(numbers.legend_html())
    units.choose("result")
    for block in made["areas"]:
        title = block.title + (f": {block.counts}" if block.counts else ": no target here")
        with st.expander(title, expanded=any(r.verdict == "outside" for r in block.rows)):
            words(numbers.block_html(block))
    if made["symmetry"]:
        with st.expander("Left against right"):
            words(
                '<p class="small quiet">Left minus right. From one side view the near side is seen better than the '
                "far; film a pass from each side before you trust a difference.</p>"
                + numbers.symmetry_html(made["symmetry"])
            )


def _video(folder: Path) -> None:
    path = folder / "annotated.mp4"
    if path.is_file():
        with st.expander("Annotated video"):
            st.video(str(path))


def _about(analysis: Analysis, made: dict[str, Any]) -> None:
    st.header("How good this clip is, and how it was read", anchor="clip")
    notes = "".join(f"<li>{escape(note)}</li>" for note in made["notes"])
    words(
        numbers.facts_html(made["facts"])
        + f"<ul>{notes}</ul>"
        + numbers.provenance_html(analysis, made["provenance"])
    )


def result_actions(job: store.Job) -> None:
    """What can be done with a finished result besides reading it."""
    st.header("And then", anchor="then")
    left, right = st.columns(2)
    if left.button("Measure another clip", type="primary", width="stretch"):
        place.go_to(None)
        st.rerun()
    with right:
        _another_profile(job)
    if left.button("Change the answers and measure this one again", width="stretch"):
        store.change(job, state="ready")
        st.rerun()
    with right.popover("Delete this clip", icon=":material/delete:", width="stretch"):
        st.caption("The clip and its result are removed from this machine.")
        if st.button("Yes, delete it"):
            store.remove(job)
            place.go_to(None)
            st.rerun()


def _another_profile(job: store.Job) -> None:
    """Hold the same measures against other targets; no video is read."""
    names = [*profile_names(), *own_profiles(place.owner())]
    with st.popover("Hold it against other targets", width="stretch"):
        name = st.selectbox(
            "Targets for",
            names,
            index=names.index(job.options.profile) if job.options.profile in names else 0,
            format_func=profile_title,
            key=f"other_profile_{job.key}",
        )
        if st.button("Use these targets"):
            changed = replace(job, options=replace(job.options, profile=name))
            try:
                apply_corrections(changed, corrections_of(job))
            except LanesideError as error:
                problem(str(error))
                return
            store.write_job(changed)
            st.rerun()
