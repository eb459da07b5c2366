"""What the pages ask of the history."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any, Final

from shared.analysis import Analysis, Measure
from shared.analysis_json import from_document
from shared.errors import HistoryError
from shared.history_documents import unpacked
from shared.history_open import History, errors_of
from shared.history_values import (
    Athlete,
    Clip,
    RepeatGroup,
    RunTime,
    SeriesPoint,
    Session,
    Split,
    StoredAnalysis,
)
from shared.landmarks import SideOrBoth

SESSION_COLUMNS: Final = (
    "s.uid, s.date, s.place, s.surface, s.shoes, s.condition, s.speed_mps, s.notes, s.pain, "
    "s.repeat_group, s.changed"
)
HEAD_COLUMNS: Final = (
    "a.uid AS analysis_uid, a.created, a.program_version, a.model, a.profile, a.near_side, a.direction, "
    "a.camera, a.capture_rate_hz, a.latest, a.folder, k.sha256"
)
MEASURE_COLUMNS: Final = (
    "m.key, m.side, m.value, m.unit, m.low, m.high, m.n, m.status, m.why, m.frame, m.error_parts, "
    "m.label, m.estimate"
)
_HEAD_FROM: Final = SESSION_COLUMNS.count(",") + 1
_MEASURE_FROM: Final = _HEAD_FROM + HEAD_COLUMNS.count(",") + 1
_SHA: Final = _MEASURE_FROM - 1
_parts: Final = json.JSONDecoder().raw_decode
SERIES_SQL: Final = (
    f"SELECT {SESSION_COLUMNS}, {HEAD_COLUMNS}, {MEASURE_COLUMNS} FROM sessions s JOIN clips k ON k.session_id = s.id "
    "JOIN analyses a ON a.clip_id = k.id AND a.latest JOIN measures m ON m.analysis_id = a.id "
    "WHERE s.athlete_id = (SELECT id FROM athletes WHERE uid = ?) AND m.key = ? AND m.side = ? "
    "ORDER BY s.date, s.id, k.id"
)
SESSION_MEASURES_SQL: Final = (
    f"SELECT {SESSION_COLUMNS}, {HEAD_COLUMNS}, {MEASURE_COLUMNS} FROM sessions s JOIN clips k ON k.session_id = s.id "
    "JOIN analyses a ON a.clip_id = k.id AND a.latest JOIN measures m ON m.analysis_id = a.id "
    "WHERE s.id = ? ORDER BY k.id, m.key, m.side"
)


def athletes(history: History) -> tuple[Athlete, ...]:
    """All athletes by name."""
    return tuple(
        _athlete(r) for r in rows_of(history, "SELECT * FROM athletes ORDER BY name COLLATE NOCASE, id")
    )


def athlete(history: History, id: str) -> Athlete:
    """One athlete; HistoryError if it is not there."""
    return _athlete(_one(history, "SELECT * FROM athletes WHERE uid = ?", id))


def sessions(history: History, athlete: str) -> tuple[Session, ...]:
    """Sessions of an athlete, newest first."""
    rows = rows_of(
        history,
        f"SELECT {SESSION_COLUMNS} FROM sessions s WHERE s.athlete_id = (SELECT id FROM athletes WHERE uid = ?) "
        "ORDER BY s.date DESC, s.id DESC",
        athlete,
    )
    return tuple(session_of(r, athlete) for r in rows)


def session(history: History, id: str) -> Session:
    """One session; HistoryError if it is not there."""
    row = _one(
        history,
        f"SELECT {SESSION_COLUMNS}, p.uid AS athlete FROM sessions s JOIN athletes p ON p.id = s.athlete_id "
        "WHERE s.uid = ?",
        id,
    )
    return session_of(row, row["athlete"])


def clips(history: History, session: str) -> tuple[Clip, ...]:
    """Clips of a session in the order they were kept."""
    rows = rows_of(
        history,
        "SELECT k.sha256, k.name, p.uid AS athlete, s.uid AS session, "
        "(SELECT count(*) FROM analyses a WHERE a.clip_id = k.id) AS analyses, "
        "(SELECT a.uid FROM analyses a WHERE a.clip_id = k.id AND a.latest) AS latest "
        "FROM clips k JOIN sessions s ON s.id = k.session_id JOIN athletes p ON p.id = k.athlete_id "
        "WHERE s.uid = ? ORDER BY k.id",
        session,
    )
    return tuple(Clip(**dict(r)) for r in rows)


def analyses(history: History, athlete: str, sha256: str) -> tuple[StoredAnalysis, ...]:
    """All analyses of an athlete's clip, latest first."""
    rows = rows_of(
        history,
        f"SELECT {HEAD_COLUMNS}, s.uid FROM clips k JOIN sessions s ON s.id = k.session_id "
        "JOIN analyses a ON a.clip_id = k.id "
        "WHERE k.athlete_id = (SELECT id FROM athletes WHERE uid = ?) AND k.sha256 = ? "
        "ORDER BY a.latest DESC, a.created DESC, a.saved DESC, a.uid DESC",
        athlete,
        sha256,
    )
    return tuple(_head(r, athlete) for r in rows)


