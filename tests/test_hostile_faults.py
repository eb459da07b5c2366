"""Killed, out of space, not allowed: nothing half is shown as whole, and the next run clears up."""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.errors import OutputError
from tests.test_history_faults import without_rights
from ui.cli import main
from ui.job import ANALYSIS_NAME, staged_folder
from ui.leftovers import LOCK, WHOLE, put_back, remove_leftovers

ROOT = Path(__file__).resolve().parents[1]
CLIP = ROOT / "sample_clips" / "clips" / "track_side_120.mp4"
posix = pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")


def _old(folder: Path) -> Path:
    """As if an hour had passed."""
    for path in (*folder.rglob("*"), folder):
        os.utime(path, (time.time() - 3600,) * 2)
    return folder


def _filled(out: Path, number: int) -> None:
    with staged_folder(out) as stage:
        for i in range(6):
            (stage / f"table_{i}.csv").write_text(f"{number}\n" * 200)
        (stage / "pictures").mkdir()
        (stage / "pictures" / "a.jpg").write_text(str(number))
        (stage / ANALYSIS_NAME).write_text(json.dumps({"number": number}))


def whole_number(out: Path) -> int | None:
    """Number of the whole result in `out`, None where it says that it is not whole."""
    if not (out / ANALYSIS_NAME).exists():
        return None
    number = int(json.loads((out / ANALYSIS_NAME).read_text())["number"])
    assert (out / "pictures" / "a.jpg").read_text() == str(number)
    assert all((out / f"table_{i}.csv").read_text() == f"{number}\n" * 200 for i in range(6))
    return number


def _fill_on_and_on(out: Path, first: int, told: int) -> None:
    for number in range(first, first + 100_000):
        _filled(out, number)
        os.write(told, number.to_bytes(8, "big"))


def killed_fills(out: Path, first: int, rng: random.Random) -> tuple[int, int | None]:
    """Kill a program that writes result after result at a random moment.

    Returns
    -------
    last, found : int, int or None
        The last result reported as written; the one found, None where none claims to be whole.
    """
    ear, mouth = os.pipe()
    process = multiprocessing.get_context("fork").Process(target=_fill_on_and_on, args=(out, first, mouth))
    process.start()
    os.close(mouth)
    heard = os.read(ear, 8)
    for _ in range(rng.randrange(3)):
        heard += os.read(ear, 8)
    sum(range(rng.randrange(200_000)))
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    while more := os.read(ear, 4096):
        heard += more
    os.close(ear)
    return int.from_bytes(heard[-8:], "big"), whole_number(out)


@posix
def test_a_kill_at_any_moment_of_a_save_never_shows_half_a_result_aswhole_number(tmp_path: Path) -> None:
    rng = random.Random(5)
    for turn in range(8):
        last, found = killed_fills(tmp_path / "out", 1000 * (turn + 1), rng)
        assert found in (None, last, last + 1)
        put_back(tmp_path / "out")
        assert whole_number(tmp_path / "out") in (last, last + 1)


def _killed_at(out: Path, number: int, step: int) -> bool:
    """Write result `number` into `out`, killed before the file system's `step`-th change; whether it was."""

    def fill() -> None:
        left = step

        def watch(event: str, values: object) -> None:
            nonlocal left
            changes = event in ("os.rename", "os.remove", "os.rmdir", "os.mkdir") or (
                event == "open" and isinstance(values, tuple) and values[2] & (os.O_WRONLY | os.O_RDWR)
            )
            if changes:
                left -= 1
                if left < 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
        _filled(out, number)

    process = multiprocessing.get_context("fork").Process(target=fill)
    process.start()
    process.join()
    assert process.exitcode in (0, -signal.SIGKILL)
    return process.exitcode != 0


@posix
def test_a_kill_before_any_step_of_a_replacement_leaves_the_old_or_the_new_result(tmp_path: Path) -> None:
    """Python tells each change of the file system beforehand (audit events); the program dies at each."""
    step, found = 0, []
    while True:
        out = tmp_path / str(step)
        _filled(out, 1)
        (out / "notes.txt").write_text("the user's own")
        killed = _killed_at(out, 2, step)
        assert whole_number(out) in (1, 2, None), "never half of one shown as whole"
        put_back(out)
        found.append(whole_number(out))
        assert found[-1] in (1, 2), f"neither is left after a kill at step {step}"
        assert (out / "notes.txt").read_text() == "the user's own"
        _old(out)
        _filled(out, 3)
        assert whole_number(out) == 3
        assert not [p.name for p in out.iterdir() if p.name.startswith(".")], step
        if not killed:
            break
        step += 1
    assert found == sorted(found), "the old one before some step, the new one from there on"
    assert {1, 2} == set(found) and step > 20


@posix
def test_a_replacement_killed_again_while_it_is_finished(tmp_path: Path) -> None:
    """Kills in `put_back` itself, at each of its steps, of results killed midway."""
    for first in range(10, 40):
        base = tmp_path / f"{first}"
        _filled(base, 1)
        if not _killed_at(base, 2, first):
            break
        process = multiprocessing.get_context("fork").Process(target=_put_back_killed, args=(base, first % 7))
        process.start()
        process.join()
        put_back(base)
        assert whole_number(base) in (1, 2), first


def _put_back_killed(out: Path, step: int) -> None:
    left = step

    def watch(event: str, values: object) -> None:
        nonlocal left
        if event in ("os.rename", "os.remove", "os.rmdir", "os.mkdir"):
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(watch)
    put_back(out)


