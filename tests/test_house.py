"""The rooms of the house keep to themselves: imports point one way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("shared", "vision", "technique", "ui", "sample_clips")
ALLOWED = {
    "shared": {"shared"},
    "vision": {"vision", "shared"},
    "technique": {"technique", "shared"},
    "ui": {"ui", "vision", "technique", "shared"},
    "sample_clips": {"sample_clips", "shared"},
}
ONLY_IN_VISION = {"cv2", "mediapipe", "ai_edge_litert"}


def _imports(file: Path) -> set[str]:
    roots: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            roots |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{file}: write imports in full"
            roots.add(node.module.split(".")[0])
    return roots


@pytest.mark.parametrize("room", ROOMS)
def test_imports_point_one_way(room: str) -> None:
    files = list((ROOT / room).rglob("*.py"))
    assert files
    for file in files:
        wrong = (_imports(file) & set(ROOMS)) - ALLOWED[room]
        assert not wrong, f"{file.relative_to(ROOT)} must not import {wrong}"


@pytest.mark.parametrize("room", [r for r in ROOMS if r != "vision"])
def test_pose_libraries_stay_in_vision(room: str) -> None:
    for file in (ROOT / room).rglob("*.py"):
        wrong = _imports(file) & ONLY_IN_VISION
        assert not wrong, f"{file.relative_to(ROOT)} must not import {wrong}"
