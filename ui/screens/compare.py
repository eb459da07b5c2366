"""Two sessions, or two conditions, held against each other."""

from __future__ import annotations

import io
import tempfile
import zipfile
from html import escape
from pathlib import Path

import streamlit as st

from shared import history as H
from shared.catalogue import MEASURES
from shared.errors import OptionError
from ui.history_find import (
    Group,
    clip_file,
    id_of,
    repeated_takes,
    session_group,
    session_text,
    sessions_named,
)
from ui.history_plots import curve_panels
from ui.history_report import Compared, compared, content, pairs, write_comparison
from ui.history_words import CHANGE_INK, capital
from ui.screens import units
from ui.screens.kept import athlete_choice, bullets, changed_at, filmed, screen_head
from ui.screens.style import jpeg_img, svg_img, words


@st.cache_data(max_entries=8, show_spinner="Comparing ...")
def _made(
    file: str,
    changed: tuple[float, ...],
    athlete: str,
    before: tuple[str, ...],
    after: tuple[str, ...],
    aims: tuple[str, ...],
) -> tuple[Group, Group, Compared, tuple[str, ...]]:
    with H.open_history(Path(file)) as h:
        first, last = (session_group(h, [H.session(h, s) for s in ids]) for ids in (before, after))
        made = compared(first, last, repeated_takes(h, athlete), aims)
    return first, last, made, curve_panels(made.curves)


def compare_screen() -> None:
    """Say what changed beyond error, what did not, and what can't be compared."""
    screen_head("Compare")
    with H.open_history() as h:
        athlete = athlete_choice(h)
        found = filmed(h, athlete) if athlete is not None else ()
        if athlete is None or not found:
            return
        if len(found) < 2:
            words("<p>Only one session is kept. Keep a second one, and the two can be compared.</p>")
            return
        sides = _choice(h, athlete, found)
    if set(sides[0]) & set(sides[1]):
        raise OptionError(
            "compare", "the same session stands on both sides", "choose two different sessions or conditions"
        )
    aims = tuple(
        st.multiselect(
            "What did you set out to change? Name it before you look: it is found sooner",
            [k for k, kind in MEASURES.items() if kind.unit != "class"],
            format_func=lambda k: capital(MEASURES[k].name),
        )
    )
    before, after, made, curves = _made(str(H.history_path()), changed_at(), id_of(athlete), *sides, aims)
    _show(before, after, made, curves)
    _report(before, after, athlete, aims)


