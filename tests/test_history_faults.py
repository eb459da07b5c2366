"""What can go wrong with the file: nothing is lost, nothing is overwritten, one sentence says why."""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from shared import history as H
from shared import history_open
from tests.history_helpers import clip_analysis, day, everything, filled, person, refused


def make(file: Path) -> bytes:
    with filled(file):
        pass
    return file.read_bytes()


def test_a_file_of_another_kind_is_left_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    file.write_text("Dear diary, today I ran 5 km." * 300)
    before = file.read_bytes()
    with refused("not a Laneside history", file), H.open_history(file):
        pass
    assert file.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [file.name]


def test_a_database_of_another_program_is_left_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    other = sqlite3.connect(file)
    other.execute("CREATE TABLE songs (name TEXT)")
    other.close()
    before = file.read_bytes()
    with refused("another program", file), H.open_history(file):
        pass
    assert file.read_bytes() == before


def test_a_folder_in_its_place_and_a_file_in_the_way(tmp_path: Path) -> None:
    with refused("a folder", tmp_path), H.open_history(tmp_path):
        pass
    (tmp_path / "x").write_text("")
    file = tmp_path / "x" / "history.sqlite"
    with refused("can't be used", file), H.open_history(file):
        pass


@pytest.mark.parametrize("read_only", [False, True])
def test_a_newer_version_is_refused_and_not_written(tmp_path: Path, read_only: bool) -> None:
    file = tmp_path / "history.sqlite"
    make(file)
    c = sqlite3.connect(file)
    c.execute("PRAGMA user_version = 99")
    c.close()
    before = file.read_bytes()
    with refused("newer version of Laneside (layout 99", file), H.open_history(file, read_only=read_only):
        pass
    assert file.read_bytes() == before


def _small_table_pages(file: Path) -> list[int]:
    """Pages of all that is checked at every opening: all but the documents'."""
    c = sqlite3.connect(file)
    rows = c.execute("SELECT pageno FROM dbstat WHERE name <> 'documents'").fetchall()
    c.close()
    return [r[0] for r in rows]


def test_every_damaged_page_is_found(tmp_path: Path) -> None:
    """Each page in turn is overwritten with noise; the file is refused and not touched again."""
    file, hurt = tmp_path / "history.sqlite", tmp_path / "hurt.sqlite"
    whole = make(file)
    pages = _small_table_pages(file)
    assert len(pages) > 10
    for page in pages:
        data = bytearray(whole)
        data[(page - 1) * 4096 : page * 4096] = random.Random(page).randbytes(4096)
        hurt.write_bytes(data)
        with refused("damaged", hurt), H.open_history(hurt):
            pass
        assert hurt.read_bytes() == data


