"""The command line's own manners: one line per failure, a non-zero exit, a quick help."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from ui.cli import main


def _fails(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    code = main(list(arguments))
    captured = capsys.readouterr()
    assert code != 0
    lines = captured.err.strip().splitlines()
    assert len(lines) == 1, lines
    return lines[0]


def test_help_names_the_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    for command in ("measure", "check", "profiles", "demo", "page"):
        assert command in shown


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["measure"], "CLIP"),
        (["measure", "x.mp4", "--nonsense"], "nonsense"),
        (["nonsense"], "nonsense"),
        (["measure", "x.mp4", "--stature", "175"], "--stature"),
        (["measure", "x.mp4", "--stature", "nan"], "--stature"),
        (["measure", "x.mp4", "--capture-rate", "0"], "--capture-rate"),
        (["measure", "x.mp4", "--belt-speed", "-3"], "--belt-speed"),
        (["measure", "x.mp4", "--units", "feet"], "--units"),
        (["measure", "x.mp4", "--mass", "1000"], "--mass"),
        (["measure", "x.mp4", "--athlete", "here"], "X,Y@SECONDS"),
        (["measure", "x.mp4", "--marked-distance", "1,2"], "METRES"),
        (["measure", "x.mp4", "--sex", "x"], "--sex"),
        (["measure", "x.mp4", "--effort", "x"], "--effort"),
        (["measure", "x.mp4", "--profile", "no-such-profile"], "no-such-profile"),
    ],
)
def test_bad_options_are_one_line(
    arguments: list[str],
    word: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert word.lower() in _fails(capsys, *arguments).lower()
    assert list(tmp_path.iterdir()) == []


def test_a_missing_clip_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    line = _fails(capsys, "measure", str(tmp_path / "none.mp4"), "--out", str(tmp_path / "out"))
    assert "none.mp4" in line
    assert not (tmp_path / "out").exists()


def test_help_does_not_load_heavy_libraries() -> None:
    heavy = {"numpy", "scipy", "av", "cv2", "matplotlib", "pandas", "streamlit", "ai_edge_litert", "rich"}
    code = (
        "import sys; from ui.cli import main; main(['--help']);"
        f"print('LOADED', sorted({heavy!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "LOADED []" in done.stdout
