"""The screens without a browser: what each state of a clip shows."""

from __future__ import annotations

import dataclasses
import zipfile
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from shared import landmarks as lm
from shared.analysis_json import write_analysis
from technique.time_base_notes import time_base_doubts
from tests import builders, page_helpers
from ui import report
from ui.demo import STATURE_M
from ui.job import ANALYSIS_NAME
from ui.pictures import subjects
from ui.screens import (
    charts,
    filming,
    frames,
    picker,
    place,
    result,
    stills,
    store,
    stored,
    style,
    units,
    viewer,
)
from ui.screens.downloads import zipped
from ui.screens.queue import Queue


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))
    monkeypatch.setenv("LANESIDE_SAMPLE", str(tmp_path / "sample.mp4"))
    # The logic is under test here, not the processes behind it.
    monkeypatch.setattr(Queue, "_serve", lambda self, kind: None)
    place.queue.clear()
    picker.component.cache_clear()


def _open(job: store.Job | None = None) -> Any:
    page = AppTest.from_file(str(page_helpers.page_file()), default_timeout=60)
    if job is not None:
        page.session_state[place.LIST] = job.owner
        page.session_state[place.CLIP] = job.key
    page.run()
    assert not page.exception
    return page


def _text(page: Any) -> str:
    parts = [e.value for e in page.title] + [e.value for e in page.header] + [e.value for e in page.markdown]
    return "\n".join(str(p) for p in [*parts, *_html(page), *[e.value for e in page.caption]])


def _html(page: Any) -> list[str]:
    return [e.proto.body for e in page.get("html")]


def _buttons(page: Any) -> dict[str, Any]:
    return {b.label: b for b in page.button}


def test_the_first_visit_says_what_this_is_and_how_to_film() -> None:
    page = _open()
    shown = _text(page)
    assert "stays on this machine" in shown
    assert "How to film" in shown
    assert "Square to the lane" in shown
    assert page.file_uploader[0].label.startswith("Put your clips here (up to 2 GB")


def test_a_missing_sample_is_said_not_offered() -> None:
    page = _open()
    button = _buttons(page)["Try the sample clip"]
    if not Path(__file__).parents[1].joinpath("sample_clips/clips/track_side_120.mp4").exists():
        assert button.disabled


def test_the_sample_becomes_a_job_with_its_own_answers(tmp_path: Path) -> None:
    (tmp_path / "sample.mp4").write_bytes(page_helpers.tiny_clip())
    page = _open()
    _buttons(page)["Try the sample clip"].click().run()
    (job,) = store.all_jobs()
    assert (job.state, job.invented, job.options.stature_m) == ("looking", True, STATURE_M)
    assert "A first look" in _text(page)


def test_an_upload_becomes_a_job_and_a_bad_one_a_sentence() -> None:
    page = _open()
    page.file_uploader[0].set_value(
        [("run <b>.mp4", page_helpers.tiny_clip(), "video/mp4"), ("none.mp4", b"", "video/mp4")]
    ).run()
    assert not page.exception
    assert [j.name for j in store.all_jobs()] == ["run _b_.mp4"]


def test_the_user_confirms_and_the_clip_is_queued() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page = _open(job)
    assert "Is this right?" in _text(page)
    assert "▲ a problem" in _text(page)
    page.radio[0].set_value("Person 2").run()
    next(n for n in page.number_input if n.label == "Body height, m").set_value(1.8)
    _buttons(page)["Measure this clip"].click().run()
    assert not page.exception
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.state == "waiting"
    assert kept.options.stature_m == 1.8
    assert kept.options.athlete is not None
    assert (kept.options.athlete.x_px, kept.options.athlete.time_s) == (200.0, 0.2)
    assert "Measuring" in _text(page)


def test_one_person_needs_no_choice() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page_helpers.stored_first_look(job, people=1)
    page = _open(job)
    assert not page.radio
    _buttons(page)["Measure this clip"].click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.options.athlete is None


def test_a_marked_distance_can_be_typed() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page = _open(job)
    next(s for s in page.selectbox if s.label == "Lengths and speed, from").set_value(
        "A marked distance"
    ).run()
    for label, value in (
        ("First point x", 10),
        ("First point y", 200),
        ("Second point x", 300),
        ("Second point y", 201),
    ):
        next(n for n in page.number_input if n.label == label).set_value(value)
    next(n for n in page.number_input if n.label == "Length, m").set_value(5.0)
    page.run()
    _buttons(page)["Measure this clip"].click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.options.marked is not None
    assert kept.options.marked.metres == 5.0
    assert (kept.options.marked.x1_px, kept.options.marked.x2_px) == (10.0, 300.0)
    assert kept.options.stature_m is None


