"""What was seen in a clip is kept: another profile or scale never runs the pose model again."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.test_pipeline import CLIP, FRAMES, _beginning
from ui.job import analyse_track, cache_folder, track_clip
from ui.options import MarkedDistance, Options
from vision.camera_motion import CameraMotion, still_motion
from vision.kept import Seen, entry_name, keep, read_seen, recalled, write_seen
from vision.pan import Focal
from vision.raw import RawTrack
from vision.roll import RollEvidence
from vision.weights import LANDMARK_SHAPES, Model, pose_weights
from vision.weights_needed import only_outputs


def _seen(frames: int = 5, panned: bool = True) -> Seen:
    rng = np.random.default_rng(0)
    raw = RawTrack(
        frame=np.arange(frames),
        time_s=np.arange(frames) / 120,
        xy_px=np.where(rng.random((frames, 33, 2)) < 0.1, np.nan, rng.random((frames, 33, 2))),
        depth_px=rng.random((frames, 33)),
        visibility=rng.random((frames, 33)),
        presence=rng.random((frames, 33)),
        score=rng.random(frames),
        window=rng.random((frames, 4)),
        model="some weights",
    )
    motion = replace(
        still_motion(np.arange(frames), 640, 360),
        rotvec=rng.random((frames, 3)) if panned else None,
        focal=Focal(512.5, 20.0, measured=True),
        lines=(RollEvidence("plumb lines", 0.5, 0.2),),
        notes=("The background was lost for a moment.",),
    )
    return Seen(raw, motion, np.array([3]), float("nan"), 2, 0)


@pytest.mark.parametrize("panned", [True, False])
def test_an_entry_comes_back_as_it_was(tmp_path: Path, panned: bool) -> None:
    seen = _seen(panned=panned)
    write_seen(seen, tmp_path / "a.npz")
    back = read_seen(tmp_path / "a.npz")
    assert back is not None
    for old, new in ((seen.raw, back.raw), (seen.motion, back.motion)):
        for name, value in vars(old).items():
            same = getattr(new, name)
            if isinstance(value, np.ndarray):
                assert np.array_equal(same, value, equal_nan=True) and same.dtype == value.dtype, name
            elif value != value:  # NaN
                assert same != same, name
            else:
                assert same == value, name
    assert isinstance(back.motion, CameraMotion)
    assert (back.people, back.start, back.repeated.tolist()) == (2, 0, [3])
    assert np.isnan(back.blur_px)


@pytest.mark.parametrize("content", [b"", b"not an archive", None])
def test_a_damaged_or_missing_entry_is_none(tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "a.npz"
    if content is not None:
        file.write_bytes(content)
    assert read_seen(file) is None
    if content is None:
        write_seen(_seen(), file)
        file.write_bytes(file.read_bytes()[:-300])
        assert read_seen(file) is None


def test_the_name_goes_with_content_and_settings() -> None:
    names = {
        entry_name("a" * 64, {"effort": "standard"}),
        entry_name("b" * 64, {"effort": "standard"}),
        entry_name("a" * 64, {"effort": "high"}),
        entry_name("a" * 64, {"effort": "standard", "athlete": (1.0, 2.0, 3.0)}),
    }
    assert len(names) == 4
    assert entry_name("a" * 64, {"x": 1, "y": 2}) == entry_name("a" * 64, {"y": 2, "x": 1})


def test_what_was_used_longest_ago_makes_room(tmp_path: Path) -> None:
    seen = _seen()
    for place, name in enumerate(("a.npz", "b.npz", "c.npz")):
        keep(seen, tmp_path, name)
        os.utime(tmp_path / name, (1000 + place, 1000 + place))
    assert recalled(tmp_path, "a.npz") is not None  # now the one used last
    size = (tmp_path / "a.npz").stat().st_size
    keep(seen, tmp_path, "d.npz", most_bytes=2 * size + size // 2)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.npz", "d.npz"]


def test_a_folder_that_cannot_be_made_keeps_nothing_and_fails_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a file stands here")
    keep(_seen(), tmp_path / "file" / "folder", "a.npz")
    assert recalled(tmp_path / "file" / "folder", "a.npz") is None


def test_the_cache_folder_is_the_users_word(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LANESIDE_CACHE", "off")
    assert cache_folder() is None
    monkeypatch.setenv("LANESIDE_CACHE", str(tmp_path / "here"))
    assert cache_folder() == tmp_path / "here"
    monkeypatch.delenv("LANESIDE_CACHE")
    assert cache_folder() is not None


@pytest.mark.slow
def test_another_profile_scale_or_mass_never_runs_the_model_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LANESIDE_CACHE", str(tmp_path / "cache"))
    clip = _beginning(CLIP, tmp_path / "run.mp4", 2 * FRAMES)
    first = track_clip(clip, Options())
    calls = 0

    def counted(self: Model, tensor: object) -> None:
        nonlocal calls
        calls += 1
        raise AssertionError("the model was run")

    renamed = clip.rename(tmp_path / "renamed.mp4")
    with monkeypatch.context() as patched:
        patched.setattr(Model, "__call__", counted)
        again = track_clip(renamed, Options())
        scaled = track_clip(
            renamed,
            Options(
                profile="sprint", stature_m=1.8, mass_kg=70, marked=MarkedDistance(100, 500, 900, 500, 5)
            ),
        )
        with pytest.raises(AssertionError, match="the model was run"):
            track_clip(renamed, Options(effort="high"))
        with pytest.raises(AssertionError, match="the model was run"):
            track_clip(renamed, Options(cache=False))
    assert calls >= 2
    for name in ("frame", "time_s", "xy_px", "confidence", "world_px"):
        assert np.allclose(getattr(again, name), getattr(first, name), rtol=0, atol=1e-6, equal_nan=True)
    assert replace(again.clip, path="") == replace(first.clip, path="")
    assert scaled.scale is not None and first.scale is None
    assert np.allclose(scaled.xy_px, first.xy_px, equal_nan=True)
    measured = [analyse_track(t, Options()) for t in (first, again)]
    values = [[m.value for m in a.measures] for a in measured]
    assert values[0] == pytest.approx(values[1], nan_ok=True)


def test_leaving_out_what_nobody_reads_changes_no_output() -> None:
    """Against the whole model on the same interpreter."""
    content = pose_weights().landmarks
    less = only_outputs(content, LANDMARK_SHAPES[1])
    assert less != content and len(less) == len(content)
    whole, pruned = (_interpreter(c) for c in (content, less))
    assert len(whole.get_output_details()) == 5
    assert len(pruned.get_output_details()) == 3
    picture = np.random.default_rng(0).random(LANDMARK_SHAPES[0], dtype=np.float32)
    for one in (whole, pruned):
        one.set_tensor(one.get_input_details()[0]["index"], picture)
        one.invoke()
    for output in pruned.get_output_details():
        same = [o for o in whole.get_output_details() if tuple(o["shape"]) == tuple(output["shape"])]
        assert np.array_equal(whole.get_tensor(same[0]["index"]), pruned.get_tensor(output["index"]))


@pytest.mark.parametrize("content", [b"", b"\0" * 64, b"words " * 100])
def test_what_is_no_model_stays_as_it_is(content: bytes) -> None:
    assert only_outputs(content, LANDMARK_SHAPES[1]) == content


def test_a_model_without_these_outputs_stays_as_it_is() -> None:
    weights = pose_weights()
    assert only_outputs(weights.detector, LANDMARK_SHAPES[1]) == weights.detector
    assert only_outputs(weights.landmarks[:5000], LANDMARK_SHAPES[1]) == weights.landmarks[:5000]


def _interpreter(content: bytes) -> Any:
    from ai_edge_litert.interpreter import Interpreter

    made = Interpreter(model_content=content, num_threads=1)
    made.allocate_tensors()
    return made
