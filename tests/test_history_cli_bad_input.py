"""Bad input to the history: one clear sentence on standard error, a non-zero exit, nothing lost."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from shared import history as H
from shared.errors import LanesideError
from tests.invented_weeks import invented, result_folder
from ui.cli import main
from ui.history_record import record

Fails = Callable[..., str]


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Data folder with one athlete, two filmed sessions of one day and one of another side."""
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)
    with H.open_history() as h:
        a1 = H.save_athlete(h, H.Athlete("A1"))
        H.save_athlete(h, H.Athlete("A11"))
        for name, day, near in (
            ("first", "2026-03-02", "right"),
            ("second", "2026-03-02", "right"),
            ("other side", "2026-03-09", "left"),
        ):
            session = H.save_session(h, H.Session(a1.id or "", day, condition=name))
            H.save_analysis(h, invented(name, near), session.id or "")  # type: ignore[arg-type]
    return tmp_path / "data"


@pytest.fixture
def fails(data: Path, capsys: pytest.CaptureFixture[str]) -> Fails:
    """Runs a command that must fail in one line."""

    def failed(*arguments: object) -> str:
        code = main([str(a) for a in arguments])
        captured = capsys.readouterr()
        assert code != 0
        lines = captured.err.strip().splitlines()
        assert len(lines) == 1, lines
        assert "Traceback" not in captured.out + captured.err
        return lines[0]

    return failed


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["record", "Nobody", "x.mp4"], "Nobody"),
        (["record", "A1", "missing.mp4"], "missing.mp4"),
        (["record", "A1", "."], "analysis.json"),
        (["record", "A1", "x.mp4", "--date", "yesterday"], "yesterday"),
        (["record", "A1", "x.mp4", "--pain", "11"], "pain"),
        (["record", "A1", "x.mp4", "--speed", "-1"], "speed"),
        (["record", "A1", "x.mp4", "--session", "2020-01-01"], "no such session"),
        (["athletes", "add", "a1"], "taken"),
        (["athletes", "add", " "], "no name"),
        (["athletes", "add", "B", "--stature", "178"], "--stature"),
        (["athletes", "add", "B", "--sex", "x"], "--sex"),
        (["athletes", "edit", "Nobody"], "Nobody"),
        (["athletes", "delete", "Nobody", "--yes"], "Nobody"),
        (["sessions", "A1", "--delete", "2026-03-02", "--yes"], "2 sessions"),
        (["compare", "first", "second"], "--athlete"),
        (["compare", "first", "first", "--athlete", "A1"], "both sides"),
        (["compare", "first", "2020-01-01", "--athlete", "A1"], "no such session"),
        (["compare", "first", "second", "--athlete", "A11"], "no such session yet"),
        (["trend", "A1", "hat_size"], "hat_size"),
        (["trend", "A1", "contact_time", "--side", "top"], "--side"),
        (["trend", "A11"], "A11"),
        (["return-check", "A1", "--profile", "no-such"], "no-such"),
        (["return-check", "A1", "--baseline", "latest"], "same session"),
        (["return-check", "A11"], "no such session yet"),
        (["times", "add", "A1", "--distance", "100", "--time", "5"], "faster than anybody"),
        (["times", "add", "A1", "--distance", "100", "--time", "13", "--splits", "30=4,20=5"], "rising"),
        (["times", "add", "A1", "--distance", "100", "--time", "13", "--splits", "30:4"], "METRES=SECONDS"),
        (["times", "add", "A1", "--distance", "100", "--time", "13", "--method", "sundial"], "sundial"),
        (["times", "import", "A1", "none.csv"], "none.csv"),
        (["times", "profile", "A1"], "--run"),
        (["times", "compare", "A1", "usual", "other"], "no timed run"),
        (["squad", "--due", "0"], "--due"),
        (["import", "none.zip"], "none.zip"),
        (["squad", "--history", "elsewhere.sqlite"], "no history yet"),
    ],
)
def test_one_sentence_each(fails: Fails, data: Path, arguments: list[str], word: str) -> None:
    before = (data / "history.sqlite").read_bytes()
    assert word in fails(*arguments)
    assert (data / "history.sqlite").read_bytes() == before


