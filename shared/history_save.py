"""Saving into the history; every call is whole or not done at all."""

from __future__ import annotations

import json
import math
import re
import sqlite3
import uuid
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from shared.analysis import Analysis
from shared.analysis_json import from_document, to_document
from shared.errors import HistoryError
from shared.history_documents import packed
from shared.history_edit_log import log_edits
from shared.history_open import History, writing
from shared.history_values import Athlete, RunTime, Saved, Session

_PAIN: Final = range(11)


def now() -> str:
    """This moment, UTC, to the microsecond; sorts as text."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def save_athlete(history: History, athlete: Athlete) -> Athlete:
    """Keep a new athlete, or changes to one that has an id.

    Returns
    -------
    Athlete
        With its id and the moment of the change.

    Raises
    ------
    HistoryError
        If a value makes no sense, or another program changed the athlete since it was read.
    """
    name = athlete.name.strip()
    _demand(history, bool(name), "the athlete has no name", "give a name or a code")
    for what, value in (
        ("stature", athlete.stature_m),
        ("mass", athlete.mass_kg),
        ("leg length", athlete.leg_length_m),
    ):
        _demand(history, _positive(value), f"the {what} {value} makes no sense", "give a number above 0")
    _demand(
        history, athlete.sex in (None, "female", "male"), f"sex {athlete.sex} is not known", "leave it empty"
    )
    saved = replace(athlete, name=name, id=athlete.id or uuid.uuid4().hex, changed=now())
    with writing(history) as c:
        _put(history, c, "athletes", athlete.id, athlete.changed, athlete_columns(saved))
    return saved


def save_session(history: History, session: Session) -> Session:
    """Keep a new session, or changes to one that has an id; HistoryError as in `save_athlete`."""
    _demand_date(history, session.date)
    _demand(history, _positive(session.speed_mps), "the speed makes no sense", "give metres per second")
    _demand(
        history,
        session.pain is None or session.pain in _PAIN,
        f"pain {session.pain} is not on the scale",
        "give a whole number from 0 (none) to 10 (worst)",
    )
    saved = replace(session, id=session.id or uuid.uuid4().hex, changed=now())
    with writing(history) as c:
        athlete = row_id(history, c, "athletes", session.athlete)
        if session.id is not None:
            owner = c.execute("SELECT athlete_id FROM sessions WHERE uid = ?", (session.id,)).fetchone()
            _demand(
                history,
                owner is None or owner[0] == athlete,
                "a session stays with its athlete",
                "keep its clips in a session of the other athlete",
            )
        columns = session_columns(saved, athlete)
        _put(history, c, "sessions", session.id, session.changed, columns)
    return saved


def save_run_time(history: History, run: RunTime) -> RunTime:
    """Keep a new run time, or changes to one that has an id; HistoryError as in `save_athlete`."""
    _demand_date(history, run.date)
    positive = "give a number above 0"
    _demand(history, bool(run.distance_m) and _positive(run.distance_m), "the distance is missing", positive)
    _demand(history, bool(run.time_s) and _positive(run.time_s), "the time is missing", positive)
    _demand(
        history, run.method in ("hand", "gates", "video"), "the method is not known", "hand, gates or video"
    )
    rising = [(0.0, 0.0), *((s.distance_m, s.time_s) for s in run.splits)]
    _demand(
        history,
        all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(rising))
        and rising[-1][0] <= run.distance_m
        and rising[-1][1] <= run.time_s,
        "the splits do not rise towards the whole distance and time",
        "give each split as the time from the start",
    )
    saved = replace(run, id=run.id or uuid.uuid4().hex, changed=now())
    with writing(history) as c:
        athlete = row_id(history, c, "athletes", run.athlete)
        session = None if run.session is None else row_id(history, c, "sessions", run.session)
        if session is not None:
            owner = c.execute("SELECT athlete_id FROM sessions WHERE id = ?", (session,)).fetchone()[0]
            _demand(
                history, owner == athlete, "the session is another athlete's", "choose one of the athlete"
            )
        row = _put(history, c, "run_times", run.id, run.changed, run_time_columns(saved, athlete, session))
        put_splits(c, row, saved)
    return saved


def save_analysis(history: History, analysis: Analysis, session: str, folder: Path | None = None) -> Saved:
    """Keep an analysis; the one that was measured last is the latest of its clip.

    Parameters
    ----------
    analysis : Analysis
    session : str
        Id of the session the clip was filmed in. A clip that the athlete has already is not kept
        twice: it moves to this session and its earlier analyses stay as older versions.
    folder : Path, optional
        Where pictures and reports were written, so that they can be deleted with it.

    Returns
    -------
    Saved

    Raises
    ------
    HistoryError
        If the session is not there or the file can't be written.
    """
    document = to_document(analysis)
    uid, content = packed(document)
    # What is kept is what the document says, so that an import gives the same rows.
    analysis = from_document(document)
    with writing(history) as c:
        session_row = row_id(history, c, "sessions", session)
        athlete_row = c.execute("SELECT athlete_id FROM sessions WHERE id = ?", (session_row,)).fetchone()[0]
        clip = c.execute(
            "SELECT c.id, s.uid FROM clips c JOIN sessions s ON s.id = c.session_id "
            "WHERE c.athlete_id = ? AND c.sha256 = ?",
            (athlete_row, analysis.clip.sha256),
        ).fetchone()
        moved_from = clip["uid"] if clip and clip["uid"] != session else None
        if clip is None:
            clip_row = insert(
                c,
                "clips",
                {
                    "athlete_id": athlete_row,
                    "session_id": session_row,
                    "sha256": analysis.clip.sha256,
                    "name": Path(analysis.clip.path).name,
                    "changed": now(),
                },
            )
        else:
            clip_row = clip["id"]
            if moved_from:
                c.execute(
                    "UPDATE clips SET session_id = ?, changed = ? WHERE id = ?",
                    (session_row, now(), clip_row),
                )
        new = put_analysis(c, clip_row, analysis, uid, content, now(), folder)
        mark_latest(c, clip_row)
    return Saved(uid, analysis.clip.sha256, clip is None, new, moved_from)


def put_analysis(
    c: sqlite3.Connection,
    clip_row: int,
    analysis: Analysis,
    uid: str,
    content: bytes,
    saved: str,
    folder: Path | None,
) -> bool:
    """Write head, document and measures of an analysis; False if it is there already."""
    there = c.execute("SELECT id FROM analyses WHERE clip_id = ? AND uid = ?", (clip_row, uid)).fetchone()
    place = None if folder is None else str(folder.absolute())
    if there is not None:
        if place is not None:
            c.execute("UPDATE analyses SET folder = ? WHERE id = ?", (place, there["id"]))
        return False
    row = insert(
        c,
        "analyses",
        {
            "uid": uid,
            "clip_id": clip_row,
            "created": utc(analysis.provenance.created),
            "saved": saved,
            "program_version": analysis.provenance.program_version,
            "model": analysis.provenance.model,
            "profile": analysis.profile,
            "near_side": analysis.near_side,
            "direction": analysis.direction,
            "camera": analysis.camera,
            "capture_rate_hz": analysis.clip.capture_rate_hz,
            "latest": 0,
            "folder": place,
        },
    )
    c.execute("INSERT INTO documents VALUES (?, ?)", (row, content))
    c.executemany(
        "INSERT OR IGNORE INTO measures VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                row,
                m.key,
                m.side,
                m.value,
                m.unit,
                m.low,
                m.high,
                m.n,
                m.status,
                m.why,
                m.frame,
                json.dumps(dict(m.error_parts)),
                m.label,
                int(m.estimate),
            )
            for m in analysis.measures
        ],
    )
    return True


def mark_latest(c: sqlite3.Connection, clip_row: int) -> None:
    """Mark the latest analysis of a clip: measured last, then saved last; the same on every machine."""
    c.execute("UPDATE analyses SET latest = 0 WHERE clip_id = ? AND latest", (clip_row,))
    c.execute(
        "UPDATE analyses SET latest = 1 WHERE id = (SELECT id FROM analyses WHERE clip_id = ? "
        "ORDER BY created DESC, saved DESC, uid DESC LIMIT 1)",
        (clip_row,),
    )


def athlete_columns(a: Athlete) -> dict[str, Any]:
    """Row of an athlete."""
    return {
        "uid": a.id,
        "name": a.name,
        "stature_m": a.stature_m,
        "mass_kg": a.mass_kg,
        "leg_length_m": a.leg_length_m,
        "sex": a.sex,
        "minor": int(a.minor),
        "consent": a.consent,
        "notes": a.notes,
        "changed": a.changed,
    }


def session_columns(s: Session, athlete_row: int) -> dict[str, Any]:
    """Row of a session."""
    return {
        "uid": s.id,
        "athlete_id": athlete_row,
        "date": s.date,
        "place": s.place,
        "surface": s.surface,
        "shoes": s.shoes,
        "condition": s.condition,
        "speed_mps": s.speed_mps,
        "notes": s.notes,
        "pain": s.pain,
        "repeat_group": s.repeat_group or None,
        "changed": s.changed,
    }


def run_time_columns(r: RunTime, athlete_row: int, session_row: int | None) -> dict[str, Any]:
    """Row of a run time, without its splits."""
    return {
        "uid": r.id,
        "athlete_id": athlete_row,
        "session_id": session_row,
        "date": r.date,
        "distance_m": r.distance_m,
        "time_s": r.time_s,
        "method": r.method,
        "wind_mps": r.wind_mps,
        "temperature_c": r.temperature_c,
        "condition": r.condition,
        "notes": r.notes,
        "changed": r.changed,
    }


def insert(c: sqlite3.Connection, table: str, values: dict[str, Any]) -> int:
    """Insert a row; returns its number."""
    marks = ", ".join("?" for _ in values)
    row = c.execute(
        f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values())
    ).lastrowid
    assert row is not None
    return row


def put_splits(c: sqlite3.Connection, row: int, run: RunTime) -> None:
    """The splits of a run time in place of those it had."""
    c.execute("DELETE FROM splits WHERE run_time_id = ?", (row,))
    c.executemany("INSERT INTO splits VALUES (?, ?, ?)", [(row, s.distance_m, s.time_s) for s in run.splits])


def utc(moment: str) -> str:
    """An ISO 8601 moment in UTC, so that moments sort as text; other text unchanged."""
    try:
        parsed = datetime.fromisoformat(moment)
    except ValueError:
        return moment
    return (parsed.replace(tzinfo=UTC) if parsed.tzinfo is None else parsed.astimezone(UTC)).isoformat()


def row_id(history: History, c: sqlite3.Connection, table: str, uid: str) -> int:
    """Row number of a public id; HistoryError if it is not there."""
    found = c.execute(f"SELECT id FROM {table} WHERE uid = ?", (uid,)).fetchone()
    if found is None:
        what = {"athletes": "athlete", "sessions": "session", "run_times": "run time"}[table]
        raise HistoryError(
            str(history.path), f"that {what} is not in it (deleted meanwhile?)", "load the page again"
        )
    return int(found["id"])


def _put(
    history: History,
    c: sqlite3.Connection,
    table: str,
    old_id: str | None,
    old_changed: str | None,
    values: dict[str, Any],
) -> int:
    """Insert, or update what has not been changed since it was read. Returns the row number."""
    if old_id is None:
        return insert(c, table, values)
    row = row_id(history, c, table, old_id)
    if table != "run_times":
        log_edits(c, table, row, values, values["changed"])
    done = c.execute(
        f"UPDATE {table} SET {', '.join(f'{k} = ?' for k in values)} WHERE id = ? AND changed = ?",
        (*values.values(), row, old_changed),
    ).rowcount
    if not done:
        raise HistoryError(
            str(history.path),
            "this was changed elsewhere since it was opened, so your change is not saved",
            "load it again and make the change there",
        )
    return row


def _positive(value: float | None) -> bool:
    return value is None or (math.isfinite(value) and value > 0)


def _demand(history: History, holds: bool, why: str, mend: str) -> None:
    if not holds:
        raise HistoryError(str(history.path), why, mend)


def _demand_date(history: History, text: str) -> None:
    try:
        date.fromisoformat(text[:10])
        datetime.fromisoformat(text)
        shaped = re.match(r"\d{4}-\d\d-\d\d", text) is not None
    except ValueError:
        shaped = False
    _demand(history, shaped, f"the date {text!r} is not a day", "write it as 2026-05-01")
