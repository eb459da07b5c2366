"""Files of every older layout are brought up to date, or stay exactly as they were."""

from __future__ import annotations

import errno
import os
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from shared import history as H
from shared import history_open, history_schema
from tests.history_helpers import clip_analysis, id_of, refused


def _old(file: Path, version: int) -> None:
    """A history as version 1, 2 or 3 wrote it, with an invented athlete."""
    c = sqlite3.connect(file, isolation_level=None)
    c.executescript(
        """
        CREATE TABLE athletes (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
            name TEXT NOT NULL CHECK (name <> ''), stature_m REAL, mass_kg REAL, leg_length_m REAL,
            sex TEXT CHECK (sex IN ('female', 'male')), minor INTEGER NOT NULL, consent TEXT NOT NULL,
            notes TEXT NOT NULL, changed TEXT NOT NULL);
        CREATE TABLE sessions (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
            athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE, date TEXT NOT NULL,
            place TEXT NOT NULL, surface TEXT NOT NULL, shoes TEXT NOT NULL, condition TEXT NOT NULL,
            speed_mps REAL, notes TEXT NOT NULL, pain INTEGER CHECK (pain BETWEEN 0 AND 10),
            changed TEXT NOT NULL);
        CREATE INDEX sessions_by_athlete ON sessions (athlete_id, date);
        CREATE TABLE clips (id INTEGER PRIMARY KEY,
            athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
            session_id INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
            sha256 TEXT NOT NULL, name TEXT NOT NULL, changed TEXT NOT NULL, UNIQUE (athlete_id, sha256));
        CREATE INDEX clips_by_session ON clips (session_id);
        CREATE TABLE analyses (id INTEGER PRIMARY KEY, uid TEXT NOT NULL,
            clip_id INTEGER NOT NULL REFERENCES clips ON DELETE CASCADE, created TEXT NOT NULL,
            saved TEXT NOT NULL, program_version TEXT NOT NULL, model TEXT NOT NULL, profile TEXT NOT NULL,
            near_side TEXT NOT NULL, direction TEXT NOT NULL, camera TEXT NOT NULL,
            capture_rate_hz REAL NOT NULL, latest INTEGER NOT NULL, folder TEXT, UNIQUE (clip_id, uid));
        CREATE UNIQUE INDEX one_latest ON analyses (clip_id) WHERE latest;
        CREATE INDEX analyses_by_uid ON analyses (uid);
        CREATE TABLE documents (analysis_id INTEGER PRIMARY KEY REFERENCES analyses ON DELETE CASCADE,
            content BLOB NOT NULL);
        CREATE TABLE measures (analysis_id INTEGER NOT NULL REFERENCES analyses ON DELETE CASCADE,
            key TEXT NOT NULL, side TEXT NOT NULL, value REAL, unit TEXT NOT NULL, low REAL, high REAL,
            n INTEGER NOT NULL, status TEXT NOT NULL, why TEXT, frame INTEGER, error_parts TEXT NOT NULL,
            label TEXT, estimate INTEGER NOT NULL, PRIMARY KEY (analysis_id, key, side)) WITHOUT ROWID;
        CREATE TABLE _sqlite_migrations (id INTEGER PRIMARY KEY, migration_set TEXT, name TEXT,
            applied_at TEXT);
        CREATE UNIQUE INDEX idx__sqlite_migrations_migration_set_name
            ON _sqlite_migrations (migration_set, name);
        INSERT INTO _sqlite_migrations VALUES
            (1, 'history', '1 athletes, sessions, clips, analyses', '2026-01-01 00:00:00+00:00');
        INSERT INTO athletes VALUES (1, 'a1', 'Runner-7Q', 1.75, NULL, NULL, NULL, 0, '', 'kept', '2026-01-01');
        INSERT INTO sessions VALUES (1, 's1', 1, '2026-01-01', 'hall', '', '', 'usual', 3.5, '', 2, '2026-01-01');
        """
    )
    if version >= 2:
        c.executescript(
            """
            CREATE TABLE run_times (id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
                athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
                session_id INTEGER REFERENCES sessions ON DELETE SET NULL, date TEXT NOT NULL,
                distance_m REAL NOT NULL CHECK (distance_m > 0), time_s REAL NOT NULL CHECK (time_s > 0),
                method TEXT NOT NULL CHECK (method IN ('hand', 'gates', 'video')), wind_mps REAL,
                temperature_c REAL, condition TEXT NOT NULL, notes TEXT NOT NULL, changed TEXT NOT NULL);
            CREATE INDEX run_times_by_athlete ON run_times (athlete_id, date);
            CREATE INDEX run_times_by_session ON run_times (session_id);
            CREATE TABLE splits (run_time_id INTEGER NOT NULL REFERENCES run_times ON DELETE CASCADE,
                distance_m REAL NOT NULL, time_s REAL NOT NULL, PRIMARY KEY (run_time_id, distance_m))
                WITHOUT ROWID;
            INSERT INTO _sqlite_migrations VALUES (2, 'history', '2 run times', '2026-01-02 00:00:00+00:00');
            INSERT INTO run_times VALUES (1, 'r1', 1, 1, '2026-01-01', 60, 8.1, 'gates', NULL, NULL, '', '', '2026-01-01');
            INSERT INTO splits VALUES (1, 30, 4.6);
            """
        )
    if version >= 3:
        c.executescript(
            """
            ALTER TABLE sessions ADD COLUMN repeat_group TEXT;
            CREATE INDEX sessions_by_group ON sessions (athlete_id, repeat_group)
                WHERE repeat_group IS NOT NULL;
            INSERT INTO _sqlite_migrations VALUES
                (3, 'history', '3 repeats of the unchanged condition', '2026-01-03 00:00:00+00:00');
            """
        )
    c.execute(f"PRAGMA user_version = {version}")
    c.execute(f"PRAGMA application_id = {0x4C614E65}")
    c.close()