def test_a_name_that_fits_two_athletes_is_asked_for_in_full(fails: Fails) -> None:
    with H.open_history() as h:
        H.save_athlete(h, H.Athlete("B-one"))
        H.save_athlete(h, H.Athlete("B-two"))
    assert "2 athletes" in fails("sessions", "B-")


def test_sessions_of_one_date_have_no_trend_and_say_so(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with H.open_history() as h:
        (a1, _) = H.athletes(h)
        H.delete_session(h, H.sessions(h, a1.id or "")[0].id or "")
        third = H.save_session(h, H.Session(a1.id or "", "2026-03-02", condition="third"))
        H.save_analysis(h, invented("third"), third.id or "")
    assert main(["trend", "A1", "trunk_lean"]) == 0
    assert "of one date" in capsys.readouterr().out


def test_a_clip_of_the_other_side_is_not_compared(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "first", "other side", "--athlete", "A1", "--out", "out"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "other side" in shown
    page = Path("out/comparison.html").read_text(encoding="utf-8")
    assert "filmed from the other side" in page
    assert "filmed from different sides" in page


def test_an_athlete_without_a_height_is_told_what_is_missing(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = result_folder(tmp_path / "one")
    assert main(["record", "A1", str(folder)]) == 0
    assert "no metres and no speed" in " ".join(capsys.readouterr().out.split())


def test_a_newer_history_is_refused_and_left_alone(fails: Fails, data: Path) -> None:
    file = data / "history.sqlite"
    with sqlite3.connect(file) as c:
        c.execute("PRAGMA user_version = 999")
    c.close()
    before = file.read_bytes()
    for command in (["squad"], ["athletes", "list"], ["export", "x.zip"]):
        assert "newer version" in fails(*command)
    assert file.read_bytes() == before


def test_a_damaged_history_is_refused_and_left_alone(fails: Fails, data: Path) -> None:
    file = data / "history.sqlite"
    file.write_bytes(b"not a database at all" * 100)
    assert "left as it is" in fails("athletes", "list")
    assert file.read_bytes() == b"not a database at all" * 100


def test_one_bad_clip_does_not_lose_the_good_ones(data: Path, tmp_path: Path) -> None:
    good = result_folder(tmp_path / "good")
    with H.open_history() as h:
        a1 = H.athletes(h)[0]
        made = record(h, H.Session(a1.id or "", "2026-04-01"), [good, tmp_path / "bad.mp4"])
        assert [type(e).__mro__[-4] for e in made.failed] == [LanesideError]
        assert len(made.clips) == 1
        assert len(H.clips(h, made.session.id or "")) == 1


def test_when_every_clip_is_bad_no_session_is_left(fails: Fails, data: Path) -> None:
    with H.open_history() as h:
        before = len(H.sessions(h, H.athletes(h)[0].id or ""))
    assert "bad.mp4" in fails("record", "A1", "bad.mp4", "worse.mp4", "--date", "2026-04-01")
    with H.open_history() as h:
        assert len(H.sessions(h, H.athletes(h)[0].id or "")) == before


def test_every_command_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    for command in (
        ["record"],
        ["athletes"],
        ["athletes", "add"],
        ["athletes", "delete"],
        ["sessions"],
        ["compare"],
        ["trend"],
        ["return-check"],
        ["squad"],
        ["times"],
        ["times", "add"],
        ["times", "import"],
        ["times", "profile"],
        ["times", "compare"],
        ["export"],
        ["import"],
    ):
        assert main([*command, "--help"]) == 0
        shown = capsys.readouterr().out
        assert "Usage:" in shown
        assert command == ["athletes"] or command == ["times"] or "--history" in shown
