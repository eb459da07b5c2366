"""Before measuring: what is seen in the clip, and the few things only the user knows."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

import streamlit as st

from shared.errors import LanesideError
from technique.targets import profile_names
from ui.options import AthletePoint, MarkedDistance, Options
from ui.screens import place, profiles, store, units
from ui.screens.first_look import FIRST_PICTURE, FirstLook, read_first_look
from ui.screens.picker import picture_to_click
from ui.screens.style import findings_list, literal, problem, words
from ui.screens.unit_inputs import BELT_SPEED, DISTANCE, HEIGHT, MASS, number_input

AUTOMATIC: Final = "Whoever crosses the picture running"
NO_SCALE: Final = "None: angles and times only"
STATURE: Final = "Body height"
MARKED: Final = "A marked distance"
BELT: Final = "Treadmill speed"
RATES: Final = (24, 25, 30, 50, 60, 100, 120, 200, 240, 480)


def ask_screen(job: store.Job) -> None:
    """Show what was seen and ask for the rest."""
    folder = store.job_folder(job.key) / store.FIRST_LOOK
    look = read_first_look(folder)
    if look is None:
        store.change(job, state="looking")
        place.queue().wake()
        st.rerun()
        return
    st.title("Is this right?")
    st.markdown(
        f"**{literal(job.name)}** · {look.width} × {look.height}, {look.frames} pictures, "
        f"{look.duration_s:.1f} s of real time"
    )
    left, right = st.columns([3, 2], gap="large")
    with left:
        athlete = _who(job, look, folder)
    with right:
        st.subheader("What this clip is good for")
        words(findings_list(look.findings))
    st.header("What only you know")
    units.choose("ask")
    said = _answers(job, look)
    said["athlete"] = athlete
    if said.pop("wants_marks"):
        said["marked"] = _marks(job, look, folder)
    _go(job, said)


def _who(job: store.Job, look: FirstLook, folder: Path) -> AthletePoint | None:
    """The athlete, chosen by a click on the picture or by number."""
    shown = [p for p in look.previews if p.people] or list(look.previews)
    if not shown:
        return None
    st.subheader("Who is the athlete?")
    preview = shown[len(shown) // 2]
    if len(shown) > 1:
        number = st.segmented_control(
            "Picture at",
            range(len(shown)),
            default=len(shown) // 2,
            format_func=lambda i: f"{shown[i].time_s:.2f} s",
            key=f"preview_{job.key}",
        )
        preview = shown[len(shown) // 2 if number is None else number]
    names = [AUTOMATIC, *(f"Person {i + 1}" for i in range(len(preview.people)))]
    choice = f"who_{job.key}_{preview.frame}"
    wish = st.session_state.pop(f"{choice}_wish", None)
    if wish is not None:
        st.session_state[choice] = wish
    slot = st.container()
    chosen = st.radio("Measure", names, key=choice, horizontal=True) if len(preview.people) > 1 else None
    rings = [
        {
            "x": p.x_px,
            "y": p.y_px,
            "radius": p.radius_px,
            "name": str(i + 1),
            "chosen": chosen == f"Person {i + 1}" or len(preview.people) == 1,
        }
        for i, p in enumerate(preview.people)
    ]
    people = len(preview.people)
    alt = f"Picture at {preview.time_s:.2f} s with {people} {'person' if people == 1 else 'people'} marked"
    with slot:
        clicked = picture_to_click(
            (folder / preview.file).read_bytes(),
            alt,
            look.width,
            look.height,
            f"pick_{job.key}_{preview.frame}",
            rings,
        )
    if clicked is not None and people > 1:
        nearest = min(
            range(people),
            key=lambda i: math.dist(clicked, (preview.people[i].x_px, preview.people[i].y_px)),
        )
        st.session_state[f"{choice}_wish"] = names[nearest + 1]
        st.rerun()
    if people > 1:
        st.caption("Click on the athlete, or choose by number.")
    elif people == 0:
        st.caption("Nobody was found in these pictures; the measurement looks at every picture.")
    if chosen is None or chosen == AUTOMATIC:
        return None
    person = preview.people[names.index(chosen) - 1]
    return AthletePoint(person.x_px, person.y_px, preview.time_s)


def _answers(job: store.Job, look: FirstLook) -> dict[str, Any]:
    old = job.options
    a, b = st.columns(2, gap="large")
    with a:
        names = [*profile_names(), *profiles.own_profiles(place.owner())]
        profile = st.selectbox(
            "Kind of run (chooses the targets)",
            names,
            index=names.index(old.profile) if old.profile in names else 0,
            format_func=profile_title,
            key=f"profile_{job.key}",
            help="Each kind of run has its own targets, which the numbers are held against. You can copy and change "
            "them under Targets.",
        )
        label = st.text_input(
            "A name for this clip (if you like)",
            value=job.label,
            max_chars=80,
            placeholder="for instance: right side, new shoes",
            key=f"label_{job.key}",
        )
        mass = number_input(MASS, old.mass_kg, f"mass_{job.key}", "For the estimates of forces only.")
    with b:
        kinds = [NO_SCALE, STATURE, MARKED, BELT]
        before = BELT if old.belt_speed_mps else MARKED if old.marked else STATURE
        kind = st.selectbox(
            "Lengths and speed, from",
            kinds,
            index=kinds.index(before),
            key=f"scale_{job.key}",
            help="One known length turns the picture's pixels into lengths. Angles and times need none.",
        )
        stature = belt = None
        if kind == STATURE:
            stature = number_input(
                HEIGHT,
                old.stature_m,
                f"stature_{job.key}",
                "5 ft 9 in is 1.75 m. Without it there are no lengths and no speed.",
            )
        if kind == BELT:
            belt = number_input(
                BELT_SPEED,
                old.belt_speed_mps,
                f"belt_{job.key}",
                "10 km/h is 2.8 m/s or 6.2 mph; 10 mph is 4.5 m/s.",
            )
        rate = _rate(job, look)
        minor = st.checkbox("The athlete is under 18", value=old.minor, key=f"minor_{job.key}")
        hidden = st.checkbox(
            "Hide the face in pictures, video and report",
            value=minor or old.face_hidden,
            key=f"face_{job.key}_{minor}",
            help="Ticked by itself for athletes under 18. Only the measured athlete's face is hidden.",
        )
        injury = st.checkbox(
            "Pain or a recent injury",
            value=old.injury,
            key=f"injury_{job.key}",
            help="Then everything is measured, but no cues are given: see a licensed professional first.",
        )
    return {
        "profile": profile,
        "label": label,
        "mass_kg": mass,
        "stature_m": stature,
        "belt_speed_mps": belt,
        "capture_rate_hz": rate,
        "minor": minor,
        "injury": injury,
        "blur_face": hidden,
        "wants_marks": kind == MARKED,
    }


def profile_title(name: str) -> str:
    """The profile's own title, for people."""
    try:
        return profiles.known_profile(name).title
    except LanesideError:
        return Path(name).stem