def test_a_part_that_cannot_be_replaced_leaves_the_old_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where another program holds the report open: each rename fails in turn."""
    rename = os.replace
    for step in range(40):
        out = tmp_path / str(step)
        _filled(out, 1)
        left = step

        def sometimes(source: Path, target: Path) -> None:
            nonlocal left
            left -= 1
            if left == -1:
                raise PermissionError(13, "Permission denied")
            rename(source, target)

        monkeypatch.setattr(os, "replace", sometimes)
        try:
            _filled(out, 2)
        except OutputError as error:
            assert "not allowed" in str(error)
        else:
            assert left >= 0 and whole_number(out) == 2, "all steps were taken"
            break
        finally:
            monkeypatch.undo()
        assert whole_number(out) == 1
        assert not [p.name for p in out.iterdir() if p.name.startswith(".")]
    assert step > 14


def test_what_a_folder_from_elsewhere_lists_moves_nothing_outside(tmp_path: Path) -> None:
    out = tmp_path / "out"
    stage = out / ".part-abcdefgh"
    stage.mkdir(parents=True)
    (tmp_path / "mine.txt").write_text("mine")
    (stage / LOCK).touch()
    for listed in (["../mine.txt"], ["../../mine.txt"], [str(tmp_path / "mine.txt")], [".."], {}, [1], "x"):
        (stage / WHOLE).write_text(json.dumps(listed))
        _old(out)
        assert not put_back(out)
        assert (tmp_path / "mine.txt").read_text() == "mine"
    (stage / WHOLE).write_text("no list")
    assert not put_back(out)


def test_a_result_that_is_just_being_put_in_place_is_left_to_its_run(tmp_path: Path) -> None:
    with staged_folder(tmp_path) as busy:
        (busy / "done.csv").write_text("done")
        (busy / WHOLE).write_text('["done.csv"]')
        assert not put_back(tmp_path)
        (busy / WHOLE).unlink()
    assert (tmp_path / "done.csv").read_text() == "done"


@posix
@pytest.mark.slow
@pytest.mark.parametrize("stage", ["looking for people", "landmarks"])
def test_a_killed_measurement_leaves_no_result_and_the_next_run_clears_up(stage: str, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-m", "ui.cli", "measure", str(CLIP), "--out", str(out), "--effort", "quick"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    for line in process.stdout:
        if stage in line or "following" in line:
            break
    process.kill()
    process.communicate(timeout=120)
    assert not (out / ANALYSIS_NAME).exists()
    (left,) = out.iterdir()
    assert left.name.startswith(".part-") and (left / LOCK).is_file()
    _old(left)
    _filled(out, 1)
    assert whole_number(out) == 1
    assert not [p for p in out.iterdir() if p.name.startswith(".part-")]


@posix
def test_only_what_a_killed_run_left_is_removed(tmp_path: Path) -> None:
    """Not a folder that is being filled, a young one, one of another name, or one without our lock."""
    ours = tmp_path / ".part-abcdefgh"
    young, foreign, other = tmp_path / ".part-12345678", tmp_path / ".part-mine", tmp_path / ".part-87654321"
    for folder in (ours, young, foreign, other):
        folder.mkdir()
        (folder / "half.csv").write_text("half")
    for folder in (ours, foreign):
        (folder / LOCK).touch()
        _old(folder)
    (young / LOCK).touch()
    _old(other)
    link = tmp_path / ".part-linkedto"
    link.symlink_to(foreign)
    with staged_folder(tmp_path) as busy:
        _old(busy)
        assert remove_leftovers(tmp_path) == ()
        assert busy.is_dir()
        (busy / "done.csv").write_text("done")
    assert not ours.exists(), "removed when the run began"
    assert all((f / "half.csv").exists() for f in (young, foreign, other))
    assert link.is_symlink() and (tmp_path / "done.csv").read_text() == "done"
    assert not (tmp_path / LOCK).exists()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 kB of its own."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("there is no mount command here")
    if done.returncode:
        pytest.skip("a small file system can't be mounted here (needs the superuser)")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@pytest.mark.slow
def test_a_disk_that_runs_full_is_one_sentence_and_the_earlier_result_stays(
    small_disk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = small_disk / "out"
    _filled(out, 7)
    code = main(["measure", str(CLIP), "--out", str(out), "--effort", "quick", "--no-video"])
    said = capsys.readouterr().err.strip()
    assert code == OutputError.exit_code
    assert len(said.splitlines()) == 1 and "the disk is full" in said
    assert whole_number(out) == 7
    assert sorted(p.name for p in out.iterdir() if p.name.startswith(".")) == []


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no file permissions of this kind here")
def test_a_folder_that_may_not_be_written_is_one_sentence(tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    for folder in (tmp_path.parent.parent, tmp_path.parent, tmp_path):
        folder.chmod(0o755)
    locked.chmod(0o555)
    with (
        without_rights(),
        pytest.raises(OutputError, match="not allowed") as caught,
        staged_folder(locked / "out"),
    ):
        pass
    assert len(str(caught.value).splitlines()) == 1
    assert list(locked.iterdir()) == []


def test_a_clock_that_jumps_back_breaks_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names and order of results do not hang on the time of day; a leftover from the future is left."""
    left = tmp_path / ".part-abcdefgh"
    left.mkdir()
    (left / LOCK).touch()
    _old(left)
    monkeypatch.setattr(time, "time", lambda: 0.0)
    _filled(tmp_path, 1)
    assert left.exists() and whole_number(tmp_path) == 1
    monkeypatch.undo()
    _filled(tmp_path, 2)
    assert not left.exists() and whole_number(tmp_path) == 2
