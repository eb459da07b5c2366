"""Names with markup, formulas, path parts, line breaks: safe wherever they are shown or written."""

from __future__ import annotations

import csv
import io
import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.analysis import Analysis
from shared.analysis_json import write_analysis
from shared.errors import LanesideError, one_line
from tests import builders
from ui.cli import main
from ui.report import content, html_report
from ui.tables import csv_text, measures_table, safe_cell

pytestmark = pytest.mark.usefixtures("one_child")

NAMES = [
    "<img src=x onerror=alert(1)>.mp4",
    "</title><script>alert(1)</script>.mp4",
    "=cmd|' /C calc'!A0.mp4",
    "@SUM(1,1).mp4",
    "line\nbreak.mp4",
    "back\rward.mp4",
    "bell\x07 and red \x1b[31m.mp4",
    "[bold]not bold[/bold].mp4",
    "[/].mp4",
    "turned \u202e4pm.exe.mp4",
    "läufer 🏃‍♀️ 走る.mp4",
    "-rf.mp4",
    "%s %n {0} {x!r} $HOME `id`.mp4",
    "'; DROP TABLE clips; --.mp4",
    "a" * 240 + ".mp4",
]


@pytest.fixture(params=NAMES, ids=range(len(NAMES)))
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.mark.parametrize("command", ["check", "measure"])
def test_an_error_about_it_is_one_printable_line(
    name: str, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = tmp_path / name.replace("/", "_")
    clip.write_bytes(b"no video at all " * 40)
    out = ["--out", str(tmp_path / "out")] if command == "measure" else []
    assert main([command, *out, "--", str(clip)]) == 3
    said = capsys.readouterr().err
    assert said.endswith("\n") and len(said.splitlines()) == 1
    assert said[:-1].isprintable() or "\u200d" in said  # the joiner inside one emoji
    assert "\x1b" not in said and "\u202e" not in said
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(os.name == "nt" or os.uname().sysname == "Darwin", reason="names there are always text")
def test_a_name_that_is_no_text(tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    clip = os.fsencode(tmp_path) + b"/\xff\xfe run.mp4"
    Path(os.fsdecode(clip)).write_bytes(b"no video at all " * 40)
    assert main(["check", os.fsdecode(clip)]) == 3
    said = capfdbinary.readouterr().err
    assert said.count(b"\n") == 1
    said.decode("utf-8")


@given(st.text(), st.text(), st.text())
def test_every_error_is_one_line(what: str, why: str, mend: str) -> None:
    said = str(LanesideError(what, why, mend))
    assert len(said.splitlines()) <= 1
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in said)
    said.encode("utf-8")


@given(st.text(alphabet=st.characters(categories=("L", "N", "P", "S"))))
def test_ordinary_names_stay_as_they_are(name: str) -> None:
    assert one_line(name) == name


def _made(name: str) -> Analysis:
    made = builders.analysis()
    return replace(
        made,
        clip=replace(made.clip, path=f"/somewhere/private/{name}"),
        profile=name,
        notes=(f"About {name}.",),
        athlete={**made.athlete, "sex": name},
    )


def test_the_report_shows_it_as_text(name: str, tmp_path: Path) -> None:
    page = html_report(content(_made(name), (), video=False), "", tmp_path)
    assert "<img src=x" not in page and "<script>alert" not in page
    assert "/somewhere/private" not in page, "the folder of the clip is nobody's business"


def test_the_document_holds_the_name_alone(name: str, tmp_path: Path) -> None:
    path = tmp_path / "analysis.json"
    write_analysis(_made(name), path)
    text = path.read_text(encoding="utf-8")
    assert "/somewhere/private" not in text
    assert json.loads(text)["clip"]["name"] == Path(name).name


def test_a_table_keeps_it_in_one_cell_that_is_no_formula(name: str) -> None:
    (row,) = csv.reader(io.StringIO(csv_text(("a", "b"), [])), strict=True)
    assert row == ["a", "b"]
    rows = list(csv.reader(io.StringIO(csv_text(("a", "b"), [(name, 1.5)]), newline=""), strict=True))
    assert rows[1] == [safe_cell(name), "1.5"]
    assert rows[1][0][:1] not in "=+-@\t\r"
    assert measures_table(_made(name)).count("\r\n") == measures_table(builders.analysis()).count("\r\n")
