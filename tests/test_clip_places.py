"""A result folder names no folder of this machine; the program finds the clip again all the same."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from shared.track_file import read_track, write_track
from tests import builders
from ui.batch_job import job_mark
from ui.clip_places import NAME, forget_clips, remember_clip, remembered_clip
from ui.history_find import clip_file
from ui.history_record import remove_results
from ui.options import Options


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))


def test_a_stored_track_holds_the_clips_name_and_content_and_no_folder(tmp_path: Path) -> None:
    track = builders.track()
    clip = replace(track.clip, path="/home/erika/Clients/Jane Doe/run.mp4")
    write_track(replace(track, clip=clip), tmp_path / "track.npz")
    with np.load(tmp_path / "track.npz") as store:
        head = str(store["head"])
    assert "erika" not in head and "Jane Doe" not in head
    found = read_track(tmp_path / "track.npz").clip
    assert (found.path, found.sha256) == ("run.mp4", clip.sha256)


def test_the_mark_of_a_batch_names_no_folder(tmp_path: Path) -> None:
    from technique.targets import load_profile

    own = tmp_path / "erika" / "mine.yaml"
    own.parent.mkdir()
    source = Path(load_profile.__code__.co_filename).parent / "profiles" / "easy-run.yaml"
    own.write_bytes(source.read_bytes())
    mark = json.dumps(job_mark("0" * 64, Options(profile=str(own), weights=own)))
    assert "erika" not in mark and "mine.yaml" in mark


def _clip(path: Path, content: bytes = b"frames") -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return hashlib.sha256(content).hexdigest()


def test_a_clip_is_found_where_it_was_last_seen_if_it_is_still_the_same(tmp_path: Path) -> None:
    clip, folder = tmp_path / "far" / "away" / "run.mp4", tmp_path / "result"
    sha256 = _clip(clip)
    analysis = builders.analysis()
    analysis = replace(analysis, clip=replace(analysis.clip, path="run.mp4", sha256=sha256))
    assert clip_file(folder, analysis) is None
    assert clip_file(folder, analysis, also=[clip]) == clip
    remember_clip(sha256, clip)
    assert clip_file(folder, analysis) == clip
    clip.write_bytes(b"another clip of the same name")
    assert clip_file(folder, analysis) is None
    assert _clip(tmp_path / "run.mp4") == sha256
    assert clip_file(folder, analysis) == tmp_path / "run.mp4", "beside the result"


def test_notes_are_private_and_go_when_a_result_is_deleted(tmp_path: Path) -> None:
    first, second = tmp_path / "a.mp4", tmp_path / "b.mp4"
    remember_clip(_clip(first, b"a"), first)
    remember_clip(_clip(second, b"b"), second)
    file = tmp_path / "data" / NAME
    assert "Private" in json.loads(file.read_text())["note"]
    if os.name == "posix":
        assert file.stat().st_mode & 0o077 == 0
    out = tmp_path / "out"
    out.mkdir()
    (out / "analysis.json").write_text(json.dumps({"clip": {"sha256": _clip(first, b"a")}}))
    assert remove_results([out]) == ()
    assert remembered_clip(_clip(first, b"a")) is None
    assert remembered_clip(_clip(second, b"b")) == second
    second.unlink()
    forget_clips([])
    assert not file.exists(), "of a clip that is gone nothing is kept"


@pytest.mark.parametrize("content", ["", "[]", '{"clips": 3}', '{"clips": {"x": null}}', "\x00"])
def test_a_damaged_file_of_notes_is_no_obstacle(content: str, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / NAME).write_text(content)
    clip = tmp_path / "run.mp4"
    sha256 = _clip(clip)
    assert remembered_clip(sha256) is None
    remember_clip(sha256, clip)
    assert remembered_clip(sha256) == clip
