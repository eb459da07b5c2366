"""The files of one result in feet, inches and miles per hour, and what always stays metric.

Oracle: the international yard and pound agreement of 1959 (1 in = 0.0254 m, 1 mile = 1609.344 m).
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from shared.analysis import Analysis, Measure, Observation, Score
from shared.analysis_json import read_analysis
from shared.progress import silent
from shared.track import Track
from shared.track_file import read_track
from technique.gravity_check import Fall, time_base_warning
from tests import builders, page_helpers
from ui import report
from ui.apart import here
from ui.job import ANALYSIS_NAME, TRACK_NAME, VIDEO_NAME, write_results
from ui.options import Options
from ui.pictures import Picture, value_text, write_pictures
from ui.report import DOUBTS_HEAD
from ui.screens import picker, place, stills, store, units
from ui.screens.queue import Queue
from ui.screens.work import measure
from ui.target_table import missing_targets, target_rows

INCH, MILES_PER_HOUR = 0.0254, 1609.344 / 3600


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One invented run, written in both units; without a video, which takes long."""
    folder = tmp_path_factory.mktemp("results")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(store.FOLDER_VARIABLE, str(folder / "data"))
        job = page_helpers.true_job(store.new_key())
        made = store.result_folder(job)
        track, analysis = read_track(made / TRACK_NAME), read_analysis(made / ANALYSIS_NAME)
        out = {}
        for name in ("metric", "imperial"):
            out[name] = folder / name
            out[name].mkdir()
            options = replace(job.options, units=name, video=False)  # type: ignore[arg-type]
            write_results(store.clip_path(job), track, analysis, out[name], options)
    return out


