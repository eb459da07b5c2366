"""Targets: look at a profile, copy it, change its ranges with their sources, save and export."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any, Final, get_args

import streamlit as st

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import LanesideError, ProfileError
from shared.units import other_unit
from technique.profile_schema import NO_SOURCE, Evidence, Profile, Target, target_unit
from technique.targets import profile_names
from ui.in_units import target_text
from ui.screens import place, profiles, units
from ui.screens.ask import profile_title
from ui.screens.style import problem, words

SIDE_WORD: Final[dict[str, str]] = {
    "near": "the side towards the camera",
    "each": "each side by itself",
    "both": "the body as a whole",
}
IMPORTANCE: Final[dict[int, str]] = {
    0: "0: shown, never a cue",
    1: "1 of 3: last of the cues",
    2: "2 of 3",
    3: "3 of 3: first of the cues",
}
CHOSEN: Final = "target_profile"
SAID: Final = "target_said"


def targets_screen() -> None:
    """Show the page."""
    st.title("Targets")
    st.caption(
        "What the numbers of a clip are held against. Each kind of run has its own ranges, each range its source."
    )
    take_wish()
    owner = place.owner()
    own = profiles.own_profiles(owner)
    names = [*profile_names(), *own]
    if st.session_state.get(CHOSEN) not in names:
        st.session_state[CHOSEN] = names[0]
    if said := st.session_state.pop(SAID, None):
        st.success(said)
    name = st.selectbox(
        "Profile",
        names,
        format_func=lambda n: profile_title(n) + ("" if n in own else " (built in)"),
        key=CHOSEN,
    )
    try:
        profile = profiles.known_profile(name)
    except LanesideError as error:
        faults(error)
        _file(owner, Path(name).stem, profiles.profile_text(name))
        return
    units.choose("targets")
    feet = units.imperial()
    words(f"<p>{escape(units.sentence(profile.description, feet))}</p>" + table_html(profile, feet))
    if name in own:
        _edit(owner, profile)
        _file(owner, Path(name).stem, profiles.profile_text(name))
        _remove(name)
    else:
        st.caption("Built-in profiles stay as they are. Copy this one to change it.")
    _copy(owner, name)
    st.download_button(
        "Export this profile (YAML)",
        data=profiles.profile_text(name),
        file_name=f"{Path(name).stem}.yaml",
        mime="text/yaml",
        on_click="ignore",
    )
    _bring_in(owner)


def table_html(profile: Profile, feet: bool = False) -> str:
    """The targets of a profile as a table."""
    rows = "".join(
        f"<tr><td><strong>{escape(measure_title(t.measure))}</strong><br><span class='small quiet'>"
        f"{escape(SIDE_WORD[t.side])}</span></td><td class='num'>{escape(range_words(t, feet))}</td>"
        f"<td class='small'><span class='phone'>importance </span>{escape(IMPORTANCE[t.importance])}</td>"
        f"<td class='small'>{escape(t.source)}<br><span class='quiet'>evidence: {escape(t.evidence)}"
        f"{escape('; ' + t.note) if t.note else ''}</span></td></tr>"
        for t in profile.targets
    )
    return (
        '<table class="measures"><thead><tr><th scope="col">Measure</th><th scope="col">Target</th>'
        f'<th scope="col">Importance</th><th scope="col">Source</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def measure_title(key: str) -> str:
    """Name of a measure or of its left-right difference."""
    base = MEASURES[key.removeprefix(SYMMETRY_PREFIX)].name
    return f"left − right: {base}" if key.startswith(SYMMETRY_PREFIX) else base


def range_words(target: Target, feet: bool = False) -> str:
    """A target's range with its unit."""
    return target_text(target.low, target.high, target.measure, target.unit, feet)


def faults(error: LanesideError) -> None:
    """A profile's faults, one to a line."""
    many = error.why.split(", line ")
    if len(many) == 1:
        problem(str(error))
        return
    head, _, first = many[0].partition(": ")
    items = [first, *(f"line {rest}" for rest in many[1:])]
    words(
        f'<div class="note caution" role="alert"><strong>{escape(error.what)}: {escape(head)}</strong><ul>'
        + "".join(f"<li>{escape(i)}</li>" for i in items)
        + "</ul></div>"
    )


def _try(work: Callable[[], Path], said: str) -> None:
    """Do it, choose the profile it made and say so; faults are shown and nothing is kept."""
    try:
        path = work()
    except LanesideError as error:
        faults(error)
        return
    st.session_state[SAID] = said
    st.session_state["target_wish"] = str(path)
    st.rerun()


