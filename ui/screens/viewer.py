"""Frame by frame: the picture with the measured body, its angles, and curves that lead to it."""

from __future__ import annotations

import math
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
import streamlit as st

from shared.analysis import Analysis
from shared.catalogue import CURVES, MEASURES
from shared.errors import LanesideError
from shared.landmarks import Side, opposite
from shared.track import Track
from shared.units import written
from ui import plots
from ui.screens import charts, correct, store, stored, units
from ui.screens.style import jpeg_img, problem, words

SIDES: Final[tuple[Side, Side]] = ("left", "right")
READ_ANGLES: Final = ("trunk", "thigh", "hip", "knee", "ankle", "elbow", "upper_arm")


def state_key(job: store.Job) -> str:
    """Where the viewer's place is kept."""
    return f"sample_{job.key}"


def nearest_sample(analysis: Analysis, frame: int) -> int:
    """Index of the sample nearest to a decoded frame."""
    return int(np.argmin(np.abs(analysis.frame - frame)))


@st.fragment
def viewer(job: store.Job, analysis: Analysis, folder: Path) -> None:
    """The viewer; only this part of the page runs again when the user steps."""
    try:
        track = stored.track_of(folder)
    except (LanesideError, OSError) as error:
        problem(str(error))
        return
    key = state_key(job)
    last = len(analysis.frame) - 1
    if key not in st.session_state:
        st.session_state[key] = first_sample(analysis)
    # The picture goes out before the plot, which takes the browser longer to draw.
    left, right = st.columns([1, 1], gap="medium")
    with left:
        _controls(analysis, key, last)
        sample = int(st.session_state[key])
        with st.container(horizontal=True):
            skeleton = st.checkbox("Draw the measured body", value=True, key=f"skeleton_{job.key}")
            whole = st.checkbox("Whole picture", value=False, key=f"whole_{job.key}")
        shown = correct.shown_track(job, folder)
        _picture(job, analysis, track, sample, shown, skeleton=skeleton, whole=whole)
        tools = st.container()
    with right:
        _clicked(job, analysis, key)
    with tools:
        correct.correct(job, analysis, track, shown, track_row(analysis, track, sample))


def first_sample(analysis: Analysis) -> int:
    """Where the viewer opens: the first near-side touchdown, else the middle."""
    for event in analysis.events:
        if event.kind == "touchdown" and event.side == analysis.near_side:
            return nearest_sample(analysis, event.frame)
    return len(analysis.frame) // 2


def event_samples(analysis: Analysis, kind: str) -> list[int]:
    """Samples of all touchdowns or toe-offs, in order."""
    return sorted({nearest_sample(analysis, e.frame) for e in analysis.events if e.kind == kind})


def step_to(samples: list[int], now: int, forward: bool) -> int:
    """The next (or previous) of some samples; `now` where there is none."""
    if forward:
        return next((s for s in samples if s > now), now)
    return next((s for s in reversed(samples) if s < now), now)


def _controls(analysis: Analysis, key: str, last: int) -> None:
    def move(by: int) -> None:
        st.session_state[key] = min(last, max(0, int(st.session_state[key]) + by))

    def to_event(kind: str, forward: bool) -> None:
        st.session_state[key] = step_to(event_samples(analysis, kind), int(st.session_state[key]), forward)

    with st.container(horizontal=True, gap="small"):
        st.button("◀ frame", on_click=move, args=(-1,), key=f"{key}_b")
        st.button("frame ▶", on_click=move, args=(1,), key=f"{key}_f")
        st.button("◀ touchdown", on_click=to_event, args=("touchdown", False), key=f"{key}_tb")
        st.button("touchdown ▶", on_click=to_event, args=("touchdown", True), key=f"{key}_tf")
    if last > 0:
        st.select_slider(
            "Frame (arrow keys step)",
            range(last + 1),
            key=key,
            format_func=lambda sample: str(int(analysis.frame[sample])),
            help="Numbers of the clip's own frames, those that were looked at: every second one from 120 a "
            "second on.",
        )


def track_row(analysis: Analysis, track: Track, sample: int) -> int:
    """Row of the track for a sample of the analysis."""
    return int(np.argmin(np.abs(track.frame - int(analysis.frame[sample]))))


def _picture(
    job: store.Job,
    analysis: Analysis,
    track: Track,
    sample: int,
    shown: Track,
    *,
    skeleton: bool,
    whole: bool,
) -> None:
    frame, time_s = int(analysis.frame[sample]), float(analysis.time_s[sample])
    try:
        row = track_row(analysis, track, sample)
        data = stored.drawn_frame(job, track, row, skeleton=skeleton, whole=whole, shown=shown)
    except (LanesideError, OSError) as error:
        problem(f"{job.name}: this picture can't be shown ({error})")
        return
    alt = f"Frame {frame}, {time_s:.3f} seconds" + (
        ", with the measured body drawn on it" if skeleton else ""
    )
    words(
        f"<figure>{jpeg_img(data, alt)}<figcaption>{escape(moment_words(analysis, sample))}</figcaption></figure>"
        + angles_html(analysis, sample)
    )


