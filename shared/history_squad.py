"""Questions about everybody at once, each answered by one query however many athletes there are."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Final

from shared.history_open import History
from shared.history_queries import (
    HEAD_COLUMNS,
    MEASURE_COLUMNS,
    SESSION_COLUMNS,
    athletes,
    points_of,
    rows_of,
    session_of,
)
from shared.history_values import Athlete, SeriesPoint, Session, SquadRow
from shared.landmarks import SideOrBoth

_FILMED: Final = (
    "WITH filmed AS (SELECT s.*, row_number() OVER (PARTITION BY s.athlete_id ORDER BY s.date DESC, s.id DESC) "
    "AS nth FROM sessions s WHERE EXISTS (SELECT 1 FROM clips k WHERE k.session_id = s.id))"
)
LATEST_SESSIONS_SQL: Final = (
    f"{_FILMED} SELECT {SESSION_COLUMNS}, p.uid AS athlete FROM filmed s JOIN athletes p ON p.id = s.athlete_id "
    "WHERE s.nth = 1"
)
SESSIONS_BEFORE_SQL: Final = (
    f"{_FILMED}, earlier AS (SELECT f.*, row_number() OVER (PARTITION BY f.athlete_id ORDER BY "
    "f.condition = l.condition DESC, f.date DESC, f.id DESC) AS turn FROM filmed f "
    "JOIN filmed l ON l.athlete_id = f.athlete_id AND l.nth = 1 AND f.nth > 1) "
    f"SELECT {SESSION_COLUMNS}, p.uid AS athlete FROM earlier s JOIN athletes p ON p.id = s.athlete_id "
    "WHERE s.turn = 1"
)
SESSIONS_POINTS_SQL: Final = (
    f"SELECT {SESSION_COLUMNS}, {HEAD_COLUMNS}, {MEASURE_COLUMNS}, p.uid AS athlete FROM sessions s "
    "JOIN athletes p ON p.id = s.athlete_id JOIN clips k ON k.session_id = s.id "
    "JOIN analyses a ON a.clip_id = k.id AND a.latest JOIN measures m ON m.analysis_id = a.id "
    "WHERE s.uid IN (SELECT value FROM json_each(?)) {some} ORDER BY s.id, k.id, m.key, m.side"
)
SESSION_MEANS_SQL: Final = (
    "SELECT s.uid, m.key, m.side, "
    # Of the passes with the side near where there are any, as pooling takes them.
    "coalesce(avg(CASE WHEN m.side IN ('both', a.near_side) THEN m.value END), avg(m.value)) FROM sessions s "
    "JOIN clips k ON k.session_id = s.id JOIN analyses a ON a.clip_id = k.id AND a.latest "
    "JOIN measures m ON m.analysis_id = a.id WHERE s.uid IN (SELECT value FROM json_each(?)) "
    "AND m.key IN (SELECT value FROM json_each(?)) AND m.value IS NOT NULL GROUP BY s.id, m.key, m.side"
)


def squad(history: History, keys: Sequence[str] | None = None) -> tuple[SquadRow, ...]:
    """Every athlete by name with the measures of the latest session that has a clip.

    Parameters
    ----------
    keys : sequence of str, optional
        Only these measures.
    """
    people = athletes(history)
    latest = _by_athlete(history, LATEST_SESSIONS_SQL)
    points = sessions_points(history, [s.id for s in latest.values() if s.id is not None], keys)
    return tuple(_squad_row(p, latest.get(p.id or ""), points) for p in people)


def _squad_row(person: Athlete, day: Session | None, points: dict[str, tuple[SeriesPoint, ...]]) -> SquadRow:
    return SquadRow(person, day, () if day is None else points.get(day.id or "", ()))


def sessions_before(history: History) -> dict[str, Session]:
    """By athlete: the last filmed session before the latest, of the same condition, else of any."""
    return _by_athlete(history, SESSIONS_BEFORE_SQL)


def sessions_points(
    history: History, sessions: Sequence[str], keys: Sequence[str] | None = None
) -> dict[str, tuple[SeriesPoint, ...]]:
    """`history_queries.session_points` of many sessions, by session; those without a clip are left out."""
    some = "" if keys is None else "AND m.key IN (SELECT value FROM json_each(?))"
    given = [json.dumps(list(sessions)), *([] if keys is None else [json.dumps(list(keys))])]
    rows: dict[tuple[str, str], list[object]] = {}
    for r in rows_of(history, SESSIONS_POINTS_SQL.format(some=some), *given):
        rows.setdefault((r["uid"], r["athlete"]), []).append(r)
    return {uid: points_of(own, athlete) for (uid, athlete), own in rows.items()}  # type: ignore[arg-type]


def repeated_sessions(history: History) -> dict[str, tuple[Session, ...]]:
    """By athlete: sessions that repeat an unchanged condition, by group, oldest first."""
    out: dict[str, list[Session]] = {}
    sql = (
        f"SELECT {SESSION_COLUMNS}, p.uid AS athlete FROM sessions s JOIN athletes p ON p.id = s.athlete_id "
        "WHERE s.repeat_group IS NOT NULL ORDER BY s.athlete_id, s.repeat_group, s.date, s.id"
    )
    for r in rows_of(history, sql):
        out.setdefault(r["athlete"], []).append(session_of(r, r["athlete"]))
    return {athlete: tuple(own) for athlete, own in out.items()}


def session_means(
    history: History, sessions: Sequence[str], keys: Sequence[str]
) -> dict[str, dict[tuple[str, SideOrBoth], float]]:
    """By session: plain means of some measures over its passes, of those with the side near where there are any."""
    out: dict[str, dict[tuple[str, SideOrBoth], float]] = {}
    for uid, key, side, value in rows_of(
        history, SESSION_MEANS_SQL, json.dumps(list(sessions)), json.dumps(list(keys))
    ):
        out.setdefault(uid, {})[key, side] = value
    return out


def _by_athlete(history: History, sql: str) -> dict[str, Session]:
    return {r["athlete"]: session_of(r, r["athlete"]) for r in rows_of(history, sql)}
