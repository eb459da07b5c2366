"""Pages, reports and commands of the history in feet, inches, pounds and miles per hour.

Oracle: the international yard and pound agreement of 1959: 1 in = 0.0254 m, 1 mile = 1609.344 m,
1 lb = 0.45359237 kg, all exact.
"""

from __future__ import annotations

import csv
import html
import io
import json
import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from shared import history as H
from shared.units import Units, number_in
from technique.speed_profile import run_profile
from tests.test_history_screens import _choose, _field, _open, _press, _text, data, filled, weeks
from ui.cli import main
from ui.history_check_report import write_check
from ui.history_find import Group, id_of, session_group
from ui.history_plots import profile_plot, trend_plot
from ui.history_report import write_comparison
from ui.history_views import check_view, trend_view
from ui.screens import history_charts, units

__all__ = ["data", "filled", "weeks"]

INCH_M, MPH_MPS, POUND_KG = 0.0254, 1609.344 / 3600, 0.45359237
METRIC = re.compile(r"\d (?:m/s|m|cm|kg)(?![\w/²])")
IMPERIAL = re.compile(r"\d (?:mph|ft|lb)\b|\.\d+ in\b")  # "1 in 20" is no length
SCREENS = ("athletes", "compare", "trend", "check", "squad")


@pytest.fixture
def history(filled: Path) -> AbstractContextManager[H.History]:
    """The invented history, to be opened for reading."""
    return H.open_history(filled, read_only=True)


def _imperial(screen: str, **state: Any) -> Any:
    return _open(screen, **{units.KEY: units.IMPERIAL}, **state)


def _groups(h: H.History) -> tuple[Group, Group]:
    """The usual days, and the last day."""
    athlete = H.athletes(h)[0]
    found = H.sessions(h, id_of(athlete))
    usual = [s for s in found if s.condition == "usual"]
    return session_group(h, usual), session_group(h, found[:1])


# -- pages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("screen", SCREENS)
def test_a_page_speaks_one_system(filled: Path, screen: str) -> None:
    state: dict[str, Any] = {}
    for choice, other in ((units.METRIC, IMPERIAL), (units.IMPERIAL, METRIC)):
        page = _open(screen, **{units.KEY: choice}, **state)
        if screen == "trend":
            _choose(page, "Measure", "Step length")
        text = _text(page)
        assert not other.search(text), other.findall(text)
        assert next(c for c in page.get("button_group") if c.label == "Units").value == choice


def test_the_choice_of_one_page_is_the_choice_of_all(filled: Path) -> None:
    page = _open("trend")
    next(c for c in page.get("button_group") if c.label == "Units").set_value(units.IMPERIAL).run()
    assert page.session_state[units.KEY] == units.IMPERIAL
    _choose(page, "Measure", "Speed")
    assert "mph" in _text(page)
    # The control of another page starts from the same choice.
    other = _open("squad", **{units.KEY: page.session_state[units.KEY]})
    assert next(c for c in other.get("button_group") if c.label == "Units").value == units.IMPERIAL


def test_the_compared_numbers_are_the_metric_ones_turned(history: AbstractContextManager[H.History]) -> None:
    page = _imperial("compare")
    _choose(page, "Before", "all of: usual")
    text = _text(page)
    with history as h:
        before, after = _groups(h)
    for key, side, name, factor, digits in (
        ("speed", "both", "Speed", MPH_MPS, 2),
        ("td_distance", "left", "Touchdown distance to hip, left", INCH_M, 1),
    ):
        values = []
        for group in (before, after):
            found = [t.measure(key, side) for t in group.takes]  # type: ignore[arg-type]
            values.append(sum(m.value for m in found if m is not None and m.value is not None) / len(found))
        sign = "mph" if key == "speed" else "in"
        told = " → ".join(f"{v / factor:.{digits}f} {sign}" for v in values)
        assert re.search(rf"{name} [a-z ]+ {told}", text), told


