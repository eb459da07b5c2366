"""Opening the history file: find it, refuse what is not ours, bring it up to date, never harm it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote

from platformdirs import user_data_path

from shared.errors import HistoryError
from shared.files import private_folder
from shared.history_schema import APPLICATION_ID, VERSION, migrate

FILE_NAME: Final[str] = "history.sqlite"
DATA_VARIABLE: Final[str] = "LANESIDE_DATA"
BUSY_TIMEOUT_S: Final[float] = 15.0
HEADER: Final[bytes] = b"SQLite format 3\x00"
SMALL_TABLES: Final[tuple[str, ...]] = (
    "athletes",
    "sessions",
    "clips",
    "analyses",
    "measures",
    "run_times",
    "splits",
    "edits",
    "_sqlite_migrations",
)
"""Checked at every opening. A document is checked by its hash when it is read."""
RESTORE = "put back a backup copy of it, or move it away and import your last export"


@dataclass(frozen=True)
class History:
    """An open history; made by `open_history`, used by the functions of `shared.history`.

    Attributes
    ----------
    path : Path
    connection : sqlite3.Connection
    read_only : bool
    """

    path: Path
    connection: sqlite3.Connection
    read_only: bool


def data_folder() -> Path:
    """Folder of the user's data: ``LANESIDE_DATA`` where set, else the system's usual place."""
    told = os.environ.get(DATA_VARIABLE)
    return Path(told).expanduser() if told else user_data_path("laneside", appauthor=False)


def history_path(path: Path | None = None) -> Path:
    """File of the history: `path`, or ``history.sqlite`` in the data folder."""
    return path if path is not None else data_folder() / FILE_NAME


def told(path: Path, error: sqlite3.Error) -> HistoryError:
    """One sentence about a database error on `path`."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    again = "close the other program and try again"
    reasons = {
        sqlite3.SQLITE_FULL: (
            "the disk is full, nothing was changed",
            "free some space and save again",
        ),
        sqlite3.SQLITE_BUSY: ("another program is writing to it, nothing was changed", again),
        sqlite3.SQLITE_LOCKED: ("another program is writing to it, nothing was changed", again),
        sqlite3.SQLITE_READONLY: (
            "it can't be written",
            "check the permissions of the file and its folder",
        ),
        sqlite3.SQLITE_PERM: ("it may not be opened", "check the permissions of the file and its folder"),
        sqlite3.SQLITE_CANTOPEN: (
            "it can't be opened",
            f"check the path and the permissions, or set {DATA_VARIABLE} to another folder",
        ),
        sqlite3.SQLITE_IOERR: (
            "the disk failed while reading or writing it, nothing was changed",
            "check the disk and its free space, then try again",
        ),
        sqlite3.SQLITE_NOTADB: ("it is not a Laneside history", "choose another file or move it away"),
        sqlite3.SQLITE_CORRUPT: ("it is damaged and was left as it is", RESTORE),
        sqlite3.SQLITE_CONSTRAINT: (f"a value does not fit ({error})", "correct it and save again"),
    }
    why, mend = reasons.get(code, (f"the database said: {error}", "try again"))
    return HistoryError(str(path), why, mend)


@contextmanager
def errors_of(path: Path) -> Iterator[None]:
    """Turn database and file errors in the block into `HistoryError`."""
    try:
        yield
    except sqlite3.Error as error:
        raise told(path, error) from error
    except OSError as error:
        raise HistoryError(
            str(path),
            f"it can't be used ({error.strerror or error})",
            f"check the path and the permissions, or set {DATA_VARIABLE} to another folder",
        ) from error


