"""What stands on the disk: for the owner's account alone, licences and privacy pages up to date."""

from __future__ import annotations

import importlib.util
import io
import os
import re
from pathlib import Path

import pytest

from shared import history as H
from shared.files import private_folder
from ui.history_record import remove_results
from ui.options import Options
from ui.screens import store

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.skipif(os.name == "nt", reason="no file permissions of this kind here")
def test_the_folder_of_clips_and_history_is_for_its_owner_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "deep" / "data"))
    store.data_folder()
    assert (tmp_path / "deep" / "data").stat().st_mode & 0o077 == 0
    with H.open_history(tmp_path / "other" / "history.sqlite"):
        pass
    assert (tmp_path / "other").stat().st_mode & 0o077 == 0


@pytest.mark.skipif(os.name == "nt", reason="no file permissions of this kind here")
def test_a_folder_that_the_user_made_stays_as_it_is(tmp_path: Path) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o775)
    private_folder(shared)
    assert shared.stat().st_mode & 0o777 == 0o775


@pytest.mark.parametrize("deleted", ["result of a measurement", "clip on the page"])
def test_deletion_takes_what_was_kept_of_clips(
    deleted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Landmarks that are kept for measuring again are derived data too."""
    monkeypatch.setenv("LANESIDE_CACHE", str(tmp_path / "seen"))
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))
    (tmp_path / "seen").mkdir()
    (tmp_path / "seen" / "a.npz").write_bytes(b"landmarks")
    if deleted == "clip on the page":
        store.remove(store.add_clip(io.BytesIO(b"x"), "run.mp4", store.new_key()))
    else:
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / "track.npz").write_bytes(b"landmarks")
        assert remove_results([tmp_path / "out"]) == ()
        assert not (tmp_path / "out").exists()
    assert list((tmp_path / "seen").iterdir()) == []


@pytest.mark.parametrize(
    ("minor", "said", "hidden"),
    [
        (False, None, False),
        (True, None, True),
        (True, False, False),
        (False, True, True),
        (True, True, True),
    ],
)
def test_a_face_is_hidden_of_minors_and_on_request(minor: bool, said: bool | None, hidden: bool) -> None:
    assert Options(minor=minor, blur_face=said).face_hidden is hidden


def test_every_package_that_the_program_needs_has_its_licence_listed() -> None:
    spec = importlib.util.spec_from_file_location("make_licences", ROOT / "docs" / "make_licences.py")
    assert spec is not None and spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    page = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    listed = set(re.findall(r"^\| ([a-z0-9-]+) \|", page, re.MULTILINE)) - {"package"}
    assert set(made.direct()) <= listed
    assert set(made.installed()) <= listed
    assert "not said" not in page


def test_every_package_is_locked_with_its_hashes() -> None:
    """Each file of each package in the lock file carries a SHA-256."""
    import tomllib

    lock = tomllib.loads((ROOT / "uv.lock").read_text(encoding="utf-8"))
    files = [
        f
        for p in lock["package"]
        if "registry" in p["source"]
        for f in [*p.get("wheels", []), *([p["sdist"]] if "sdist" in p else [])]
    ]
    assert len(files) > 100
    assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", f["hash"]) for f in files)
