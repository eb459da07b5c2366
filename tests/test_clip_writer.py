"""Written video: stamps survive, browsers can play it, nothing half-made is left."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from shared.errors import Cancelled, OutputError
from tests.clip_maker import HEIGHT, WIDTH, is_upright, make_clip, number_in, numbered
from vision.clip import frames, probe
from vision.video_writer import VideoWriter


@pytest.mark.parametrize(
    "tick",
    [Fraction(1, 90_000), Fraction(1, 600), Fraction(1, 1000), Fraction(1001, 30_000), Fraction(1, 15_360)],
)
def test_uneven_stamps_survive_exactly(tmp_path: Path, tick: Fraction) -> None:
    ticks = np.cumsum([0, *np.random.default_rng(2).integers(1, 40, 59)]).tolist()
    with VideoWriter(tmp_path / "a.mp4", WIDTH, HEIGHT, tick=tick) as video:
        for i, pts in enumerate(ticks):
            video.write(numbered(i), float(pts * tick))
    clip = probe(tmp_path / "a.mp4")
    assert [p * clip.tick for p in clip.pts.tolist()] == [t * tick for t in ticks]
    assert [number_in(f.rgb) for f in frames(clip)] == list(range(60))


def test_a_clip_copied_frame_by_frame_keeps_its_times(tmp_path: Path) -> None:
    ticks = np.cumsum([0, *np.random.default_rng(3).integers(300, 9000, 40)]).tolist()
    source = probe(make_clip(tmp_path / "a.mp4", [t + 5000 for t in ticks]))
    with VideoWriter(tmp_path / "b.mp4", source.width, source.height, tick=source.tick) as video:
        for frame in frames(source):
            video.write(frame.rgb, frame.pts_s)
    np.testing.assert_array_equal(probe(tmp_path / "b.mp4").times_s, source.times_s)


@pytest.mark.parametrize(("width", "height"), [(161, 97), (160, 97), (161, 96), (160, 96), (1, 1)])
def test_odd_sizes_gain_one_line_and_keep_the_picture(tmp_path: Path, width: int, height: int) -> None:
    picture = np.full((height, width, 3), (40, 100, 200), dtype=np.uint8)
    with VideoWriter(tmp_path / "a.mp4", width, height) as video:
        for i in range(3):
            video.write(picture, i / 30)
    clip = probe(tmp_path / "a.mp4")
    assert (clip.width, clip.height) == (width + width % 2, height + height % 2)
    rgb = next(iter(frames(clip))).rgb.astype(int)
    assert np.abs(rgb - (40, 100, 200)).max() <= 6  # the added line repeats its neighbour


def test_the_form_is_one_that_browsers_play(tmp_path: Path) -> None:
    # H.264 with 4:2:0 8-bit colour, and the index before the pictures.
    with VideoWriter(tmp_path / "a.mp4", WIDTH, HEIGHT) as video:
        for i in range(30):
            video.write(numbered(i), i / 30)
    clip = probe(tmp_path / "a.mp4")
    assert (clip.container, clip.codec, clip.pixel_format) == ("mov", "h264", "yuv420p")
    content = (tmp_path / "a.mp4").read_bytes()
    assert content.index(b"moov") < content.index(b"mdat")
    assert is_upright(next(iter(frames(clip))).rgb)


def test_place_and_device_are_not_carried_over(tmp_path: Path) -> None:
    tags = {"location": "+00.0000+000.0000/", "make": "Invented", "com.android.capture.fps": "240"}
    source = probe(make_clip(tmp_path / "a.mp4", [3000 * i for i in range(5)], tags=tags, sound=True))
    with VideoWriter(tmp_path / "b.mp4", source.width, source.height, tick=source.tick) as video:
        for frame in frames(source):
            video.write(frame.rgb, frame.pts_s)
    content = (tmp_path / "b.mp4").read_bytes()
    assert not [word for word in (b"+00.00", b"Invented", b"capture.fps", b"Lavf") if word in content]
    with av.open(str(tmp_path / "b.mp4")) as container:
        assert set(container.metadata) <= {"major_brand", "minor_version", "compatible_brands"}
        assert not container.streams.audio


@pytest.mark.parametrize(
    "error", [Cancelled("a.mp4", "stopped", "start again"), KeyboardInterrupt(), ValueError()]
)
def test_nothing_half_made_is_left_and_the_old_file_stays(tmp_path: Path, error: BaseException) -> None:
    (tmp_path / "a.mp4").write_bytes(b"old")
    with pytest.raises(type(error)), VideoWriter(tmp_path / "a.mp4", WIDTH, HEIGHT) as video:
        video.write(numbered(0), 0.0)
        assert len(list(tmp_path.iterdir())) == 2
        raise error
    assert [p.name for p in tmp_path.iterdir()] == ["a.mp4"]
    assert (tmp_path / "a.mp4").read_bytes() == b"old"


def test_a_video_without_pictures_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="no picture"), VideoWriter(tmp_path / "a.mp4", 16, 16):
        pass
    assert list(tmp_path.iterdir()) == []


def test_places_that_cannot_be_written_are_named_at_once(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "folder.mp4").mkdir()
    for path in (tmp_path / "none" / "a.mp4", tmp_path / "file" / "a.mp4", tmp_path / "folder.mp4"):
        with pytest.raises(OutputError) as caught:
            VideoWriter(path, 16, 16).__enter__()
        assert str(path) in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder.mp4"]


def test_names_with_colons_and_spaces_are_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with VideoWriter("http: run ü.mp4", WIDTH, HEIGHT) as video:
        video.write(numbered(0), 0.0)
        video.write(numbered(1), 0.1)
    assert probe("http: run ü.mp4").frames == 2


def test_wrong_pictures_and_times_are_misuse(tmp_path: Path) -> None:
    with VideoWriter(tmp_path / "a.mp4", WIDTH, HEIGHT) as video:
        video.write(numbered(0), 0.0)
        video.write(numbered(1), 0.1)
        with pytest.raises(ValueError, match="must grow"):
            video.write(numbered(2), 0.1)
        with pytest.raises(ValueError, match="must be uint8"):
            video.write(numbered(2)[:10], 0.2)
        with pytest.raises(ValueError, match="must be uint8"):
            video.write(numbered(2).astype(float), 0.2)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="need a size"):
        VideoWriter(tmp_path / "a.mp4", 0, 10)