def test_a_stop_while_waiting_is_kept() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    job = store.enqueue(job, job.options, "")
    page = _open(job)
    _buttons(page)["Stop measuring"].click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.state == "cancelled"
    assert "nothing half-made was kept" in page.info[0].value


def test_a_failure_is_one_sentence_and_a_way_on() -> None:
    job = store.change(
        page_helpers.stored_job(store.new_key(), "ready"), state="failed", error="x.mp4: why; mend."
    )
    page = _open(job)
    assert page.error[0].value.replace("\\", "") == "x.mp4: why; mend."
    _buttons(page)["Try again"].click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.state == "ready"


def test_the_result_puts_cues_first() -> None:
    page = _open(page_helpers.stored_job(store.new_key()))
    html = _html(page)
    cue = next(i for i, h in enumerate(html) if "1. Text" in h)
    numbers = next(i for i, h in enumerate(html) if "contact time" in h and "<table" in h)
    assert cue < numbers
    assert any("Invented caution." in h for h in html)
    assert all('alt=""' not in h for h in html)
    assert any("the far arm is hidden" in h for h in html)
    assert any("Invented note." in h for h in html)


def test_a_result_that_is_gone_is_one_sentence() -> None:
    job = page_helpers.stored_job(store.new_key())
    (store.result_folder(job) / "analysis.json").unlink()
    page = _open(job)
    assert "the stored result is gone" in page.error[0].value


def test_stepping_moves_the_frame() -> None:
    job = page_helpers.stored_job(store.new_key())
    page = _open(job)
    assert page.session_state[viewer.state_key(job)] == 4
    _buttons(page)["frame ▶"].click().run()
    assert page.session_state[viewer.state_key(job)] == 5
    assert any("frame 5" in h for h in _html(page))


def test_legs_are_exchanged_in_some_frames_and_back_again() -> None:
    job = page_helpers.true_job(store.new_key())
    page = _open(job)
    before = [(m.key, m.side, m.value) for m in stored.analysis_of(store.result_folder(job)).measures]
    next(t for t in page.toggle if t.label.startswith("Put something right")).set_value(True).run()
    page.session_state[f"tool_{job.key}"] = "Left and right"
    page.run()
    next(r for r in page.radio if r.label == "Left and right are exchanged").set_value("in some frames").run()
    first, last = (next(n for n in page.number_input if n.label == f"{w} frame") for w in ("First", "Last"))
    first.set_value(40)
    last.set_value(70)
    page.run()
    _buttons(page)["Exchange them in frames 40 to 70"].click().run()
    assert not page.exception
    changed = stored.analysis_of(store.result_folder(job))
    assert changed.provenance.settings["made by hand"] == ["left and right legs exchanged in frames 40 to 70"]
    assert [(m.key, m.side, m.value) for m in changed.measures] != before
    assert "left and right legs exchanged in frames 40 to 70" in _text(page)
    _buttons(page)["Undo the last"].click().run()
    undone = stored.analysis_of(store.result_folder(job))
    assert [(m.key, m.side, m.value) for m in undone.measures] == before


def test_how_many_targets_are_met_is_one_sentence() -> None:
    said = result.verdict_words(builders.analysis())
    assert said == "1 number is held against targets: 1 inside, 0 too close to call, 0 outside."
    none = dataclasses.replace(builders.analysis(), scores=())
    assert result.verdict_words(none).startswith("No number")


def test_what_was_said_of_the_athlete_has_its_units() -> None:
    analysis = dataclasses.replace(
        builders.analysis(), athlete={"stature_m": 1.75, "mass_kg": 68.0, "minor": "yes"}
    )
    assert dict(report.facts(analysis))["Athlete"] == "body height 1.75 m, body mass 68 kg, under 18"
    # 1.75 m / 0.0254 are 68.9 in, 68 kg / 0.45359237 are 149.9 lb.
    said = dict(report.facts(analysis, feet=True))["Athlete"]
    assert said == "body height 5 ft 8.9 in, body mass 149.9 lb, under 18"
    nobody = dataclasses.replace(analysis, athlete={})
    assert "Athlete" not in dict(report.facts(nobody))