def analysis(history: History, id: str) -> Analysis:
    """A whole stored analysis; HistoryError if it is not there or damaged."""
    row = _one(
        history,
        "SELECT d.content FROM analyses a LEFT JOIN documents d ON d.analysis_id = a.id WHERE a.uid = ? LIMIT 1",
        id,
    )
    return from_document(unpacked(row["content"], id, history.path), f"analysis {id[:12]}")


def session_analyses(history: History, session: str) -> tuple[Analysis, ...]:
    """The latest whole analysis of every clip of a session: its passes."""
    return tuple(analysis(history, clip.latest) for clip in clips(history, session))


def session_points(
    history: History, session: str, keys: Sequence[str] | None = None
) -> tuple[SeriesPoint, ...]:
    """All measures, or only some, of the latest analyses of a session; much faster than whole analyses."""
    row = _one(
        history,
        "SELECT s.id, p.uid AS athlete FROM sessions s JOIN athletes p ON p.id = s.athlete_id WHERE s.uid = ?",
        session,
    )
    if keys is None:
        return points_of(rows_of(history, SESSION_MEASURES_SQL, row["id"]), row["athlete"])
    some = f"AND m.key IN ({', '.join('?' * len(keys))}) ORDER BY"
    sql = SESSION_MEASURES_SQL.replace("ORDER BY", some)
    return points_of(rows_of(history, sql, row["id"], *keys), row["athlete"])


def series(history: History, athlete: str, key: str, side: SideOrBoth) -> tuple[SeriesPoint, ...]:
    """One measure over time: one point per clip (latest analysis), oldest first.

    Parameters
    ----------
    athlete : str
        Id.
    key : str
        As in `shared.catalogue`.
    side : {"left", "right", "both"}

    Returns
    -------
    tuple of SeriesPoint
        Clips on which it can't be measured are in it, with their reason. Points of one session are
        passes; `technique.pooling.pooled_measure` makes one value of them.
    """
    return points_of(rows_of(history, SERIES_SQL, athlete, key, side), athlete)


def repeats(history: History, athlete: str) -> tuple[RepeatGroup, ...]:
    """Groups of sessions that repeat the unchanged condition; feed them to the SEM."""
    rows = rows_of(
        history,
        f"SELECT {SESSION_COLUMNS} FROM sessions s WHERE s.athlete_id = (SELECT id FROM athletes WHERE uid = ?) "
        "AND s.repeat_group IS NOT NULL ORDER BY s.repeat_group, s.date, s.id",
        athlete,
    )
    groups: dict[str, list[Session]] = {}
    for row in rows:
        groups.setdefault(row["repeat_group"], []).append(session_of(row, athlete))
    return tuple(RepeatGroup(name, tuple(found)) for name, found in groups.items())


def repeated_points(
    history: History, athlete: str, key: str, side: SideOrBoth
) -> dict[str, tuple[SeriesPoint, ...]]:
    """Points of one measure in takes of the unchanged condition, by group, oldest first."""
    groups: dict[str, list[SeriesPoint]] = {}
    for point in series(history, athlete, key, side):
        if point.session.repeat_group is not None:
            groups.setdefault(point.session.repeat_group, []).append(point)
    return {name: tuple(found) for name, found in sorted(groups.items())}


