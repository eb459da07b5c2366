"""A child that crashes, hoards, hangs or is stopped: the parent gets a value or one sentence."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from shared.errors import Cancelled, DamagedClip, OptionError
from tests import apart_work as work
from ui.apart import (
    GIGABYTE,
    BrokenOff,
    Fault,
    Limits,
    TooMuchMemory,
    in_child,
    kept_child,
    usual_limits,
)

ROOT = Path(__file__).resolve().parents[1]
posix = pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
linux = pytest.mark.skipif(sys.platform != "linux", reason="the limit of address space is Linux' own")


def _sentence(function: Callable[..., Any], *values: object, kind: type[Exception], **more: Any) -> str:
    with pytest.raises(kind) as caught:
        in_child(function, *values, what="run.mp4", **more)
    assert type(caught.value) is kind
    said = str(caught.value)
    assert said.startswith("run.mp4: ") and said.endswith(".") and len(said.splitlines()) == 1
    return said


def test_a_value_comes_back_and_progress_is_heard_in_order(capfd: pytest.CaptureFixture[str]) -> None:
    heard: list[tuple[str, int, int | None]] = []
    here = threading.get_ident()

    def progress(stage: str, done: int, total: int | None) -> None:
        assert threading.get_ident() == here
        heard.append((stage, done, total))

    assert in_child(work.doubled, 21, what="run.mp4", progress=progress) == 42
    assert heard == [("doubling", 1, 3), ("doubling", 2, 3), ("doubling", 3, 3)]
    assert capfd.readouterr() == ("", ""), "what a child prints does not reach the terminal"


def test_words_of_several_threads_do_not_mix() -> None:
    heard: list[int] = []
    in_child(work.talks, 300, what="run.mp4", progress=lambda s, done, total: heard.append(done))
    assert sorted(heard) == sorted([*range(300)] * 2)


def test_errors_arrive_as_they_are() -> None:
    said = _sentence(work.raises, "clip", kind=DamagedClip)
    assert said == "run.mp4: it breaks off; export it again."


def test_a_fault_of_the_program_is_one_sentence_with_its_place() -> None:
    said = _sentence(work.raises, "fault", kind=Fault)
    assert "ZeroDivisionError: three lines of words, apart_work.py line " in said
    with pytest.raises(Fault) as caught:
        in_child(work.raises, "fault", what="run.mp4")
    assert "Traceback" in caught.value.trace and caught.value.exit_code == 1
    assert "lock" in _sentence(work.returns_what_cannot_be_sent, kind=Fault)
    assert "SystemExit" in _sentence(work.raises, "exit", kind=Fault)


def test_leaving_without_a_word_is_told() -> None:
    assert "code 3" in _sentence(work.raises, "hard exit", kind=BrokenOff)


@posix
@pytest.mark.parametrize(
    ("name", "words"),
    [("SIGKILL", "ended from outside"), ("SIGBUS", "broke down")],
)
def test_a_killed_child(name: str, words: str) -> None:
    said = _sentence(work.dies, name, kind=BrokenOff)
    assert words in said and name in said


@posix
def test_signals_that_go_to_parent_and_child_alike_are_the_parents_business() -> None:
    """Ctrl-C in a terminal, the end of a service: the work is stopped, not reported as broken off."""
    assert in_child(work.goes_on_after_signals, what="x") == 2


@posix
@pytest.mark.parametrize(("function", "name"), [(work.reads_nowhere, "SIGSEGV"), (work.aborts, "SIGABRT")])
def test_a_decoder_that_crashes(function: Callable[..., None], name: str) -> None:
    assert name in _sentence(function, kind=BrokenOff)


@linux
def test_a_child_that_takes_too_much_memory() -> None:
    most = 300 << 20
    heard: list[int] = []
    said = _sentence(
        work.hoards,
        kind=TooMuchMemory,
        limits=Limits(memory_bytes=most),
        progress=lambda s, done, total: heard.append(done),
    )
    assert "0.293 GB" in said and "LANESIDE_MEMORY_GB" in said
    assert 1 <= heard[-1] * (16 << 20) <= most
    assert TooMuchMemory.exit_code == 12
    assert "memory" in _sentence(work.raises, "memory", kind=TooMuchMemory)


@linux
def test_the_limits_hold_in_the_child_and_not_here() -> None:
    import resource

    before = resource.getrlimit(resource.RLIMIT_AS)
    assert in_child(work.address_space, what="x", limits=Limits(memory_bytes=GIGABYTE)) == (GIGABYTE, 0)
    assert resource.getrlimit(resource.RLIMIT_AS) == before


@linux
def test_a_stricter_limit_of_the_user_stays() -> None:
    code = (
        "import resource; from tests.apart_work import address_space; from ui.apart import in_child\n"
        "resource.setrlimit(resource.RLIMIT_AS, (3 << 29, resource.getrlimit(resource.RLIMIT_AS)[1]))\n"
        "print(in_child(address_space, what='x')[0])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert int(done.stdout) == 3 << 29


@posix
def test_where_the_system_does_not_keep_the_limit_the_child_ends_itself() -> None:
    heard: list[str] = []
    _sentence(work.watched, kind=BrokenOff, progress=lambda stage, done, total: heard.append(stage))
    assert heard == ["too much"]


def test_a_silent_child_is_ended() -> None:
    said = _sentence(work.says_nothing, kind=BrokenOff, limits=Limits(silence_s=0.01))
    assert "0.01 seconds" in said and "LANESIDE_SILENCE_S" in said


def test_what_progress_raises_ends_the_child(tmp_path: Path) -> None:
    def stop(stage: str, done: int, total: int | None) -> None:
        raise Cancelled("the clip", "you stopped it", "start it again")

    file = tmp_path / "number"
    with pytest.raises(Cancelled):
        in_child(work.notes_its_number, file, what="run.mp4", progress=stop)
    _gone(int(file.read_text()))


def test_what_heed_raises_ends_the_child() -> None:
    def heed() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        in_child(work.says_nothing, what="run.mp4", heed=heed)


@posix
def test_a_kept_child_serves_one_task_after_the_other_and_is_replaced_when_it_breaks(tmp_path: Path) -> None:
    with kept_child(Limits(silence_s=60)) as run:
        first = run(work.number, what="x")
        assert run(work.number, what="x") == first
        with pytest.raises(DamagedClip):
            run(work.raises, "clip", what="x")
        assert run(work.number, what="x") == first, "an expected failure is no reason to start anew"
        seen = {first}
        for harm in (work.aborts, work.reads_nowhere):
            with pytest.raises(BrokenOff):
                run(harm, what="x")
            seen.add(run(work.number, what="x"))
        with pytest.raises(Fault):
            run(work.raises, "fault", what="x")
        assert run(work.doubled, 4, what="x") == 8
    assert len(seen) == 3
    for number in seen:
        _gone(number)


def test_work_that_was_stopped_midway_does_not_answer_the_next_task(tmp_path: Path) -> None:
    def stop(stage: str, done: int, total: int | None) -> None:
        raise Cancelled("the clip", "you stopped it", "start it again")

    with kept_child() as run:
        with pytest.raises(Cancelled):
            run(work.doubled, 1, what="x", progress=stop)
        assert run(work.doubled, 4, what="x") == 8


def _gone(number: int) -> None:
    """The process of that number is no more (this process was its parent and has waited for it)."""
    if os.name == "posix":
        with pytest.raises(ProcessLookupError):
            os.kill(number, 0)


@posix
def test_ctrl_c_ends_the_child_at_once(tmp_path: Path) -> None:
    file = tmp_path / "number"
    code = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell may ignore it
        "from tests.apart_work import notes_its_number; from ui.apart import in_child; from pathlib import Path\n"
        f"in_child(notes_its_number, Path({str(file)!r}), what='x', progress=lambda *a: print('on', flush=True))"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None and parent.stdout.readline() == "on\n"
    parent.send_signal(signal.SIGINT)
    _, errors = parent.communicate(timeout=60)
    assert "KeyboardInterrupt" in errors and parent.returncode != 0
    _gone(int(file.read_text()))


@posix
def test_a_child_does_not_outlive_its_parent(tmp_path: Path) -> None:
    """The child holds the parent's standard error open: its end is seen there."""
    file = tmp_path / "number"
    log = tmp_path / "log"
    os.mkfifo(log)
    code = (
        "from tests.apart_work import notes_its_number; from ui.apart import in_child; from pathlib import Path\n"
        f"in_child(notes_its_number, Path({str(file)!r}), what='x', log=Path({str(log)!r}),"
        " progress=lambda *a: print('on', flush=True))"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    with log.open("rb") as ear:
        assert parent.stdout is not None and parent.stdout.readline() == "on\n"
        parent.kill()
        parent.communicate(timeout=60)
        assert ear.read() == b"", "the child has closed its end"


@pytest.mark.parametrize("said", ["0", "-1", "nan", "much", "inf"])
def test_limits_that_make_no_sense(said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANESIDE_MEMORY_GB", said)
    with pytest.raises(OptionError, match="LANESIDE_MEMORY_GB"):
        usual_limits()


def test_limits_that_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANESIDE_MEMORY_GB", "2.5")
    monkeypatch.setenv("LANESIDE_SILENCE_S", " 60 ")
    assert usual_limits() == Limits(5 * GIGABYTE // 2, 60.0)


LOADED = (
    "import sys; print('LOADED', sorted({'av', 'cv2', 'mediapipe', 'ai_edge_litert'} & set(sys.modules)))\n"
    "print('ROOM', sorted(m for m in sys.modules if m.startswith('vision.') and m != 'vision.ahead'))\n"
)
PROGRAMS = {
    "check": "from ui.cli import main; assert main(['check', CLIP]) == 0",
    "measure": "from ui.cli import main; assert main(['measure', CLIP, '--out', OUT]) in (4, 5)",
    "batch": "from ui.cli import main; assert main(['batch', LIST, '--out', OUT]) == 1",
    "page": """
from streamlit.testing.v1 import AppTest
from ui.screens import store, stored
job = store.read_job(KEY)
track = stored.track_of(store.result_folder(job))
assert stored.frame_picture(job, track, 3, False)[0]
page = AppTest.from_file('ui/page.py', default_timeout=120)
page.query_params['clip'] = KEY
assert not page.run().exception
""",
}


@pytest.mark.slow
@pytest.mark.parametrize("program", PROGRAMS)
def test_no_decoder_and_no_model_is_ever_loaded_in_the_program_itself(
    program: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.page_helpers import stored_job, tiny_clip

    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))
    clip = tmp_path / "run.mp4"
    clip.write_bytes(tiny_clip(16, 640, 480))
    (tmp_path / "list.txt").write_text("run.mp4\n")
    names = {"CLIP": clip, "OUT": tmp_path / "out", "LIST": tmp_path / "list.txt"}
    if program == "page":
        names["KEY"] = stored_job("a" * 20, clip=clip.read_bytes()).key  # type: ignore[assignment]
    head = "".join(f"{name} = {str(value)!r}\n" for name, value in names.items())
    code = head + PROGRAMS[program] + "\n" + LOADED
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "LOADED []" in done.stdout and "ROOM []" in done.stdout, done.stdout


def test_starting_a_child_loads_nothing_heavy() -> None:
    """The parent of a child, and the child before its work, know nothing of numbers and pictures."""
    code = (
        "import sys, ui.apart; print('LOADED', sorted({'numpy', 'scipy', 'cv2', 'av', 'multiprocessing'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert "LOADED []" in done.stdout