def test_the_trend_is_drawn_in_the_same_units_as_it_is_told(
    history: AbstractContextManager[H.History],
) -> None:
    with history as h:
        athlete = H.athletes(h)[0]
        views = [trend_view(h, athlete, "step_length", "left", units=u) for u in ("metric", "imperial")]  # type: ignore[arg-type]
    metric, imperial = views
    assert metric.trend.verdict == imperial.trend.verdict
    assert metric.trend.slope == imperial.trend.slope
    target = (1.27, 2.54)  # 50 and 100 in
    figures = [history_charts.trend_chart(replace(v, target=target), {}) for v in views]
    assert [f.layout.yaxis.title.text for f in figures] == ["m", "feet and inches"]
    assert (figures[1].layout.shapes[0].y0, figures[1].layout.shapes[0].y1) == pytest.approx((50.0, 100.0))
    for a, b in zip(figures[0].data, figures[1].data):
        assert [y * INCH_M for y in b.y] == pytest.approx(list(a.y))
        if a.error_y.array is not None:
            assert [y * INCH_M for y in b.error_y.array] == pytest.approx(list(a.error_y.array))
            assert [y * INCH_M for y in b.error_y.arrayminus] == pytest.approx(list(a.error_y.arrayminus))
            said = [row[0] for row in b.customdata]
            for text, value in zip(said, a.y):
                feet, inches = re.fullmatch(r"(\d+) ft ([\d.]+) in", text).groups()  # type: ignore[union-attr]
                assert 12 * int(feet) + float(inches) == pytest.approx(value / INCH_M, abs=0.051)
    slope = re.search(r"([+−][\d.]+) in a week", imperial.trend.sentence)
    assert slope is not None and metric.trend.slope is not None
    assert number_in(slope[1]) == pytest.approx(metric.trend.slope / INCH_M, abs=0.0051)
    drawn = trend_plot(imperial.trend, "x", imperial.axis, target, imperial.shown)
    assert "Step length, left, feet and inches" in drawn
    ticks = dict(zip(figures[1].layout.yaxis.ticktext, figures[1].layout.yaxis.tickvals))
    assert ticks["5 ft 0 in"] == pytest.approx(1.524 / INCH_M)
    assert figures[0].layout.yaxis.ticktext is None


def test_a_sprint_is_drawn_over_metres_in_miles_per_hour(history: AbstractContextManager[H.History]) -> None:
    with history as h:
        run = H.run_times(h, id_of(H.athletes(h)[0]))[0]
    made = run_profile(run)
    metric, imperial = (history_charts.speed_chart(made, run, u) for u in ("metric", "imperial"))  # type: ignore[arg-type]
    assert (imperial.layout.xaxis.title.text, imperial.layout.yaxis.title.text) == (
        "metres",
        "miles per hour",
    )
    for a, b in zip(metric.data, imperial.data):
        assert list(a.x) == list(b.x)
        assert [y * MPH_MPS for y in b.y if y is not None] == pytest.approx([y for y in a.y if y is not None])
        assert "mph" in b.hovertemplate and "m/s" in a.hovertemplate
    for end in ("y0", "y1"):
        assert imperial.layout.shapes[0][end] * MPH_MPS == pytest.approx(metric.layout.shapes[0][end])
    assert "speed, miles per hour" in profile_plot(made, run, "imperial")
    assert "speed, m/s" in profile_plot(made, run)


def test_run_times_keep_their_metres_and_a_temperature_is_kept_in_celsius(filled: Path) -> None:
    page = _imperial("times")
    text = _text(page)
    assert re.search(r"Top speed \d+\.\d+ mph", text) and "40 m" in text
    assert "m/s" not in text.replace("wind in m/s", "")
    _field(page, "number_input", "Distance, m").set_value(100.0)
    _field(page, "number_input", "Time, s").set_value(12.5)
    _field(page, "number_input", "Temperature, °F").set_value(68.0)
    _press(page, "Add this run")
    with H.open_history(read_only=True) as h:
        kept = next(r for r in H.run_times(h, H.athletes(h)[0].id or "") if r.distance_m == 100.0)
    assert kept.temperature_c == pytest.approx(20.0, abs=1e-9)