def take_wish() -> None:
    """Choose the profile that was made in the last run, before its widget is drawn."""
    if (wish := st.session_state.pop("target_wish", None)) is not None:
        st.session_state[CHOSEN] = wish


def _edit(owner: str, profile: Profile) -> None:
    st.header("Change a target")
    present = [t.measure for t in profile.targets]
    others = [k for k in MEASURES if target_unit(k) is not None and k not in present]
    key = st.selectbox(
        "Measure",
        [*present, *others],
        format_func=lambda k: measure_title(k) + ("" if k in present else " (no target yet)"),
        key=f"target_{profile.name}",
    )
    old = profile.target(key)
    unit = target_unit(key) or ""
    sides = ["both"] if key.startswith(SYMMETRY_PREFIX) or MEASURES[key].sided == "both" else ["each", "near"]
    if old is not None and units.imperial() and other_unit(key) is not None:
        st.caption(f"Targets are kept in metric units. This one now: {range_words(old, True)}.")
    with st.form(f"form_{profile.name}_{key}", border=True):
        a, b = st.columns(2)
        at = f"{profile.name}_{key}_{profile.version}"
        low = a.number_input(
            f"From ({unit}); empty: no lower end", value=old.low if old else None, key=f"low_{at}"
        )
        high = b.number_input(
            f"To ({unit}); empty: no upper end", value=old.high if old else None, key=f"high_{at}"
        )
        side = a.selectbox(
            "For",
            sides,
            index=sides.index(old.side) if old else 0,
            format_func=SIDE_WORD.__getitem__,
            key=f"side_{at}",
        )
        importance = b.selectbox(
            "Importance",
            list(IMPORTANCE),
            index=old.importance if old else 1,
            format_func=IMPORTANCE.__getitem__,
            key=f"importance_{at}",
        )
        source = st.text_area(
            "Source (a citation, or leave the words for none)",
            value=old.source if old else NO_SOURCE,
            key=f"source_{at}",
        )
        evidence_words = list(get_args(Evidence))
        evidence = st.selectbox(
            "How strong is the evidence that the range matters?",
            evidence_words,
            index=evidence_words.index(old.evidence) if old else len(evidence_words) - 1,
            key=f"evidence_{at}",
        )
        note = st.text_input("Note", value=(old.note or "") if old else "", key=f"note_{at}")
        saved = st.form_submit_button("Save this target", type="primary")
    target: dict[str, Any] = {
        "measure": key,
        "side": side,
        "unit": unit,
        "low": low,
        "high": high,
        "importance": importance,
        "source": source.strip(),
        "evidence": evidence,
        "note": note.strip() or None,
    }
    if saved:
        text = profiles.as_text(profiles.with_target(profile, target))
        _try(lambda: profiles.save(owner, profile.name, text), f"Target for {measure_title(key)} saved.")
    if old is not None and len(present) > 1 and st.button("Remove this target"):
        text = profiles.as_text(profiles.without_target(profile, key))
        _try(lambda: profiles.save(owner, profile.name, text), f"Target for {measure_title(key)} removed.")


def _file(owner: str, name: str, text: str) -> None:
    with st.expander("The file itself"):
        changed = st.text_area("YAML", value=text, height=420, key=f"yaml_{name}_{hash(text)}")
        if st.button("Check and save the file"):
            _try(lambda: profiles.save(owner, name, changed), "Profile saved.")


def _copy(owner: str, name: str) -> None:
    with st.form("copy", border=True):
        title = st.text_input("Name for your copy", placeholder="for instance: my sprint", max_chars=60)
        if st.form_submit_button("Copy this profile"):
            _try(lambda: profiles.copy(owner, name, title), "Copied; change it as you like.")


def _remove(path: str) -> None:
    with st.popover("Remove this profile"):
        st.caption("Results that were held against it keep their verdicts.")
        if st.button("Yes, remove it"):
            Path(path).unlink(missing_ok=True)
            st.session_state["target_wish"] = profile_names()[0]
            st.rerun()


def _bring_in(owner: str) -> None:
    with st.expander("Bring in a profile file"):
        file = st.file_uploader(
            "A YAML file of targets", type=["yaml", "yml"], key="profile_file", max_upload_size=1
        )
        if file is None or not st.button("Check and keep it"):
            return
        try:
            text = file.getvalue().decode("utf-8-sig")
        except UnicodeDecodeError:
            faults(ProfileError(file.name, "it is not UTF-8 text", "save it as plain UTF-8 text"))
            return
        _try(lambda: profiles.save(owner, Path(file.name).stem, text), "Profile kept.")