def test_a_damaged_document_is_found_when_it_is_read(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, _, session):
        shown = H.clips(h, session)[0].latest
        content = h.connection.execute(
            "SELECT content FROM documents d JOIN analyses a ON a.id = d.analysis_id WHERE uid = ?", (shown,)
        ).fetchone()[0]
    start = content[:200]
    assert start in file.read_bytes()
    file.write_bytes(file.read_bytes().replace(start, start[:100] + bytes([start[100] ^ 1]) + start[101:]))
    with H.open_history(file) as h:
        assert len(H.session_points(h, session)) == 4
        with refused(f"{shown[:12]} is damaged", file):
            H.analysis(h, shown)
        with refused("is damaged", file):
            H.check(h)
        with refused("is damaged", file):
            H.export_history(h, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


def test_a_sound_file_passes_the_check(tmp_path: Path) -> None:
    with filled(tmp_path / "history.sqlite") as (h, _, _):
        H.check(h)
        h.connection.execute("UPDATE measures SET low = low + 1e-9 WHERE key = 'contact_time'")
        with refused("measures of analysis", h.path):
            H.check(h)
        h.connection.execute("DELETE FROM documents")
        with refused("is damaged", h.path):
            H.check(h)


def test_a_full_disk_loses_nothing(tmp_path: Path) -> None:
    """SQLite answers SQLITE_FULL when the file may not grow, as on a full disk."""
    with filled(tmp_path / "history.sqlite") as (h, _, session):
        before = everything(h)
        pages = h.connection.execute("PRAGMA page_count").fetchone()[0]
        h.connection.execute(f"PRAGMA max_page_count = {pages}")
        with refused("the disk is full", h.path):
            for i in range(2, 20):
                H.save_analysis(h, clip_analysis(i), session)
        kept = everything(h)
        h.connection.execute("PRAGMA max_page_count = 1000000")
        for i in range(2, 20):
            H.save_analysis(h, clip_analysis(i), session)
        H.check(h)
        assert len(H.clips(h, session)) == 20
    assert kept.keys() == before.keys()


@contextmanager
def without_rights() -> Iterator[None]:
    """As somebody whom permissions bind."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def locked_folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp())
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no file permissions of this kind here")
def test_a_folder_that_cannot_be_written(locked_folder: Path) -> None:
    file = locked_folder / "history.sqlite"
    make(file)
    file.chmod(0o444)
    locked_folder.chmod(0o555)
    with without_rights():
        with refused("can't be", file), H.open_history(file) as h:
            person(h)
        with H.open_history(file, read_only=True) as h:
            assert len(H.athletes(h)) == 1
        other = locked_folder / "deeper" / "history.sqlite"
        with refused("can't be used", other), H.open_history(other):
            pass


def test_another_program_that_writes_is_waited_for_and_then_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history_open, "BUSY_TIMEOUT_S", 0.05)
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, athlete, _), H.open_history(file) as other:
        with H.writing(other), refused("another program is writing", file):
            person(h, "Late")
        assert len(H.athletes(h)) == 1
        assert len(H.sessions(other, athlete)) == 1
        person(h, "Late")
        assert len(H.athletes(other)) == 2


def test_an_edit_of_what_was_changed_elsewhere_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with filled(file) as (h, athlete, _), H.open_history(file) as other:
        mine, theirs = H.athlete(h, athlete), H.athlete(other, athlete)
        H.save_athlete(other, replace(theirs, notes="theirs"))
        with refused("changed elsewhere", file):
            H.save_athlete(h, replace(mine, notes="mine"))
        assert H.athlete(h, athlete).notes == "theirs"
        again = H.save_athlete(h, replace(H.athlete(h, athlete), mass_kg=60.0))
        assert (again.notes, again.mass_kg) == ("theirs", 60.0)


def _save_many(file: Path, session: str, first: int, count: int, told: int) -> None:
    """Keep clips one by one and write the number of each, four digits, to the pipe `told`."""
    with H.open_history(file) as history:
        for i in range(first, first + count):
            H.save_analysis(history, clip_analysis(i), session)
            os.write(told, f"{i:04d}".encode())


def _started(job: Callable[..., None], *values: object) -> BaseProcess:
    process = multiprocessing.get_context("fork").Process(target=job, args=values)
    process.start()
    return process


def test_two_programs_at_once_lose_no_save(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with H.open_history(file) as h:
        session = day(h, person(h))
    ears = [os.pipe() for _ in range(2)]
    savers = [_started(_save_many, file, session, 1000 * (k + 1), 15, ears[k][1]) for k in range(2)]
    for saver in savers:
        saver.join()
        assert saver.exitcode == 0
    with H.open_history(file) as h:
        assert len(H.clips(h, session)) == 30
        H.check(h)


def _make(file: Path) -> None:
    with H.open_history(file) as history:
        H.save_athlete(history, H.Athlete("A"))


def test_programs_that_make_the_file_at_once(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    makers = [_started(_make, file) for _ in range(4)]
    for maker in makers:
        maker.join()
    assert [m.exitcode for m in makers] == [0, 0, 0, 0]
    with H.open_history(file) as h:
        assert len(H.athletes(h)) == 4


def test_a_kill_in_the_middle_of_a_save_loses_no_save_that_was_reported(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite"
    with H.open_history(file) as h:
        session = day(h, person(h))
    reported: set[str] = set()
    rng = random.Random(3)
    for turn in range(1, 9):
        ear, mouth = os.pipe()
        saver = _started(_save_many, file, session, turn * 1000, 900, mouth)
        os.close(mouth)
        heard = os.read(ear, 4)
        for _ in range(rng.randrange(4)):
            heard += os.read(ear, 4)
        sum(range(rng.randrange(300_000)))  # so that the kill falls on any part of a save
        assert saver.pid is not None
        os.kill(saver.pid, signal.SIGKILL)
        saver.join()
        while more := os.read(ear, 4096):
            heard += more
        os.close(ear)
        reported |= {f"{int(heard[i : i + 4]):064x}" for i in range(0, len(heard), 4)}
        with H.open_history(file) as h:
            assert reported <= {c.sha256 for c in H.clips(h, session)}
            H.check(h)
    assert len(reported) >= 8
