"""Threads change when things happen, never what comes out."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest

from shared.errors import Cancelled, DamagedClip
from shared.track import Track
from tests.clip_maker import make_clip, number_in
from vision.ahead import ahead, each, workers
from vision.clip import Frame, frames, frames_at, probe
from vision.track_clip import TrackRequest, track_clip

CLIP = Path(__file__).parents[1] / "sample_clips" / "clips" / "panning_120.mp4"
FRAMES = 96


def _our_threads() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith("laneside")]


def _beginning(source: Path, path: Path, count: int) -> Path:
    """The first `count` frames of a clip, copied without coding them again."""
    with av.open(str(source)) as read, av.open(str(path), "w") as write:
        stream = write.add_stream_from_template(read.streams.video[0])
        packets = [p for p in read.demux(video=0) if p.pts is not None]
        for packet in packets[:count]:
            packet.stream = stream
            write.mux(packet)
    return path


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _beginning(CLIP, tmp_path_factory.mktemp("short") / "short.mp4", FRAMES)


@pytest.fixture(scope="module")
def alone(short: Path) -> Track:
    return track_clip(short, TrackRequest(), threads=1)


# -- taking things ahead --------------------------------------------------------------------------


def test_everything_comes_in_order_and_from_another_thread() -> None:
    made_in: set[str] = set()

    def numbers() -> Iterator[int]:
        for n in range(200):
            made_in.add(threading.current_thread().name)
            yield n

    assert list(ahead(numbers(), 3)) == list(range(200))
    assert threading.current_thread().name not in made_in
    assert _our_threads() == []


def test_no_more_than_the_depth_waits() -> None:
    made = 0

    def numbers() -> Iterator[int]:
        nonlocal made
        for n in range(100):
            made += 1
            yield n

    for taken, _ in enumerate(ahead(numbers(), 4), start=1):
        assert made <= taken + 4 + 1  # the queue, and the one that is offered to it


def test_an_error_comes_as_itself_after_what_was_made_before_it() -> None:
    def numbers() -> Iterator[int]:
        yield 1
        yield 2
        raise DamagedClip("run.mp4", "it breaks off", "copy it again")

    got: list[int] = []
    with pytest.raises(DamagedClip, match="breaks off") as caught:
        for n in ahead(numbers(), 2):
            got.append(n)
    assert got == [1, 2]
    assert "numbers" in [entry.name for entry in caught.traceback], "the place of the fault is kept"
    assert _our_threads() == []


def test_closing_ends_the_thread_and_closes_the_source() -> None:
    closed = threading.Event()

    def numbers() -> Iterator[int]:
        try:
            n = 0
            while True:
                yield (n := n + 1)
        finally:
            closed.set()

    coming = ahead(numbers(), 2)
    assert next(coming) == 1
    coming.close()
    assert closed.is_set()
    assert _our_threads() == []


def test_work_is_spread_in_order() -> None:
    with workers(3) as pool:
        assert pool is not None
        assert each(pool, lambda n: n * n, range(50)) == [n * n for n in range(50)]
    with workers(1) as pool:
        assert pool is None
        assert each(pool, str, [1, 2]) == ["1", "2"]


def test_an_error_in_a_worker_comes_as_itself() -> None:
    def fails(n: int) -> int:
        if n == 3:
            raise Cancelled("the clip", "you stopped it", "start again")
        return n

    with pytest.raises(Cancelled, match="you stopped it"), workers(2) as pool:
        each(pool, fails, range(8))
    assert _our_threads() == []


# -- the whole of vision -------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("threads", [2, 5])
def test_threads_do_not_change_a_single_number(short: Path, alone: Track, threads: int) -> None:
    together = track_clip(short, TrackRequest(), threads=threads)
    for name in ("frame", "time_s", "xy_px", "confidence"):
        assert np.array_equal(getattr(together, name), getattr(alone, name), equal_nan=True), name
    # The linear algebra library's last bit goes with where an array happens to lie in memory.
    assert np.allclose(together.world_px, alone.world_px, rtol=0, atol=1e-6, equal_nan=True)
    assert (together.clip, together.camera) == (alone.clip, alone.camera)
    assert together.quality.notes == alone.quality.notes
    assert together.quality.blur_px == pytest.approx(alone.quality.blur_px, nan_ok=True)
    assert len(alone.frame) == FRAMES // 2  # every second picture of a clip at 120/s is looked at
    assert _our_threads() == []


@pytest.mark.slow
@pytest.mark.parametrize("stage", ["looking for people", "following the athlete"])
def test_a_stop_midway_is_heeded_at_once(short: Path, stage: str) -> None:
    said: list[tuple[str, int]] = []

    def progress(name: str, done: int, total: int | None) -> None:
        said.append((name, done))
        if name == stage and done > 8:
            raise Cancelled("the clip", "you stopped it", "start again")

    with pytest.raises(Cancelled, match="you stopped it"):
        track_clip(short, TrackRequest(), progress, threads=2)
    assert said[-1][0] == stage
    assert said[-1][1] < FRAMES, "nothing was done after the stop"
    assert _our_threads() == []


@pytest.mark.slow
def test_a_fault_of_the_file_in_the_decoding_thread_is_told_as_it_is(
    short: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaking(*args: object, **named: object) -> Iterator[Frame]:
        for frame in frames(*args, **named):  # type: ignore[arg-type]
            if frame.index >= 40:
                raise DamagedClip("short.mp4", "it breaks off at frame 40", "copy it again")
            yield frame

    monkeypatch.setattr("vision.look_through.frames", breaking)
    with pytest.raises(DamagedClip, match="breaks off at frame 40"):
        track_clip(short, TrackRequest(), threads=2)
    assert _our_threads() == []


def test_single_frames_are_those_asked_for(tmp_path: Path) -> None:
    clip = probe(make_clip(tmp_path / "n.mp4", range(0, 400 * 3000, 3000), codec_options={"g": "30"}))
    numbers = [390, 7, 8, 130, 8, 255]
    got = list(frames_at(clip, numbers))
    assert [f.index for f in got] == sorted(set(numbers))
    assert [number_in(f.rgb) for f in got] == sorted(set(numbers))
    assert [f.pts_s for f in got] == pytest.approx([n / 30 for n in sorted(set(numbers))])