def test_sizes_and_speeds_are_asked_in_feet_and_kept_in_metres(filled: Path) -> None:
    page = _imperial("athletes")
    # Saved unchanged, 1.78 m (5 ft 10.1 in) and 70 kg (154.3 lb) stay what they are.
    _press(page, "Save")
    with H.open_history(read_only=True) as h:
        assert (H.athletes(h)[0].stature_m, H.athletes(h)[0].mass_kg) == (1.78, 70.0)
    _field(page, "number_input", "Body height, ft").set_value(6)
    _field(page, "number_input", "and inches").set_value(0.0)
    _field(page, "number_input", "Body mass, lb").set_value(160.0)
    _press(page, "Save")
    _field(page, "number_input", "Speed aimed at, mph").set_value(10.0)
    _press(page, "Save the session")
    with H.open_history(read_only=True) as h:
        athlete = H.athletes(h)[0]
        session = H.sessions(h, id_of(athlete))[0]
    assert athlete.stature_m == pytest.approx(72 * INCH_M, abs=1e-12)
    assert athlete.mass_kg == pytest.approx(160 * POUND_KG, abs=1e-12)
    assert session.speed_mps == pytest.approx(10 * MPH_MPS, abs=1e-12)
    text = _text(page)
    assert "10.0 mph" in text
    assert "body height: 5 ft 10.1 in → 6 ft 0 in" in text
    assert "body mass: 154.3 lb → 160 lb" in text
    assert "speed: 10.29 mph → 10.00 mph" in text


@pytest.mark.parametrize("choice", [units.METRIC, units.IMPERIAL])
def test_what_was_kept_beyond_all_fields_is_still_shown(data: Path, choice: str) -> None:
    with H.open_history() as h:
        athlete = H.save_athlete(h, H.Athlete("Odd", 3.5, 400.0, 2.0))
        H.save_session(h, H.Session(id_of(athlete), "2026-05-01", speed_mps=1200.0))
    assert "Odd" in _open("athletes", **{units.KEY: choice}).selectbox[0].options


# -- reports ----------------------------------------------------------------------------------------


