"""Clips made to hurt: nothing else is opened, nothing hangs, one sentence each."""

from __future__ import annotations

import contextlib
import struct
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from shared.errors import ClipError, LanesideError
from tests.clip_maker import make_clip, numbered
from vision.clip import frames
from vision.clip_probe import probe

ROOT = Path(__file__).resolve().parents[1]


def _read(path: Path | str) -> int:
    """Frames read whole; what reading raises is checked to be one sentence."""
    try:
        return sum(1 for _ in frames(probe(path)))
    except LanesideError as error:
        said = str(error)
        assert isinstance(error, ClipError)
        assert said.endswith(".") and len(said.splitlines()) == 1 and said.isprintable()
        raise


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small clip, 30 frames."""
    return make_clip(tmp_path_factory.mktemp("clip") / "sound.mp4", [3000 * i for i in range(30)])


@pytest.mark.parametrize(
    "address",
    [
        "file:{}",
        "file://{}",
        "concat:{}|{}",
        "subfile,,start,0,end,0,,:{}",
        "cache:{}",
        "async:{}",
        "crypto:{}",
        "http://127.0.0.1:9/a.mp4",
        "https://127.0.0.1:9/a.mp4",
        "rtsp://127.0.0.1:9/a",
        "tcp://127.0.0.1:9",
        "udp://127.0.0.1:9",
        "data:video/mp4;base64,AAAA",
        "pipe:0",
        "fd:0",
        "lavfi:testsrc",
        "/dev/zero",
        "/dev/stdin",
    ],
)
def test_addresses_and_protocols_are_never_opened(address: str, sound: Path) -> None:
    """Though the file behind it is sound: only a plain path of an ordinary file is read."""
    with pytest.raises(ClipError):
        _read(address.format(sound, sound))


@pytest.mark.parametrize("name", ["a.mp4", "a.m3u8", "a.txt", "a.sdp", "a.concat"])
@pytest.mark.parametrize(
    "text",
    [
        "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nfile://{}\n#EXT-X-ENDLIST\n",
        "ffconcat version 1.0\nfile '{}'\n",
        "file '{}'\n",
        "v=0\no=- 0 0 IN IP4 127.0.0.1\nc=IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\n",
        '<?xml version="1.0"?><MPD><Period><BaseURL>{}</BaseURL></Period></MPD>',
        "[playlist]\nFile1={}\n",
        "{}",
    ],
)
def test_lists_that_point_elsewhere_are_not_followed(
    text: str, name: str, sound: Path, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_text(text.format(sound))
    with pytest.raises(ClipError):
        _read(path)


def _box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", 8 + len(content)) + kind + content


def _resized(data: bytes, parents: tuple[bytes, ...], old: bytes, new: bytes) -> bytes:
    """`data` with one box put in another's place and the sizes of its parents kept right."""
    assert data.count(old) == 1
    at = data.index(old)
    out = bytearray(data[:at] + new + data[at + len(old) :])
    for parent in parents:
        place = data.rindex(parent, 0, at) - 4
        (size,) = struct.unpack_from(">I", out, place)
        struct.pack_into(">I", out, place, size + len(new) - len(old))
    return bytes(out)


def test_a_film_whose_pictures_lie_in_another_file_is_not_read_from_there(
    sound: Path, tmp_path: Path
) -> None:
    """A QuickTime data reference names a file or an address; it is not followed."""
    data = sound.read_bytes()
    inside = _box(b"url ", struct.pack(">I", 1))
    parents = (b"dref", b"dinf", b"minf", b"mdia", b"trak", b"moov")
    for kind, target in ((b"url ", f"file://{sound}"), (b"url ", "http://127.0.0.1:9/a.mp4"), (b"alis", "")):
        reference = _box(kind, struct.pack(">I", 0) + target.encode() + b"\0" * 120)
        hurt = _resized(data, parents, inside, reference)
        cut = hurt.index(b"mdat") + 4
        blank = hurt[:cut] + b"\0" * 400 + hurt[cut + 400 :] if cut + 400 < len(hurt) else hurt
        path = tmp_path / "elsewhere.mov"
        path.write_bytes(blank)
        with pytest.raises(ClipError):
            _read(path)


