"""Deleting from the history so that no byte of it is left on disk."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from shared.errors import HistoryError
from shared.history_open import History, backups, connect, errors_of, writing
from shared.history_save import row_id
from shared.history_values import Deleted


def delete_athlete(history: History, athlete: str) -> Deleted:
    """Delete an athlete and everything derived, from this file, its log and its backup copies.

    Returns
    -------
    Deleted
        With the folders of pictures and reports, which the caller deletes.

    Raises
    ------
    HistoryError
        If there is no such athlete or the file can't be written; nothing is deleted then.
    """
    return _delete(history, "athletes", athlete, "s.athlete_id")


def delete_session(history: History, session: str) -> Deleted:
    """Delete a session with its clips and analyses; its run times stay. As `delete_athlete`."""
    return _delete(history, "sessions", session, "s.id")


def delete_run_time(history: History, run: str) -> Deleted:
    """Delete a run time with its splits. As `delete_athlete`."""
    return _delete(history, "run_times", run, None)


def delete_clip(history: History, athlete: str, sha256: str) -> Deleted:
    """Delete a clip with all its analyses. As `delete_athlete`."""
    with writing(history) as c:
        owner = row_id(history, c, "athletes", athlete)
        found = c.execute(
            "SELECT id FROM clips WHERE athlete_id = ? AND sha256 = ?", (owner, sha256)
        ).fetchone()
        if found is None:
            raise HistoryError(str(history.path), "that clip is not in it", "load the page again")
        folders = _folders(c, "k.id", found["id"])
        c.execute("DELETE FROM clips WHERE id = ?", (found["id"],))
        folders = _unused(c, folders)
    sql = "DELETE FROM clips WHERE sha256 = ? AND athlete_id = (SELECT id FROM athletes WHERE uid = ?)"
    return _wiped(history, folders, sql, (sha256, athlete))


def _delete(history: History, table: str, uid: str, owner: str | None) -> Deleted:
    with writing(history) as c:
        row = row_id(history, c, table, uid)
        folders = () if owner is None else _folders(c, owner, row)
        c.execute(f"DELETE FROM {table} WHERE id = ?", (row,))
        folders = _unused(c, folders)
    return _wiped(history, folders, f"DELETE FROM {table} WHERE uid = ?", (uid,))


def _folders(c: sqlite3.Connection, column: str, row: int) -> tuple[Path, ...]:
    found = c.execute(
        "SELECT DISTINCT a.folder FROM analyses a JOIN clips k ON k.id = a.clip_id "
        f"JOIN sessions s ON s.id = k.session_id WHERE {column} = ? AND a.folder IS NOT NULL ORDER BY 1",
        (row,),
    )
    return tuple(Path(r[0]) for r in found)


def _unused(c: sqlite3.Connection, folders: tuple[Path, ...]) -> tuple[Path, ...]:
    """Folders that no analysis that stays points to."""
    used = {r[0] for r in c.execute("SELECT DISTINCT folder FROM analyses WHERE folder IS NOT NULL")}
    return tuple(f for f in folders if str(f) not in used)


def _wiped(history: History, folders: tuple[Path, ...], sql: str, values: tuple[str, ...]) -> Deleted:
    """Leave no byte behind: rewrite the file, empty the log, delete in the backup copies too."""
    c = history.connection
    if c.in_transaction:
        return Deleted(folders, False, "Clean the history when the other changes are saved.")
    try:
        clean = wipe(c)
    except sqlite3.Error:
        clean = False
    why = None if clean else "Close other programs that read the history, then clean it."
    for copy in backups(history.path):
        try:
            with closing(connect(copy, "rw")) as b:
                with suppress(sqlite3.OperationalError):  # an older layout may not have the table
                    b.execute(sql, values)
                if not wipe(b):
                    raise sqlite3.OperationalError("busy")
        except sqlite3.Error:
            clean, why = False, f"Delete the backup copy {copy} too; it could not be changed."
    return Deleted(folders, clean, why)


def wipe(c: sqlite3.Connection) -> bool:
    """Rewrite the file without its free pages and empty the log; False if a reader holds the log."""
    c.execute("VACUUM")
    busy: int = c.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    return busy == 0


def clean(history: History) -> bool:
    """Do again what a deletion could not finish; False while another program reads."""
    with errors_of(history.path):
        return wipe(history.connection)