def _rate(job: store.Job, look: FirstLook) -> float | None:
    """The capture rate, asked only where it may differ from what the file says."""
    source = {"file": "by the file's own time stamps", "tag": "by a tag in the file", "user": "as you said"}
    right = st.checkbox(
        f"Filmed at {look.capture_rate_hz:.4g} pictures a second ({source[look.time_base]})",
        value=job.options.capture_rate_hz is None,
        key=f"rate_right_{job.key}",
        help="Untick this when the clip is slow motion and plays slower than life.",
    )
    if right:
        return None
    given = st.number_input(
        "Pictures per real second when it was filmed",
        min_value=5.0,
        max_value=2000.0,
        value=float(
            job.options.capture_rate_hz or min((r for r in RATES if r > look.capture_rate_hz), default=240)
        ),
        step=10.0,
        key=f"rate_{job.key}",
    )
    return float(given)


def _marks(job: store.Job, look: FirstLook, folder: Path) -> MarkedDistance | None:
    """Two points on the ground of known distance, clicked or typed."""
    st.subheader("The marked distance")
    st.caption(
        "Click its two ends on the first picture, at the lane the athlete runs in, then say its length."
    )
    first = folder / FIRST_PICTURE
    key = f"marks_{job.key}"
    points: list[tuple[float, float]] = st.session_state.setdefault(key, [])
    if first.is_file():
        clicked = picture_to_click(
            first.read_bytes(),
            "First picture of the clip, to mark a distance on",
            look.width,
            look.height,
            f"{key}_pic",
            line=points,
        )
        if clicked is not None:
            st.session_state[key] = [*points, clicked] if len(points) < 2 else [clicked]
            for i, p in enumerate(st.session_state[key]):
                st.session_state[f"{key}_{i}x"], st.session_state[f"{key}_{i}y"] = round(p[0]), round(p[1])
            st.rerun()
    columns = st.columns(4)
    typed = []
    for i, (axis, limit) in enumerate((("x", look.width), ("y", look.height)) * 2):
        typed.append(
            columns[i].number_input(
                f"{'First' if i < 2 else 'Second'} point {axis}",
                min_value=0,
                max_value=limit,
                value=None,
                step=1,
                key=f"{key}_{i // 2}{axis}",
            )
        )
    metres = number_input(DISTANCE, None, f"{key}_m")
    given = [float(v) for v in typed if v is not None]
    if len(given) < 4:
        return None
    now = [(given[0], given[1]), (given[2], given[3])]
    if [(round(p[0]), round(p[1])) for p in points] != now:
        st.session_state[key] = now
        st.rerun()
    return None if metres is None else MarkedDistance(*now[0], *now[1], metres)


def _impossible(said: dict[str, Any]) -> bool:
    """Whether a field has said that its number can't be."""
    marked = said.get("marked")
    numbers = (said["mass_kg"], said["stature_m"], said["belt_speed_mps"], marked and marked.metres)
    return any(v is not None and math.isnan(v) for v in numbers)


def _go(job: store.Job, said: dict[str, Any]) -> None:
    others = [j for j in store.jobs_of(place.owner()) if j.state == "ready" and j.key != job.key]
    also = bool(others) and st.checkbox(
        f"Use these answers for the other {len(others)} clips that wait for them too (each finds its own athlete)",
        key=f"also_{job.key}",
    )
    go, away = st.columns([2, 1])
    if go.button("Measure this clip", type="primary", width="stretch", disabled=_impossible(said)):
        label = said.pop("label")
        said["units"] = units.chosen()
        try:
            options = Options(**said)
        except LanesideError as error:
            problem(f"{error.what.lstrip('-')}: {error.why}; {error.mend}.")
            return
        store.enqueue(job, options, label)
        if also:
            for other in others:
                store.enqueue(other, Options(**(said | {"athlete": None, "marked": None})), label)
        place.queue().wake()
        st.rerun()
    if away.button("Another clip", width="stretch"):
        place.go_to(None)
        st.rerun()