def _content(file: Path) -> list[str]:
    c = sqlite3.connect(file)
    found = list(c.iterdump()) + [str(c.execute("PRAGMA user_version").fetchone())]
    c.close()
    return found


def _content_of(data: bytes, folder: Path) -> list[str]:
    copy = folder / "copy.sqlite"
    copy.write_bytes(data)
    return _content(copy)


def _layout(file: Path) -> list[str]:
    c = sqlite3.connect(file)
    rows = c.execute(
        "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE '%migrations%' ORDER BY 1, 2"
    )
    found = ["|".join("".join(str(x).split()) for x in r).replace('"', "") for r in rows]
    c.close()
    return found


@pytest.mark.parametrize("version", [1, 2, 3])
def test_an_older_version_is_brought_up_to_date_after_a_backup(tmp_path: Path, version: int) -> None:
    file = tmp_path / "history.sqlite"
    _old(file, version)
    before = file.read_bytes()
    with refused(f"older version (layout {version})", file), H.open_history(file, read_only=True):
        pass
    assert file.read_bytes() == before
    with H.open_history(file) as h:
        assert H.athletes(h) == (
            H.Athlete("Runner-7Q", stature_m=1.75, notes="kept", id="a1", changed="2026-01-01"),
        )
        (session,) = H.sessions(h, "a1")
        assert (session.place, session.pain, session.repeat_group) == ("hall", 2, None)
        assert [r.splits for r in H.run_times(h, "a1")] == [(H.Split(30.0, 4.6),)] * (version > 1)
        saved = H.save_session(h, replace(session, repeat_group="usual"))
        H.save_analysis(h, clip_analysis(), id_of(saved))
        assert H.repeats(h, "a1")[0].sessions == (saved,)
        assert [(e.field, e.before, e.after) for e in H.edits(h, "a1")] == [("repeat_group", None, "usual")]
        H.check(h)
    (backup,) = H.backups(file)
    assert _content(backup) == _content_of(before, tmp_path)
    with H.open_history(tmp_path / "new.sqlite"):
        pass
    assert _layout(file) == _layout(tmp_path / "new.sqlite")


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_migration_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, version: int
) -> None:
    file = tmp_path / "history.sqlite"
    _old(file, version)
    before = file.read_bytes()
    broken = ("broken", ("CREATE TABLE more (x)", "CREATE TABLE athletes (x)"))
    monkeypatch.setattr(history_schema, "STEPS", (*history_schema.STEPS, broken))
    with refused("already exists", file), H.open_history(file):
        pass
    assert _content(file) == _content_of(before, tmp_path)
    monkeypatch.undo()
    with H.open_history(file) as h:
        assert H.athletes(h)[0].name == "Runner-7Q"


def test_a_full_disk_during_the_backup_stops_the_migration(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "history.sqlite"
    _old(file, 1)
    before = file.read_bytes()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(history_open.os, "fsync", full)
    with refused("No space left", file), H.open_history(file):
        pass
    assert _content(file) == _content_of(before, tmp_path)
    assert H.backups(file) == ()
