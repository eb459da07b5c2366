"""Reading clips: true stamps, orientation, and one clear sentence for every unusable file.

The reference is what the test itself wrote: the ticks handed to the encoder, and the number and
colours painted into each frame. Orientation is checked against the transformation matrix as
ISO/IEC 14496-12 (8.3.2.3) defines it, applied pixel by pixel.
"""

from __future__ import annotations

import os
import weakref
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from shared.errors import ClipError, DamagedClip
from shared.files import file_sha256
from tests.clip_maker import Pixels, is_upright, make_clip, number_in, numbered, sound_only
from vision.clip import clip_info, frames, nearest_frame, probe
from vision.timebase import time_base

REAL = Path(__file__).resolve().parents[1].parent / "shared" / "clips"
QUIET_HEVC = {"x265-params": "log-level=none"}


def _uneven(n: int, seed: int, low: int = 1350, high: int = 13_500) -> list[int]:
    """Ticks of 1/90000 s with steps of 15 to 150 ms, as a phone in poor light writes them."""
    return np.cumsum([0, *np.random.default_rng(seed).integers(low, high, n - 1)]).tolist()


@pytest.mark.parametrize(
    ("name", "codec", "pix_fmt", "options"),
    [
        ("a.mp4", "libx264", "yuv420p", {}),
        ("a.mov", "libx264", "yuv420p", {}),
        ("a.mp4", "libx265", "yuv420p10le", QUIET_HEVC),
        ("a.ts", "libx264", "yuv420p", {}),
    ],
)
def test_every_frame_keeps_its_own_uneven_stamp(
    tmp_path: Path, name: str, codec: str, pix_fmt: str, options: dict[str, str]
) -> None:
    ticks = _uneven(80, seed=4)
    path = make_clip(tmp_path / name, ticks, codec=codec, pix_fmt=pix_fmt, codec_options=options)
    clip = probe(path)
    assert clip.pixel_format == pix_fmt
    assert [(p - clip.pts[0]) * clip.tick for p in clip.pts.tolist()] == [Fraction(t, 90_000) for t in ticks]
    seen = list(frames(clip))
    assert [f.index for f in seen] == [number_in(f.rgb) for f in seen] == list(range(80))
    np.testing.assert_allclose([f.pts_s for f in seen], np.array(ticks) / 90_000, atol=1e-12)
    assert all(f.rgb.flags.c_contiguous and f.rgb.dtype == np.uint8 for f in seen)
    assert is_upright(seen[0].rgb)


def test_matroska_stamps_are_exact_to_its_millisecond(tmp_path: Path) -> None:
    ticks = np.cumsum([0, *np.random.default_rng(5).integers(4, 150, 59)]).tolist()
    clip = probe(make_clip(tmp_path / "a.mkv", ticks, tick=Fraction(1, 1000)))
    np.testing.assert_array_equal(clip.pts - clip.pts[0], ticks)
    assert [number_in(f.rgb) for f in frames(clip)] == list(range(60))


def test_avi_gets_even_steps_in_order_of_showing_and_says_so(tmp_path: Path) -> None:
    # H.264 with frames stored out of order: the stamps that the container hands on are not in order.
    path = make_clip(tmp_path / "a.avi", list(range(40)), tick=Fraction(1, 25), codec="libx264", rate=25)
    clip = probe(path)
    assert not clip.stamped
    assert any("no time stamp per frame" in note for note in clip.notes)
    seen = list(frames(clip, start=7))
    assert [number_in(f.rgb) for f in seen] == list(range(7, 40))
    np.testing.assert_allclose([f.pts_s for f in seen], np.arange(7, 40) / 25, atol=1e-12)


@pytest.mark.parametrize("name", ["a.mp4", "a.ts"])
def test_a_start_offset_is_taken_off(tmp_path: Path, name: str) -> None:
    clip = probe(make_clip(tmp_path / name, [112_500 + 3000 * i for i in range(20)]))
    seen = list(frames(clip))
    assert seen[0].time_s == 0.0
    assert seen[19].time_s == pytest.approx(19 / 30, abs=1e-12)


def test_an_edit_list_hides_the_frames_that_it_cuts(tmp_path: Path) -> None:
    # Negative stamps become an edit list: 15 of 60 frames are stored but not to be shown.
    path = make_clip(
        tmp_path / "a.mp4",
        [3000 * (i - 15) for i in range(60)],
        options={"avoid_negative_ts": "disabled", "use_editlist": "1"},
    )
    clip = probe(path)
    seen = list(frames(clip))
    assert clip.frames == len(seen) == 45
    assert [number_in(f.rgb) for f in seen] == list(range(15, 60))
    assert seen[0].time_s == 0.0


