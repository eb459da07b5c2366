"""Pictures as planes: colours against the video library's own conversion, places, times, faces."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.clip_maker import make_clip
from vision.clip import frames, lazy_frames, probe
from vision.head import HeadCover, cover_mask, hide_face
from vision.planes import Coding, Planes, coded_colour, planes
from vision.timebase import time_base
from vision.video_writer import VideoWriter

CLIPS = Path(__file__).parents[1] / "sample_clips" / "clips"


def _blank(width: int = 320, height: int = 240, matrix: int = 1) -> Planes:
    return Planes(0, 0.0, np.full((height * 3 // 2, width), 128, np.uint8), Coding(matrix))


def _rgb(picture: Planes) -> NDArray[np.int64]:
    """As the video library (swscale) turns the planes into colours."""
    frame = av.VideoFrame.from_ndarray(picture.yuv, format="yuv420p")
    frame.colorspace, frame.color_range = picture.coding.matrix, 1
    return np.asarray(frame.to_ndarray(format="rgb24"), dtype=np.int64)


@settings(max_examples=60, deadline=None)
@given(st.tuples(*[st.integers(0, 255)] * 3), st.sampled_from([1, 5]))
def test_colours_are_coded_as_the_video_library_decodes_them(rgb: tuple[int, int, int], matrix: int) -> None:
    """Oracle: swscale's decoding of BT.709 (code 1) and BT.601 (code 5); 3 levels for its 8-bit rounding."""
    picture = _blank(matrix=matrix)
    for plane, value in zip(picture.parts(), picture.coded(rgb), strict=True):
        plane[:] = value
    assert np.abs(_rgb(picture)[120, 160] - rgb).max() <= 3


def test_primary_colours_of_the_standard() -> None:
    """Limited-range 8-bit codes of the 100 % colour bars (ITU-R BT.709 and BT.601, from memory)."""
    assert coded_colour((255, 255, 255), 0.2126, 0.0722) == (235, 128, 128)
    assert coded_colour((0, 0, 0), 0.2126, 0.0722) == (16, 128, 128)
    assert coded_colour((255, 0, 0), 0.2126, 0.0722) == (63, 102, 240)
    assert coded_colour((0, 0, 255), 0.299, 0.114) == (41, 240, 110)


@settings(max_examples=40, deadline=None)
@given(st.floats(20, 300), st.floats(20, 220), st.floats(3, 15))
def test_a_disc_lies_where_it_was_put(x: float, y: float, radius: float) -> None:
    """Centre of the inked pixels within half a pixel; area that of the circle to one 0.8 px wider."""
    picture = _blank()
    bright = picture.parts()[0]
    bright[:] = 16
    picture.discs([(x, y)], radius, (255, 255, 255))
    ink = (bright.astype(float) - 16) / (235 - 16)
    rows, columns = np.mgrid[:240, :320]
    inside = (x - radius > 1) and (x + radius < 318) and (y - radius > 1) and (y + radius < 238)
    if not inside:
        return
    assert float((ink * columns).sum() / ink.sum()) == pytest.approx(x, abs=0.5)
    assert float((ink * rows).sum() / ink.sum()) == pytest.approx(y, abs=0.5)
    assert np.pi * (radius - 0.1) ** 2 < float(ink.sum()) < np.pi * (radius + 0.8) ** 2


def test_a_line_has_its_colour_along_its_whole_length_and_leaves_the_rest() -> None:
    picture = _blank()
    picture.lines([((40.0, 60.0), (280.0, 180.0))], (56, 214, 240), 6.0)
    shown = _rgb(picture)
    for share in np.linspace(0.05, 0.95, 10):
        x, y = 40 + share * 240, 60 + share * 120
        assert np.abs(shown[round(y), round(x)] - (56, 214, 240)).max() < 20
    away = np.ones((240, 320), bool)
    away[50:190, 30:290] = False
    assert np.abs(shown[away] - shown[0, 0]).max() == 0


def test_a_stencil_mixes_ink_and_ground_and_is_cut_at_the_edge() -> None:
    picture = _blank()
    cover = np.zeros((30, 60), np.uint8)
    cover[:, 30:] = 255
    picture.stencil(cover, 8, 8, (255, 255, 255), (13, 20, 26))
    shown = _rgb(picture)
    assert np.abs(shown[15, 20] - (13, 20, 26)).max() <= 3
    assert np.abs(shown[15, 55] - (255, 255, 255)).max() <= 3
    picture.stencil(cover, 300, 230, (255, 255, 255), (13, 20, 26))
    assert picture.parts()[0][235, 310] == picture.coded((13, 20, 26))[0]
    picture.stencil(cover, 320, 240, (255, 255, 255), (13, 20, 26))  # wholly outside


