"""A batch on many machines: a real scheduler and real workers, on this machine, some of which are killed."""

from __future__ import annotations

import csv
import functools
import hashlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from shared.errors import Cancelled, OptionError
from tests.batch_standins import GO, LOG, attempts, pretend
from tests.test_pipeline import _beginning
from ui import batch_cluster, batch_link
from ui.batch import clips_in, measure_batch
from ui.batch_job import Job, job_mark
from ui.batch_table import Row
from ui.batch_worker import difference, introduction
from ui.options import Options

ROOT = Path(__file__).parents[1]
CLIP = ROOT / "sample_clips" / "clips" / "panning_120.mp4"
QUICK = Options(effort="quick", video=False)
LOCAL = pytest.mark.skipif(sys.platform == "win32", reason="sends POSIX signals")


def _dask(part: str, *arguments: str, **environment: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "distributed.cli.dask_" + part, *arguments, "--no-dashboard"]
    env = {**os.environ, **environment, "PYTHONWARNINGS": "ignore"}
    return subprocess.Popen(command, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@contextmanager
def _running(*processes: subprocess.Popen[bytes]) -> Iterator[None]:
    try:
        yield
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = _dask("scheduler", "--host", "127.0.0.1", "--port", str(port))
    with _running(process):
        yield f"tcp://127.0.0.1:{port}"


@contextmanager
def _workers(address: str, count: int, *arguments: str, **environment: str) -> Iterator[None]:
    """So many workers, connected; none of an earlier test is left."""
    from distributed import Client

    more = ("--host", "127.0.0.1", *(arguments or ("--no-nanny", "--nthreads", "1")))
    with Client(address, timeout=30, set_as_default=False) as client:
        _until(lambda: len(client.nthreads()) == 0)
        processes = [_dask("worker", address, *more, **environment) for _ in range(count)]
        with _running(*processes):
            _until(lambda: len(client.nthreads()) == count)
            yield


def _until(ready: Callable[[], bool]) -> None:
    ends = time.monotonic() + 60
    while not ready():
        assert time.monotonic() < ends, "workers did not come or go"
        time.sleep(0.05)


def _clips(folder: Path, **words: str) -> Path:
    folder.mkdir()
    for name, word in words.items():
        (folder / f"{name}.mp4").write_text(f"{word} {'' if word == 'twin' else name}")
    return folder


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    own = functools.partial(batch_cluster.measure_on_cluster, work=pretend)
    monkeypatch.setattr(batch_cluster, "measure_on_cluster", own)


def _states(rows: list[Row]) -> dict[str, str]:
    return {row.clip.stem: row.state for row in rows}


@LOCAL
@pytest.mark.slow
@pytest.mark.usefixtures("stand_in")
def test_every_clip_once_though_a_worker_is_killed(scheduler: str, tmp_path: Path) -> None:
    words = {"a": "waits", "b": "plain", "c": "plain", "d": "plain", "e": "twin", "f": "twin", "g": "plain"}
    source, out = _clips(tmp_path / "clips", **words), tmp_path / "out"
    told: list[str] = []

    def kill_the_first(row: Row, done: int, total: int) -> None:
        if done == 1:
            _until(lambda: bool(attempts(out, "begun", "a")))
            os.kill(int(attempts(out, "begun", "a")[0]), signal.SIGKILL)

    def let_go() -> None:  # not before: the killed worker's child could still finish
        _until(lambda: len(attempts(out, "begun", "a")) == 2)
        (out / LOG / GO).touch()

    reached: set[str] = set()
    watching = True

    def watch(event: str, values: tuple[Any, ...]) -> None:
        if watching and event in ("socket.connect", "socket.sendto", "socket.getaddrinfo"):
            where = values[1] if event == "socket.connect" else values[-1] if "to" in event else values[:2]
            reached.add(f"tcp://{where[0]}:{where[1]}" if isinstance(where, tuple) else str(where))

    with _workers(scheduler, 2):
        sys.addaudithook(watch)
        threading.Thread(target=let_go, daemon=True).start()
        rows = measure_batch(
            clips_in(source), out, QUICK, said=kill_the_first, scheduler=scheduler, tell=told.append
        )
        watching = False
        assert reached == {scheduler}, "the address that was given, and no other"
        assert _states(rows) == dict.fromkeys("abcdeg", "measured") | {"f": "same clip"}
        assert len(attempts(out, "begun", "a")) == 2, "begun, killed, begun again"
        for name in "abcdeg":
            assert len(attempts(out, "done", name)) == 1
        assert attempts(out, "done", "f") == []
        assert [t for t in told if "went" in t]
        with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
            assert [line["clip"] for line in csv.DictReader(file)] == [f"{n}.mp4" for n in "abcdefg"]
        again = measure_batch(clips_in(source), out, QUICK, scheduler=scheduler)
        assert _states(again) == dict.fromkeys("abcdeg", "already measured") | {"f": "same clip"}
    assert not list(out.glob(".seen-*"))


@LOCAL
@pytest.mark.slow
@pytest.mark.usefixtures("stand_in")
def test_a_clip_that_kills_its_worker_fails_alone(scheduler: str, tmp_path: Path) -> None:
    words = {"a": "kills", "b": "waits", "c": "plain", "d": "breaks", "e": "plain"}
    source, out = _clips(tmp_path / "clips", **words), tmp_path / "out"
    (out / LOG).mkdir(parents=True)
    (out / LOG / GO).touch()
    with _workers(scheduler, 1, "--nthreads", "2"):  # two clips at a time, started anew after each death
        rows = measure_batch(clips_in(source), out, QUICK, scheduler=scheduler)
    assert _states(rows) == {"a": "failed", "b": "measured", "c": "measured", "d": "failed", "e": "measured"}
    assert "each worker that measured it went" in rows[0].why
    assert "SIGKILL" in rows[3].why
    for name in "bce":
        assert len(attempts(out, "done", name)) == 1
    assert len(attempts(out, "begun", "a")) == batch_cluster.MOST_BREAKS + 1, (
        "once beside another, then alone"
    )
    assert len(attempts(out, "begun", "d")) >= batch_cluster.MOST_BREAKS


@LOCAL
@pytest.mark.slow
@pytest.mark.usefixtures("stand_in")
def test_stopping_leaves_what_has_not_begun(scheduler: str, tmp_path: Path) -> None:
    source = _clips(tmp_path / "clips", a="waits", b="plain", c="waits", d="plain", e="plain")
    out = tmp_path / "out"

    def stop(row: Row, done: int, total: int) -> None:
        _until(lambda: bool(attempts(out, "begun", "a")))
        raise KeyboardInterrupt

    with _workers(scheduler, 2):
        with pytest.raises(Cancelled, match=r"in hand \(clips: 1\)"):
            measure_batch(clips_in(source), out, QUICK, said=stop, scheduler=scheduler)
        (out / LOG / GO).touch()
        _until(lambda: bool(attempts(out, "done", "a")))
        for name in "cde":
            assert attempts(out, "begun", name) == []
        rows = measure_batch(clips_in(source), out, QUICK, scheduler=scheduler)
    assert _states(rows) == {"a": "already measured", "b": "already measured"} | dict.fromkeys(
        "cde", "measured"
    )
    for name in "abcde":
        assert len(attempts(out, "done", name)) == 1


@pytest.mark.slow
@pytest.mark.usefixtures("stand_in")
def test_workers_that_do_not_fit_are_left_out(scheduler: str, tmp_path: Path) -> None:
    source, out = _clips(tmp_path / "clips", a="plain"), tmp_path / "out"
    other = tmp_path / "site" / "laneside-9.9.dist-info"
    other.mkdir(parents=True)
    (other / "METADATA").write_text("Metadata-Version: 2.1\nName: laneside\nVersion: 9.9\n")
    told: list[str] = []
    refused = pytest.raises(OptionError, match=r"has version 9\.9 of the program, this is")
    with _workers(scheduler, 1, PYTHONPATH=str(other.parent)), refused:
        measure_batch(clips_in(source), out, QUICK, scheduler=scheduler, tell=told.append)
    assert len(told) == 1 and "left out" in told[0]
    assert not (out / LOG).exists()


@pytest.mark.slow
def test_a_real_clip_from_the_command_line(scheduler: str, tmp_path: Path) -> None:
    source, out = tmp_path / "clips", tmp_path / "out"
    source.mkdir()
    _beginning(CLIP, source / "run.mp4", 200)
    (source / "words.mov").write_text("no video " * 50)
    command = [sys.executable, "-m", "ui.cli", "batch", str(source), "--out", str(out), "--effort", "quick"]
    command += ["--no-video", "--scheduler", scheduler]
    with _workers(scheduler, 1):
        first, second = (
            subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False) for _ in range(2)
        )
    assert first.returncode == second.returncode == 1, "one of the two is no video"
    assert "run.mp4: measured" in first.stdout and "words.mov: failed" in first.stdout
    assert "run.mp4: already measured" in second.stdout
    assert first.stderr == second.stderr == ""
    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        line = next(csv.DictReader(file))
    assert float(line["step_frequency both low"]) < float(line["step_frequency both (steps/min)"])


