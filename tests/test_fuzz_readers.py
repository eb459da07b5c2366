"""Everything that reads a user's file: any damage gives a value or one plain sentence, never a crash."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from shared.analysis import Analysis
from shared.analysis_json import from_document, read_analysis, to_document, write_analysis
from shared.errors import LanesideError
from shared.track_file import read_track, write_track
from technique.profile_schema import profile_from_text
from technique.run_times import read_run_times, run_times_from_text
from technique.targets import load_profile
from tests import builders
from tests.test_profiles_faults import GOOD

TABLE = (
    "date,distance_m,time_s,method,wind_mps,temperature_c,condition,notes,split_10,split_20\r\n"
    "2026-05-01,30,4.2,gates,0.5,18,usual,fresh,1.9,3.0\r\n"
    "2026-05-08,60,7.9,hand,,,usual,,1.95,\r\n"
)
quick = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@contextmanager
def value_or_one_sentence() -> Iterator[None]:
    """Any other exception fails the test."""
    try:
        yield
    except LanesideError as error:
        said = str(error)
        assert said.endswith(".") and said == said.strip()
        assert len(said.splitlines()) == 1
        assert error.what and error.why and error.mend
        assert len(said) < 1500, "a sentence, not the file"


@st.composite
def damaged(draw: st.DrawFn, whole: bytes) -> bytes:
    """`whole` with parts cut, put in, doubled, moved or flipped."""
    data = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        match draw(st.sampled_from(("cut", "put", "flip", "end", "double"))):
            case "cut":
                del data[at : at + draw(st.integers(1, 40))]
            case "put":
                data[at:at] = draw(st.binary(max_size=12) | st.sampled_from(SPICE))
            case "flip" if data:
                data[at] ^= 1 << draw(st.integers(0, 7))
            case "end":
                del data[at:]
            case _:
                data[at:at] = data[at : at + draw(st.integers(1, 60))]
    return bytes(data)


SPICE = [
    s.encode()
    for s in (
        "NaN", "Infinity", "-0", "1e999", "9" * 400, "null", "true", "[]", "{}", '"', ",", "\r\n", "\n", ";", "\t",
        "\0", "\ufeff", "\u202e", "=cmd|' /C calc'!A0", "<script>", "../../x", "&a", "*a", "!!python/object:os.system",
        "<<: *a", "%", "- - - - -", "{{", "}}", "😀", "٣", "1_000", "0x10", "2026-13-45", "inf", "nan",
    )
]  # fmt: skip


@quick
@given(damaged(GOOD.encode()))
def test_damaged_profiles(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "mine.yaml"
    path.write_bytes(data)
    with value_or_one_sentence():
        load_profile(path)


@pytest.mark.parametrize(
    "text",
    [
        "a: &a [x, x]\n" + "".join(f"{c}: &{c} [*{p}, *{p}, *{p}]\n" for p, c in zip("abcdefgh", "bcdefghi")),
        "title: !!python/object/apply:os.system [echo]\n",
        "[" * 3000,
        "a: " * 3000,
        "? " * 2000,
        "title: " + "9" * 6000,
        "--- a\n--- b\n",
        "&a a: *a",
        "a: &x {b: *x}",
        "!<tag:x> y",
        "title: 2026-99-99",
        "format: .nan",
        "targets: {<<: [1, 2]}",
        "%YAML 9.9\n---\na: b",
    ],
)
def test_profiles_made_to_hurt(text: str) -> None:
    with value_or_one_sentence():
        profile_from_text(text, "mine", "mine.yaml")


def _document() -> dict[str, Any]:
    return to_document(builders.analysis())


DOCUMENT = json.dumps(_document())


@quick
@given(damaged(DOCUMENT.encode()))
def test_damaged_analysis_documents(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "analysis.json"
    path.write_bytes(data)
    with value_or_one_sentence():
        assert isinstance(read_analysis(path), Analysis)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(value, dict):
        inner = [p for k, v in value.items() for p in _places(v, (*path, k))]
    elif isinstance(value, list):
        inner = [p for i, v in enumerate(value[:3]) for p in _places(v, (*path, i))]
    else:
        inner = []
    return [path, *inner] if path else inner


PLACES = _places(_document())
odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, -(2**63), float("nan"), float("inf"), "", "left", "\x00", "\ud800", "x" * 300]),
    st.floats(),
    st.text(max_size=8),
    st.lists(st.integers() | st.none(), max_size=3),
    st.dictionaries(st.text(max_size=4), st.integers(), max_size=2),
)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(PLACES), odd, st.booleans())
@example(("scores", 0, "target"), "", False)  # once an IndexError
@example(("scores", 0, "target"), [None], False)
def test_analysis_documents_with_one_wrong_value(place: tuple[Any, ...], value: Any, gone: bool) -> None:
    """Each place of the document in turn: another kind of value, or nothing."""
    document = json.loads(DOCUMENT)
    inside = document
    for step in place[:-1]:
        inside = inside[step]
    if gone and isinstance(inside, dict):
        del inside[place[-1]]
    else:
        inside[place[-1]] = value
    with value_or_one_sentence():
        assert isinstance(from_document(document, "analysis.json"), Analysis)


@quick
@given(damaged(TABLE.encode()))
def test_damaged_tables_of_run_times(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "times.csv"
    path.write_bytes(data)
    with value_or_one_sentence():
        read_run_times(path, "A1")


cell = st.one_of(
    st.text(max_size=6),
    st.floats().map(repr),
    st.integers().map(str),
    st.sampled_from([s.decode("utf-8", "replace") for s in SPICE]),
)


@quick
@given(st.lists(st.lists(cell, min_size=0, max_size=11), max_size=4), st.sampled_from(",;\t"))
def test_tables_of_any_cells(rows: list[list[str]], between: str) -> None:
    head = TABLE.splitlines()[0].replace(",", between)
    text = "\n".join([head, *(between.join(r) for r in rows)])
    with value_or_one_sentence():
        run_times_from_text(text, "A1", "times.csv")


def _track_bytes(folder: Path) -> bytes:
    write_track(builders.track(), folder / "track.npz")
    return (folder / "track.npz").read_bytes()


@quick
@given(st.data())
def test_damaged_tracks(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "hurt.npz"
    path.write_bytes(data.draw(damaged(_track_bytes(tmp_path))))
    with value_or_one_sentence():
        read_track(path)


@quick
@given(
    st.sampled_from(["head", "xy_px", "frame", "time_s", "confidence", "world_px", "legs_confidence"]),
    st.data(),
)
def test_tracks_with_one_wrong_member(tmp_path: Path, member: str, data: st.DataObject) -> None:
    """A sound zip, one member of another kind: objects, other shapes, other text."""
    whole = np.load(io.BytesIO(_track_bytes(tmp_path)))
    arrays: dict[str, Any] = {name: whole[name] for name in whole.files}
    head = json.loads(str(arrays["head"]))
    change: list[Callable[[], Any]] = [
        lambda: np.array(["x"], dtype=object),
        lambda: np.zeros(data.draw(st.lists(st.integers(0, 4), max_size=4))),
        lambda: np.array(data.draw(st.text(max_size=20))),
        lambda: np.array(json.dumps(data.draw(odd.filter(lambda v: v != "\ud800")))),
        lambda: np.array(json.dumps(head | {data.draw(st.sampled_from(sorted(head))): data.draw(odd)})),
        lambda: np.full(3, np.nan),
        lambda: np.array([2**62, 1, 0]),
    ]
    arrays[member] = data.draw(st.sampled_from(change))()
    path = tmp_path / "wrong.npz"
    np.savez(path, **arrays)
    with value_or_one_sentence():
        read_track(path)


def test_a_zip_that_unpacks_to_too_much_is_no_track(tmp_path: Path) -> None:
    path = tmp_path / "bomb.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("head.npy", b"\0" * 50_000_000)
    with pytest.raises(LanesideError):
        read_track(path)


def test_a_sound_one_of_each_is_read(tmp_path: Path) -> None:
    """So that the tests above do not pass because all is refused."""
    write_analysis(builders.analysis(), tmp_path / "analysis.json")
    (tmp_path / "mine.yaml").write_text(GOOD)
    (tmp_path / "times.csv").write_text(TABLE, newline="")
    write_track(builders.track(), tmp_path / "track.npz")
    assert read_analysis(tmp_path / "analysis.json").measures
    assert len(read_run_times(tmp_path / "times.csv", "A1")) == 2
    assert len(read_track(tmp_path / "track.npz").frame) == 12