ONE = 1 << 16
MATRICES = [(a, 0, 0, d) for a in (1, -1) for d in (1, -1)] + [(0, b, c, 0) for b in (1, -1) for c in (1, -1)]


def _shown(stored: Pixels, matrix: tuple[int, int, int, int]) -> Pixels:
    """The picture after x' = a x + c y, y' = b x + d y, shifted back to the origin."""
    a, b, c, d = matrix
    h, w = stored.shape[:2]
    y, x = np.mgrid[:h, :w]
    xs, ys = a * x + c * y, b * x + d * y
    xs, ys = xs - xs.min(), ys - ys.min()
    out = np.empty((ys.max() + 1, xs.max() + 1, 3), dtype=np.uint8)
    out[ys, xs] = stored
    return out


@pytest.mark.parametrize("turn", MATRICES)
@pytest.mark.parametrize("portrait", [False, True])
def test_turned_and_mirrored_clips_come_upright(
    tmp_path: Path, turn: tuple[int, int, int, int], portrait: bool
) -> None:
    a, b, c, d = turn
    stored = numbered(5)[:, :160] if portrait else numbered(5)
    matrix = [a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 1 << 30]
    path = make_clip(
        tmp_path / "a.mp4",
        [0, 3000, 6000],
        matrix=matrix,
        picture=lambda _: stored,
        codec_options={"crf": "10"},
    )
    clip = probe(path)
    truth = _shown(stored, turn)
    frame = next(iter(frames(clip)))
    assert (clip.height, clip.width) == frame.rgb.shape[:2] == truth.shape[:2]
    assert np.abs(frame.rgb.astype(int) - truth).mean() < 4  # the seven wrong orientations are > 40 off
    small = next(iter(frames(clip, max_height=64)))
    assert small.rgb.shape[0] == 64
    blurred = cv2.resize(truth, small.rgb.shape[1::-1], interpolation=cv2.INTER_AREA).astype(int)
    assert np.abs(small.rgb.astype(int) - blurred).mean() < 6