@contextmanager
def writing(history: History) -> Iterator[sqlite3.Connection]:
    """A block whose changes are saved all together or not at all.

    Blocks may be nested; the outermost one saves. The write lock is taken at the start, so that
    what is read in the block can't be changed by another program before it is written.

    Raises
    ------
    HistoryError
        If the history is open for reading only, or can't be written; nothing is changed then.
    """
    if history.read_only:
        raise HistoryError(
            str(history.path), "it is open for reading only", "make its folder writable and open it again"
        )
    c = history.connection
    with errors_of(history.path):
        if c.in_transaction:
            yield c
            return
        c.execute("BEGIN IMMEDIATE")
        try:
            yield c
            c.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                c.execute("ROLLBACK")
            raise


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection with our settings. `mode` is that of the file address: rwc, rw, ro, immutable."""
    query = "mode=ro&immutable=1" if mode == "immutable" else f"mode={mode}"
    address = f"file:{quote(str(path.absolute()))}?{query}"
    c = sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    c.row_factory = sqlite3.Row
    c.execute("PRAGMA foreign_keys = ON")
    c.execute("PRAGMA secure_delete = ON")
    c.execute("PRAGMA trusted_schema = OFF")
    return c


@contextmanager
def open_history(path: Path | None = None, *, read_only: bool = False) -> Iterator[History]:
    """The history, made if missing, checked, and brought up to this version.

    Parameters
    ----------
    path : Path, optional
        Default: `history_path`.
    read_only : bool
        Change nothing, not even the layout; works in a folder that can't be written.

    Yields
    ------
    History
        Use it in the thread that opened it.

    Raises
    ------
    HistoryError
        If it can't be opened, is damaged, not ours, or made by a newer version. The file is left
        as it was.
    """
    file = history_path(path)
    with errors_of(file):
        if not read_only:
            private_folder(file.parent)
        _refuse_foreign(file, must_exist=read_only)
        c = _reader(file) if read_only else connect(file, "rwc")
    try:
        with errors_of(file):
            _ready(file, c, read_only)
        yield History(file, c, read_only)
    finally:
        c.close()


def _refuse_foreign(file: Path, must_exist: bool) -> None:
    if not file.exists():
        if must_exist:
            raise HistoryError(str(file), "there is no history yet", "measure a clip and keep it first")
        return
    if file.is_dir():
        raise HistoryError(str(file), "it is a folder, not a file", "choose another path")
    with file.open("rb") as f:
        head = f.read(len(HEADER))
    if head and head != HEADER:
        # A damaged first page looks the same; either way it must not be written to.
        raise HistoryError(
            str(file),
            "it is not a Laneside history, or its first page is damaged, and was left as it is",
            RESTORE,
        )


def _reader(file: Path) -> sqlite3.Connection:
    """A reading connection, also where the log's side files can't be made."""
    c = connect(file, "ro")
    try:
        c.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError:
        c.close()
        log = Path(f"{file}-wal")
        if log.exists() and log.stat().st_size:
            raise
        return connect(file, "immutable")
    return c


def _ready(file: Path, c: sqlite3.Connection, read_only: bool) -> None:
    # One reading transaction: another program may be making the file at this moment.
    c.execute("BEGIN")
    try:
        version = _version(file, c)
        if read_only and version < VERSION:
            raise HistoryError(
                str(file),
                f"it was made by an older version (layout {version}) and can't be brought up to date here",
                "make its folder writable and open it again",
            )
        _check(file, c)
    finally:
        c.execute("ROLLBACK")
    if read_only:
        return
    if c.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
        raise HistoryError(
            str(file), "its disk can't hold a write-ahead log", f"set {DATA_VARIABLE} to a local folder"
        )
    # FULL: a save that was reported as done survives a power cut.
    c.execute("PRAGMA synchronous = FULL")
    if version < VERSION:
        _bring_up(file, c)


def _version(file: Path, c: sqlite3.Connection) -> int:
    """Layout of the file, 0 when it is new; HistoryError if it is not ours or newer than this program."""
    version = _number(c, "user_version")
    if _number(c, "application_id") != APPLICATION_ID and (version or _tables(c)):
        raise HistoryError(
            str(file), "it is a database of another program and was left as it is", "choose another file"
        )
    if version > VERSION:
        raise HistoryError(
            str(file),
            f"it was made by a newer version of Laneside (layout {version}, this one knows {VERSION}) "
            "and was left as it is",
            "open it with that version",
        )
    return version


def _bring_up(file: Path, c: sqlite3.Connection) -> None:
    """Back up and migrate under the write lock; another program may have done it meanwhile."""
    c.execute("BEGIN IMMEDIATE")
    try:
        version = _version(file, c)
        if version < VERSION:
            if version:
                _back_up(file, version)
            migrate(c)
            if _number(c, "user_version") != VERSION or c.execute("PRAGMA foreign_key_check").fetchone():
                raise HistoryError(
                    str(file), "its layout could not be brought up to date, nothing was changed", RESTORE
                )
        c.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            c.execute("ROLLBACK")
        raise


def backup_path(file: Path, version: int) -> Path:
    """Where the copy made before leaving layout `version` stands."""
    return file.with_name(f"{file.name}.layout-{version}.bak")


def backups(file: Path) -> tuple[Path, ...]:
    """The backup copies beside the history."""
    return tuple(sorted(file.parent.glob(f"{file.name}.layout-*.bak")))


def _back_up(file: Path, version: int) -> None:
    """A whole copy of the file as it stands, made through the database so that the log is in it."""
    target = backup_path(file, version)
    part = target.with_suffix(".part")
    part.unlink(missing_ok=True)
    source, copy = connect(file, "ro"), sqlite3.connect(part)
    try:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
    finally:
        source.close()
        copy.close()
    with part.open("rb") as f:
        os.fsync(f.fileno())
    part.replace(target)


def _number(c: sqlite3.Connection, pragma: str) -> int:
    return int(c.execute(f"PRAGMA {pragma}").fetchone()[0])


def _tables(c: sqlite3.Connection) -> set[str]:
    return {row[0] for row in c.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}


def _check(file: Path, c: sqlite3.Connection) -> None:
    found = _tables(c)
    for table in SMALL_TABLES:
        if table in found:
            said = [row[0] for row in c.execute(f"PRAGMA quick_check('{table}')")]
            if said != ["ok"]:
                raise damaged(file, said[0])


def damaged(file: Path, said: str) -> HistoryError:
    detail = said.splitlines()[-1][:100]
    return HistoryError(str(file), f"it is damaged ({detail}) and was left as it is", RESTORE)
