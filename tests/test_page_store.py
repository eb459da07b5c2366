"""Clips and results on disk: names, records, lists and the order of the queue."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from shared.errors import ClipError
from tests import page_helpers
from ui.options import AthletePoint, MarkedDistance, Options
from ui.screens import store


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))


@pytest.mark.parametrize(
    ("given_name", "kept"),
    [
        ("run.mp4", "run.mp4"),
        ("../../etc/passwd", "passwd"),
        ("C:\\clips\\run 1.MOV", "run 1.MOV"),
        ("<b>run</b>.mp4", "b_.mp4"),
        ("..", "clip"),
        ("", "clip"),
        ("läufer (links).mp4", "läufer (links).mp4"),
    ],
)
def test_a_name_loses_folders_and_odd_signs(given_name: str, kept: str) -> None:
    assert store.safe_name(given_name) == kept


@given(some.text(max_size=200))
def test_any_name_is_one_plain_file_name(name: str) -> None:
    safe = store.safe_name(name)
    assert 0 < len(safe) <= 80
    assert safe == Path(safe).name
    assert safe not in (".", "..")
    assert not set(safe) & set('/\\<>:"|?*\0\n')


def test_a_record_comes_back_as_it_was() -> None:
    job = store.add_clip(io.BytesIO(b"x"), "run.mp4", store.new_key())
    options = Options(
        profile="fast-run",
        stature_m=1.7,
        athlete=AthletePoint(1.0, 2.0, 0.5),
        marked=MarkedDistance(1.0, 2.0, 3.0, 4.0, 5.0),
        minor=True,
    )
    kept = store.enqueue(job, options, "  right side ")
    assert store.read_job(job.key) == kept
    assert (kept.options, kept.label, kept.state) == (options, "right side", "waiting")
    assert store.clip_path(kept).read_bytes() == b"x"


def test_an_empty_file_leaves_nothing_behind() -> None:
    with pytest.raises(ClipError, match="empty"):
        store.add_clip(io.BytesIO(b""), "run.mp4", store.new_key())
    assert store.all_jobs() == []
    assert not list((store.data_folder() / "jobs").iterdir())


@pytest.mark.parametrize("key", ["", "..", "../x", "a" * 19, "A" * 20, "a" * 21, "a/b" + "a" * 17])
def test_only_a_proper_key_names_a_folder(key: str) -> None:
    assert store.read_job(key) is None
    with pytest.raises(ValueError, match="key"):
        store.job_folder(key)


def test_a_list_shows_its_own_clips_only() -> None:
    mine, yours = store.new_key(), store.new_key()
    a = store.add_clip(io.BytesIO(b"a"), "a.mp4", mine)
    store.add_clip(io.BytesIO(b"b"), "b.mp4", yours)
    assert [j.key for j in store.jobs_of(mine)] == [a.key]
    assert mine != yours


def test_a_damaged_record_is_passed_over() -> None:
    job = store.add_clip(io.BytesIO(b"a"), "a.mp4", store.new_key())
    (store.job_folder(job.key) / store.RECORD).write_text("{", encoding="utf-8")
    assert store.read_job(job.key) is None
    assert store.all_jobs() == []


def _waiting(key: str, owner: str, queued: float, state: store.State = "waiting") -> store.Job:
    return store.Job(key, owner, "x.mp4", state=state, queued=queued)


def test_one_user_is_served_in_order() -> None:
    jobs = [_waiting("b", "o", 2), _waiting("a", "o", 1), _waiting("c", "o", 3)]
    assert [j.key for j in store.queue_order(jobs)] == ["a", "b", "c"]


def test_everybodys_first_comes_before_anybodys_second() -> None:
    # By hand: rounds are (a1, b1, c1), then a2, then a3.
    jobs = [_waiting("a1", "a", 1), _waiting("a2", "a", 2), _waiting("a3", "a", 3)]
    jobs += [_waiting("b1", "b", 4), _waiting("c1", "c", 5)]
    assert [j.key for j in store.queue_order(jobs)] == ["a1", "b1", "c1", "a2", "a3"]


def test_a_running_clip_counts_as_its_owners_turn() -> None:
    jobs = [_waiting("a1", "a", 1, "running"), _waiting("a2", "a", 2), _waiting("b1", "b", 3)]
    assert [j.key for j in store.queue_order(jobs)] == ["b1", "a2"]


def test_who_has_just_been_served_goes_behind_all_who_wait() -> None:
    """By hand: a came first with three clips; after the first of them b and c come before the second."""
    jobs = [
        replace(_waiting("a1", "a", 1, "done"), measured=6.0),
        _waiting("a2", "a", 2),
        _waiting("a3", "a", 3),
    ]
    jobs += [_waiting("b1", "b", 4), _waiting("c1", "c", 5)]
    assert [j.key for j in store.queue_order(jobs)] == ["b1", "c1", "a2", "a3"]
    # What was served before a clip came is no reason to wait.
    jobs = [
        replace(_waiting("a1", "a", 1, "done"), measured=6.0),
        _waiting("a2", "a", 7),
        _waiting("b1", "b", 8),
    ]
    assert [j.key for j in store.queue_order(jobs)] == ["a2", "b1"]


@given(some.lists(some.sampled_from("abcd"), min_size=1, max_size=14))
def test_while_all_wait_nobody_is_served_twice_before_everybody_once(owners: list[str]) -> None:
    """The queue is asked anew after each clip, as the server does."""
    jobs = [_waiting(f"{i:02}", owner, float(i)) for i, owner in enumerate(owners)]
    served: list[str] = []
    told = [j.key for j in store.queue_order(jobs)]
    while order := store.queue_order(jobs):
        served.append(order[0].owner)
        now = 100.0 + len(served)
        jobs = [replace(j, state="done", measured=now) if j.key == order[0].key else j for j in jobs]
    assert [jobs[int(key)].owner for key in told] == served, "the order that was told is the one that is kept"
    for i in range(len(served)):
        left = set(owners) - set(served[:i])
        if left:
            assert served[i] in left


def test_first_looks_are_taken_in_the_same_rounds() -> None:
    jobs = [
        store.Job(key, owner, "x.mp4", state="looking", created=created)
        for key, owner, created in [("a1", "a", 1), ("a2", "a", 2), ("a3", "a", 3), ("b1", "b", 4)]
    ]
    assert [j.key for j in store.look_order(jobs)] == ["a1", "b1", "a2", "a3"]


@given(
    some.lists(
        some.tuples(some.sampled_from("abc"), some.sampled_from(["waiting", "running", "done"])), max_size=12
    )
)
def test_the_queue_loses_and_invents_nobody(drawn: list[tuple[str, store.State]]) -> None:
    jobs = [_waiting(f"{i:02}", owner, float(i), state) for i, (owner, state) in enumerate(drawn)]
    order = [j.key for j in store.queue_order(jobs)]
    assert sorted(order) == [j.key for j in jobs if j.state == "waiting"]
    for owner in "abc":
        own = [j.key for j in store.queue_order(jobs) if j.owner == owner]
        assert own == sorted(own)


def test_stopping_a_waiting_clip_takes_it_out_of_the_queue() -> None:
    job = store.add_clip(io.BytesIO(b"a"), "a.mp4", store.new_key())
    waiting = store.enqueue(job, Options(), "")
    assert store.ask_to_cancel(waiting).state == "cancelled"
    assert store.queue_order(store.all_jobs()) == []


def test_removing_a_clip_removes_all_of_it() -> None:
    job = store.add_clip(io.BytesIO(b"a"), "a.mp4", store.new_key())
    store.remove(job)
    assert not store.job_folder(job.key).exists()
    store.remove(job)


@pytest.mark.parametrize("state", ["done", "ready", "failed"])
def test_a_stored_job_of_the_tests_is_seen_only_when_it_is_whole(
    state: store.State, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a server on the same folder would begin with the first look at it."""
    seen: list[tuple[str, bool]] = []

    def write(job: store.Job) -> None:
        seen.append((job.state, (store.result_folder(job) / "analysis.json").is_file()))

    monkeypatch.setattr(store, "write_job", write)
    page_helpers.stored_job(store.new_key(), state)
    assert seen == [(state, state == "done")]
