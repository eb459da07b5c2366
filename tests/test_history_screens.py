"""The screens of the history without a browser."""

from __future__ import annotations

import html
import re
import shutil
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from shared import history as H
from tests import page_helpers
from tests.invented_weeks import invented
from ui.screens import kept, store

TODAY = date.today()
KNEE_LIFT_DEG = 14.0


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented history: four usual days, one after drills, one with pain after a break; a second athlete."""
    file = tmp_path_factory.mktemp("weeks") / "history.sqlite"
    with H.open_history(file) as h:
        a1 = H.save_athlete(h, H.Athlete("A1", 1.78, 70.0, notes="Invented"))
        H.save_athlete(h, H.Athlete("B2"))
        for i in range(6):
            usual = i < 4
            day = (TODAY - timedelta(days=7 * (6 - i))).isoformat()
            session = H.save_session(
                h,
                H.Session(
                    a1.id or "",
                    day,
                    condition="usual" if usual else "knee drills" if i == 4 else "return",
                    notes="headwind" if i == 2 else "",
                    pain=2 if i == 5 else None,
                    speed_mps=4.6 if i == 5 else None,
                    repeat_group="usual" if usual else None,
                ),
            )
            add = {("thigh_angle_max", "both"): KNEE_LIFT_DEG} if i == 4 else None
            share = {("contact_time", "left"): 0.6} if i == 5 else None
            for near in ("left", "right"):
                made = invented(f"{i} {near}", near, add, share, seed=i)  # type: ignore[arg-type]
                H.save_analysis(h, made, session.id or "")
        H.save_run_time(
            h,
            H.RunTime(
                a1.id or "",
                TODAY.isoformat(),
                40.0,
                5.9,
                "gates",
                tuple(H.Split(d, t) for d, t in ((5.0, 1.41), (10.0, 2.19), (20.0, 3.49), (30.0, 4.71))),
                condition="usual",
            ),
        )
    return file


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))
    return tmp_path


@pytest.fixture
def filled(weeks: Path, data: Path) -> Path:
    """The invented history in the data folder of this test."""
    return Path(shutil.copy(weeks, data / "history.sqlite"))


def _open(screen: str, **state: Any) -> Any:
    page = AppTest.from_string(
        "import streamlit as st\n"
        "from shared.errors import LanesideError\n"
        "from ui.screens.style import problem\n"
        f"from ui.screens.{screen} import {screen}_screen\n"
        f"try:\n    {screen}_screen()\nexcept LanesideError as error:\n    problem(str(error))\n",
        default_timeout=120,
    )
    for key, value in state.items():
        page.session_state[key] = value
    page.run()
    assert not page.exception, page.exception
    return page


def _text(page: Any) -> str:
    """Everything that is written on the page, on one line."""
    parts = [b.proto.body for b in page.get("html")]
    parts += [m.value for kind in ("markdown", "caption", "success", "error", "info") for m in page.get(kind)]
    return " ".join(
        html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", " ".join(parts), flags=re.S)).split()
    )


def _press(page: Any, label: str) -> Any:
    next(b for b in page.button if b.label == label).click().run()
    assert not page.exception, page.exception
    return page


def _choose(page: Any, label: str, text: str) -> Any:
    box = next(s for s in page.selectbox if s.label == label)
    box.set_value(next(o for o in box.options if o.startswith(text))).run()
    assert not page.exception, page.exception
    return page


def _field(page: Any, kind: str, label: str) -> Any:
    return next(f for f in page.get(kind) if f.label == label)


@pytest.mark.parametrize("screen", ["athletes", "compare", "trend", "times", "check", "squad"])
def test_an_empty_history_shows_the_way_in(screen: str) -> None:
    assert "Nothing is kept yet" in _text(_open(screen))


@pytest.mark.parametrize("screen", ["compare", "trend", "times", "check"])
def test_an_athlete_without_a_clip_is_said(filled: Path, screen: str) -> None:
    with H.open_history(read_only=True) as h:
        empty = H.athletes(h)[1].id
    assert re.search("No clip of B2|No timed run", _text(_open(screen, **{kept.ATHLETE: empty})))


@pytest.mark.parametrize("screen", ["athletes", "compare", "trend", "times", "check", "squad"])
def test_a_damaged_history_is_one_sentence(data: Path, screen: str) -> None:
    (data / "history.sqlite").write_bytes(b"not a database" * 100)
    (said,) = _open(screen).error
    assert "left as it is" in said.value.replace("\\", "")


def test_compare_names_the_change_and_its_error(filled: Path) -> None:
    page = _open("compare")
    _choose(page, "Before", "all of: usual")
    # The second newest session is the one after drills.
    after = next(s for s in page.selectbox if s.label == "After")
    after.set_value(next(o for o in after.options if o.endswith("knee drills"))).run()
    text = _text(page)
    assert re.search(
        r"Largest thigh angle \(knee lift\), right: changed, .* more than the .* that error alone", text
    )
    assert "no change beyond error" in text
    assert "learned from the athlete's own repeated passes and takes" in text
    assert "Thigh angle, right:" in text
    assert "cleared" not in text.lower()


def test_compare_refuses_the_same_session_twice(filled: Path) -> None:
    page = _open("compare")
    after = next(s for s in page.selectbox if s.label == "After")
    _choose(page, "Before", after.options[-1])
    after = next(s for s in page.selectbox if s.label == "After")
    after.set_value(after.options[-1]).run()
    assert "both sides" in page.error[0].value


def test_the_trend_is_a_sentence_a_plot_and_a_table(filled: Path) -> None:
    page = _open("trend")
    text = _text(page)
    assert "Largest thigh angle (knee lift), left:" in text
    assert "a week (95 % interval" in text
    assert text.count("usual") >= 4
    assert "headwind" in text
    assert len(page.get("plotly_chart")) == 1
    _choose(page, "Condition", "knee drills")
    assert "1 session; a trend needs at least 3" in _text(page)


def test_the_check_lists_and_never_decides(filled: Path) -> None:
    text = _text(_open("check"))
    for words in (
        "cannot clear anyone",
        "licensed clinician",
        "Pain of 2 of 10",
        "Outside the profile: left − right of contact time",
        "pelvic drop",
        "Stiffler-Joachim",
        "No pre-injury baseline is stored",
    ):
        assert words in text
    assert "cleared" not in text.lower()


def test_the_check_holds_a_session_against_the_own_baseline(filled: Path) -> None:
    page = _open("check")
    box = next(s for s in page.selectbox if s.label.startswith("The athlete's own baseline"))
    with H.open_history(read_only=True) as h:
        usual = next(s for s in H.sessions(h, H.athletes(h)[0].id or "") if s.condition == "usual")
    box.set_value(usual.id).run()
    text = _text(page)
    assert "No pre-injury baseline is stored" not in text
    assert "Other than in the athlete's own baseline: contact time, left: changed" in text


def test_the_squad_has_a_row_each_and_says_who_is_due(filled: Path) -> None:
    page = _open("squad")
    text = _text(page)
    assert "A1" in text and "B2" in text
    assert "never filmed" in text
    assert "7 days ago" in text
    page.number_input[0].set_value(3).run()
    assert "due: 7 days ago" in _text(page)


def test_an_athlete_is_added_changed_and_deleted(data: Path) -> None:
    page = _open("athletes")
    _field(page, "text_input", "Name or code").set_value("New one")
    _field(page, "number_input", "Body height, m").set_value(1.7)
    _press(page, "Add")
    assert "New one is added" in _text(page)
    _field(page, "number_input", "Body height, m").set_value(170.0)
    _press(page, "Save")
    assert "give it in metres" in _text(page).replace("\\", "")
    with H.open_history(read_only=True) as h:
        assert [(a.name, a.stature_m) for a in H.athletes(h)] == [("New one", 1.7)]
    _press(page, "Yes, delete everything of this athlete")
    with H.open_history(read_only=True) as h:
        assert not H.athletes(h)


def test_a_session_is_deleted_alone(filled: Path) -> None:
    page = _open("athletes")
    assert "Takes of the unchanged condition: 4" in _text(page)
    _press(page, "Yes, delete this session")
    with H.open_history(read_only=True) as h:
        left = H.sessions(h, H.athletes(h)[0].id or "")
    assert [s.condition for s in left] == ["knee drills", *["usual"] * 4]


def test_a_stored_session_is_changed_and_the_log_shows_it(filled: Path) -> None:
    page = _open("athletes")
    _field(page, "text_input", "Shoes").set_value("red spikes")
    _field(page, "text_input", "Place").set_value("hall")
    _press(page, "Save the session")
    assert "is changed" in _text(page)
    with H.open_history(read_only=True) as h:
        athlete = H.athletes(h)[0].id or ""
        newest = H.sessions(h, athlete)[0]
        assert (newest.shoes, newest.place) == ("red spikes", "hall")
        assert {(e.field, e.after) for e in H.edits(h, athlete)} == {
            ("shoes", "red spikes"),
            ("place", "hall"),
        }
    assert "shoes: empty → red spikes" in _text(page)


def test_times_show_the_profile_and_refuse_the_impossible(filled: Path) -> None:
    page = _open("times")
    assert "Top speed" in _text(page)
    assert len(page.get("plotly_chart")) == 1
    assert "Step frequency and step length of that day" in _text(page)
    _field(page, "number_input", "Distance, m").set_value(100.0)
    _field(page, "number_input", "Time, s").set_value(5.0)
    _press(page, "Add this run")
    assert "faster than anybody runs" in _text(page)
    _field(page, "number_input", "Time, s").set_value(12.5)
    _press(page, "Add this run")
    with H.open_history(read_only=True) as h:
        runs = H.run_times(h, H.athletes(h)[0].id or "")
    assert sorted(r.distance_m for r in runs) == [40.0, 100.0]


def _keep(job: store.Job) -> Any:
    page = AppTest.from_string(
        "from ui.screens import store\n"
        "from ui.screens.keep import keep_result\n"
        f"keep_result(store.read_job({job.key!r}))\n",
        default_timeout=60,
    )
    page.run()
    assert not page.exception, page.exception
    return page


def test_a_result_is_kept_for_a_new_athlete_and_goes_with_them(data: Path) -> None:
    job = store.change(page_helpers.stored_job(store.new_key()), label="new shoes")
    page = _keep(job)
    _field(page, "text_input", "Name or code, if new").set_value("C3")
    _field(page, "checkbox", "A repeat of the unchanged condition").check()
    _press(page, "Keep this result")
    assert "Kept for C3" in _text(page).replace("\\", "")
    with H.open_history(read_only=True) as h:
        (athlete,) = H.athletes(h)
        (session,) = H.sessions(h, athlete.id or "")
        assert (session.condition, session.repeat_group) == ("new shoes", "new shoes")
        assert len(H.clips(h, session.id or "")) == 1
    # The same clip a second time is one clip; deleting the athlete takes the clip's folder too.
    _press(_keep(job), "Keep this result")
    with H.open_history(read_only=True) as h:
        found = H.sessions(h, athlete.id or "")
        assert sum(len(H.clips(h, s.id or "")) for s in found) == 1
    page = _open("athletes")
    _press(page, "Yes, delete everything of this athlete")
    assert not store.job_folder(job.key).exists()


def test_a_typed_name_goes_before_the_chosen_athlete(filled: Path) -> None:
    page = _keep(page_helpers.stored_job(store.new_key()))
    _field(page, "text_input", "Name or code, if new").set_value("D4")
    _press(page, "Keep this result")
    assert "Kept for D4" in _text(page).replace("\\", "")


def test_without_a_name_nothing_is_kept(data: Path) -> None:
    page = _keep(page_helpers.stored_job(store.new_key()))
    _press(page, "Keep this result")
    assert "no name" in page.error[0].value
    with H.open_history(read_only=True) as h:
        assert not H.athletes(h)