def _words(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def _measure(folder: Path, key: str) -> Measure:
    found = next(m for m in read_analysis(folder / ANALYSIS_NAME).measures if m.key == key and m.value)
    assert found.value is not None and found.low is not None and found.high is not None
    return found


def _feet(metres: float) -> str:
    tenths = round(10 * metres / INCH)
    return f"{tenths // 120} ft {tenths % 120 / 10:.1f} in"


def _line(m: Measure) -> str:
    """A measure as the report's table has it, by the definitions of the units."""
    value, low, high = (float(v or 0) for v in (m.value, m.low, m.high))
    if m.key == "step_length":
        return f"{_feet(value)} {_feet(low)} to {_feet(high)}"
    unit, sign = (MILES_PER_HOUR, "mph") if m.key == "speed" else (INCH, "in")
    return f"{value / unit:.2f} {sign} {low / unit:.2f} to {high / unit:.2f}"


@pytest.mark.parametrize("key", ["speed", "step_length", "vertical_oscillation"])
def test_the_report_has_value_and_interval_in_the_chosen_units(results: dict[str, Path], key: str) -> None:
    m = _measure(results["metric"], key)
    turned = _words((results["imperial"] / "report.html").read_text(encoding="utf-8"))
    metric = _words((results["metric"] / "report.html").read_text(encoding="utf-8"))
    assert _line(m) in turned
    digits = 3 if key == "vertical_oscillation" else 2
    assert f"{m.value:.{digits}f} {m.unit} {m.low:.{digits}f} to {m.high:.{digits}f}" in metric
    assert not {"ft", "in", "mph"} & set(re.findall(r"\d ([a-z]+)", metric))
    assert "body height 5 ft 8.9 in" in turned
    assert "body height 1.75 m" in metric
    assert report.UNITS_FACT in turned
    assert report.UNITS_FACT not in metric


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_the_printed_report_says_the_same(results: dict[str, Path]) -> None:
    done = subprocess.run(
        ["pdftotext", "-layout", str(results["imperial"] / "report.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    text = " ".join(done.stdout.split())
    speed = float(_measure(results["metric"], "speed").value or 0)
    assert f"{speed / MILES_PER_HOUR:.2f} mph" in text
    assert "body height 5 ft 8.9 in" in text
    assert report.UNITS_FACT in text


def test_data_files_stay_metric(results: dict[str, Path]) -> None:
    for name in ("measures.csv", "steps.csv", "angles.csv", "curves.svg"):
        assert (results["metric"] / name).read_bytes() == (results["imperial"] / name).read_bytes()
    first, second = (json.loads((results[n] / ANALYSIS_NAME).read_text()) for n in ("metric", "imperial"))
    assert first == second
    assert {m["unit"] for m in second["measures"]} & {"m", "m/s"} == {"m", "m/s"}
    a, b = (read_track(results[n] / TRACK_NAME) for n in ("metric", "imperial"))
    assert np.array_equal(a.world_px, b.world_px, equal_nan=True)
    assert a.scale == b.scale


def _landing(value_m: float = -0.0508) -> Analysis:
    """An analysis whose only measure is a landing 2.0 ± 0.5 in behind the hip, held against at most 3 in."""
    low, high = value_m - 0.0127, value_m + 0.0127
    m = Measure("td_distance", "right", value_m, "m", low, high, 2, "measured", None, 4)
    o = Observation("td_distance", "right", 0, value_m, "m", low, high, 0.03, 4)
    s = Score("td_distance", "right", (None, 0.0762), "inside", "x", "legs", 0.0)
    return replace(builders.analysis(), measures=(m,), observations=(o,), scores=(s,), cues=())


def test_a_still_has_its_length_in_the_chosen_units(tmp_path: Path) -> None:
    assert value_text(_landing(), "td_distance", "right", 4) == "−0.05 ± 0.01 m"
    assert value_text(_landing(), "td_distance", "right", 4, feet=True) == "−2.0 ± 0.5 in"
    assert value_text(_landing(-0.0004), "td_distance", "right", 4, feet=True) == "0.0 ± 0.5 in"
    clip = tmp_path / "invented.mp4"
    clip.write_bytes(page_helpers.tiny_clip(12, 1280, 720))
    for feet, said in ((False, "−0.05 ± 0.01 m"), (True, "−2.0 ± 0.5 in")):
        track: Track = builders.track()
        (picture,) = write_pictures(clip, track, _landing(), tmp_path, silent, feet=feet)
        assert picture.alt.endswith(f"touchdown distance to hip {said}")


def test_the_command_lines_table_has_the_chosen_units() -> None:
    assert target_rows(_landing()) == [
        ("touchdown distance to hip", "right", "−0.05 m", "−0.06 to −0.04", "at most 0.08 m", "inside")
    ]
    assert target_rows(_landing(), feet=True) == [
        ("touchdown distance to hip", "right", "−2.0 in", "−2.5 to −1.5", "at most 3.0 in", "inside")
    ]


def _without_scale() -> Analysis:
    why = "needs a scale; the error (± 0.1 m/s) is too large"
    missing = tuple(
        Measure(key, side, None, unit, None, None, 0, "not_measurable", why)  # type: ignore[arg-type]
        for key, side, unit in (("step_length", "left", "m"), ("speed", "both", "m/s"))
    )
    scores = tuple(Score(m.key, m.side, (1.0, None), "not_measurable", "x", "rhythm", 0.0) for m in missing)
    return replace(
        _landing(), measures=(*_landing().measures, *missing), scores=(*_landing().scores, *scores)
    )


def test_what_could_not_be_measured_is_no_row_of_dashes(capsys: pytest.CaptureFixture[str]) -> None:
    from ui.job import Result
    from ui.terminal import summary

    assert [row[0] for row in target_rows(_without_scale())] == ["touchdown distance to hip"]
    assert missing_targets(_without_scale(), feet=True) == [
        ("needs a scale; the error (± 0.2 mph) is too large", "step length (left), speed")
    ]
    summary(Result(_without_scale(), Path("result")))
    said = capsys.readouterr().out
    assert "Not measurable here: step length (left), speed: needs a scale" in " ".join(said.split())
    assert not re.search(r"(^|\s)-\s+(m|to)\b", said)


WARNING = time_base_warning(Fall(9.81 / 4, 2.3, 2.6, 4)) or ""


def _doubtful() -> Analysis:
    return replace(builders.analysis(), notes=(WARNING, "Invented note."))


def test_a_doubtful_time_base_stands_before_what_to_work_on(tmp_path: Path) -> None:
    made = report.content(_doubtful(), (), video=False)
    page = _words(report.html_report(made, "", tmp_path))
    assert page.index(DOUBTS_HEAD) < page.index(WARNING) < page.index("What to work on, in order")
    sure = _words(report.html_report(report.content(builders.analysis(), (), video=False), "", tmp_path))
    assert DOUBTS_HEAD not in sure


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_the_printed_report_too(tmp_path: Path) -> None:
    report.write_pdf(report.content(_doubtful(), (), video=False), "", tmp_path)
    done = subprocess.run(
        ["pdftotext", str(tmp_path / "report.pdf"), "-"], capture_output=True, text=True, check=True
    )
    text = " ".join(done.stdout.split())
    assert text.index(DOUBTS_HEAD) < text.index(WARNING[:40]) < text.index("What to work on, in order")


def test_the_command_line_too(capsys: pytest.CaptureFixture[str]) -> None:
    from ui.job import Result
    from ui.terminal import summary

    summary(Result(_doubtful(), Path("result")))
    said = " ".join(capsys.readouterr().out.split())
    assert said.index(DOUBTS_HEAD) < said.index(WARNING[:40]) < said.index("What to work on")
    assert said.count(WARNING[:40]) == 1


# -- the page -----------------------------------------------------------------------------------------


@pytest.fixture
def _page_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))
    monkeypatch.setattr(Queue, "_serve", lambda self, kind: None)
    place.queue.clear()
    picker.component.cache_clear()


def _open(job: store.Job, choice: str) -> Any:
    page = AppTest.from_file(str(page_helpers.page_file()), default_timeout=60)
    page.session_state[place.LIST] = job.owner
    page.session_state[place.CLIP] = job.key
    page.session_state[units.KEY] = choice
    page.run()
    assert not page.exception
    return page


def _button(page: Any, label: str) -> Any:
    return next((b for b in page.button if b.label == label), None)


IN_FEET = "Write them in feet, inches and miles per hour"
IN_METRES = "Write them in metric units"


@pytest.mark.usefixtures("_page_data")
def test_the_page_offers_the_report_in_the_units_now_chosen_and_keeps_the_video() -> None:
    job = page_helpers.true_job(store.new_key())
    folder = store.result_folder(job)
    (folder / VIDEO_NAME).write_bytes(b"an annotated video of this result")
    before = read_analysis(folder / ANALYSIS_NAME)
    assert _button(_open(job, units.METRIC), IN_METRES) is None
    page = _open(job, units.IMPERIAL)
    assert any("written in metric units" in i.value for i in page.info)
    _button(page, IN_FEET).click().run()
    assert not page.exception
    waiting = store.read_job(job.key)
    assert waiting is not None
    assert (waiting.state, waiting.rewrite, waiting.options.units) == ("waiting", True, "imperial")
    assert waiting.written == "metric"

    store.change(waiting, state="running")
    measure(job.key, here)
    done = store.read_job(job.key)
    assert done is not None
    assert (done.state, done.rewrite, done.written) == ("done", False, "imperial")
    speed = before.measure("speed", "both")
    assert speed is not None and speed.value is not None
    said = _words((folder / "report.html").read_text(encoding="utf-8"))
    assert f"{speed.value / MILES_PER_HOUR:.2f} mph" in said
    assert (folder / VIDEO_NAME).read_bytes() == b"an annotated video of this result"
    after = read_analysis(folder / ANALYSIS_NAME)
    assert [(m.key, m.side, m.value, m.unit) for m in after.measures] == [
        (m.key, m.side, m.value, m.unit) for m in before.measures
    ]
    assert _button(_open(done, units.IMPERIAL), IN_FEET) is None
    assert _button(_open(done, units.METRIC), IN_METRES) is not None


@pytest.mark.usefixtures("_page_data")
def test_a_report_that_was_not_written_in_other_units_is_offered_again() -> None:
    job = page_helpers.true_job(store.new_key())
    asked = store.enqueue(job, replace(job.options, units="imperial"), "", rewrite=True)
    store.ask_to_cancel(asked)
    kept = store.read_job(job.key)
    assert kept is not None
    assert (kept.state, kept.written) == ("done", "metric")
    assert _button(_open(kept, units.IMPERIAL), IN_FEET) is not None
    assert _button(_open(kept, units.METRIC), IN_METRES) is None


@pytest.mark.usefixtures("_page_data")
def test_a_still_with_a_length_in_other_units_is_shown_without_its_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    job = page_helpers.stored_job(store.new_key())
    folder = store.result_folder(job)
    monkeypatch.setattr(stills, "_drawn", lambda key, changed, frame: b"drawn anew")
    kept = (folder / "pictures" / "cue_1.jpg").read_bytes()

    def shown(keys: tuple[str, ...], now: store.Job) -> bytes | None:
        picture = Picture("pictures/cue_1.jpg", "Cue 1", "", 4, 0.03, "right", keys, 1)
        return stills.still(now, folder, picture, stills.LARGE_PX)

    imperial = replace(job, written="imperial")
    assert shown(("td_distance",), job) == kept
    assert shown(("td_distance",), imperial) == b"drawn anew"
    assert shown(("shank_angle_td",), imperial) == kept


@pytest.mark.usefixtures("_page_data")
@pytest.mark.parametrize(("choice", "said"), [(units.IMPERIAL, "imperial"), (units.METRIC, "metric")])
def test_the_units_of_the_page_go_into_the_measurement(choice: str, said: str) -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page = _open(job, choice)
    _button(page, "Measure this clip").click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert (kept.state, kept.options.units) == ("waiting", said)


@pytest.mark.usefixtures("_page_data")
def test_a_new_visit_begins_in_the_units_of_the_newest_clip() -> None:
    job = page_helpers.stored_job(store.new_key())
    for chosen, said in (("imperial", units.IMPERIAL), ("metric", units.METRIC)):
        store.change(job, queued=1.0, options=replace(job.options, units=chosen))
        page = AppTest.from_file(str(page_helpers.page_file()), default_timeout=60)
        page.session_state[place.LIST] = job.owner
        page.run()
        assert not page.exception
        assert page.session_state[units.KEY] == said


@pytest.mark.usefixtures("_page_data")
def test_a_height_in_feet_and_inches_is_kept_in_metres() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page = _open(job, units.IMPERIAL)
    for label, value in (("Body height, ft", 5), ("and inches", 9.0), ("Body mass, lb", 154.0)):
        next(n for n in page.number_input if n.label == label).set_value(value)
    page.run()
    _button(page, "Measure this clip").click().run()
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.options.stature_m == pytest.approx(1.7526, abs=1e-12)
    assert kept.options.mass_kg == pytest.approx(154 * 0.45359237, rel=1e-12)


@pytest.mark.usefixtures("_page_data")
def test_a_height_that_cannot_be_holds_the_measurement_back() -> None:
    job = page_helpers.stored_job(store.new_key(), "ready")
    page = _open(job, units.IMPERIAL)
    next(n for n in page.number_input if n.label == "Body height, ft").set_value(8)
    next(n for n in page.number_input if n.label == "and inches").set_value(11.0)
    page.run()
    assert not page.exception
    assert _button(page, "Measure this clip").disabled


def test_options_without_units_are_metric() -> None:
    assert Options().units == "metric"
    assert not Options().imperial