def test_after_a_change_the_stills_are_those_of_the_new_cues() -> None:
    """A kept picture of an earlier cue must not stand beside another one."""
    from ui.screens.correct import apply_corrections

    job = page_helpers.true_job(store.new_key())
    folder = store.result_folder(job)
    (folder / "pictures").mkdir()
    old = folder / "pictures" / "midstance.jpg"
    Image.new("RGB", (80, 100), "#FF0000").save(old)
    analysis = stored.analysis_of(folder)
    (kept,) = [p for p in stills.pictures(job, analysis, folder) if p.file.endswith("midstance.jpg")]
    assert stills.still(job, folder, kept, stills.SMALL_PX) == old.read_bytes()
    apply_corrections(job, ())
    analysis = stored.analysis_of(folder)
    again = stills.pictures(job, analysis, folder)
    assert [p.frame for p in again] == [s.frame for s in subjects(analysis)]
    (new,) = [p for p in again if p.file.endswith("midstance.jpg")]
    shown = Image.open(BytesIO(stills.still(job, folder, new, stills.SMALL_PX) or b""))
    assert shown.size != (80, 100)
    assert f"frame {new.frame}" in new.alt


def test_a_large_still_is_made_smaller_once_and_a_small_one_stays(tmp_path: Path) -> None:
    path = tmp_path / "still.jpg"
    Image.new("RGB", (512, 640), "#336699").save(path)
    assert Image.open(BytesIO(stored.small_picture(path, 360))).size == (360, 450)
    assert stored.small_picture(path, 800) == path.read_bytes()


def test_a_doubtful_time_base_stands_above_the_cues() -> None:
    """By the words that the check of the time base itself writes: half speed shows a quarter of the fall."""
    from technique.gravity_check import Fall, time_base_warning

    warning = time_base_warning(Fall(9.81 / 4, 2.3, 2.6, 4))
    assert warning is not None
    analysis = dataclasses.replace(builders.analysis(), notes=(warning, "Invented note."))
    assert time_base_doubts(analysis.notes) == [warning]
    assert time_base_doubts(builders.analysis().notes) == []
    job = page_helpers.stored_job(store.new_key())
    write_analysis(analysis, store.result_folder(job) / ANALYSIS_NAME)
    page = _open(job)
    shown = _html(page)
    first = next(i for i, h in enumerate(shown) if warning[:40] in h)
    assert first < next(i for i, h in enumerate(shown) if 'class="cue' in h)
    _buttons(page)["Give the true capture rate and measure again"].click().run()
    changed = store.read_job(job.key)
    assert changed is not None
    assert changed.state in ("ready", "looking")


def test_feet_and_inches_are_on_the_screen_and_nowhere_else() -> None:
    job = page_helpers.true_job(store.new_key())
    folder = store.result_folder(job)
    before = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    page = _open(job)
    assert " mph" not in _text(page)
    page.session_state[units.KEY] = units.IMPERIAL
    page.run()
    assert not page.exception
    shown = _text(page)
    speed = stored.analysis_of(folder).measure("speed", "both")
    assert speed is not None
    assert speed.value is not None
    assert f"{speed.value * 3600 / 1609.344:.2f} mph" in shown
    assert f"{speed.value:.2f} m/s" not in shown
    assert "body height 5 ft 8.9 in" in shown
    assert {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()} == before


def test_another_profile_gives_new_verdicts_and_keeps_the_measures() -> None:
    from ui.screens.correct import apply_corrections

    job = page_helpers.true_job(store.new_key())
    before = stored.analysis_of(store.result_folder(job))
    changed = dataclasses.replace(job, options=dataclasses.replace(job.options, profile="easy-run"))
    apply_corrections(changed, ())
    after = stored.analysis_of(store.result_folder(job))
    assert (before.profile, after.profile) == ("fast-run", "easy-run")
    assert [s.key for s in before.scores] != [s.key for s in after.scores]
    np.testing.assert_allclose(
        [m.value for m in before.measures if m.value is not None],
        [m.value for m in after.measures if m.value is not None],
    )


def test_a_wrong_key_in_the_address_shows_the_first_screen() -> None:
    page = AppTest.from_file(str(page_helpers.page_file()), default_timeout=60)
    page.query_params[place.CLIP] = "../../../etc"
    page.run()
    assert not page.exception
    assert "Running technique, measured" in _text(page)


def test_everything_is_in_the_zip_and_nothing_hidden(tmp_path: Path) -> None:
    job = page_helpers.stored_job(store.new_key())
    (store.result_folder(job) / ".part-x").write_text("x", encoding="utf-8")
    with zipfile.ZipFile(BytesIO(zipped(store.result_folder(job)))) as box:
        assert set(box.namelist()) == {"analysis.json", "track.npz", "report.html", "pictures/cue_1.jpg"}