def _page_text(path: Path) -> str:
    raw = re.sub(r"<(style|svg).*?</\1>", " ", path.read_text(encoding="utf-8"), flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", raw)).split())


def _pdf_text(path: Path) -> str:
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return " ".join(done.stdout.split())


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_the_comparison_is_printed_in_the_units_asked_for(
    history: AbstractContextManager[H.History], tmp_path: Path
) -> None:
    with history as h:
        before, after = _groups(h)
    for name, asked in (("m", "metric"), ("ft", "imperial")):
        write_comparison(before, after, tmp_path / name, video=False, units=asked)  # type: ignore[arg-type]
    pages = {n: _page_text(tmp_path / n / "comparison.html") for n in ("m", "ft")}
    papers = {n: _pdf_text(tmp_path / n / "comparison.pdf") for n in ("m", "ft")}
    for made in (pages, papers):
        assert not IMPERIAL.search(made["m"]) and not METRIC.search(made["ft"])
        assert METRIC.search(made["m"]) and IMPERIAL.search(made["ft"])
        assert "Written in feet, inches and miles per hour" in made["ft"]
    tables = [(tmp_path / n / "comparison.csv").read_bytes() for n in ("m", "ft")]
    assert tables[0] == tables[1]
    verdicts = [re.findall(r"v-[a-z-]+", (tmp_path / n / "comparison.html").read_text()) for n in ("m", "ft")]
    assert verdicts[0] == verdicts[1]
    # What a reader who can't see the strip is told is in the same unit.
    titles = re.findall(
        r"<title>difference ([^<]+)</title>", (tmp_path / "ft" / "comparison.html").read_text()
    )
    assert any(" mph" in t for t in titles) and any(" in," in t for t in titles)
    rows = list(csv.DictReader(io.StringIO(tables[0].decode("utf-8"))))
    assert {r["unit"] for r in rows if r["key"] in ("speed", "step_length")} == {"m/s", "m"}


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_the_return_check_is_printed_in_the_units_asked_for(
    history: AbstractContextManager[H.History], tmp_path: Path
) -> None:
    with history as h:
        athlete = H.athletes(h)[0]
        usual = next(s for s in H.sessions(h, id_of(athlete)) if s.condition == "usual")
        made = {
            n: check_view(h, athlete, "latest", id_of(usual), units=u)  # type: ignore[arg-type]
            for n, u in (("m", "metric"), ("ft", "imperial"))
        }
    for name, (check, session, own) in made.items():
        write_check(check, athlete, session, own, tmp_path / name)
    a, b = made["m"][0], made["ft"][0]
    assert [p.verdict for p in a.points] == [p.verdict for p in b.points]
    assert [s.verdict for s in a.sides] == [s.verdict for s in b.sides]
    assert [f.partition(":")[0] for f in a.flags] == [f.partition(":")[0] for f in b.flags]
    for read, kind in ((_page_text, "html"), (_pdf_text, "pdf")):
        texts = {n: read(tmp_path / n / f"return_check.{kind}") for n in made}
        assert not IMPERIAL.search(texts["m"]) and not METRIC.search(texts["ft"])
        assert "4.6 m/s" in texts["m"]
        assert "10.3 mph" in texts["ft"]  # 4.6 m/s are 10.29 mph
        assert "cannot clear anyone to sprint" in texts["ft"]


# -- command line -----------------------------------------------------------------------------------


@pytest.fixture
def run(
    filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs a command; gives its exit code and what it printed, each on one line."""
    monkeypatch.chdir(tmp_path)

    def done(*arguments: str) -> tuple[int, str, str]:
        code = main(list(arguments))
        captured = capsys.readouterr()
        return code, " ".join(captured.out.split()), " ".join(captured.err.split())

    return done


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("compare", "usual", "latest", "--athlete", "A1", "--no-video"),
    ("trend", "A1", "step_length"),
    ("trend", "A1", "speed"),
    ("return-check", "A1"),
    ("squad",),
    ("times", "profile", "A1"),
    ("athletes", "list"),
    ("sessions", "A1"),
    ("edits", "A1"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_command_speaks_the_units_asked_for(run: Any, command: tuple[str, ...]) -> None:
    said: dict[Units, str] = {}
    for asked in ("metric", "imperial"):
        code, out, error = run(*command, "--units", asked)
        assert code == 0 and not error
        said[asked] = out  # type: ignore[index]
    if command[0] != "times":
        assert not METRIC.search(said["imperial"])
    assert "m/s" not in said["imperial"]
    assert not IMPERIAL.search(said["metric"])
    assert run(*command)[1].partition("Report:")[0] == said["metric"].partition("Report:")[0]
    code, out, error = run(*command, "--units", "furlongs")
    assert code != 0 and not out and "say metric or imperial" in error


def test_an_export_is_metric_whatever_was_shown(run: Any, tmp_path: Path) -> None:
    assert run("sessions", "A1", "--units", "imperial")[0] == 0
    assert run("export", "out.zip")[0] == 0
    with zipfile.ZipFile(tmp_path / "out.zip") as box:
        document = json.loads(box.read(next(n for n in box.namelist() if n.endswith("history.json"))))
    text = json.dumps(document)
    assert '"stature_m": 1.78' in text and '"speed_mps": 4.6' in text
    assert "mph" not in text
