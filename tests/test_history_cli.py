"""The history on the command line: record, compare, trend, times, return check, squad, export, delete."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pytest

from shared import history as H
from shared.catalogue import SYMMETRY_PREFIX
from tests.invented_weeks import both_sides, result_folder
from ui.cli import main

KNEE_LIFT_DEG = 12.0
DAYS = ("2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23")
Run = Callable[..., str]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs a command that must succeed; gives what it printed on one line."""
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))
    monkeypatch.chdir(tmp_path)

    def done(*arguments: object) -> str:
        code = main([str(a) for a in arguments])
        captured = capsys.readouterr()
        assert code == 0, captured.err
        assert not captured.err
        return " ".join(captured.out.split())

    return done


@pytest.fixture
def weeks(run: Run, tmp_path: Path) -> Run:
    """Four days of the usual run and one with the knees lifted higher, filmed from both sides."""
    run("athletes", "add", "A1", "--stature", 1.78, "--mass", 70)
    for i, day in enumerate(DAYS):
        folders = both_sides(tmp_path / "results", f"usual{i}", seed=10 + i)
        run("record", "A1", *folders, "--date", day, "--condition", "usual", "--repeat")
    folders = both_sides(
        tmp_path / "results", "drills", add={("thigh_angle_max", "both"): KNEE_LIFT_DEG}, seed=20
    )
    run("record", "A1", *folders, "--date", "2026-03-30", "--condition", "knee drills", "--pain", 0)
    return run


def _rows(folder: Path) -> dict[tuple[str, str], dict[str, str]]:
    text = (folder / "comparison.csv").read_text(encoding="utf-8")
    return {(r["key"], r["side"]): r for r in csv.DictReader(io.StringIO(text))}


def test_the_one_measure_that_was_changed_is_called_changed(weeks: Run, tmp_path: Path) -> None:
    shown = weeks("compare", "usual", "knee drills", "--athlete", "A1", "--out", "out")
    rows = _rows(tmp_path / "out")
    for side in ("left", "right"):
        row = rows["thigh_angle_max", side]
        assert row["verdict"] == "changed"
        assert float(row["low"]) <= KNEE_LIFT_DEG <= float(row["high"])
        assert row["error_from"] == "own repeats"
    judged = [k for k, r in rows.items() if r["verdict"] != "not comparable"]
    false = [
        k
        for k, r in rows.items()
        if r["verdict"] == "changed" and k[0].removeprefix(SYMMETRY_PREFIX) != "thigh_angle_max"
    ]
    assert len(judged) > 40
    # One measure in twenty may be called changed by chance; three times that would be a fault.
    assert len(false) <= 0.15 * len(judged)
    assert "changed by more than the error" in shown
    assert (tmp_path / "out" / "comparison.pdf").read_bytes().startswith(b"%PDF")


def test_passes_of_both_sides_are_one_session(weeks: Run, tmp_path: Path) -> None:
    with H.open_history(read_only=True) as h:
        (athlete,) = H.athletes(h)
        sessions = H.sessions(h, athlete.id or "")
        assert len(sessions) == 5
        assert all(len(H.clips(h, s.id or "")) == 2 for s in sessions)
        assert [g.name for g in H.repeats(h, athlete.id or "")] == ["usual"]
    again = weeks("record", "A1", tmp_path / "results" / "usual0-left", "--session", "2026-03-02")
    assert "counts once" in again
    with H.open_history(read_only=True) as h:
        assert len(H.clips(h, H.sessions(h, athlete.id or "")[-1].id or "")) == 2


def test_the_trend_says_its_slope_and_keeps_every_session(weeks: Run, tmp_path: Path) -> None:
    shown = weeks("trend", "A1", "thigh_angle_max", "--side", "right", "--out", "trend.svg")
    assert "a week (95 % interval" in shown
    assert "5 sessions in 4 weeks" in shown
    for day in (*DAYS, "2026-03-30"):
        assert day in shown
    svg = (tmp_path / "trend.svg").read_text(encoding="utf-8")
    assert svg.startswith("<svg")
    assert "target" in svg
    assert "contact time" in weeks("trend", "A1").lower()


