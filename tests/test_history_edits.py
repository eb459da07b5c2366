"""Facts of a stored session can be changed, whole or not at all, and the history says what was changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from shared import history as H
from tests.history_helpers import clip_analysis, day, id_of, person, refused
from ui.cli import main
from ui.history_words import edit_text

Run = Callable[..., tuple[int, str, str]]


def _told(history: H.History, athlete: str) -> list[tuple[str, str | None, str | None]]:
    return [(e.field, e.before, e.after) for e in H.edits(history, athlete)]


def test_a_changed_session_keeps_its_clips_and_the_log_says_what_changed(tmp_path: Path) -> None:
    with H.open_history(tmp_path / "history.sqlite") as h:
        athlete = person(h)
        session = day(h, athlete, "2026-05-01", shoes="grey", notes="tired", speed_mps=4.0)
        H.save_analysis(h, clip_analysis(1), session)
        before = H.session_points(h, session)
        kept = H.edit_session(
            h, session, date="2026-05-02", shoes="red", speed_mps=None, notes="fresh", condition="usual"
        )
        assert H.session(h, session) == kept
        assert (kept.date, kept.shoes, kept.speed_mps, kept.notes) == ("2026-05-02", "red", None, "fresh")
        after = H.session_points(h, session)
        assert [p.measure for p in after] == [p.measure for p in before]
        assert {p.session.date for p in after} == {"2026-05-02"}
        assert sorted(_told(h, athlete), key=lambda e: e[0]) == [
            ("condition", "", "usual"),
            ("date", "2026-05-01", "2026-05-02"),
            # Of free text only that it was changed.
            ("notes", None, None),
            ("shoes", "grey", "red"),
            ("speed_mps", "4.0", None),
        ]
        assert {e.session for e in H.edits(h, athlete)} == {session}
        assert {e.moment for e in H.edits(h, athlete)} == {kept.changed}
        # Saying what stands there already is no edit.
        assert H.edit_session(h, session, shoes="red") == kept
        assert len(H.edits(h, athlete)) == 5


def test_athletes_too_and_the_newest_edit_first(tmp_path: Path) -> None:
    with H.open_history(tmp_path / "history.sqlite") as h:
        athlete = person(h, stature_m=1.7)
        H.edit_athlete(h, athlete, stature_m=1.75, name="Runner-8Q")
        H.edit_athlete(h, athlete, mass_kg=70.0)
        assert _told(h, athlete)[0] == ("mass_kg", None, "70.0")
        assert set(_told(h, athlete)[1:]) == {("stature_m", "1.7", "1.75"), ("name", None, None)}
        assert H.edits(h) == H.edits(h, athlete)
        other = person(h, "Runner-9Q")
        assert H.edits(h, other) == ()


def test_a_change_is_whole_or_not_made(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with H.open_history(file) as h:
        athlete = person(h)
        session = day(h, athlete, shoes="grey")
        before = H.session(h, session)
        with refused("pain 11 is not on the scale", file):
            H.edit_session(h, session, shoes="red", pain=11)
        with refused("is not a day", file):
            H.edit_session(h, session, shoes="red", date="yesterday")
        with refused("'clips' can't be changed", file):
            H.edit_session(h, session, shoes="red", clips=3)
        with refused("'athlete' can't be changed", file):
            H.edit_session(h, session, athlete="somebody")
        # A copy that was changed elsewhere meanwhile: neither the change nor its log is kept.
        H.edit_session(h, session, place="hall")
        with refused("changed elsewhere", file):
            H.save_session(h, replace(before, shoes="red"))
        assert H.session(h, session).shoes == "grey"
        assert _told(h, athlete) == [("place", "", "hall")]


def test_edits_travel_with_an_export_and_go_with_a_deletion(tmp_path: Path) -> None:
    file, other = tmp_path / "a" / "history.sqlite", tmp_path / "b" / "history.sqlite"
    out = tmp_path / "all.zip"
    with H.open_history(file) as h:
        athlete = person(h)
        session = day(h, athlete, place="Quokkaville")
        H.edit_session(h, session, place="hall")
        H.edit_athlete(h, athlete, stature_m=1.8)
        H.export_history(h, out)
        told = H.edits(h)
        with H.open_history(other) as there:
            assert H.import_history(there, out).added == 4
            assert H.edits(there) == told
            again = H.import_history(there, out)
            assert (again.added, again.updated) == (0, 0)
        H.delete_session(h, session)
        assert [e.field for e in H.edits(h)] == ["stature_m"]
        H.delete_athlete(h, athlete)
        assert H.edits(h) == ()
    assert b"Quokkaville" not in b"".join(p.read_bytes() for p in file.parent.iterdir())


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))

    def done(*arguments: object) -> tuple[int, str, str]:
        code = main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return code, " ".join(captured.out.split()), captured.err

    return done


def test_on_the_command_line(run: Run, tmp_path: Path) -> None:
    with H.open_history() as h:
        athlete = person(h, "A1")
        session = day(h, athlete, "2026-05-01", condition="usual", speed_mps=4.0)
        day(h, athlete, "2026-05-03")
    code, out, _ = run(
        "edit-session", "A1", "2026-05-01/usual", "--date", "2026-05-02", "--surface", "grass",
        "--speed", "none", "--pain", 2, "--condition", "new shoes", "--repeat",
    )  # fmt: skip
    assert code == 0 and "Changed: A1, 2026-05-02, new shoes." in out
    with H.open_history() as h:
        kept = H.session(h, session)
    assert (kept.surface, kept.speed_mps, kept.pain, kept.repeat_group) == ("grass", None, 2, "new shoes")
    assert "Nothing was different." in run("edit-session", "A1", "2026-05-02", "--pain", 2)[1]
    code, out, _ = run("edits", "A1")
    assert code == 0
    assert "session of 2026-05-02, new shoes: day: 2026-05-01 → 2026-05-02" in out
    assert "speed: 4 m/s → empty" in out
    assert "Nothing of A1" not in out
    for arguments, words in (
        (("edit-session", "A1", "2026-05-02"), "nothing to change was said"),
        (("edit-session", "A1", "2026-05-02", "--speed", "fast"), "'fast' is not a number"),
        (("edit-session", "A1", "2026-05-02", "--pain", "11"), "pain 11 is not on the scale"),
        (("edit-session", "A1", "2026-06-01", "--pain", "1"), "no such session"),
        (("edit-session", "A1", "2026-05-02", "--date", "soon"), "is not a day"),
    ):
        code, out, error = run(*arguments)
        assert code != 0 and words in error and not out


def test_an_edit_in_words() -> None:
    e = H.Edit("1", "a", None, "2026-05-01T10:20:30.000000+00:00", "stature_m", None, "1.8")
    assert edit_text(e) == "2026-05-01 10:20  body height: empty → 1.8 m"
    assert edit_text(replace(e, field="notes", after=None)).endswith("notes changed")
    where = H.Session("a", "2026-05-02", condition="usual")
    assert "session of 2026-05-02, usual: shoes: empty → red" in edit_text(
        replace(e, field="shoes", after="red"), where
    )


def test_ids_of_edits_are_their_own(tmp_path: Path) -> None:
    with H.open_history(tmp_path / "history.sqlite") as h:
        session = day(h, person(h))
        for place in ("hall", "track", "hall"):
            H.edit_session(h, session, place=place)
        found = H.edits(h)
        assert len({e.id for e in found}) == 3
        assert [e.after for e in found] == ["hall", "track", "hall"]
        assert id_of(H.session(h, session)) == session