@pytest.mark.slow
@pytest.mark.parametrize("name", ["portrait_rotated", "slow_motion_240_in_30", "track_side_120"])
def test_planes_show_what_the_frames_show(name: str) -> None:
    clip = probe(CLIPS / f"{name}.mp4")
    coloured = list(frames(clip, start=5, stop=8, max_height=480))
    flat = list(planes(clip, start=5, stop=8, max_height=480))
    for a, b in zip(coloured, flat, strict=True):
        assert (a.index, a.pts_s) == (b.index, b.pts_s)
        height, width = a.rgb.shape[:2]
        assert (b.height, b.width) == (height // 2 * 2, width // 2 * 2)
        apart = np.abs(_rgb(b)[: b.height, : b.width] - a.rgb[: b.height, : b.width].astype(int))
        assert np.median(apart) <= 3 and apart.mean() < 4  # colour is stored at half the resolution


def _ramps(_: int) -> NDArray[np.uint8]:
    y, x = np.mgrid[:192, :320]
    return np.stack([x * 255 // 320, y * 255 // 192, 255 - x * 255 // 320], axis=-1).astype(np.uint8)


@pytest.mark.parametrize(
    ("ending", "codec", "form"),
    [
        ("mp4", "libx264", "yuv420p"),
        ("mp4", "libx264", "yuvj420p"),  # full range, as many phones record
        ("mp4", "libx264", "yuv422p"),
        ("mp4", "libx264", "yuv444p"),
        ("mp4", "libx264", "yuv420p10le"),
        ("mov", "mjpeg", "yuvj422p"),
        ("mkv", "libx264rgb", "rgb24"),
    ],
)
def test_every_form_of_coding_keeps_its_colours(ending: str, codec: str, form: str, tmp_path: Path) -> None:
    """Planes, as the video library decodes them, and brightness against its own conversion of the clip."""
    clip = probe(
        make_clip(tmp_path / f"a.{ending}", [0, 3000, 6000], picture=_ramps, codec=codec, pix_fmt=form)
    )
    flat, coloured = next(iter(planes(clip))), next(iter(frames(clip)))
    apart = np.abs(_rgb(flat) - coloured.rgb)
    assert apart.mean() < 2 and np.percentile(apart, 99) <= 4
    grey = next(iter(lazy_frames(clip, time_base(clip)))).grey
    assert np.abs(grey - coloured.rgb @ [0.299, 0.587, 0.114]).mean() < 2  # ITU-R BT.601: unmarked clips


@pytest.mark.slow
def test_brightness_as_stored_is_brightness_as_converted() -> None:
    clip = probe(next(iter(sorted(CLIPS.glob("*.mp4")))))
    lazy = next(iter(lazy_frames(clip, time_base(clip))))
    rgb = next(iter(frames(clip, time_base(clip)))).rgb.astype(float)
    expected = rgb @ [0.299, 0.587, 0.114]  # ITU-R BT.601, as the library takes an unmarked clip
    assert np.abs(lazy.grey - expected).mean() < 2.0
    np.testing.assert_array_equal(lazy.rgb, rgb.astype(np.uint8))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["treadmill_120", "portrait_rotated"])
def test_the_small_picture_is_the_area_average_of_the_whole(name: str) -> None:
    """Where the sides divide, the means of blocks in closed form; else the image library's area average."""
    clip = probe(CLIPS / f"{name}.mp4")
    lazy = next(iter(lazy_frames(clip, time_base(clip))))
    whole = next(iter(frames(clip, time_base(clip))))
    by = round(clip.height / 180)
    for small, grey in ((lazy.small_grey(180), lazy.grey), (whole.small_grey(180), whole.grey)):
        rows, columns = (side // by for side in grey.shape)
        assert small.shape == (rows, columns) and by > 1
        if grey.shape == (rows * by, columns * by):
            expected = grey.reshape(rows, by, columns, by).mean(axis=(1, 3))
        else:
            expected = cv2.resize(grey.astype(np.float64), (columns, rows), interpolation=cv2.INTER_AREA)
        # Rounded once for each halving; stored brightness is spread to 0..255 after it was averaged.
        assert np.abs(small - expected).max() < 3.0 and abs(float(np.mean(small - expected))) < 0.5


def test_planes_survive_writing(tmp_path: Path) -> None:
    source = probe(make_clip(tmp_path / "a.mp4", list(range(0, 30 * 512, 512))))
    with VideoWriter(tmp_path / "b.mp4", source.width, source.height, tick=source.tick) as video:
        for picture in planes(source):
            video.write_planes(picture.yuv, picture.pts_s)
    made = probe(tmp_path / "b.mp4")
    np.testing.assert_array_equal(made.times_s, source.times_s)
    for a, b in zip(frames(source), frames(made), strict=True):
        assert np.abs(a.rgb.astype(int) - b.rgb).mean() < 6


def test_planes_of_another_size_are_refused(tmp_path: Path) -> None:
    with (
        pytest.raises(ValueError, match="yuv"),
        VideoWriter(tmp_path / "a.mp4", 320, 240) as video,
    ):
        video.write_planes(np.zeros((240, 320), np.uint8), 0.0)


def test_a_face_is_hidden_in_all_three_planes() -> None:
    """Two faces that differ only inside the squares come out the same, in brightness and in colour."""
    rng = np.random.default_rng(4)
    one, other = _blank(200, 120), _blank(200, 120)
    for a, b in zip(one.parts(), other.parts(), strict=True):
        a[:] = rng.integers(0, 256, a.shape)
        b[:] = a
    centres, radii = np.full((1, 3, 2), np.nan), np.full((1, 3), np.nan)
    centres[0, 0], radii[0, 0] = (100, 60), 40
    cover = HeadCover(centres, radii, np.full((1, 2), np.nan), np.array([20.0]))
    mask = cover_mask(cover, 0, 120, 200).astype(bool)
    hide_face(one, cover)
    for plane, before, where in zip(one.parts(), other.parts(), (mask, mask[::2, ::2], mask[::2, ::2])):
        assert len(np.unique(plane[where])) <= 25
        assert np.abs(plane[where].astype(int) - before[where]).mean() > 20
    bright, first = one.parts()[0], other.parts()[0]
    np.testing.assert_array_equal(bright[~mask], first[~mask])