@pytest.mark.slow
def test_a_scheduler_that_has_nobody_or_is_not_there(
    scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = _clips(tmp_path / "clips", a="plain")
    with _workers(scheduler, 0), pytest.raises(OptionError, match="no worker is connected"):
        measure_batch(clips_in(source), tmp_path / "out", QUICK, scheduler=scheduler)
    monkeypatch.setattr(batch_link, "CONNECT_S", 0.5)
    with pytest.raises(OptionError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
        measure_batch(clips_in(source), tmp_path / "out", QUICK, scheduler="tcp://127.0.0.1:9")
    with pytest.raises(OptionError, match="no certificate is named for tls"):
        measure_batch(clips_in(source), tmp_path / "out", QUICK, scheduler="tls://127.0.0.1:9")


@pytest.mark.parametrize(
    "said", ["", "somewhere", "http://a:1", "tcp://a", "tcp://me:pass@a:1", "inproc://a:1"]
)
def test_only_an_address_of_a_scheduler_is_taken(tmp_path: Path, said: str) -> None:
    with pytest.raises(OptionError, match="tcp://HOST:PORT"):
        measure_batch([tmp_path / "a.mp4"], tmp_path / "out", QUICK, scheduler=said)


def test_without_the_extra_it_is_said_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(OptionError, match="uv sync --frozen --extra cluster"):
        measure_batch([tmp_path / "a.mp4"], tmp_path / "out", QUICK, scheduler="tcp://127.0.0.1:9")


def test_the_number_of_workers_is_theirs(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="--workers"):
        measure_batch([tmp_path / "a.mp4"], tmp_path / "out", QUICK, workers=2, scheduler="tcp://a:1")


def test_a_worker_says_what_it_does_not_see(tmp_path: Path) -> None:
    word = tmp_path / ".seen"
    assert "does not see the folder of results" in introduction(word, "x", []).problem
    word.write_text("y")
    assert "does not see the folder of results" in introduction(word, "x", []).problem, "another folder"
    word.write_text("x")
    assert introduction(word, "x", [tmp_path]).problem == ""
    assert (
        f"does not see the folder of clips {tmp_path / 'no'}"
        in introduction(word, "x", [tmp_path / "no"]).problem
    )
    assert [p.name for p in tmp_path.iterdir()] == [".seen"], "nothing is left behind"


def test_a_machine_that_sees_other_things_says_so(tmp_path: Path) -> None:
    clip = tmp_path / "a.mp4"
    clip.write_text("words")
    mark = job_mark(hashlib.sha256(b"words").hexdigest(), QUICK)
    job = Job(0, clip, tmp_path / "out", mark)
    assert difference(job, QUICK) == ""
    assert "another profile" in difference(job, Options(effort="quick", video=False, profile="fast-run"))
    assert "another version" in difference(Job(0, clip, job.folder, mark | {"version": "0"}), QUICK)
    clip.write_text("other words")
    assert "another file under this path" in difference(job, QUICK)
    clip.unlink()
    assert "can't read it" in difference(job, QUICK)
