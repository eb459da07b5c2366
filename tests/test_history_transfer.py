"""Everything goes out in open formats and comes back in elsewhere with nothing lost."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared import history as H
from shared.analysis_json import from_document
from shared.errors import HistoryError, OutputError
from tests.history_helpers import clip_analysis, day, everything, filled, id_of, person
from tests.test_history import ATHLETES, RUNS, SESSIONS


@settings(max_examples=15, deadline=None)
@given(
    people=st.lists(
        st.tuples(
            ATHLETES,
            st.lists(
                st.tuples(SESSIONS, st.lists(st.integers(0, 20), max_size=3), st.lists(RUNS, max_size=2)),
                max_size=3,
            ),
        ),
        max_size=3,
    )
)
def test_export_and_import_elsewhere_lose_nothing(tmp_path_factory, people) -> None:
    folder = tmp_path_factory.mktemp("both")
    with H.open_history(folder / "here.sqlite") as here, H.open_history(folder / "there.sqlite") as there:
        for athlete, days in people:
            a = id_of(H.save_athlete(here, athlete))
            for session, clips, runs in days:
                s = id_of(H.save_session(here, replace(session, athlete=a)))
                for version, clip in enumerate(clips):
                    H.save_analysis(here, clip_analysis(clip, note=f"{session.notes} {version}"), s)
                for run in runs:
                    H.save_run_time(here, replace(run, athlete=a, session=s))
        H.export_history(here, folder / "all.zip")
        first = H.import_history(there, folder / "all.zip")
        assert everything(there) == everything(here)
        assert (first.updated, first.unchanged, first.conflicts) == (0, 0, ())
        again = H.import_history(there, folder / "all.zip")
        assert (again.added, again.updated, again.conflicts) == (0, 0, ())
        assert again.unchanged == first.added
        assert everything(there) == everything(here)
        for a in H.athletes(here):
            for s in H.sessions(here, id_of(a)):
                for x, y in zip(H.session_analyses(here, id_of(s)), H.session_analyses(there, id_of(s))):
                    assert x.notes == y.notes
        H.check(there)


def test_sessions_and_times_of_one_day_keep_their_order(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite") as (a, athlete, _), H.open_history(tmp_path / "b.sqlite") as b:
        for place in ("track", "hall", "road"):
            session = day(a, athlete, place=place)
            H.save_run_time(a, H.RunTime(athlete, "2026-05-01", 60.0, 8.0, "hand", session=session))
            H.save_analysis(a, clip_analysis(0), session)
        H.export_history(a, tmp_path / "all.zip")
        H.import_history(b, tmp_path / "all.zip")
        assert [s.place for s in H.sessions(b, athlete)] == ["road", "hall", "track", ""]
        assert everything(b) == everything(a)


def test_the_zip_is_plain_json_and_csv(tmp_path: Path) -> None:
    with filled(tmp_path / "h.sqlite") as (h, athlete, session):
        H.save_athlete(h, replace(H.athlete(h, athlete), notes="=cmd|'/c calc'!A1"))
        H.export_history(h, tmp_path / "out.zip")
        latest = H.clips(h, session)[0].latest
    with zipfile.ZipFile(tmp_path / "out.zip") as z:
        head = json.loads(z.read("history.json"))
        document = json.loads(z.read(f"analyses/{latest}.json"))
        tables = {
            name: list(csv.DictReader(io.StringIO(z.read(f"{name}.csv").decode())))
            for name in ("athletes", "sessions", "run_times", "measures")
        }
    assert head["schema"] == "laneside/history/1"
    assert from_document(document).measures == clip_analysis().measures
    assert [len(t) for t in tables.values()] == [1, 1, 1, 4]
    assert tables["athletes"][0]["notes"] == "'=cmd|'/c calc'!A1"
    assert head["athletes"][0]["notes"] == "=cmd|'/c calc'!A1"
    row = next(r for r in tables["measures"] if r["key"] == "contact_time")
    assert (float(row["low"]), float(row["value"]), float(row["high"])) == (0.19, 0.2, 0.21)
    assert tables["run_times"][0]["splits"] == "30 m 4.8 s"


def test_one_athlete_alone_can_be_exported(tmp_path: Path) -> None:
    with filled(tmp_path / "h.sqlite") as (h, athlete, _):
        other = person(h, "Zebrafinch-93")
        H.save_analysis(h, clip_analysis(7, note="Zebrafinch-93"), day(h, other))
        H.export_history(h, tmp_path / "one.zip", [athlete])
        with pytest.raises(HistoryError, match="not in it"):
            H.export_history(h, tmp_path / "none.zip", ["nobody"])
        with H.open_history(tmp_path / "there.sqlite") as there:
            H.import_history(there, tmp_path / "one.zip")
            assert everything(there) == {athlete: everything(h)[athlete]}
    with zipfile.ZipFile(tmp_path / "one.zip") as z:
        assert not any(b"Zebrafinch" in z.read(name) for name in z.namelist())


def test_the_later_change_wins_on_both_machines_and_is_told(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite") as (a, athlete, session), H.open_history(tmp_path / "b.sqlite") as b:
        H.export_history(a, tmp_path / "start.zip")
        H.import_history(b, tmp_path / "start.zip")
        H.save_athlete(a, replace(H.athlete(a, athlete), notes="first"))
        H.save_athlete(b, replace(H.athlete(b, athlete), notes="second"))
        H.save_session(b, replace(H.session(b, session), pain=7))
        H.save_session(a, replace(H.session(a, session), pain=1))
        moved = day(b, athlete, "2026-07-01")
        H.save_analysis(b, clip_analysis(0), moved)
        H.export_history(a, tmp_path / "a.zip")
        H.export_history(b, tmp_path / "b.zip")
        in_a, in_b = H.import_history(a, tmp_path / "b.zip"), H.import_history(b, tmp_path / "a.zip")
        assert everything(a) == everything(b)
        assert H.athlete(a, athlete).notes == "second"
        assert H.session(b, session).pain == 1
        assert [len(H.clips(a, s)) for s in (session, moved)] == [1, 1]
        assert len(in_a.conflicts) == len(in_b.conflicts) == 3
        assert any("Athlete Runner-7Q differs; the imported one" in c for c in in_a.conflicts)
        assert any("Athlete Runner-7Q differs; the one here" in c for c in in_b.conflicts)


def test_versions_of_a_clip_from_two_machines_come_together(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite") as (a, athlete, session), H.open_history(tmp_path / "b.sqlite") as b:
        H.export_history(a, tmp_path / "start.zip")
        H.import_history(b, tmp_path / "start.zip")
        H.save_analysis(a, clip_analysis(0, "2026-02-01T00:00:00+00:00"), session)
        newest = H.save_analysis(b, clip_analysis(0, "2026-03-01T00:00:00+00:00"), session)
        H.export_history(a, tmp_path / "a.zip")
        H.export_history(b, tmp_path / "b.zip")
        H.import_history(a, tmp_path / "b.zip")
        H.import_history(b, tmp_path / "a.zip")
        assert everything(a) == everything(b)
        found = H.analyses(a, athlete, f"{0:064x}")
        assert [x.id == newest.analysis for x in found] == [True, False, False]


def _changed(source: Path, target: Path, name: str, data: bytes | None) -> Path:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for member in old.namelist():
            if member != name:
                new.writestr(member, old.read(member))
            elif data is not None:
                new.writestr(member, data)
    return target


def test_files_that_are_no_export_change_nothing(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite") as (h, _, session):
        H.export_history(h, tmp_path / "good.zip")
        uid = H.clips(h, session)[0].latest
    good = tmp_path / "good.zip"
    head = json.loads(zipfile.ZipFile(good).read("history.json"))
    nameless = json.loads(json.dumps(head))
    nameless["athletes"][0]["id"] = None
    lost = json.loads(json.dumps(head)) | {"clips": []}
    cases = {
        "can't be read": tmp_path / "missing.zip",
        "not a zip": tmp_path / "text.zip",
        "history.json is missing": _changed(good, tmp_path / "1.zip", "history.json", None),
        "malformed": _changed(good, tmp_path / "2.zip", "history.json", b'{"schema": "laneside/history/1"}'),
        "another version": _changed(
            good, tmp_path / "3.zip", "history.json", b'{"schema": "laneside/history/2"}'
        ),
        "is missing in it": _changed(good, tmp_path / "4.zip", f"analyses/{uid}.json", None),
        "is damaged": _changed(good, tmp_path / "5.zip", f"analyses/{uid}.json", b"{}"),
        "missing parts": _changed(good, tmp_path / "6.zip", "history.json", json.dumps(nameless).encode()),
        "belongs to no clip": _changed(good, tmp_path / "7.zip", "history.json", json.dumps(lost).encode()),
    }
    (tmp_path / "text.zip").write_text("hello")
    cut = tmp_path / "cut.zip"
    cut.write_bytes(good.read_bytes()[:-400])
    with H.open_history(tmp_path / "b.sqlite") as there:
        for part, file in cases.items():
            with pytest.raises(HistoryError) as caught:
                H.import_history(there, file)
            assert part in str(caught.value) and str(file) in str(caught.value)
            assert H.athletes(there) == ()
        with pytest.raises(HistoryError, match=r"damaged"):
            H.import_history(there, cut)
        assert H.athletes(there) == ()


def test_an_export_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with filled(tmp_path / "a.sqlite") as (h, _, _):
        with pytest.raises((OutputError, HistoryError)) as caught:
            H.export_history(h, tmp_path / "nowhere" / "out.zip")
        assert "nowhere" in str(caught.value)
        H.export_history(h, tmp_path / "out.zip")
    assert sorted(p.name for p in tmp_path.glob("*.zip")) == ["out.zip"]
    assert not list(tmp_path.glob(".part*"))
