"""The documents on disk: nothing lost on the way there and back, nothing half written."""

from __future__ import annotations

import json
import os
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.analysis_json import DocumentError, from_document, read_analysis, to_document, write_analysis
from shared.errors import Cancelled, LanesideError, OutputError
from shared.files import whole_file, write_text
from shared.track_file import TrackFileError, read_track, write_track
from tests import builders


def _same(a: object, b: object) -> bool:
    if isinstance(a, np.ndarray):
        return bool(np.array_equal(a, np.asarray(b), equal_nan=a.dtype.kind == "f"))
    if isinstance(a, float) and a != a:
        return isinstance(b, float) and b != b
    if hasattr(a, "__dataclass_fields__"):
        return all(_same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))  # type: ignore[arg-type]
    if isinstance(a, tuple):
        return isinstance(b, tuple) and len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b))
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    return a == b


def test_analysis_survives_the_disk(tmp_path: Path) -> None:
    made = builders.analysis()
    write_analysis(made, tmp_path / "analysis.json")
    assert _same(made, read_analysis(tmp_path / "analysis.json"))


def test_document_keeps_the_agreed_outline() -> None:
    document = to_document(builders.analysis())
    assert document["schema"] == "laneside/analysis/1"
    assert {
        "sha256",
        "frames",
        "capture_rate_hz",
        "time_base",
        "direction",
        "near_side",
        "camera",
    } <= document["clip"].keys()
    assert {"kind", "side", "time_s", "low_s", "high_s"} <= document["events"][0].keys()
    assert {"key", "side", "value", "unit", "low", "high", "n", "status", "why"} <= document["measures"][
        0
    ].keys()
    assert document["measures"][1]["value"] is None
    assert document["curves"][0]["percent"] == list(range(101))
    assert document["scores"][0]["target"] == [None, 0.25]
    assert {"key", "side", "text", "frame", "caution"} <= document["cues"][0].keys()
    json.dumps(document, allow_nan=False)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"schema": "laneside/analysis/9"}, "another version"),
        ({"schema": "other"}, "not a Laneside analysis"),
        ({"measures": 3}, "malformed"),
        ({"clip": {}}, "malformed"),
    ],
)
def test_wrong_documents_are_refused_in_one_sentence(change: dict[str, object], word: str) -> None:
    document = to_document(builders.analysis()) | change
    with pytest.raises(DocumentError, match=word) as caught:
        from_document(document, "a.json")
    assert "\n" not in str(caught.value)


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(),
        lambda c: st.lists(c) | st.dictionaries(st.text(), c),
        max_leaves=8,
    )
)
@settings(max_examples=60)
def test_any_json_is_refused_politely(value: object) -> None:
    with pytest.raises(DocumentError):
        from_document(value)  # type: ignore[arg-type]


def test_unreadable_documents(tmp_path: Path) -> None:
    for name, content in {"a.json": "{", "b.json": "[" * 100_000}.items():
        (tmp_path / name).write_text(content)
        with pytest.raises(DocumentError, match=name):
            read_analysis(tmp_path / name)
    with pytest.raises(DocumentError):
        read_analysis(tmp_path / "missing.json")


def test_track_survives_the_disk(tmp_path: Path) -> None:
    made = builders.track()
    write_track(made, tmp_path / "track.npz")
    assert _same(made, read_track(tmp_path / "track.npz"))


def test_damaged_tracks_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "track.npz"
    write_track(builders.track(), path)
    whole = path.read_bytes()
    for cut in (0, 10, len(whole) // 2, len(whole) - 3):
        path.write_bytes(whole[:cut])
        with pytest.raises(TrackFileError):
            read_track(path)


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_text(path, "old")
    with pytest.raises(Cancelled), whole_file(path) as part:
        part.write_text("half")
        raise Cancelled("report", "stopped", "run again")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["report.html"]


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="choose another folder"):
        write_text(tmp_path / "none" / "x.txt", "x")


def test_errors_are_one_sentence_and_travel_between_processes() -> None:
    import pickle

    error = LanesideError("a.mp4", "it is empty", "film again")
    assert str(error) == "a.mp4: it is empty; film again."
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error) and type(again) is type(error)
