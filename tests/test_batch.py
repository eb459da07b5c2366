"""Many clips: each content once, failures listed, nothing done twice after a kill."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from shared.errors import OptionError
from tests.apart_work import fills_or_dies
from tests.test_pipeline import _beginning
from ui.batch import clips_in, measure_batch, result_name
from ui.batch_job import MARK_NAME
from ui.options import Options

CLIPS = Path(__file__).parents[1] / "sample_clips" / "clips"
QUICK = Options(effort="quick", video=False)


def _folder(path: Path) -> Path:
    """Two clips, one of them twice under another name, and a file that is no video."""
    path.mkdir()
    _beginning(CLIPS / "panning_120.mp4", path / "a first.mp4", 200)
    _beginning(CLIPS / "treadmill_120.mp4", path / "b.mp4", 200)
    shutil.copy(path / "a first.mp4", path / "copy.mp4")
    (path / "words.mov").write_text("no video " * 50)
    (path / "notes.txt").write_text("left alone")
    return path


def _table(out: Path) -> list[dict[str, str]]:
    with (out / "summary.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_clips_of_a_folder_and_of_a_list(tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    folder.mkdir()
    for name in ("b.MP4", "a.mov", ".hidden.mp4", "notes.txt"):
        (folder / name).write_text("x")
    assert [p.name for p in clips_in(folder)] == ["a.mov", "b.MP4"]
    listed = tmp_path / "list.txt"
    listed.write_text("# Tuesday\nclips/a.mov\n\n" + str(folder / "b.MP4") + "\n", encoding="utf-8")
    assert clips_in(listed) == [tmp_path / "clips" / "a.mov", folder / "b.MP4"]


@pytest.mark.parametrize("content", [None, "", "# nothing\n"])
def test_nothing_to_measure_is_said(tmp_path: Path, content: str | None) -> None:
    if content is not None:
        (tmp_path / "list.txt").write_text(content)
    with pytest.raises(OptionError):
        clips_in(tmp_path / "list.txt")
    (tmp_path / "empty").mkdir()
    with pytest.raises(OptionError, match="no video file"):
        clips_in(tmp_path / "empty")


def test_result_names_are_safe_and_differ_with_content() -> None:
    assert result_name(Path("../x/ö run: 1?.mp4"), "ab" * 32) == "ö_run_1_abababab"
    assert result_name(Path("...mp4"), "cd" * 32) == "clip_cdcdcdcd"
    assert result_name(Path("a.mp4"), "1" * 64) != result_name(Path("a.mp4"), "2" * 64)


def test_fewer_than_one_worker_makes_no_sense(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="--workers"):
        measure_batch([tmp_path / "a.mp4"], tmp_path / "out", QUICK, workers=0)


@pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
@pytest.mark.parametrize("workers", [1, 3])
def test_a_clip_whose_process_dies_is_one_failed_clip(
    workers: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ui.job.fill_folder", fills_or_dies)
    clips = [tmp_path / f"{name}.mp4" for name in ("a", "crash", "b", "c", "crash too", "d")]
    for clip in clips:
        clip.write_text(clip.name)
    rows = measure_batch(clips, tmp_path / "out", QUICK, workers)
    assert [r.state for r in rows] == ["measured", "failed", "measured", "measured", "failed", "measured"]
    assert all("SIGSEGV" in r.why and r.why.startswith(r.clip.name) for r in rows if r.state == "failed")
    assert len(list((tmp_path / "out").glob("*/analysis.json"))) == 4
    assert not list((tmp_path / "out").glob("*/.part-*"))


@pytest.mark.slow
def test_each_content_once_failures_listed_and_resumed(tmp_path: Path) -> None:
    source, out = _folder(tmp_path / "clips"), tmp_path / "out"
    told: list[tuple[int, int]] = []
    rows = measure_batch(
        [*clips_in(source), source / "missing.mp4"],
        out,
        QUICK,
        said=lambda row, done, total: told.append((done, total)),
    )
    assert [(r.clip.name, r.state) for r in rows] == [
        ("a first.mp4", "measured"),
        ("b.mp4", "measured"),
        ("copy.mp4", "same clip"),
        ("words.mov", "failed"),
        ("missing.mp4", "failed"),
    ]
    assert told == [(n, 5) for n in range(1, 6)]
    assert rows[2].why == "a first.mp4"
    assert "words.mov" in rows[3].why and "missing.mp4" in rows[4].why
    table = _table(out)
    assert [line["state"] for line in table] == [r.state for r in rows]
    for line in table[:2]:
        assert float(line["step_frequency both low"]) < float(line["step_frequency both (steps/min)"])
    assert len(list(out.glob("*/analysis.json"))) == 2

    whole, other = rows[0].folder, rows[1].folder
    assert whole is not None and other is not None
    kept = (whole / "analysis.json").stat().st_mtime_ns
    shutil.rmtree(other)  # as if killed during the second clip
    (other / ".part-left").mkdir(parents=True)
    again = measure_batch(clips_in(source), out, QUICK)
    assert [r.state for r in again] == ["already measured", "measured", "same clip", "failed"]
    assert (whole / "analysis.json").stat().st_mtime_ns == kept
    assert not list(other.glob(".part-*"))
    changed = measure_batch(
        [source / "a first.mp4"], out, Options(effort="quick", video=False, stature_m=1.8)
    )
    assert [r.state for r in changed] == ["measured"], "other options are another measurement"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="sends POSIX signals")
def test_a_killed_batch_goes_on_where_it_was(tmp_path: Path) -> None:
    source, out = tmp_path / "clips", tmp_path / "out"
    source.mkdir()
    _beginning(CLIPS / "panning_120.mp4", source / "a.mp4", 200)
    _beginning(CLIPS / "treadmill_120.mp4", source / "b.mp4", 200)
    command = [sys.executable, "-m", "ui.cli", "batch", str(source), "--out", str(out)]
    command += ["--effort", "quick", "--no-video"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=CLIPS.parents[1]
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert first.startswith("1 of 2") and "a.mp4: measured" in first
    ended = subprocess.run(command, capture_output=True, text=True, cwd=CLIPS.parents[1], check=False)
    assert ended.returncode == 0, ended.stderr
    assert "a.mp4: already measured" in ended.stdout and "b.mp4: measured" in ended.stdout
    assert len(list(out.glob(f"*/{MARK_NAME}"))) == 2
