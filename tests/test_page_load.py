"""Twenty users of one page at once: nobody gets another's clip, nobody waits behind one user's many."""

from __future__ import annotations

import hashlib
import io
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from shared.analysis_json import read_analysis
from tests import apart_work
from ui.job import ANALYSIS_NAME
from ui.options import Options
from ui.screens import store
from ui.screens.queue import Queue

USERS = 20
MANY = 5
"""Clips of the first user, who comes first; the others have one each."""


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What the children note; they do little, but they are real children of a real queue."""
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path / "data"))
    monkeypatch.setenv("LANESIDE_TEST_LOG", str(tmp_path / "log"))
    monkeypatch.setattr("ui.screens.first_look.write_first_look", apart_work.looks)
    monkeypatch.setattr("ui.job.fill_folder", apart_work.fills_and_notes)
    monkeypatch.setattr("ui.screens.work.keep_frames", apart_work.nothing)
    return tmp_path / "log"


def _served(until: Callable[[], bool]) -> None:
    """Run a queue until all is done."""
    queue = Queue()
    try:
        done = threading.Event()
        for _ in range(3000):
            if until():
                return
            queue.wake()
            done.wait(0.1)
        raise AssertionError("the queue does not get on")
    finally:
        queue.close()


def _content(user: int, clip: int) -> bytes:
    return f"the clip {clip} of user {user}".encode() * 50


def _all_in(*states: str) -> bool:
    return all(j.state in states for j in store.all_jobs())


@pytest.mark.slow
def test_twenty_users_at_once_get_their_own_results_in_fair_order(log: Path) -> None:
    owners = [store.new_key() for _ in range(USERS)]
    contents: dict[str, bytes] = {}

    def upload(user: int) -> None:
        for clip in range(MANY if user == 0 else 1):
            content = _content(user, clip)
            # All clips have the same name, as phones give it.
            contents[store.add_clip(io.BytesIO(content), "IMG_0001.mp4", owners[user]).key] = content

    upload(0)
    threads = [threading.Thread(target=upload, args=(user,)) for user in range(1, USERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(contents) == USERS + MANY - 1

    _served(lambda: _all_in("ready"))
    looked = [line.split()[1] for line in log.read_text().splitlines()]
    assert sorted(looked) == sorted(contents), "each clip once"
    own = {j.key: owners.index(j.owner) for j in store.all_jobs()}
    assert len({own[key] for key in looked[:USERS]}) == USERS, "everybody's first before anybody's second"

    log.unlink()
    for job in sorted(store.all_jobs(), key=lambda j: own[j.key]):
        store.enqueue(job, Options(stature_m=1.5 + own[job.key] / 100), f"user {own[job.key]}")
    _served(lambda: _all_in("done", "failed"))

    lines = [line.split() for line in log.read_text().splitlines()]
    assert [what for what, _ in lines] == ["begin", "end"] * len(contents), "one measurement at a time"
    order = [own[key] for what, key in lines if what == "begin"]
    assert sorted(order[:USERS]) == list(range(USERS)), "nobody waits behind the first user's many clips"
    assert order[USERS:] == [0] * (MANY - 1)

    for user, owner in enumerate(owners):
        mine = store.jobs_of(owner)
        assert len(mine) == (MANY if user == 0 else 1)
        for job in mine:
            assert job.state == "done" and job.label == f"user {user}", job.error
            found = read_analysis(store.result_folder(job) / ANALYSIS_NAME)
            assert found.clip.sha256 == hashlib.sha256(contents[job.key]).hexdigest()
            assert not list(store.result_folder(job).glob(".part-*"))
    assert Counter(own.values())[0] == MANY


@pytest.mark.slow
def test_a_clip_that_kills_its_process_fails_alone(log: Path) -> None:
    owners = [store.new_key() for _ in range(3)]
    for owner, name in zip(owners, ("a.mp4", "crash.mp4", "b.mp4")):
        store.enqueue(store.add_clip(io.BytesIO(name.encode()), name, owner), Options(), "")
    _served(lambda: _all_in("done", "failed"))
    jobs = {j.name: j for j in store.all_jobs()}
    assert [jobs[n].state for n in ("a.mp4", "crash.mp4", "b.mp4")] == ["done", "failed", "done"]
    assert jobs["crash.mp4"].error.startswith("crash.mp4: ") and "SIGSEGV" in jobs["crash.mp4"].error
    assert not store.result_folder(jobs["crash.mp4"]).exists()


@pytest.mark.slow
def test_a_clip_that_is_stopped_while_it_is_measured_ends_at_once(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ui.job.fill_folder", apart_work.fills_and_hangs)
    job = store.enqueue(store.add_clip(io.BytesIO(b"x"), "a.mp4", store.new_key()), Options(), "")
    other = store.enqueue(store.add_clip(io.BytesIO(b"y"), "b.mp4", store.new_key()), Options(), "")

    def stopped() -> bool:
        current = store.read_job(job.key)
        assert current is not None
        if log.exists() and current.state == "running":
            store.ask_to_cancel(current)
        if (waits := store.read_job(other.key)) is not None and current.state == "cancelled":
            store.ask_to_cancel(waits)
        return _all_in("cancelled")

    _served(stopped)
    assert not store.result_folder(job).exists()
    assert not (store.job_folder(job.key) / store.CANCEL).exists()


@pytest.mark.slow
def test_a_server_that_closes_puts_its_clip_back(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ui.job.fill_folder", apart_work.fills_and_hangs)
    job = store.enqueue(store.add_clip(io.BytesIO(b"x"), "a.mp4", store.new_key()), Options(), "")
    _served(log.exists)
    kept = store.read_job(job.key)
    assert kept is not None and kept.state == "waiting"
    assert not store.result_folder(job).exists() and not (store.job_folder(job.key) / store.CLAIM).exists()
    monkeypatch.setattr("ui.job.fill_folder", apart_work.fills_and_notes)
    _served(lambda: _all_in("done"))


@pytest.mark.slow
def test_a_child_that_is_silent_for_too_long_is_one_failed_clip(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ui.job.fill_folder", apart_work.fills_and_hangs)
    monkeypatch.setenv("LANESIDE_SILENCE_S", "0.01")
    job = store.enqueue(store.add_clip(io.BytesIO(b"x"), "a.mp4", store.new_key()), Options(), "")
    _served(lambda: _all_in("failed"))
    kept = store.read_job(job.key)
    assert kept is not None and "nothing went on for 0.01 seconds" in kept.error