def moment_words(analysis: Analysis, sample: int) -> str:
    """Frame, time, event and which foot is down, in words."""
    frame, time_s = int(analysis.frame[sample]), float(analysis.time_s[sample])
    said = [f"frame {frame}", f"{time_s:.3f} s"]
    for event in analysis.events:
        if nearest_sample(analysis, event.frame) == sample:
            near = "near" if event.side == analysis.near_side else "far"
            half = 500 * (event.high_s - event.low_s)
            kind = "touchdown" if event.kind == "touchdown" else "toe-off"
            said.append(f"{kind} of the {near} ({event.side}) foot, ± {half:.0f} ms")
    return ", ".join(said)


def angles_html(analysis: Analysis, sample: int) -> str:
    """The angles of this moment, near and far; a dash where one can't be measured."""
    near = analysis.near_side
    rows = []
    for angle in READ_ANGLES:
        if angle == "trunk":
            cells = f'<td class="num" colspan="2">{_degrees(analysis, "trunk_lean", sample)}</td>'
        else:
            cells = "".join(
                f'<td class="num">{_degrees(analysis, f"{angle}_{side}", sample)}</td>'
                for side in (near, opposite(near))
            )
        rows.append(f"<tr><td>{escape(plots.CURVE_TITLE[angle])}</td>{cells}</tr>")
    return (
        f'<table class="small"><thead><tr><th scope="col">Angle now</th><th scope="col">near ({near})</th>'
        f'<th scope="col">far ({opposite(near)})</th></tr></thead><tbody>{"".join(rows)}</tbody></table>'
    )


def _degrees(analysis: Analysis, name: str, sample: int) -> str:
    values = analysis.angles.get(name)
    if values is None or not math.isfinite(values[sample]):
        return '<span class="quiet">not measurable</span>'
    return f"{written(values[sample], 0)}°"


def _clicked(job: store.Job, analysis: Analysis, key: str) -> None:
    """The curves; a click on one moves the viewer."""
    kinds = ["Angle in time", "Gait cycle", "Step by step"]
    kind = st.segmented_control("Plot", kinds, default=kinds[0], key=f"{key}_kind") or kinds[0]
    if kind == "Step by step":
        keys = [k for k in MEASURES if any(o.key == k for o in analysis.observations)]
        if not keys:
            st.caption("No single step could be measured.")
            return
        scored = [s.key for s in analysis.scores]
        keys.sort(key=lambda k: scored.index(k) if k in scored else len(scored))
        measure = st.selectbox("Measure", keys, format_func=lambda k: MEASURES[k].name, key=f"{key}_measure")
        figure = charts.step_by_step(analysis, measure, units.imperial())
        _plot(figure, analysis, key, f"{kind}_{measure}")
        return
    angles = [a for a in CURVES if _has_angle(analysis, a)]
    if not angles:
        st.caption("No joint angle could be measured in this clip.")
        return
    angle = st.selectbox(
        "Joint",
        angles,
        index=min(1, len(angles) - 1),
        format_func=lambda a: plots.CURVE_TITLE[a],
        key=f"{key}_angle",
    )
    if kind == "Gait cycle":
        if not any(c.key == angle and c.n > 0 for c in analysis.curves):
            st.caption("No whole stride of this joint could be measured.")
            return
        _plot(charts.cycle_curve(analysis, angle), analysis, key, f"{kind}_{angle}")
        return
    now = float(analysis.time_s[min(int(st.session_state[key]), len(analysis.time_s) - 1)])
    _plot(charts.angle_in_time(analysis, angle, now), analysis, key, f"{kind}_{angle}")
    st.caption(
        f"{plots.CURVE_TITLE[angle]}: {plots.curve_caption(angle)}. ▼ touchdown, △ toe-off. "
        "Click a point to see its frame."
    )


def _has_angle(analysis: Analysis, angle: str) -> bool:
    names = ["trunk_lean"] if angle == "trunk" else [f"{angle}_{s}" for s in SIDES]
    return any(n in analysis.angles and np.isfinite(analysis.angles[n]).any() for n in names)


def _plot(figure: Any, analysis: Analysis, key: str, name: str) -> None:
    chart_key = f"{key}_plot_{name}"

    def chosen() -> None:
        points = st.session_state[chart_key]["selection"]["points"]
        sample = clicked_sample(analysis, points[0]) if points else None
        if sample is not None:
            st.session_state[key] = sample

    st.plotly_chart(
        figure, key=chart_key, on_select=chosen, selection_mode="points", config=charts.CONFIG, theme=None
    )


def clicked_sample(analysis: Analysis, point: Any) -> int | None:
    """The sample that a clicked point of any of the plots stands for.

    On the gait cycle a point is a share of the cycle: the first whole stride of that side shows it.
    """
    data = point.get("customdata")
    if isinstance(data, (list, tuple)):
        data = data[0] if data else None
    if isinstance(data, str):
        return cycle_sample(analysis, data, float(point["x"]))
    if isinstance(data, (int, float)):
        return nearest_sample(analysis, int(data))
    return None


def cycle_sample(analysis: Analysis, side: str, percent: float) -> int | None:
    """The sample at a share of the first whole stride of a side ("both": of the near side)."""
    foot = analysis.near_side if side == "both" else side
    landings = sorted(e.time_s for e in analysis.events if e.kind == "touchdown" and e.side == foot)
    if len(landings) < 2:
        return None
    moment = landings[0] + (landings[1] - landings[0]) * percent / 100
    return int(np.argmin(np.abs(analysis.time_s - moment)))
