"""Whatever a user hands over: one clear sentence, a non-zero exit, nothing half written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest

from ui.cli import main

CLIP = Path(__file__).resolve().parents[1] / "sample_clips" / "clips" / "track_side_120.mp4"

pytestmark = pytest.mark.usefixtures("one_child")


def _fails(capsys: pytest.CaptureFixture[str], clip: Path, out: Path, *more: str) -> str:
    code = main(["measure", str(clip), "--out", str(out), *more])
    error = capsys.readouterr().err.strip()
    assert code != 0
    assert error and "\n" not in error, error
    assert "Traceback" not in error
    assert not out.exists() or not list(out.iterdir()), "something half-made was left behind"
    return error


def _video(path: Path, frames: int, size: tuple[int, int] = (320, 240), moving: bool = False) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        rng = np.random.default_rng(1)
        still = (
            rng.integers(60, 200, (size[1] // 16, size[0] // 16, 3))
            .repeat(16, 0)
            .repeat(16, 1)
            .astype(np.uint8)
        )
        for i in range(frames):
            picture = np.roll(still, 2 * i, axis=1) if moving else still
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return path


def _sound(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44100, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 44100
        for _ in range(20):
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return path


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.mp4", b""),
        ("words.mp4", b"These are only words.\n" * 50),
        ("noise.mov", bytes(range(256)) * 40),
    ],
)
def test_files_that_are_no_video(
    name: str, content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    clip = tmp_path / name
    clip.write_bytes(content)
    assert name in _fails(capsys, clip, tmp_path / "out")


def test_sound_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "sound.mp4" in _fails(capsys, _sound(tmp_path / "sound.mp4"), tmp_path / "out")


def test_one_frame(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "one.mp4" in _fails(capsys, _video(tmp_path / "one.mp4", 1), tmp_path / "out")


def test_nobody_in_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = _fails(capsys, _video(tmp_path / "nobody.mp4", 20, moving=True), tmp_path / "out")
    assert "nobody.mp4" in said


def test_a_folder_and_a_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "clips.mp4"
    folder.mkdir()
    assert "clips.mp4" in _fails(capsys, folder, tmp_path / "out")
    assert "none.mp4" in _fails(capsys, tmp_path / "none.mp4", tmp_path / "out")


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.2, 0.7, 0.98])
def test_a_truncated_clip(share: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = CLIP.read_bytes()
    clip = tmp_path / "cut.mp4"
    clip.write_bytes(whole[: int(share * len(whole))])
    assert "cut.mp4" in _fails(capsys, clip, tmp_path / "out")


def test_a_picture_larger_than_the_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clip = tmp_path / "huge.mp4"
    with av.open(str(clip), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"preset": "ultrafast", "crf": "51"})
        stream.width, stream.height = 16384, 64
        stream.pix_fmt = "yuv420p"
        for _ in range(2):
            picture = np.zeros((64, 16384, 3), np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    assert "huge.mp4" in _fails(capsys, clip, tmp_path / "out")


def test_output_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_text("a file stands here")
    code = main(["measure", str(CLIP), "--out", str(blocked / "result")])
    error = capsys.readouterr().err.strip()
    assert code != 0 and "\n" not in error and "blocked" in error
    assert blocked.read_text() == "a file stands here"


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX full device")
def test_a_full_disk_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno

    from shared.errors import OutputError
    from ui.job import staged_folder

    out = tmp_path / "out"
    with pytest.raises(OutputError, match="disk is full"), staged_folder(out) as stage:
        (stage / "half").write_text("half")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert not out.exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM"])
def test_stopping_midway_leaves_nothing(number: str, tmp_path: Path) -> None:
    import signal

    out = tmp_path / "out"
    command = [sys.executable, "-m", "ui.cli", "measure", str(CLIP), "--out", str(out)]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=CLIP.parents[2],
        # Tests started in the background inherit an ignored SIGINT; a user's terminal has none.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout is not None
    for line in process.stdout:  # the first line of progress says that the work has begun
        if "looking for people" in line or "following" in line:
            break
    process.send_signal(getattr(signal, number))
    _, error = process.communicate(timeout=120)
    assert process.returncode != 0
    assert len(error.strip().splitlines()) == 1 and "nothing half-made" in error, error
    assert not out.exists() or list(out.iterdir()) == []


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux for the children of a process")
def test_a_crash_on_the_clip_is_one_sentence_and_the_earlier_result_stays(tmp_path: Path) -> None:
    """The process that reads the clip is killed as by an error in a decoder."""
    import signal

    out = tmp_path / "out"
    out.mkdir()
    (out / "analysis.json").write_text("earlier")
    command = [sys.executable, "-m", "ui.cli", "measure", str(CLIP), "--out", str(out)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=CLIP.parents[2]
    )
    assert process.stdout is not None
    for line in process.stdout:
        if "looking for people" in line or "following" in line:
            break
    tasks = Path(f"/proc/{process.pid}/task")
    (child,) = {int(n) for task in tasks.iterdir() for n in (task / "children").read_text().split()}
    os.kill(child, signal.SIGSEGV)
    _, error = process.communicate(timeout=120)
    assert process.returncode == 13
    assert error.startswith(f"{CLIP.name}: ") and "SIGSEGV" in error and len(error.splitlines()) == 1
    assert [p.name for p in out.iterdir()] == ["analysis.json"]
    assert (out / "analysis.json").read_text() == "earlier"


@pytest.mark.slow
def test_an_earlier_result_survives_a_failed_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "analysis.json").write_text("earlier")
    words = tmp_path / "words.mp4"
    words.write_text("words " * 100)
    assert main(["measure", str(words), "--out", str(out)]) != 0
    assert (out / "analysis.json").read_text() == "earlier"
    assert [p.name for p in out.iterdir()] == ["analysis.json"]
    assert "words.mp4" in capsys.readouterr().err