def run_times(history: History, athlete: str) -> tuple[RunTime, ...]:
    """Run times of an athlete, newest first."""
    rows = rows_of(
        history,
        "SELECT r.*, s.uid AS session FROM run_times r LEFT JOIN sessions s ON s.id = r.session_id "
        "WHERE r.athlete_id = (SELECT id FROM athletes WHERE uid = ?) ORDER BY r.date DESC, r.id DESC",
        athlete,
    )
    splits: dict[int, list[Split]] = {}
    for s in rows_of(
        history,
        "SELECT p.* FROM splits p JOIN run_times r ON r.id = p.run_time_id "
        "WHERE r.athlete_id = (SELECT id FROM athletes WHERE uid = ?) ORDER BY p.run_time_id, p.distance_m",
        athlete,
    ):
        splits.setdefault(s["run_time_id"], []).append(Split(s["distance_m"], s["time_s"]))
    return tuple(
        RunTime(
            athlete=athlete,
            date=r["date"],
            distance_m=r["distance_m"],
            time_s=r["time_s"],
            method=r["method"],
            splits=tuple(splits.get(r["id"], ())),
            wind_mps=r["wind_mps"],
            temperature_c=r["temperature_c"],
            condition=r["condition"],
            notes=r["notes"],
            session=r["session"],
            id=r["uid"],
            changed=r["changed"],
        )
        for r in rows
    )


def rows_of(history: History, sql: str, *values: object) -> list[sqlite3.Row]:
    with errors_of(history.path):
        return history.connection.execute(sql, values).fetchall()


def _one(history: History, sql: str, id: str) -> sqlite3.Row:
    found = rows_of(history, sql, id)
    if not found:
        raise HistoryError(str(history.path), "what you asked for is not in it", "load the page again")
    return found[0]


def _athlete(r: sqlite3.Row) -> Athlete:
    return Athlete(
        name=r["name"],
        stature_m=r["stature_m"],
        mass_kg=r["mass_kg"],
        leg_length_m=r["leg_length_m"],
        sex=r["sex"],
        minor=bool(r["minor"]),
        consent=r["consent"],
        notes=r["notes"],
        id=r["uid"],
        changed=r["changed"],
    )


def session_of(r: sqlite3.Row, athlete: str) -> Session:
    return Session(
        athlete=athlete,
        date=r["date"],
        place=r["place"],
        surface=r["surface"],
        shoes=r["shoes"],
        condition=r["condition"],
        speed_mps=r["speed_mps"],
        notes=r["notes"],
        pain=r["pain"],
        repeat_group=r["repeat_group"],
        id=r["uid"],
        changed=r["changed"],
    )


def _head(r: sqlite3.Row, athlete: str) -> StoredAnalysis:
    return StoredAnalysis(
        id=r["analysis_uid"],
        clip=r["sha256"],
        session=r["uid"],
        athlete=athlete,
        created=r["created"],
        program_version=r["program_version"],
        model=r["model"],
        profile=r["profile"],
        near_side=r["near_side"],
        direction=r["direction"],
        camera=r["camera"],
        capture_rate_hz=r["capture_rate_hz"],
        latest=bool(r["latest"]),
        folder=r["folder"],
    )


def _measure(r: Sequence[Any]) -> Measure:
    """From the columns of `MEASURE_COLUMNS`, in the order of the fields."""
    key, side, value, unit, low, high, n, status, why, frame, parts, label, estimate = r[:13]
    errors: dict[str, Any] = _parts(parts)[0]
    return Measure(key, side, value, unit, low, high, n, status, why, frame, errors, label, bool(estimate))


def points_of(rows: Iterable[sqlite3.Row], athlete: str) -> tuple[SeriesPoint, ...]:
    """Points; sessions and heads are shared between the points that belong to them."""
    found: dict[str, Session] = {}
    heads: dict[tuple[str, str], StoredAnalysis] = {}
    out = []
    for r in rows:
        # By position: thousands of rows, and a name is looked up anew each time.
        uid, key = r[0], (r[_SHA], r[_HEAD_FROM])
        day = found.get(uid) or found.setdefault(uid, session_of(r, athlete))
        head = heads.get(key) or heads.setdefault(key, _head(r, athlete))
        out.append(SeriesPoint(day, head, _measure(r[_MEASURE_FROM:])))
    return tuple(out)
