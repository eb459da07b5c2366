"""The log of edits: what was changed of an athlete or a session after it was first kept.

Every way of saving a change passes here, in the same transaction as the change itself. Of names, consent
and notes the log says that they were changed, not what stood there: what somebody took out stays out.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Mapping
from typing import Any, Final

from shared.history_open import History, errors_of
from shared.history_values import Edit

WITHOUT_WORDS: Final[frozenset[str]] = frozenset(("name", "consent", "notes"))
"""Free text about a person: only that it was changed is kept."""
_NO_EDIT: Final[frozenset[str]] = frozenset(("uid", "athlete_id", "changed"))
_COLUMNS: Final[str] = "e.uid, p.uid AS athlete, s.uid AS session, e.moment, e.field, e.before, e.after"
_FROM: Final[str] = (
    "FROM edits e JOIN athletes p ON p.id = e.athlete_id LEFT JOIN sessions s ON s.id = e.session_id"
)


def log_edits(c: sqlite3.Connection, table: str, row: int, values: Mapping[str, Any], moment: str) -> None:
    """Keep which fields of an athlete or session will differ from the row as it stands.

    Parameters
    ----------
    c : sqlite3.Connection
        In the transaction of the change, before it.
    table : {"athletes", "sessions"}
    row : int
    values : mapping
        Columns as they will be.
    moment : str
    """
    old = c.execute(f"SELECT * FROM {table} WHERE id = ?", (row,)).fetchone()
    athlete, session = (row, None) if table == "athletes" else (old["athlete_id"], row)
    for field, after in values.items():
        before = old[field]
        if field in _NO_EDIT or before == after:
            continue
        told = (None, None) if field in WITHOUT_WORDS else (_text(before), _text(after))
        c.execute(
            "INSERT INTO edits (uid, athlete_id, session_id, moment, field, before, after) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (uuid.uuid4().hex, athlete, session, moment, field, *told),
        )


def edits(history: History, athlete: str | None = None) -> tuple[Edit, ...]:
    """What was changed of an athlete and their sessions, or of everybody, newest first."""
    where = "" if athlete is None else "WHERE p.uid = ?"
    sql = f"SELECT {_COLUMNS} {_FROM} {where} ORDER BY e.moment DESC, e.id DESC"
    with errors_of(history.path):
        rows = history.connection.execute(sql, () if athlete is None else (athlete,)).fetchall()
    return tuple(
        Edit(r["uid"], r["athlete"], r["session"], r["moment"], r["field"], r["before"], r["after"])
        for r in rows
    )


def put_edit(c: sqlite3.Connection, edit: Edit, athlete_row: int, session_row: int | None) -> bool:
    """Add an edit of another copy of the history; False if it is there already."""
    done = c.execute(
        "INSERT OR IGNORE INTO edits (uid, athlete_id, session_id, moment, field, before, after) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (edit.id, athlete_row, session_row, edit.moment, edit.field, edit.before, edit.after),
    )
    return done.rowcount > 0


def _text(value: Any) -> str | None:
    return None if value is None else str(value)