def test_oblong_pixels_are_made_square(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    make_clip(path, [0, 3000, 6000], codec_options={"x264-params": "sar=4/3"})
    clip = probe(path)
    assert clip.pixel_aspect == Fraction(4, 3)
    assert (clip.width, clip.height) == (427, 192)
    frame = next(iter(frames(clip)))
    assert frame.rgb.shape == (192, 427, 3)
    assert number_in(frame.rgb) == 0


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
@pytest.mark.parametrize(("start", "stop", "step"), [(0, 10, 3), (37, 60, 1), (59, None, 1), (23, 58, 7)])
def test_a_part_of_a_clip_is_what_range_says(
    tmp_path: Path, name: str, start: int, stop: int | None, step: int
) -> None:
    ticks = [33 * i for i in range(60)]
    clip = probe(make_clip(tmp_path / name, ticks, tick=Fraction(1, 1000), codec_options={"g": "12"}))
    seen = list(frames(clip, start=start, stop=stop, step=step))
    wanted = list(range(start, stop or 60, step))
    assert [f.index for f in seen] == [number_in(f.rgb) for f in seen] == wanted
    np.testing.assert_allclose([f.pts_s for f in seen], np.array(wanted) * 0.033, atol=1e-9)


OPEN_GROUPS = "keyint=12:open-gop=1:bframes=4"


@pytest.mark.parametrize(
    ("codec", "codec_options", "shift"),
    [
        ("libx264", {"x264-params": OPEN_GROUPS}, 0),
        ("libx264", {"g": "12"}, -17),  # an edit list
        ("libx265", {"x265-params": f"log-level=none:{OPEN_GROUPS}"}, 0),
    ],
)
def test_every_start_lands_on_its_frame(
    tmp_path: Path, codec: str, codec_options: dict[str, str], shift: int
) -> None:
    clip = probe(
        make_clip(
            tmp_path / "a.mp4",
            [3000 * (i + shift) for i in range(60)],
            codec=codec,
            codec_options=codec_options,
            options={"avoid_negative_ts": "disabled", "use_editlist": "1"},
        )
    )
    assert clip.frames == 60 + shift
    for start in range(0, clip.frames, 5):
        frame = next(iter(frames(clip, start=start)))
        assert (frame.index, number_in(frame.rgb)) == (start, start - shift)


def test_interlaced_pictures_are_said_to_be_so(tmp_path: Path) -> None:
    even = [3000 * i for i in range(6)]
    plain = probe(make_clip(tmp_path / "a.mp4", even))
    woven = probe(make_clip(tmp_path / "b.mp4", even, codec_options={"x264-params": "interlaced=1"}))
    assert not any("interlaced" in note for note in plain.notes)
    assert any("interlaced" in note for note in woven.notes)


def test_scaled_and_grey_pictures_still_carry_their_number(tmp_path: Path) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", [3000 * i for i in range(12)]))
    for frame in frames(clip, max_height=96, grey=True):
        assert frame.rgb.shape == (96, 160)
        assert number_in(frame.rgb) == frame.index
    assert next(iter(frames(clip, max_height=10_000))).rgb.shape == (192, 320, 3)  # never enlarged


def test_the_nearest_frame_is_found_in_real_time(tmp_path: Path) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", [3000 * i for i in range(30)]))
    slow = time_base(clip, 240)
    assert nearest_frame(clip, 10.2 / 240, slow) == 10
    assert nearest_frame(clip, 10.2 / 30) == 10


def test_frames_are_let_go_one_by_one(tmp_path: Path) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", [3000 * i for i in range(90)]))
    alive = 0
    most = 0

    def gone() -> None:
        nonlocal alive
        alive -= 1

    for frame in frames(clip):
        alive += 1
        weakref.finalize(frame.rgb, gone)
        most = max(most, alive)
    assert most <= 2


def test_clip_info_counts_what_was_decoded(tmp_path: Path) -> None:
    path = make_clip(tmp_path / "a.mp4", [3000 * i for i in range(30)])
    clip = probe(path)
    info = clip_info(clip, time_base(clip, 120), 28, [4, 5], ["A note."])
    assert (info.frames, info.repeated_frames, info.time_base) == (28, 2, "user")
    assert (info.capture_rate_hz, info.width, info.height) == (120, 320, 192)
    assert info.container_rate_hz == pytest.approx(30)
    assert info.notes[-1] == "A note."
    assert any("2 of 30 frames could not be decoded" in note for note in info.notes)


def test_the_hash_is_sha_256(tmp_path: Path) -> None:
    # FIPS 180-4 example: the message "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert file_sha256(tmp_path / "abc") == wanted


# --- files that can't be used -------------------------------------------------------------------


def _refusal(path: Path) -> ClipError:
    """The error of a file that must be refused, whether at the probe or while decoding."""
    with pytest.raises(ClipError) as caught:
        for _ in frames(probe(path)):
            pass
    error = caught.value
    text = str(error)
    assert "\n" not in text and text.endswith(".") and os.fspath(path) in text
    assert error.exit_code != 0 and error.why and error.mend
    return error


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("empty.mp4", b"", "empty"),
        ("zeros.mp4", bytes(5000), "only zeros"),
        ("text.mp4", "Grüße, this is no video.\n".encode() * 300, "text file"),
        ("noise.mp4", np.random.default_rng(0).bytes(9000), "not a video"),
        ("list.m3u8", b"#EXTM3U\n#EXTINF:1,\nhttp://localhost/a.ts\n#EXT-X-ENDLIST\n", "play list"),
        ("list.mp4", b"\xef\xbb\xbf#EXTM3U\n#EXTINF:1,\na.ts\n", "play list"),
        ("script.mp4", b"ffconcat version 1.0\nfile a.mp4\n", "play list"),
        ("dash.mp4", b"<?xml version='1.0'?><MPD></MPD>", "play list"),
        ("picture.mp4", cv2.imencode(".png", numbered(1))[1].tobytes(), "single picture"),
        ("picture.jpg", cv2.imencode(".jpg", numbered(1))[1].tobytes(), "single picture"),
        ("live.heic", b"\0\0\0\x18ftypheic" + np.random.default_rng(0).bytes(4000), "single picture"),
        ("header.mp4", b"\0\0\0\x18ftypisom\0\0\2\0isommp41" + bytes(9), "damaged"),
    ],
)
def test_other_files_are_refused_in_one_sentence(
    tmp_path: Path, name: str, content: bytes, reason: str
) -> None:
    (tmp_path / name).write_bytes(content)
    assert reason in _refusal(tmp_path / name).why