def _choice(
    h: H.History, athlete: H.Athlete, found: tuple[H.Session, ...]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Ids of the sessions on either side."""
    options: dict[str, tuple[str, ...]] = {}
    for condition in dict.fromkeys(s.condition for s in found if s.condition):
        own = sessions_named(h, athlete, condition)
        if len(own) > 1:
            options[f"all of: {condition} ({len(own)} sessions)"] = tuple(id_of(s) for s in own)
    for s in found:
        name = session_text(s)
        if name in options:
            name = f"{name} ({id_of(s)[:4]})"
        options[name] = (id_of(s),)
    names = list(options)
    singles = [i for i, n in enumerate(names) if len(options[n]) == 1]
    groups = [
        i
        for i, n in enumerate(names)
        if len(options[n]) > 1 and options[names[singles[0]]][0] not in options[n]
    ]
    left, right = st.columns(2)
    before = left.selectbox("Before", names, index=groups[-1] if groups else singles[1])
    after = right.selectbox("After", names, index=singles[0])
    return options[before], options[after]


def _show(before: Group, after: Group, made: Compared, curves: tuple[str, ...]) -> None:
    shown = content(before, after, made, units.chosen())
    words(f'<p class="lead">{escape(shown["summary"])}</p>')
    if shown["changed"]:
        words("<h3>Changed by more than the error</h3>" + _sentences(shown["changed"]))
    if shown["perhaps"]:
        words(
            "<h3>Looks changed, but may be chance</h3><p class='small quiet'>Each is beyond its own error. With so many "
            "measures looked at, one like these can turn up by chance: film it again.</p>"
            + _sentences(shown["perhaps"])
        )
    if not shown["changed"] and not shown["perhaps"]:
        words(
            "<p>No difference here is larger than what repeating the run alone can bring. That is a result too.</p>"
        )
    words('<div class="note">' + bullets(shown["notes"]) + "</div>")
    stills = pairs(before, after)
    if stills:
        st.header("Key positions, side by side")
        words(
            '<div class="stills">'
            + "".join(
                f"<figure>{jpeg_img(p.before.read_bytes(), p.alt_before)}<figcaption>{escape(p.title)}, before</figcaption></figure>"
                f"<figure>{jpeg_img(p.after.read_bytes(), p.alt_after)}<figcaption>{escape(p.title)}, after</figcaption></figure>"
                for p in stills
            )
            + "</div>"
        )
    st.header("Joint angles over the gait cycle")
    if shown["why_no_curves"]:
        words(f"<p>{escape(shown['why_no_curves'])}</p>")
    elif made.curves:
        words(
            "<p class='small quiet'>Line: mean; band: one standard deviation of the strides. Before is dashed, after "
            "solid. Framed: the strides differ there; hatched as well: more than repeating the take alone can bring.</p>"
            + '<div class="panels">'
            + "".join(svg_img(svg, c.sentence) for svg, c in zip(curves, made.curves))
            + "</div>"
            + bullets(shown["curve_sentences"])
        )
    st.header("Every measure")
    for block in shown["blocks"]:
        with st.expander(f"{block['title']}: {block['counts']}"):
            words(_table(block))
    words_facts = "".join(
        f"<tr><th scope='row'>{escape(n)}</th><td>{escape(a)}</td><td>{escape(b)}</td></tr>"
        for n, a, b in shown["facts"]
    )
    with st.expander("How the two were made"):
        words(f"<table><tbody>{words_facts}</tbody></table>")


def _sentences(lines: list[dict[str, str]]) -> str:
    return (
        "<ul>"
        + "".join(f"<li><strong>{escape(c['sign'])}</strong> {escape(c['text'])}</li>" for c in lines)
        + "</ul>"
    )


def _table(block: dict[str, object]) -> str:
    out = ""
    rows = block["rows"]
    assert isinstance(rows, list)
    if rows:
        body = "".join(
            f"<tr><td><strong>{escape(r.name)}</strong><br><span class='quiet small'>{escape(r.plain)}</span></td>"
            f"<td>{escape(r.before)} → {escape(r.after)}</td>"
            f"<td class='num'><span class='value'>{escape(r.difference)}</span> <br><span class='small'>{escape(r.interval)}</span></td>"
            f"<td class='small'>{_strip(r.strip)}can tell: {escape(r.detectable)}<br><span class='quiet'>error: {escape(r.source)}</span></td>"
            f"<td><span class='word' style='color:{CHANGE_INK[r.verdict.replace('-', ' ')]};white-space:normal'>"
            f"{escape(r.sign)} {escape(r.word)}</span></td></tr>"
            for r in rows
        )
        out += (
            "<table class='measures'><thead><tr><th scope='col'>Measure</th><th scope='col'>Before → after</th>"
            "<th scope='col'>Difference, 95 % interval</th><th scope='col'>Against the error</th>"
            f"<th scope='col'>Verdict</th></tr></thead><tbody>{body}</tbody></table>"
        )
    missing = block["missing"]
    assert isinstance(missing, list)
    if missing:
        out += "<p class='small'><strong>Not comparable</strong></p><ul class='small'>"
        out += (
            "".join(f"<li><strong>{escape(why)}</strong>: {escape(names)}</li>" for why, names in missing)
            + "</ul>"
        )
    return out


def _strip(svg: str) -> str:
    return svg_img(svg, "the difference against what error alone can bring", "strip") if svg else ""


def _report(before: Group, after: Group, athlete: H.Athlete, aims: tuple[str, ...]) -> None:
    st.header("Report")
    clips = [any(clip_file(f, a) for a, f in zip(g.analyses, g.folders)) for g in (before, after)]
    st.caption(
        "Page, PDF and table in one zip"
        + (
            ", with the side-by-side video, in step with the gait cycle."
            if all(clips)
            else "; the clips are not at hand, so without video."
        )
    )
    if st.button("Make the report"):
        with (
            st.spinner("Writing ..."),
            tempfile.TemporaryDirectory(prefix="laneside-compare-") as room,
            H.open_history() as h,
        ):
            done = write_comparison(
                before,
                after,
                Path(room),
                repeated_takes(h, id_of(athlete)),
                video=all(clips),
                aims=aims,
                units=units.chosen(),
            )
            box = io.BytesIO()
            with zipfile.ZipFile(box, "w", zipfile.ZIP_DEFLATED) as out:
                for file in done.files:
                    out.write(file, file.name)
            video = next((f.read_bytes() for f in done.files if f.suffix == ".mp4"), None)
        if video is not None:
            st.video(video)
        st.download_button(
            "Download the report (ZIP)",
            box.getvalue(),
            "comparison.zip",
            "application/zip",
            on_click="ignore",
        )
