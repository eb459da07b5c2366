"""The whole history as a zip of JSON and CSV, and back again, with nothing lost."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import sqlite3
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import TypeAdapter, ValidationError

from shared.analysis_json import LIMIT_BYTES, DocumentError, from_document
from shared.errors import HistoryError
from shared.files import whole_file
from shared.history_documents import packed, plain
from shared.history_edit_log import edits as all_edits
from shared.history_edit_log import put_edit
from shared.history_open import History, errors_of, writing
from shared.history_queries import athletes as all_athletes
from shared.history_queries import run_times as run_times_of
from shared.history_queries import sessions as sessions_of
from shared.history_save import (
    athlete_columns,
    insert,
    mark_latest,
    now,
    put_analysis,
    put_splits,
    row_id,
    run_time_columns,
    session_columns,
    utc,
)
from shared.history_values import Athlete, Edit, Imported, RunTime, Session

SCHEMA: Final[str] = "laneside/history/1"
HEAD_NAME: Final[str] = "history.json"
_MEND: Final[str] = "choose a zip made by exporting a history"


@dataclass(frozen=True)
class ClipRow:
    """A clip in an export."""

    athlete: str
    session: str
    sha256: str
    name: str
    changed: str


@dataclass(frozen=True)
class AnalysisRow:
    """An analysis in an export; its document stands in ``analyses/<id>.json``."""

    id: str
    athlete: str
    clip: str
    saved: str


@dataclass(frozen=True)
class Head:
    """The content of ``history.json``."""

    schema: Literal["laneside/history/1"]
    made: str
    athletes: tuple[Athlete, ...]
    sessions: tuple[Session, ...]
    clips: tuple[ClipRow, ...]
    analyses: tuple[AnalysisRow, ...]
    run_times: tuple[RunTime, ...]
    edits: tuple[Edit, ...] = ()
    """Missing in exports of older versions."""


def export_history(history: History, path: Path, athletes: Sequence[str] | None = None) -> None:
    """Write everything, or only some athletes, to a zip.

    Parameters
    ----------
    path : Path
        The zip; replaced when it is there.
    athletes : sequence of str, optional
        Ids; default all.

    Raises
    ------
    HistoryError, OutputError
        Nothing half-written is left.
    """
    c = history.connection
    with errors_of(history.path):
        # One reading transaction: what another program saves meanwhile is left out altogether.
        c.execute("BEGIN")
        try:
            head = _head(history, athletes)
            with whole_file(path) as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as out:
                out.writestr(HEAD_NAME, json.dumps(asdict(head), indent=1, ensure_ascii=False))
                for uid in sorted({a.id for a in head.analyses}):
                    content = c.execute(
                        "SELECT d.content FROM documents d JOIN analyses a ON a.id = d.analysis_id "
                        "WHERE a.uid = ? LIMIT 1",
                        (uid,),
                    ).fetchone()
                    data = plain(None if content is None else content[0], uid, history.path)
                    out.writestr(f"analyses/{uid}.json", data)
                out.writestr("athletes.csv", _table(Athlete, head.athletes))
                out.writestr("sessions.csv", _table(Session, head.sessions))
                out.writestr("run_times.csv", _table(RunTime, head.run_times))
                out.writestr("measures.csv", _measures_table(c, {a.id for a in head.athletes if a.id}))
        finally:
            c.execute("ROLLBACK")


def _head(history: History, chosen: Sequence[str] | None) -> Head:
    c = history.connection
    people = tuple(a for a in all_athletes(history) if chosen is None or a.id in chosen)
    if chosen is not None and len(people) < len(set(chosen)):
        raise HistoryError(str(history.path), "that athlete is not in it", "load the page again")
    ids = [str(a.id) for a in people]
    clips = [
        ClipRow(**dict(r))
        for r in c.execute(
            "SELECT p.uid AS athlete, s.uid AS session, k.sha256, k.name, k.changed FROM clips k "
            "JOIN sessions s ON s.id = k.session_id JOIN athletes p ON p.id = k.athlete_id ORDER BY k.id"
        )
        if r["athlete"] in ids
    ]
    analyses = [
        AnalysisRow(**dict(r))
        for r in c.execute(
            "SELECT a.uid AS id, p.uid AS athlete, k.sha256 AS clip, a.saved FROM analyses a "
            "JOIN clips k ON k.id = a.clip_id JOIN athletes p ON p.id = k.athlete_id ORDER BY a.id"
        )
        if r["athlete"] in ids
    ]
    return Head(
        "laneside/history/1",
        now(),
        people,
        # Oldest first, so that those of one day arrive in the order they were made.
        tuple(s for i in ids for s in reversed(sessions_of(history, i))),
        tuple(clips),
        tuple(analyses),
        tuple(r for i in ids for r in reversed(run_times_of(history, i))),
        tuple(e for e in reversed(all_edits(history)) if e.athlete in ids),
    )


def _cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe in front."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    if isinstance(value, (tuple, list)):
        return "; ".join(f"{s.distance_m:g} m {s.time_s:g} s" for s in value)
    return value


def _table(kind: type, rows: Iterable[Any]) -> str:
    names = [f.name for f in fields(kind)]
    return _csv(names, ([getattr(row, name) for name in names] for row in rows))


def _csv(names: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([_cell(v) for v in row] for row in rows)
    return out.getvalue()


def _measures_table(c: sqlite3.Connection, ids: set[str]) -> str:
    rows = c.execute(
        "SELECT p.uid AS athlete, s.uid AS session, s.date, k.sha256 AS clip, a.uid AS analysis, a.latest, "
        "m.key, m.side, m.value, m.unit, m.low, m.high, m.n, m.status, m.why, m.label, m.estimate "
        "FROM measures m JOIN analyses a ON a.id = m.analysis_id JOIN clips k ON k.id = a.clip_id "
        "JOIN sessions s ON s.id = k.session_id JOIN athletes p ON p.id = k.athlete_id "
        "ORDER BY a.id, m.key, m.side"
    )
    names = [d[0] for d in rows.description]
    return _csv(names, (tuple(r) for r in rows if r["athlete"] in ids))


def import_history(history: History, path: Path) -> Imported:
    """Merge an export into the history.

    What is new is added; what is in both and differs is settled by the later change; the same file
    a second time changes nothing. Nothing is ever deleted.

    Returns
    -------
    Imported

    Raises
    ------
    HistoryError
        If the zip is damaged, not an export, or of a newer version; nothing is changed then.
    """
    try:
        with zipfile.ZipFile(path) as zipped:
            head = _read_head(zipped, path)
            with writing(history) as c:
                return _merge(history, c, head, zipped, path)
    except OSError as error:
        raise HistoryError(
            str(path), f"it can't be read ({error.strerror or error})", "check the path"
        ) from error
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise HistoryError(str(path), "it is damaged or not a zip", _MEND) from error


def _member(zipped: zipfile.ZipFile, name: str, path: Path) -> bytes:
    try:
        info = zipped.getinfo(name)
    except KeyError:
        raise HistoryError(str(path), f"{name} is missing in it", _MEND) from None
    if info.file_size > LIMIT_BYTES:
        raise HistoryError(str(path), f"{name} in it is far too large", _MEND)
    return zipped.read(info)


def _read_head(zipped: zipfile.ZipFile, path: Path) -> Head:
    try:
        found = json.loads(_member(zipped, HEAD_NAME, path))
        schema = found.get("schema") if isinstance(found, dict) else None
        if isinstance(schema, str) and schema != SCHEMA and schema.startswith("laneside/history/"):
            raise HistoryError(
                str(path), f"it was exported by another version ({schema})", "use that version"
            )
        head = TypeAdapter(Head).validate_python(found)
    except (ValidationError, ValueError, RecursionError) as error:
        raise HistoryError(str(path), "its history.json is missing parts or malformed", _MEND) from error
    kept: tuple[Athlete | Session | RunTime, ...] = (*head.athletes, *head.sessions, *head.run_times)
    if any(x.id is None or x.changed is None for x in kept):
        raise HistoryError(str(path), "its history.json is missing parts or malformed", _MEND)
    return head


@dataclass
class _Count:
    added: int = 0
    updated: int = 0
    unchanged: int = 0


def _merge(
    history: History, c: sqlite3.Connection, head: Head, zipped: zipfile.ZipFile, path: Path
) -> Imported:
    count, conflicts = _Count(), list[str]()

    def settle(table: str, what: str, values: dict[str, Any], splits: RunTime | None = None) -> None:
        uid = values["uid"]
        old = c.execute(f"SELECT * FROM {table} WHERE uid = ?", (uid,)).fetchone()
        if old is None:
            row = insert(c, table, values)
            count.added += 1
        else:
            row = old["id"]
            if old["athlete_id" if "athlete_id" in values else "id"] != values.get("athlete_id", row):
                raise HistoryError(str(path), f"{what} belongs to another athlete here", _MEND)
            same = all(old[k] == v for k, v in values.items() if k != "changed")
            if splits is not None:
                there = c.execute("SELECT distance_m, time_s FROM splits WHERE run_time_id = ?", (row,))
                same = same and [tuple(r) for r in there] == [(s.distance_m, s.time_s) for s in splits.splits]
            newer = values["changed"] > old["changed"]
            if same and not newer:
                count.unchanged += 1
                return
            if not same:
                kept = "the imported one" if newer else "the one here"
                conflicts.append(f"{what} differs; {kept} was changed later and is kept.")
            if not newer:
                count.unchanged += 1
                return
            c.execute(
                f"UPDATE {table} SET {', '.join(f'{k} = ?' for k in values)} WHERE id = ?",
                (*values.values(), row),
            )
            count.updated += 1
        if splits is not None:
            put_splits(c, row, splits)

    for a in head.athletes:
        settle("athletes", f"Athlete {a.name}", athlete_columns(a))
    for s in head.sessions:
        owner = row_id(history, c, "athletes", s.athlete)
        settle(
            "sessions",
            f"The session of {s.date} ({s.condition or s.place or s.id})",
            session_columns(s, owner),
        )
    for r in head.run_times:
        owner = row_id(history, c, "athletes", r.athlete)
        day = None if r.session is None else row_id(history, c, "sessions", r.session)
        what = f"The run time of {r.date} over {r.distance_m:g} m"
        settle("run_times", what, run_time_columns(r, owner, day), r)
    for k in head.clips:
        _merge_clip(history, c, k, count, conflicts)
    for x in head.analyses:
        _merge_analysis(c, x, zipped, path, count)
    for e in head.edits:
        owner = row_id(history, c, "athletes", e.athlete)
        day = None if e.session is None else row_id(history, c, "sessions", e.session)
        new = put_edit(c, e, owner, day)
        count.added += new
        count.unchanged += not new
    return Imported(count.added, count.updated, count.unchanged, tuple(conflicts))


def _merge_clip(
    history: History, c: sqlite3.Connection, k: ClipRow, count: _Count, conflicts: list[str]
) -> None:
    owner, day = row_id(history, c, "athletes", k.athlete), row_id(history, c, "sessions", k.session)
    old = c.execute("SELECT * FROM clips WHERE athlete_id = ? AND sha256 = ?", (owner, k.sha256)).fetchone()
    if old is None:
        values = {"athlete_id": owner, "session_id": day, **asdict(k)}
        del values["athlete"], values["session"]
        insert(c, "clips", values)
        count.added += 1
        return
    if old["session_id"] == day:
        count.unchanged += 1
        return
    newer = k.changed > old["changed"]
    kept = "that of the import" if newer else "the one here"
    conflicts.append(f"Clip {k.name} stands in two sessions; {kept} was chosen later and is kept.")
    if newer:
        c.execute("UPDATE clips SET session_id = ?, changed = ? WHERE id = ?", (day, k.changed, old["id"]))
        count.updated += 1
    else:
        count.unchanged += 1


def _merge_analysis(
    c: sqlite3.Connection, x: AnalysisRow, zipped: zipfile.ZipFile, path: Path, count: _Count
) -> None:
    clip = c.execute(
        "SELECT k.id FROM clips k JOIN athletes p ON p.id = k.athlete_id WHERE p.uid = ? AND k.sha256 = ?",
        (x.athlete, x.clip),
    ).fetchone()
    if clip is None:
        raise HistoryError(str(path), f"the analysis {x.id[:12]} in it belongs to no clip", _MEND)
    if c.execute("SELECT 1 FROM analyses WHERE clip_id = ? AND uid = ?", (clip["id"], x.id)).fetchone():
        count.unchanged += 1
        return
    data = _member(zipped, f"analyses/{x.id}.json", path)
    if hashlib.sha256(data).hexdigest() != x.id:
        raise HistoryError(str(path), f"the analysis {x.id[:12]} in it is damaged", "export it again")
    try:
        document = json.loads(data)
        found = from_document(document, path.name)
    except (ValueError, RecursionError, DocumentError) as error:
        raise HistoryError(str(path), f"the analysis {x.id[:12]} in it can't be read", _MEND) from error
    _, content = packed(document)
    put_analysis(c, clip["id"], found, x.id, content, utc(x.saved), None)
    mark_latest(c, clip["id"])
    count.added += 1
