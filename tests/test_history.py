"""The history: what is kept is what comes back, and what a page asks for is found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared import history as H
from shared.analysis_json import to_document
from shared.errors import HistoryError
from shared.history_queries import SERIES_SQL, SESSION_MEASURES_SQL
from shared.history_squad import SESSION_MEANS_SQL, SESSIONS_POINTS_SQL
from tests.history_helpers import clip_analysis, day, filled, id_of, person

WORDS = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=30)
AMOUNT = st.none() | st.floats(0.01, 300, allow_subnormal=False)
ATHLETES = st.builds(
    H.Athlete,
    name=WORDS.filter(lambda w: w.strip()),
    stature_m=AMOUNT,
    mass_kg=AMOUNT,
    leg_length_m=AMOUNT,
    sex=st.sampled_from([None, "female", "male"]),
    minor=st.booleans(),
    consent=WORDS,
    notes=WORDS,
)
SESSIONS = st.builds(
    H.Session,
    athlete=st.just(""),
    date=st.dates().map(str) | st.datetimes().map(lambda d: d.isoformat()),
    place=WORDS,
    surface=WORDS,
    shoes=WORDS,
    condition=WORDS,
    speed_mps=AMOUNT,
    notes=WORDS,
    pain=st.none() | st.integers(0, 10),
    repeat_group=st.none() | WORDS.filter(bool),
)
RUNS = st.builds(
    lambda steps, **rest: H.RunTime(
        splits=tuple(H.Split(float(i + 1), 0.5 * (i + 1)) for i in range(steps)), **rest
    ),
    steps=st.integers(0, 5),
    athlete=st.just(""),
    date=st.dates().map(str),
    distance_m=st.floats(5, 1000),
    time_s=st.floats(2.5, 1000),
    method=st.sampled_from(["hand", "gates", "video"]),
    wind_mps=st.none() | st.floats(-9, 9),
    temperature_c=st.none() | st.floats(-30, 50),
    condition=WORDS,
    notes=WORDS,
)


@pytest.fixture
def history(tmp_path: Path):
    with H.open_history(tmp_path / "history.sqlite") as opened:
        yield opened


@settings(max_examples=25, deadline=None)
@given(athlete=ATHLETES, session=SESSIONS, run=RUNS)
def test_what_is_saved_comes_back(tmp_path_factory, athlete, session, run) -> None:
    file = tmp_path_factory.mktemp("kept") / "history.sqlite"
    with H.open_history(file) as h:
        a = H.save_athlete(h, athlete)
        s = H.save_session(h, replace(session, athlete=id_of(a)))
        r = H.save_run_time(h, replace(run, athlete=id_of(a), session=id_of(s)))
    with H.open_history(file) as h:
        assert H.athletes(h) == (a,)
        assert a == replace(athlete, name=athlete.name.strip(), id=a.id, changed=a.changed)
        assert H.sessions(h, id_of(a)) == (s,)
        assert s == replace(session, athlete=id_of(a), id=s.id, changed=s.changed)
        assert H.run_times(h, id_of(a)) == (r,)
        assert r == replace(run, athlete=id_of(a), session=s.id, id=r.id, changed=r.changed)


def test_whole_analysis_comes_back(history) -> None:
    session = day(history, person(history))
    kept = clip_analysis()
    saved = H.save_analysis(history, kept, session)
    back = H.analysis(history, saved.analysis)
    assert to_document(back) == to_document(kept)
    np.testing.assert_array_equal(back.angles["thigh_right"], kept.angles["thigh_right"])
    assert tuple(p.measure for p in H.session_points(history, session)) == kept.measures


def test_a_clip_analysed_twice_is_one_clip_with_an_older_version(history) -> None:
    athlete = person(history)
    session = day(history, athlete)
    first = H.save_analysis(history, clip_analysis(1, note="old"), session)
    again = H.save_analysis(history, clip_analysis(1, note="old"), session)
    second = H.save_analysis(history, clip_analysis(1, "2026-01-02T00:00:00+00:00", "new"), session)
    assert (first.new_clip, first.new_analysis) == (True, True)
    assert (again.new_clip, again.new_analysis) == (False, False)
    assert (second.new_clip, second.new_analysis) == (False, True)
    (clip,) = H.clips(history, session)
    assert (clip.analyses, clip.latest) == (2, second.analysis)
    assert [x.latest for x in H.analyses(history, athlete, clip.sha256)] == [True, False]
    assert [a.notes for a in H.session_analyses(history, session)] == [("new",)]
    assert len(H.series(history, athlete, "contact_time", "right")) == 1


def test_an_older_analysis_kept_later_is_not_the_latest(history) -> None:
    session = day(history, person(history))
    newer = H.save_analysis(history, clip_analysis(1, "2026-03-01T01:00:00+02:00"), session)
    H.save_analysis(history, clip_analysis(1, "2026-02-28T22:59:00+00:00"), session)
    assert H.clips(history, session)[0].latest == newer.analysis


def test_a_clip_moves_to_the_session_it_is_saved_in(history) -> None:
    athlete = person(history)
    one, two = day(history, athlete), day(history, athlete, "2026-05-08")
    H.save_analysis(history, clip_analysis(1), one)
    assert H.save_analysis(history, clip_analysis(1), two).moved_from == one
    assert H.clips(history, one) == ()
    assert len(H.clips(history, two)) == 1


def test_two_athletes_in_one_clip_have_a_clip_each(history) -> None:
    days = [day(history, person(history, name)) for name in ("A", "B")]
    assert all(H.save_analysis(history, clip_analysis(1), d).new_clip for d in days)
    assert [len(H.clips(history, d)) for d in days] == [1, 1]


def test_series_runs_through_the_dates_with_notes_and_reasons(history) -> None:
    athlete, other = person(history), person(history, "Other")
    late = day(history, athlete, "2026-06-01", notes="new shoes")
    early = day(history, athlete, "2026-05-01T18:30", repeat_group="usual")
    H.save_analysis(history, clip_analysis(1), late)
    H.save_analysis(history, clip_analysis(2), early)
    H.save_analysis(history, clip_analysis(3), day(history, other))
    points = H.series(history, athlete, "contact_time", "right")
    assert [(p.session.date, p.session.notes) for p in points] == [
        ("2026-05-01T18:30", ""),
        ("2026-06-01", "new shoes"),
    ]
    assert {(p.measure.low, p.measure.value, p.measure.high) for p in points} == {(0.19, 0.2, 0.21)}
    hidden = H.series(history, athlete, "elbow_angle_mean", "left")
    assert {p.measure.why for p in hidden} == {"the far arm is hidden"}
    assert points[0].analysis.near_side == "right"
    assert H.series(history, athlete, "contact_time", "left") == ()


def test_squad_shows_the_latest_session_that_has_a_clip(history) -> None:
    b, a = person(history, "Bea"), person(history, "abe")
    H.save_analysis(history, clip_analysis(1), day(history, b, "2026-05-01"))
    H.save_analysis(history, clip_analysis(2), day(history, b, "2026-05-08", place="hall"))
    day(history, b, "2026-05-15")
    rows = H.squad(history, ["contact_time"])
    assert [(r.athlete.id, r.session and r.session.place) for r in rows] == [(a, None), (b, "hall")]
    assert [p.measure.key for p in rows[1].points] == ["contact_time"]
    assert {p.measure.key for p in H.squad(history)[1].points} == {"contact_time", "elbow_angle_mean"}


def test_repeats_of_the_unchanged_condition_are_found(history) -> None:
    athlete = person(history)
    for i, (date, group) in enumerate(
        [("2026-05-08", "usual"), ("2026-05-01", "usual"), ("2026-05-02", None), ("2026-05-03", "slow")]
    ):
        H.save_analysis(history, clip_analysis(i), day(history, athlete, date, repeat_group=group))
    groups = {g.name: [s.date for s in g.sessions] for g in H.repeats(history, athlete)}
    assert groups == {"usual": ["2026-05-01", "2026-05-08"], "slow": ["2026-05-03"]}
    points = H.repeated_points(history, athlete, "contact_time", "right")
    assert {name: len(found) for name, found in points.items()} == {"usual": 2, "slow": 1}


def test_run_times_newest_first_with_splits(history) -> None:
    athlete = person(history)
    for date in ("2026-05-01", "2026-05-03", "2026-05-02"):
        splits = (H.Split(30.0, 4.5), H.Split(60.0, 8.0))
        H.save_run_time(history, H.RunTime(athlete, date, 100.0, 12.5, "gates", splits))
    found = H.run_times(history, athlete)
    assert [r.date for r in found] == ["2026-05-03", "2026-05-02", "2026-05-01"]
    assert found[0].splits == (H.Split(30.0, 4.5), H.Split(60.0, 8.0))
    fewer = H.save_run_time(history, replace(found[0], splits=()))
    assert H.run_times(history, athlete)[0] == fewer


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"name": "  "}, "no name"),
        ({"stature_m": -1.0}, "stature"),
        ({"mass_kg": float("nan")}, "mass"),
        ({"sex": "x"}, "sex"),
    ],
)
def test_athletes_that_make_no_sense_are_refused(history, change, why) -> None:
    with pytest.raises(HistoryError, match=why):
        H.save_athlete(history, replace(H.Athlete("A"), **change))
    assert H.athletes(history) == ()


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"date": "1 May"}, "not a day"),
        ({"date": "20260501"}, "not a day"),
        ({"date": "2026-02-30"}, "not a day"),
        ({"pain": 11}, "not on the scale"),
        ({"speed_mps": 0.0}, "speed"),
        ({"athlete": "nobody"}, "not in it"),
    ],
)
def test_sessions_that_make_no_sense_are_refused(history, change, why) -> None:
    session = H.Session(person(history), "2026-05-01")
    with pytest.raises(HistoryError, match=why):
        H.save_session(history, replace(session, **change))
    assert H.sessions(history, session.athlete) == ()


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"distance_m": 0.0}, "distance"),
        ({"time_s": float("inf")}, "time"),
        ({"method": "eye"}, "method"),
        ({"splits": (H.Split(60.0, 8.0), H.Split(30.0, 9.0))}, "splits"),
        ({"splits": (H.Split(120.0, 8.0),)}, "splits"),
    ],
)
def test_run_times_that_make_no_sense_are_refused(history, change, why) -> None:
    run = H.RunTime(person(history), "2026-05-01", 100.0, 12.0, "hand")
    with pytest.raises(HistoryError, match=why):
        H.save_run_time(history, replace(run, **change))
    assert H.run_times(history, run.athlete) == ()


def test_a_run_time_stays_with_the_athlete_of_its_session(history) -> None:
    a, b = person(history, "A"), person(history, "B")
    with pytest.raises(HistoryError, match="another athlete"):
        H.save_run_time(history, H.RunTime(a, "2026-05-01", 100.0, 12.0, "hand", session=day(history, b)))


def test_a_session_stays_with_its_athlete(history) -> None:
    a, b = person(history, "A"), person(history, "B")
    day(history, a)
    (session,) = H.sessions(history, a)
    with pytest.raises(HistoryError, match="stays with its athlete"):
        H.save_session(history, replace(session, athlete=b))


def test_several_saves_are_one(history) -> None:
    with pytest.raises(RuntimeError), H.writing(history):
        day(history, person(history))
        raise RuntimeError
    assert H.athletes(history) == ()


@pytest.mark.parametrize(
    ("sql", "values", "index"),
    [
        (SERIES_SQL, ("a", "contact_time", "right"), "measures USING PRIMARY KEY|m USING PRIMARY KEY"),
        (SERIES_SQL, ("a", "contact_time", "right"), "sessions_by_athlete"),
        (SERIES_SQL, ("a", "contact_time", "right"), "clips_by_session"),
        (SERIES_SQL, ("a", "contact_time", "right"), "one_latest"),
        (SESSIONS_POINTS_SQL.format(some=""), ('["a"]',), "clips_by_session"),
        (SESSIONS_POINTS_SQL.format(some=""), ('["a"]',), "m USING PRIMARY KEY"),
        (SESSION_MEANS_SQL, ('["a"]', '["contact_time"]'), "clips_by_session"),
        (SESSION_MEANS_SQL, ('["a"]', '["contact_time"]'), "m USING PRIMARY KEY"),
        (SESSION_MEASURES_SQL, (1,), "clips_by_session"),
        (SESSION_MEASURES_SQL, (1,), "m USING PRIMARY KEY"),
    ],
)
def test_questions_of_the_pages_use_the_indexes(history, sql, values, index) -> None:
    plan = [row["detail"] for row in history.connection.execute("EXPLAIN QUERY PLAN " + sql, values)]
    assert any(part in line for line in plan for part in index.split("|")), plan
    # The list of ids that was asked for is read through; no table of the history is.
    assert not any(line.startswith("SCAN") and "json_each" not in line for line in plan), plan


def test_where_the_history_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "mine"))
    with H.open_history() as h:
        assert h.path == tmp_path / "mine" / "history.sqlite"
    monkeypatch.delenv("LANESIDE_DATA")
    assert H.history_path().name == "history.sqlite"
    assert H.history_path(tmp_path / "x.sqlite") == tmp_path / "x.sqlite"


def test_reading_alone_changes_nothing(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with pytest.raises(HistoryError, match="no history yet"), H.open_history(file, read_only=True):
        pass
    with filled(file):
        pass
    before = file.read_bytes()
    with H.open_history(file, read_only=True) as h:
        assert len(H.athletes(h)) == 1
        with pytest.raises(HistoryError, match="reading only"):
            person(h)
    assert file.read_bytes() == before