def test_missing_files_folders_and_pipes_are_refused(tmp_path: Path) -> None:
    assert "no such file" in _refusal(tmp_path / "none.mp4").why
    assert "folder" in _refusal(tmp_path).why
    with pytest.raises(ClipError, match="an address"):
        probe("https://localhost/run.mp4")
    with pytest.raises(ClipError, match="can't be used"):
        probe("run\0.mp4")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.mp4")
        assert "ordinary file" in _refusal(tmp_path / "pipe.mp4").why


def test_a_file_without_permission_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make_clip(tmp_path / "a.mp4", [0, 3000])
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read all: refuse in the system's place

        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "open", refuse)
    assert "permission" in _refusal(path).why


def test_a_script_that_names_a_real_clip_is_not_followed(tmp_path: Path) -> None:
    make_clip(tmp_path / "a.mp4", [0, 3000, 6000])
    for name, text in {"b.mp4": "ffconcat version 1.0\nfile a.mp4\n", "b.m3u8": "#EXTM3U\na.mp4\n"}.items():
        (tmp_path / name).write_text(text)
        assert "play list" in _refusal(tmp_path / name).why


def test_sound_only_and_a_single_frame_are_refused(tmp_path: Path) -> None:
    assert "only sound" in _refusal(sound_only(tmp_path / "a.m4a")).why
    assert "only one frame" in _refusal(make_clip(tmp_path / "a.mp4", [0])).why
    assert probe(make_clip(tmp_path / "b.mp4", [0, 3000], sound=True)).has_sound


def test_a_picture_beyond_the_limit_is_refused(tmp_path: Path) -> None:
    wide = np.zeros((16, 8208, 3), dtype=np.uint8)
    path = make_clip(
        tmp_path / "a.mp4", [0, 3000], picture=lambda _: wide, codec_options={"preset": "ultrafast"}
    )
    error = _refusal(path)
    assert "too large" in error.why and "4K" in error.mend


def _busy(index: int) -> Pixels:
    picture = numbered(index)
    picture[60:90] = np.random.default_rng(index).integers(0, 255, (30, 320, 3))
    return picture


@pytest.mark.parametrize("share", [0.9, 0.6, 0.3, 0.05])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.avi", "faststart.mp4", "fragments.mp4"])
def test_a_cut_off_file_is_damaged(tmp_path: Path, name: str, share: float) -> None:
    flags = {"faststart.mp4": "+faststart", "fragments.mp4": "frag_keyframe+empty_moov"}.get(name)
    path = make_clip(
        tmp_path / name,
        list(range(60)),
        tick=Fraction(1, 25),
        rate=25 if name.endswith("avi") else None,
        picture=_busy,
        options={"movflags": flags} if flags else {},
        codec_options={"g": "12", "crf": "18"},
    )
    assert len(list(frames(probe(path)))) == 60
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    error = _refusal(path)
    assert isinstance(error, DamagedClip) or "can't be read" in error.why
    if name == "faststart.mp4" and share == 0.6:
        assert "of 60 frames are readable" in error.why


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_overwritten_bytes_are_damage(tmp_path: Path, codec: str) -> None:
    options = QUIET_HEVC if codec == "libx265" else {}
    path = make_clip(
        tmp_path / "a.mp4", [3000 * i for i in range(60)], picture=_busy, codec=codec, codec_options=options
    )
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 4000] = np.random.default_rng(2).bytes(4000)
    path.write_bytes(content)
    error = _refusal(path)
    assert isinstance(error, DamagedClip)
    assert "frames are readable" in error.why


def test_stamps_that_run_backwards_are_refused(tmp_path: Path) -> None:
    content = make_clip(tmp_path / "a.ts", [90_000 + 3000 * i for i in range(90)]).read_bytes()
    (tmp_path / "twice.ts").write_bytes(content + content)
    _refusal(tmp_path / "twice.ts")


# --- clips from real cameras --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "count", "rate", "size"),
    [
        ("park_runner_1080p30.mp4", 93, 30.0, (1920, 1080)),
        ("field_runner_160x120_25.avi", 325, 25.0, (160, 120)),
    ],
)
def test_real_clips_are_read_whole(name: str, count: int, rate: float, size: tuple[int, int]) -> None:
    # Frames, rate and size as the clips' own description states them.
    if not (REAL / name).is_file():
        pytest.skip("the real clips are not beside this checkout")
    clip = probe(REAL / name)
    base = time_base(clip)
    assert (clip.width, clip.height) == size
    assert base.kind == "file" and base.capture_rate_hz == pytest.approx(rate, rel=1e-6)
    times = [f.time_s for f in frames(clip, base, max_height=90)]
    np.testing.assert_allclose(times, np.arange(count) / rate, atol=1e-9)
