"""Layout of the history file and the steps that lead to it from every earlier one."""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID: Final[int] = 0x4C614E65
"""Marks the file as ours in its header ("LaNe")."""

STEPS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    (
        "athletes, sessions, clips, analyses",
        (
            """CREATE TABLE athletes (
                id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE, name TEXT NOT NULL CHECK (name <> ''),
                stature_m REAL, mass_kg REAL, leg_length_m REAL, sex TEXT CHECK (sex IN ('female', 'male')),
                minor INTEGER NOT NULL, consent TEXT NOT NULL, notes TEXT NOT NULL, changed TEXT NOT NULL)""",
            """CREATE TABLE sessions (
                id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
                athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
                date TEXT NOT NULL, place TEXT NOT NULL, surface TEXT NOT NULL, shoes TEXT NOT NULL,
                condition TEXT NOT NULL, speed_mps REAL, notes TEXT NOT NULL,
                pain INTEGER CHECK (pain BETWEEN 0 AND 10), changed TEXT NOT NULL)""",
            "CREATE INDEX sessions_by_athlete ON sessions (athlete_id, date)",
            """CREATE TABLE clips (
                id INTEGER PRIMARY KEY, athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
                session_id INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
                sha256 TEXT NOT NULL, name TEXT NOT NULL, changed TEXT NOT NULL,
                UNIQUE (athlete_id, sha256))""",
            "CREATE INDEX clips_by_session ON clips (session_id)",
            """CREATE TABLE analyses (
                id INTEGER PRIMARY KEY, uid TEXT NOT NULL,
                clip_id INTEGER NOT NULL REFERENCES clips ON DELETE CASCADE,
                created TEXT NOT NULL, saved TEXT NOT NULL, program_version TEXT NOT NULL,
                model TEXT NOT NULL, profile TEXT NOT NULL, near_side TEXT NOT NULL,
                direction TEXT NOT NULL, camera TEXT NOT NULL, capture_rate_hz REAL NOT NULL,
                latest INTEGER NOT NULL, folder TEXT, UNIQUE (clip_id, uid))""",
            "CREATE UNIQUE INDEX one_latest ON analyses (clip_id) WHERE latest",
            "CREATE INDEX analyses_by_uid ON analyses (uid)",
            # Documents stand apart, so that a walk over the heads does not read them.
            """CREATE TABLE documents (
                analysis_id INTEGER PRIMARY KEY REFERENCES analyses ON DELETE CASCADE,
                content BLOB NOT NULL)""",
            """CREATE TABLE measures (
                analysis_id INTEGER NOT NULL REFERENCES analyses ON DELETE CASCADE,
                key TEXT NOT NULL, side TEXT NOT NULL, value REAL, unit TEXT NOT NULL, low REAL, high REAL,
                n INTEGER NOT NULL, status TEXT NOT NULL, why TEXT, frame INTEGER,
                error_parts TEXT NOT NULL, label TEXT, estimate INTEGER NOT NULL,
                PRIMARY KEY (analysis_id, key, side)) WITHOUT ROWID""",
        ),
    ),
    (
        "run times",
        (
            """CREATE TABLE run_times (
                id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
                athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
                session_id INTEGER REFERENCES sessions ON DELETE SET NULL,
                date TEXT NOT NULL, distance_m REAL NOT NULL CHECK (distance_m > 0),
                time_s REAL NOT NULL CHECK (time_s > 0),
                method TEXT NOT NULL CHECK (method IN ('hand', 'gates', 'video')),
                wind_mps REAL, temperature_c REAL, condition TEXT NOT NULL, notes TEXT NOT NULL,
                changed TEXT NOT NULL)""",
            "CREATE INDEX run_times_by_athlete ON run_times (athlete_id, date)",
            "CREATE INDEX run_times_by_session ON run_times (session_id)",
            """CREATE TABLE splits (
                run_time_id INTEGER NOT NULL REFERENCES run_times ON DELETE CASCADE,
                distance_m REAL NOT NULL, time_s REAL NOT NULL,
                PRIMARY KEY (run_time_id, distance_m)) WITHOUT ROWID""",
        ),
    ),
    (
        "repeats of the unchanged condition",
        (
            "ALTER TABLE sessions ADD COLUMN repeat_group TEXT",
            """CREATE INDEX sessions_by_group ON sessions (athlete_id, repeat_group)
                WHERE repeat_group IS NOT NULL""",
        ),
    ),
    (
        "edits",
        (
            """CREATE TABLE edits (
                id INTEGER PRIMARY KEY, uid TEXT NOT NULL UNIQUE,
                athlete_id INTEGER NOT NULL REFERENCES athletes ON DELETE CASCADE,
                session_id INTEGER REFERENCES sessions ON DELETE CASCADE,
                moment TEXT NOT NULL, field TEXT NOT NULL, before TEXT, after TEXT)""",
            "CREATE INDEX edits_by_athlete ON edits (athlete_id, moment)",
            "CREATE INDEX edits_by_session ON edits (session_id)",
        ),
    ),
)
"""Name and statements of each step; the file's version is the number of steps taken."""

VERSION: Final[int] = len(STEPS)


def migrate(connection: sqlite3.Connection) -> None:
    """Take the steps that are missing, all of them or none.

    The caller holds the write lock (``BEGIN IMMEDIATE``), so that two programs can't do it at once;
    a step that fails undoes its own changes and the caller rolls back the rest.
    """
    # Slow to import and needed once in the life of a file.
    from sqlite_utils import Database
    from sqlite_utils.migrations import Migrations

    steps = Migrations("history")
    for number, (name, statements) in enumerate(STEPS, start=1):

        def step(db: Database, number: int = number, statements: tuple[str, ...] = statements) -> None:
            for statement in statements:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number}")

        steps(name=f"{number} {name}")(step)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    steps.apply(Database(connection, recursive_triggers=False))
