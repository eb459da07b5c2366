"""Work outside the page: progress, time left, stopping, and the queue's hold on a job."""

from __future__ import annotations

import io
import os
import time
from pathlib import Path

import pytest

from shared.errors import Cancelled
from ui.options import Options
from ui.screens import store
from ui.screens.queue import STALE_S, Queue, abandoned, claim, next_jobs
from ui.screens.waiting import POLL_S, WAITING_POLL_S, place_in, poll_s, queue_words, time_words
from ui.screens.work import SHARE, _end, overall, read_progress, reporter, seconds_left


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))


def _job(state: store.State = "waiting", content: bytes = b"not a video") -> store.Job:
    job = store.add_clip(io.BytesIO(content), "run.mp4", store.new_key())
    if state == "waiting":
        return store.enqueue(job, Options(), "")
    return store.change(job, state=state)


def test_progress_is_written_and_read(tmp_path: Path) -> None:
    report = reporter(tmp_path)
    report("pictures", 1, 4)
    found = read_progress(tmp_path)
    assert (found["stage"], found["done"], found["total"]) == ("pictures", 1, 4)


def test_a_cancel_file_stops_the_work(tmp_path: Path) -> None:
    report = reporter(tmp_path)
    report("pictures", 1, 4)
    (tmp_path / store.CANCEL).touch()
    with pytest.raises(Cancelled):
        report("pictures", 4, 4)


def test_overall_progress_grows_from_nothing_to_all() -> None:
    assert sum(SHARE.values()) == pytest.approx(1.0)
    told = [0.0]
    seen: list[str] = []
    for stage in SHARE:
        seen.append(stage)
        told += [overall({"stage": stage, "done": d, "total": 4, "stages": seen}) for d in range(5)]
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)


def test_time_left_by_rule_of_three() -> None:
    # Closed form: 15 % took 30 s, so the other 85 % take 170 s.
    stage = next(iter(SHARE))
    progress = {"stage": stage, "done": 1, "total": 1, "stages": [stage], "begun": 100.0, "now": 130.0}
    assert overall(progress) == pytest.approx(0.15)
    assert seconds_left(progress, 130.0) == pytest.approx(170.0)
    assert seconds_left(progress, 140.0) == pytest.approx(160.0)
    assert seconds_left({}, 0.0) is None


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, "working out the time left"),
        (3.0, "a few seconds left"),
        (31.0, "about 30 seconds left"),
        (70.0, "about a minute left"),
        (200.0, "about 3 minutes left"),
    ],
)
def test_time_left_in_words(seconds: float | None, said: str) -> None:
    assert time_words(seconds) == said


def test_place_in_the_queue_in_words() -> None:
    assert [queue_words(n) for n in range(3)] == [
        "Next in the queue",
        "One clip is measured before yours",
        "2 clips are measured before yours",
    ]


def test_a_page_looks_less_often_while_others_are_before_it() -> None:
    order = [store.Job(key, key, "x.mp4") for key in "abcd"]
    assert [place_in(order, key) for key in "adz"] == [0, 3, 4]
    assert [poll_s(n) for n in range(4)] == [POLL_S, POLL_S, WAITING_POLL_S, WAITING_POLL_S]


@pytest.mark.parametrize(
    ("state", "said"),
    [("looking", "3 clips are looked at before yours"), ("waiting", "3 clips are measured before yours")],
)
def test_a_page_in_the_line_says_its_place(state: store.State, said: str) -> None:
    from streamlit.testing.v1 import AppTest

    jobs = [_job(state) for _ in range(4)]

    def screen(key: str, state: str) -> None:
        from ui.screens import store, waiting

        job = store.read_job(key)
        assert job is not None
        (waiting.looking_screen if state == "looking" else waiting.waiting_screen)(job)

    def shown(job: store.Job) -> list[str]:
        page = AppTest.from_function(screen, args=(job.key, state), default_timeout=60).run()
        assert not page.exception
        return [str(bar.proto.text) for bar in page.get("progress")]

    assert any(said in text for text in shown(jobs[3]))
    assert not any("before yours" in text for text in shown(jobs[0]))
    # Once it has begun it says what it does.
    reporter(store.job_folder(jobs[3].key))("looking for people", 1, 3)
    if state == "waiting":
        store.change(jobs[3], state="running")
    assert any("Looking for people" in text for text in shown(jobs[3]))


def test_a_job_is_claimed_once() -> None:
    job = _job()
    assert claim(job, "measure")
    assert not claim(job, "measure")


def test_a_job_that_changed_meanwhile_is_not_claimed() -> None:
    job = _job()
    store.change(job, state="cancelled")
    assert not claim(job, "measure")
    assert not (store.job_folder(job.key) / store.CLAIM).exists()


def test_what_a_dead_server_left_is_put_back() -> None:
    job = store.change(_job(), state="running")
    mark = store.job_folder(job.key) / store.CLAIM
    mark.touch()
    assert not abandoned(job)
    assert next_jobs("measure") == []
    old = time.time() - 2 * STALE_S
    os.utime(mark, (old, old))
    assert [j.key for j in next_jobs("measure")] == [job.key]


@pytest.mark.slow
def test_a_file_that_is_no_video_fails_with_one_clear_sentence() -> None:
    job = _job("looking")
    queue = Queue()
    try:
        deadline = time.monotonic() + 120
        while (now := store.read_job(job.key)) and now.state == "looking" and time.monotonic() < deadline:
            queue.wake()
            time.sleep(0.1)
    finally:
        queue.close()
    assert now is not None
    assert now.state == "failed"
    assert now.error.startswith("run.mp4: ")
    assert str(store.data_folder()) not in now.error
    assert "Traceback" not in now.error


@pytest.mark.parametrize(("kind", "wanted"), [("look", "looking"), ("measure", "waiting")])
def test_a_stop_between_claim_and_start_is_kept(kind: str, wanted: store.State) -> None:
    job = _job(wanted)
    assert claim(job, kind)
    store.ask_to_cancel(job)
    queue = Queue(measurers=0)
    try:
        queue._run(job, kind)
    finally:
        queue.close()
    kept = store.read_job(job.key)
    assert kept is not None
    assert (kept.state, kept.looked, kept.measured) == ("cancelled", 0.0, 0.0)
    assert not (store.job_folder(job.key) / store.CLAIM).exists()


def test_a_stop_by_a_page_that_is_a_moment_old_does_not_undo_the_end() -> None:
    job = _job()
    store.change(job, state="done")
    store.ask_to_cancel(job)
    kept = store.read_job(job.key)
    assert kept is not None
    assert kept.state == "done"


def test_work_that_comes_too_late_changes_nothing() -> None:
    job = store.change(_job("looking"), state="done")
    _end(job.key, "ready")
    late = store.read_job(job.key)
    assert late is not None
    assert late.state == "done"
    _end(store.change(job, state="running").key, "failed", "x: y; z.")
    ended = store.read_job(job.key)
    assert ended is not None
    assert (ended.state, ended.error) == ("failed", "x: y; z.")


def test_a_report_that_is_not_written_again_leaves_the_result_done() -> None:
    job = store.enqueue(store.change(_job("looking"), state="done"), Options(), "", rewrite=True)
    _end(store.change(job, state="running").key, "failed", "x: y; z.")
    kept = store.read_job(job.key)
    assert kept is not None
    assert (kept.state, kept.rewrite) == ("done", False)
