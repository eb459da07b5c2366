"""Deleting somebody leaves no byte of them in the file, its log or its backup copies."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from shared import history as H
from shared.errors import HistoryError
from tests.history_helpers import clip_analysis, day, everything, filled, id_of, person

SECRETS = (b"Zebrafinch-93", b"Quokkaville", b"limping-since-march", b"wombat.mp4")


def bytes_beside(file: Path) -> bytes:
    """All bytes on disk of the history and whatever stands beside it."""
    return b"".join(p.read_bytes() for p in sorted(file.parent.iterdir()) if p.is_file())


def secret_athlete(history: H.History) -> str:
    """An athlete with many rows, each easy to recognise in the bytes."""
    athlete = person(history, "Zebrafinch-93", consent="limping-since-march")
    for d in range(6):
        session = day(
            history, athlete, f"2026-04-{d + 1:02d}", place="Quokkaville", notes="limping-since-march"
        )
        for i in range(4):
            kept = clip_analysis(1000 + 10 * d + i, note="limping-since-march " * 40)
            kept = replace(kept, clip=replace(kept.clip, path="wombat.mp4"))
            H.save_analysis(history, kept, session, history.path.parent / "Quokkaville" / str(d))
        run = H.RunTime(athlete, "2026-04-01", 60.0, 8.0, "hand", notes="Quokkaville", session=session)
        H.save_run_time(history, run)
    return athlete


def test_nothing_of_a_deleted_athlete_is_left_on_disk(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, _, _):
        others = everything(h)
        athlete = secret_athlete(h)
        document = h.connection.execute("SELECT content FROM documents ORDER BY 1 DESC LIMIT 1").fetchone()[0]
        # They edit their notes, so that older copies of the row lie about in the log.
        H.save_athlete(h, replace(H.athlete(h, athlete), notes="Quokkaville"))
        before = bytes_beside(file)
        assert all(secret in before for secret in SECRETS)
        hashes = [f"{1000 + 10 * d + i:064x}".encode() for d in range(6) for i in range(4)]
        ids = [c.latest.encode() for s in H.sessions(h, athlete) for c in H.clips(h, id_of(s))]
        deleted = H.delete_athlete(h, athlete)
        after = bytes_beside(file)
        for secret in (*SECRETS, *hashes, *ids, athlete.encode(), document[:64]):
            assert secret not in after
        assert deleted.clean and deleted.why is None
        assert deleted.folders == tuple(tmp_path / "Quokkaville" / str(d) for d in range(6))
        assert h.connection.execute("PRAGMA freelist_count").fetchone()[0] == 0
        assert everything(h) == others
        H.check(h)
    assert not any(secret in bytes_beside(file) for secret in SECRETS)


def test_deletion_while_another_program_reads_says_that_it_is_not_finished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from shared import history_open

    monkeypatch.setattr(history_open, "BUSY_TIMEOUT_S", 0.05)
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, _, _), H.open_history(file) as reader:
        athlete = secret_athlete(h)
        reader.connection.execute("BEGIN")
        reader.connection.execute("SELECT count(*) FROM athletes").fetchone()
        deleted = H.delete_athlete(h, athlete)
        assert not deleted.clean
        assert deleted.why is not None and "Close other programs" in deleted.why
        assert len(H.athletes(h)) == 1
        assert not H.clean(h)
        reader.connection.execute("ROLLBACK")
        assert H.clean(h)
        assert not any(secret in bytes_beside(file) for secret in SECRETS)


def test_backup_copies_are_cleaned_too(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, _, _):
        athlete = secret_athlete(h)
        copy = tmp_path / "history.sqlite.layout-1.bak"
        copied = sqlite3.connect(copy)
        h.connection.backup(copied)
        copied.close()
        assert H.backups(file) == (copy,)
        assert H.delete_athlete(h, athlete).clean
        with H.open_history(copy) as kept:
            assert [a.name for a in H.athletes(kept)] == ["Runner-7Q"]
    assert not any(secret in bytes_beside(file) for secret in SECRETS)


def test_a_backup_copy_that_is_damaged_is_named(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    copy = tmp_path / "history.sqlite.layout-1.bak"
    with filled(file) as (h, athlete, _):
        copy.write_bytes(b"no database " * 400)
        deleted = H.delete_athlete(h, athlete)
    assert not deleted.clean
    assert deleted.why is not None and str(copy) in deleted.why


def test_deleting_a_session_keeps_its_run_times(tmp_path: Path) -> None:
    with filled(tmp_path / "history.sqlite") as (h, athlete, session):
        deleted = H.delete_session(h, session)
        assert deleted.folders == (tmp_path / "result-0", tmp_path / "result-1")
        assert H.sessions(h, athlete) == ()
        assert H.series(h, athlete, "contact_time", "right") == ()
        assert [r.session for r in H.run_times(h, athlete)] == [None]
        H.check(h)


def test_deleting_a_clip_keeps_folders_that_others_use(tmp_path: Path) -> None:
    with filled(tmp_path / "history.sqlite") as (h, athlete, session):
        H.save_analysis(h, clip_analysis(5), session, tmp_path / "result-1")
        first, second = (f"{i:064x}" for i in (0, 1))
        assert H.delete_clip(h, athlete, first).folders == (tmp_path / "result-0",)
        assert H.delete_clip(h, athlete, second).folders == ()
        assert [c.sha256 for c in H.clips(h, session)] == [f"{5:064x}"]


def test_deleting_a_run_time_takes_its_splits(tmp_path: Path) -> None:
    with filled(tmp_path / "history.sqlite") as (h, athlete, _):
        assert H.delete_run_time(h, id_of(H.run_times(h, athlete)[0])).clean
        assert H.run_times(h, athlete) == ()
        assert h.connection.execute("SELECT count(*) FROM splits").fetchone()[0] == 0


def test_what_is_not_there_cannot_be_deleted(tmp_path: Path) -> None:
    with filled(tmp_path / "history.sqlite") as (h, athlete, _):
        before = everything(h)
        for job in (
            lambda: H.delete_athlete(h, "x"),
            lambda: H.delete_session(h, "x"),
            lambda: H.delete_run_time(h, "x"),
            lambda: H.delete_clip(h, athlete, "x"),
        ):
            with pytest.raises(HistoryError, match="not in it"):
                job()
        assert everything(h) == before