def test_a_clicked_point_leads_to_its_frame() -> None:
    analysis = builders.analysis()
    assert viewer.clicked_sample(analysis, {"customdata": [7], "x": 0.0}) == 7
    assert viewer.clicked_sample(analysis, {"customdata": 3, "x": 0.0}) == 3
    assert viewer.clicked_sample(analysis, {"x": 0.0}) is None
    # One touchdown only: there is no whole cycle to look into.
    assert viewer.clicked_sample(analysis, {"customdata": "right", "x": 50.0}) is None


def test_a_share_of_the_cycle_is_a_moment_between_two_landings() -> None:
    from dataclasses import replace

    analysis = builders.analysis()
    first = analysis.events[0]
    second = replace(first, time_s=first.time_s + 6 / 120, frame=10)
    analysis = replace(analysis, events=(first, second))
    moment = analysis.time_s[viewer.cycle_sample(analysis, "right", 50.0) or 0]
    assert abs(moment - (first.time_s + 3 / 120)) <= 0.5 / 120 + 1e-9


def test_next_and_last_event() -> None:
    assert viewer.step_to([2, 5, 9], 5, forward=True) == 9
    assert viewer.step_to([2, 5, 9], 5, forward=False) == 2
    assert viewer.step_to([2, 5, 9], 9, forward=True) == 9
    assert viewer.step_to([], 4, forward=False) == 4


def test_the_curve_shows_the_measured_values_and_both_errors() -> None:
    analysis = builders.analysis()
    figure = charts.cycle_curve(analysis, "thigh")
    mean = next(t for t in figure.data if t.name == "near (right), n = 1")
    np.testing.assert_allclose(mean.y, analysis.curves[0].mean)
    band = next(t for t in figure.data if t.fill == "toself")
    assert max(band.y) == pytest.approx(max(analysis.curves[0].mean + 4.0))
    steps = charts.step_by_step(analysis, "contact_time")
    (trace,) = steps.data
    np.testing.assert_allclose(np.asarray(trace.y) + np.asarray(trace.error_y.array), [0.21])
    np.testing.assert_allclose(np.asarray(trace.y) - np.asarray(trace.error_y.arrayminus), [0.19])


def test_a_hidden_face_is_hidden_in_the_viewer_too() -> None:
    job = page_helpers.true_job(store.new_key())
    track = stored.track_of(store.result_folder(job))
    noisy = page_helpers.tiny_clip(8, track.clip.width, track.clip.height, noise=True)
    store.clip_path(job).write_bytes(noisy)
    plain, view = stored.frame_picture(job, track, 4, whole=False)
    for old in (store.job_folder(job.key) / store.FRAMES).iterdir():
        old.unlink()
    hidden = store.change(job, options=dataclasses.replace(job.options, minor=True))
    covered, _ = stored.frame_picture(hidden, track, 4, whole=False)
    a, b = (np.asarray(Image.open(BytesIO(data)).convert("L"), dtype=float) for data in (plain, covered))
    x, y = ((track.xy_px[4, lm.INDEX["nose"]] - [view.left, view.top]) * view.zoom).astype(int)
    ankle = ((track.xy_px[4, lm.INDEX["left_ankle"]] - [view.left, view.top]) * view.zoom).astype(int)
    near = np.s_[y - 6 : y + 6, x - 6 : x + 6]
    far = np.s_[ankle[1] - 6 : ankle[1] + 6, ankle[0] - 6 : ankle[0] + 6]
    assert a[near].std() > 3 * b[near].std()
    np.testing.assert_allclose(a[far], b[far])


def test_the_close_up_keeps_its_size_and_stays_in_the_picture() -> None:
    track = builders.track()
    boxes = [frames.close_up(track, i) for i in range(len(track.frame))]
    assert len({box[2:] for box in boxes}) == 1
    for left, top, width, height in boxes:
        assert left >= 0
        assert top >= 0
        assert left + width <= track.clip.width
        assert top + height <= track.clip.height


def test_drawings_have_words_and_no_outside_reference() -> None:
    html = filming.advice_html()
    assert html.count("<img") == 4
    assert 'alt=""' not in html
    assert "http" not in html.replace("http://www.w3.org", "")


def test_a_file_name_is_never_read_as_markup() -> None:
    assert style.literal("a_b*c[d](e)") == r"a\_b\*c\[d\]\(e\)"
    assert "<script>" not in style.findings_list([("good", "<script>")])


def test_every_level_has_a_sign_and_a_word() -> None:
    assert (
        set(style.LEVEL_SIGN) == set(style.LEVEL_WORD) == set(style.LEVEL_INK) == {"good", "limited", "bad"}
    )
    assert len(set(style.LEVEL_SIGN.values())) == 3