def test_the_return_check_lists_and_never_decides(weeks: Run, tmp_path: Path) -> None:
    folders = both_sides(tmp_path / "results", "back", share={("contact_time", "left"): 0.5}, seed=30)
    weeks(
        "record", "A1", *folders, "--date", "2026-05-01", "--condition", "return", "--pain", 3, "--speed", 4.6
    )
    shown = weeks("return-check", "A1", "--baseline", "2026-03-02/usual", "--out", "check")
    for words in (
        "cannot clear anyone",
        "A difference is not a diagnosis",
        "licensed clinician",
        "Pain of 3 of 10",
        "pelvic drop",
        "contact time",
    ):
        assert words in shown
    page = (tmp_path / "check" / "return_check.html").read_text(encoding="utf-8")
    for text in (shown, page):
        assert "cleared" not in text.lower()
        assert "safe to" not in text.lower()
    assert "differs" in page
    assert (tmp_path / "check" / "return_check.pdf").read_bytes().startswith(b"%PDF")


def test_the_squad_says_who_is_due(weeks: Run) -> None:
    weeks("athletes", "add", "B2")
    shown = weeks("squad")
    assert "A1" in shown
    assert "no clip yet" in shown
    assert "due" in shown
    assert "thigh angle" in shown


def test_times_are_kept_fitted_and_compared(weeks: Run, tmp_path: Path) -> None:
    weeks("times", "add", "A1", "--distance", 40, "--time", 5.9, "--method", "gates", "--date", "2026-03-02",
          "--condition", "usual", "--splits", "5=1.41,10=2.19,20=3.49,30=4.71")  # fmt: skip
    table = tmp_path / "runs.csv"
    table.write_text(
        "date,distance_m,time_s,method,condition,split_10,split_20\n"
        "2026-03-09,40,5.93,gates,usual,2.20,3.51\n2026-03-30,40,5.30,gates,knee drills,2.02,3.16\n",
        encoding="utf-8",
    )
    assert "2 runs kept, 0 were there" in weeks("times", "import", "A1", table)
    assert "0 runs kept, 2 were there" in weeks("times", "import", "A1", table)
    assert weeks("times", "list", "A1").count("40 m") >= 3
    shown = weeks("times", "profile", "A1", "--run", 3, "--out", "profile.svg")
    assert "Top speed" in shown and "Force F0" in shown
    assert "speed profile" in (tmp_path / "profile.svg").read_text(encoding="utf-8")
    assert "Filmed on 2026-03-02 (usual): " in shown and "step frequency" in shown
    assert "changed" in weeks("times", "compare", "A1", "usual", "knee drills")
    weeks("times", "delete", "A1", "--run", 1)
    with H.open_history(read_only=True) as h:
        assert len(H.run_times(h, H.athletes(h)[0].id or "")) == 2


def test_an_export_carries_everything_to_another_history(weeks: Run, tmp_path: Path) -> None:
    weeks("export", "all.zip")
    other = tmp_path / "other" / "history.sqlite"
    assert "0 unchanged" in weeks("import", "all.zip", "--history", other)
    assert weeks("sessions", "A1", "--history", other) == weeks("sessions", "A1")
    assert weeks("trend", "A1", "--history", other) == weeks("trend", "A1")
    assert "0 added" in weeks("import", "all.zip", "--history", other)


def test_deleting_an_athlete_takes_everything_derived_and_nothing_else(weeks: Run, tmp_path: Path) -> None:
    mine = tmp_path / "results" / "usual0-left" / "my_notes.txt"
    mine.write_text("mine", encoding="utf-8")
    weeks("athletes", "delete", "A1", "--yes")
    assert not list((tmp_path / "results").rglob("analysis.json"))
    assert mine.read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "results" / "usual1-left").exists()
    history = tmp_path / "data" / "history.sqlite"
    left = b"".join(p.read_bytes() for p in history.parent.glob("history.sqlite*"))
    assert b"A1" not in left and b"knee drills" not in left


def test_a_session_can_be_deleted_alone(weeks: Run, tmp_path: Path) -> None:
    weeks("sessions", "A1", "--delete", "2026-03-30", "--yes")
    shown = weeks("sessions", "A1")
    assert "knee drills" not in shown
    assert shown.count("usual") >= 4
    assert not (tmp_path / "results" / "drills-left").exists()


def test_two_results_compare_without_a_history(run: Run, tmp_path: Path) -> None:
    result_folder(tmp_path / "one", seed=1)
    result_folder(tmp_path / "two", add={("trunk_lean", "both"): 25.0}, seed=2)
    run("compare", "one", "two", "--out", "out")
    assert _rows(tmp_path / "out")["trunk_lean", "both"]["verdict"] == "changed"
    assert not (tmp_path / "data").exists()


def test_an_athlete_can_be_changed(run: Run) -> None:
    run("athletes", "add", "A1")
    run("athletes", "edit", "a1", "--stature", 1.7, "--rename", "Code 7")
    shown = run("athletes", "list")
    assert "Code 7" in shown and "1.70 m" in shown