def test_no_other_file_is_opened_while_a_clip_is_read(sound: Path) -> None:
    program = (
        "import sys\n"
        "from vision.clip import frames\nfrom vision.clip_probe import probe\n"
        "opened = []\n"
        "sys.addaudithook(lambda e, a: opened.append(str(a[0])) if e in ('open', 'socket.connect') else None)\n"
        "assert sum(1 for _ in frames(probe(sys.argv[1]))) == 30\n"
        "print(sorted({name for name in opened if not name.endswith(('.py', '.pyc', '.so'))}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(sound)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == str([str(sound)])


# --- damage --------------------------------------------------------------------------------------


@pytest.mark.parametrize("tenth", range(10))
def test_cut_at_every_tenth(tenth: int, sound: Path, tmp_path: Path) -> None:
    data = sound.read_bytes()
    path = tmp_path / "cut.mp4"
    path.write_bytes(data[: tenth * len(data) // 10])
    with pytest.raises(ClipError):
        _read(path)


@pytest.mark.parametrize("where", ["anywhere", "head", "tail"])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.avi", "a.ts"])
def test_flipped_bits(name: str, where: str, tmp_path: Path) -> None:
    """Twelve seeded damages each: read whole, or refused in one sentence; never a crash."""
    path = make_clip(
        tmp_path / name,
        list(range(20)),
        tick=Fraction(1, 25),
        rate=25 if name.endswith("avi") else None,
    )
    whole = path.read_bytes()
    rng = np.random.default_rng([len(whole), len(where)])
    kept = 0
    for _ in range(12):
        data = np.frombuffer(whole, np.uint8).copy()
        low, high = {"anywhere": (0, len(data)), "head": (0, 400), "tail": (-900, 0)}[where]
        at = rng.integers(low, high, rng.integers(1, 9)) % len(data)
        data[at] ^= (1 << rng.integers(0, 8, len(at))).astype(np.uint8)
        path.write_bytes(data.tobytes())
        with contextlib.suppress(ClipError):
            kept += _read(path) >= 2
    path.write_bytes(whole)
    assert _read(path) == 20


def _patched(data: bytes, kind: bytes, offset: int, value: bytes) -> bytes:
    """`data` with bytes of every box of this kind overwritten, counted from after its name."""
    out, at = bytearray(data), data.find(kind)
    assert at >= 0
    while at >= 0:
        out[at + 4 + offset : at + 4 + offset + len(value)] = value
        at = data.find(kind, at + 4)
    return bytes(out)


HUGE = b"\xff\xff\xff\xff"
Change = Callable[[bytes], bytes]


@pytest.mark.parametrize(
    ("what", "change"),
    [
        ("picture of 65535 x 65535", lambda d: _patched(d, b"avc1", 24, b"\xff\xff\xff\xff")),
        ("picture of 0 x 0", lambda d: _patched(d, b"avc1", 24, bytes(4))),
        ("a billion samples", lambda d: _patched(d, b"stsz", 8, b"\x3b\x9a\xca\x00")),
        ("samples of 4 GB", lambda d: _patched(d, b"stsz", 12, HUGE)),
        ("a billion time entries", lambda d: _patched(d, b"stts", 4, b"\x3b\x9a\xca\x00")),
        ("no time between frames", lambda d: _patched(d, b"stts", 12, bytes(4))),
        ("centuries between frames", lambda d: _patched(d, b"stts", 12, HUGE)),
        ("no ticks a second", lambda d: _patched(d, b"mdhd", 12, bytes(4))),
        ("four billion ticks a second", lambda d: _patched(d, b"mdhd", 12, HUGE)),
        ("chunks beyond the file", lambda d: _patched(d, b"stco", 8, b"\x7f\xff\xff\xff")),
        ("boxes inside themselves", lambda d: d.replace(b"minf", b"moov")),
        ("a box of no size", lambda d: _patched(d, b"moov", -8, bytes(4))),
        ("a box of all sizes", lambda d: _patched(d, b"moov", -8, HUGE)),
        ("coding unknown", lambda d: d.replace(b"avc1", b"zzzz")),
        ("no parameter set", lambda d: _patched(d, b"avcC", 0, bytes(30))),
        ("a turn by no angle", lambda d: _patched(d, b"tkhd", 40, bytes(36))),
        ("a turn by all numbers", lambda d: _patched(d, b"tkhd", 40, HUGE * 9)),
    ],
)
def test_headers_that_lie(what: str, change: Change, sound: Path, tmp_path: Path) -> None:
    """The clip is refused, or it is read for what it holds and the lie had no weight."""
    path = tmp_path / "lie.mp4"
    path.write_bytes(change(sound.read_bytes()))
    with contextlib.suppress(ClipError):
        assert _read(path) <= 30


def test_hundreds_of_streams_are_one_clip_or_one_sentence(tmp_path: Path) -> None:
    """More than a camera makes, the most a reader of this kind would list."""
    path = tmp_path / "many.mkv"
    with av.open(str(path), "w") as container:
        streams = []
        for _ in range(120):
            stream = container.add_stream("mpeg4", rate=25)
            stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
            streams.append(stream)
        for i in range(3):
            picture = np.full((48, 64, 3), 40 * i, np.uint8)
            for stream in streams:
                frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
                frame.pts = i
                for packet in stream.encode(frame):
                    container.mux(packet)
        for stream in streams:
            for packet in stream.encode(None):
                container.mux(packet)
    with contextlib.suppress(ClipError):
        assert _read(path) == 3


def _boxes(data: bytes, start: int, end: int) -> dict[bytes, tuple[int, int]]:
    """Name of each box between two places of an MP4 file, with where it begins and ends (ISO/IEC 14496-12)."""
    found = {}
    while start + 8 <= end:
        length, name = struct.unpack(">I4s", data[start : start + 8])
        found.setdefault(name, (start, start + length))
        start += max(length, 8)
    return found


@pytest.mark.parametrize("count", [900, 3000])
def test_thousands_of_tracks_are_one_clip_or_one_sentence(count: int, sound: Path, tmp_path: Path) -> None:
    """The index's only track, written again and again: beyond the 1000 that the decoder's library takes."""
    data = sound.read_bytes()
    start, end = _boxes(data, 0, len(data))[b"moov"]
    track = data[slice(*_boxes(data, start + 8, end)[b"trak"])]
    index = struct.pack(">I4s", end - start + count * len(track), b"moov") + data[start + 8 : end]
    path = tmp_path / "many.mp4"
    path.write_bytes(data[:start] + index + count * track + data[end:])
    with contextlib.suppress(ClipError):
        assert _read(path) <= 30


def test_two_hours_are_read_from_the_header_in_little_memory(tmp_path: Path) -> None:
    """216 000 time stamps of 2 h at 30 a second; frames are never held together."""
    import tracemalloc

    stamps = [3000 * i for i in range(216_000)]
    still = numbered(0)[::8, ::8].copy()
    path = tmp_path / "long.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264")
        stream.width, stream.height, stream.pix_fmt = (
            still.shape[1] // 2 * 2,
            still.shape[0] // 2 * 2,
            "yuv420p",
        )
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90_000)
        frame = av.VideoFrame.from_ndarray(
            np.ascontiguousarray(still[: stream.height, : stream.width]), format="rgb24"
        )
        frame.pts = 0
        data = bytes([*stream.encode(frame), *stream.encode(None)][0])
        for pts in stamps:
            packet = av.Packet(data)
            packet.stream, packet.pts, packet.dts, packet.time_base = stream, pts, pts, Fraction(1, 90_000)
            packet.is_keyframe = True
            container.mux(packet)
    tracemalloc.start()
    found = probe(path)
    held, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert found.frames == 216_000
    assert found.duration_s == pytest.approx(7200, abs=1)
    assert peak < 60e6 and held < 10e6


@pytest.mark.parametrize("extension", ["mp4", "mov", "mkv", "avi", "txt", "jpg", "m3u8", "exe", ""])
def test_a_sound_clip_under_any_ending_is_read(extension: str, sound: Path, tmp_path: Path) -> None:
    """What a file is stands in its bytes."""
    path = tmp_path / f"run.{extension}"
    path.write_bytes(sound.read_bytes())
    assert _read(path) == 30
