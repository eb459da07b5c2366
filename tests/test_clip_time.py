"""The time base: stamps, tags, the user's word, sections; and warnings about rates.

Expected times are closed forms of the ticks written and the rates stated.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.errors import OptionError
from tests.clip_maker import make_clip
from vision.clip import frames, probe
from vision.timebase import stamp_sections, time_base, typical_rate_hz

TAG = "com.android.capture.fps"
EVEN = [3000 * i for i in range(30)]  # 30 per second of play-back


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv"])
@pytest.mark.parametrize("value", ["240", "240.000000", "240,0", "480/2", " 240 fps"])
def test_a_capture_tag_turns_slow_motion_into_real_time(tmp_path: Path, name: str, value: str) -> None:
    ticks = EVEN if name == "a.mp4" else [33 * i for i in range(30)]
    tick = Fraction(1, 90_000) if name == "a.mp4" else Fraction(1, 1000)
    clip = probe(make_clip(tmp_path / name, ticks, tick=tick, tags={TAG: value}))
    base = time_base(clip)
    assert base.kind == "tag" and base.capture_rate_hz == 240
    assert any("slow motion" in note for note in base.notes)
    times = [f.time_s for f in frames(clip, base)]
    np.testing.assert_allclose(times, np.arange(30) / 240, rtol=1e-9)


def test_a_capture_tag_on_the_stream_counts_too(tmp_path: Path) -> None:
    clip = probe(
        make_clip(
            tmp_path / "a.mkv", [33 * i for i in range(30)], tick=Fraction(1, 1000), stream_tags={TAG: "120"}
        )
    )
    assert clip.capture_tags[0][0] == "stream"
    assert time_base(clip).capture_rate_hz == 120


def test_the_user_overrules_the_tag(tmp_path: Path) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", EVEN, tags={TAG: "240"}))
    base = time_base(clip, capture_rate_hz=120)
    assert (base.kind, base.capture_rate_hz) == ("user", 120)
    assert base.factor == pytest.approx(1 / 4, rel=1e-12)
    np.testing.assert_allclose(base.seconds(clip.times_s), np.arange(30) / 120, rtol=1e-12)
    same = time_base(clip, capture_rate_hz=30)  # "exported at normal speed": back to the stamps
    np.testing.assert_allclose(same.seconds(clip.times_s), clip.times_s, rtol=1e-12)
    assert not any("multiplied" in note for note in same.notes)


def test_a_time_lapse_is_stretched_to_real_time(tmp_path: Path) -> None:
    base = time_base(probe(make_clip(tmp_path / "a.mp4", EVEN, tags={TAG: "2"})))
    assert base.kind == "tag" and base.factor == pytest.approx(15)
    assert any("time lapse" in note for note in base.notes)


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        ("30", None),  # says what the stamps say
        ("29.97", None),
        ("24", "time stamps are used"),  # a phone that lowered its rate in poor light
        ("0", "makes no sense"),
        ("-240", "makes no sense"),
        ("nan", "makes no sense"),
        ("inf", "makes no sense"),
        ("1e9", "makes no sense"),
        ("240/0", "makes no sense"),
        ("5000", "makes no sense"),
        ("fast", "makes no sense"),
    ],
)
def test_a_tag_that_adds_nothing_leaves_the_stamps(tmp_path: Path, tag: str, said: str | None) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", EVEN, tags={TAG: tag}))
    base = time_base(clip)
    assert (base.kind, base.factor) == ("file", 1.0)
    assert base.capture_rate_hz == pytest.approx(30)
    assert [n for n in base.notes if said and said in n] if said else base.notes == ()


def test_tags_that_disagree_are_not_used(tmp_path: Path) -> None:
    clip = probe(
        make_clip(
            tmp_path / "a.mkv",
            [33 * i for i in range(30)],
            tick=Fraction(1, 1000),
            tags={TAG: "240"},
            stream_tags={TAG: "120"},
        )
    )
    base = time_base(clip)
    assert base.kind == "file" and any("disagree" in note for note in base.notes)


def test_other_tags_stay_in_the_file(tmp_path: Path) -> None:
    tags = {"location": "+00.0000+000.0000/", "com.android.version": "15", TAG: "240"}
    clip = probe(make_clip(tmp_path / "a.mp4", EVEN, tags=tags))
    assert clip.capture_tags == (("file", TAG, "240"),)
    assert "+00.0000" not in repr(clip)


@pytest.mark.parametrize("rate", [0.0, -30.0, float("nan"), float("inf"), 0.5, 2001.0, 1e12])
def test_a_senseless_rate_from_the_user_is_refused(tmp_path: Path, rate: float) -> None:
    clip = probe(make_clip(tmp_path / "a.mp4", EVEN[:5]))
    with pytest.raises(OptionError, match="capture rate"):
        time_base(clip, capture_rate_hz=rate)


def _stamps(*parts: tuple[int, float]) -> np.ndarray:
    steps = np.concatenate([np.full(n, 1 / rate) for n, rate in parts])
    return np.r_[0.0, np.cumsum(steps)]


def test_sections_in_the_stamps_are_found_where_they_are() -> None:
    times = _stamps((40, 30), (200, 240), (40, 30))
    sections = stamp_sections(times)
    assert [s.rate_hz for s in sections] == pytest.approx([30, 240, 30], rel=0.02)
    assert [s.start for s in sections] == pytest.approx([0, 40, 240], abs=1)
    assert (sections[0].start, sections[-1].stop) == (0, len(times))


@given(
    st.sampled_from([24.0, 30.0, 59.94, 120.0, 240.0]),
    st.integers(2, 400),
    st.floats(0.0, 0.2),
    st.sampled_from([90_000, 15_360, 1000, 600]),
    st.integers(0, 10_000),
)
def test_an_even_clip_has_one_section(rate: float, n: int, jitter: float, ticks: int, seed: int) -> None:
    wobble = np.random.default_rng(seed).uniform(-jitter / 2, jitter / 2, n) / rate
    times = np.round((np.arange(n) / rate + wobble) * ticks) / ticks
    times -= times[0]
    sections = stamp_sections(times)
    assert [(s.start, s.stop) for s in sections] == [(0, n)]


def test_one_long_gap_is_no_section_but_is_noted(tmp_path: Path) -> None:
    ticks = [3000 * i + (27_000 if i >= 15 else 0) for i in range(40)]
    base = time_base(probe(make_clip(tmp_path / "a.mp4", ticks)))
    assert len(base.sections) == 1
    assert base.container_rate_hz == pytest.approx(30)
    assert any("1 gap, the largest 0.33 s at 0.47 s" in note for note in base.notes)


def test_real_stamps_with_a_slow_part_keep_their_time_despite_a_tag(tmp_path: Path) -> None:
    # The camera went from 30 to 240 and back, its stamps say so, and the tag names the 240.
    times = _stamps((40, 30), (160, 240), (40, 30))
    ticks = np.round(times * 90_000).astype(int).tolist()
    clip = probe(make_clip(tmp_path / "a.mp4", ticks, tags={TAG: "240"}))
    base = time_base(clip)
    assert (base.kind, base.factor) == ("file", 1.0)
    assert [round(s.rate_hz) for s in base.sections] == [30, 240, 30]
    assert any("frame rate in the file changes" in note for note in base.notes)
    assert time_base(clip, 240).factor == pytest.approx(1.0, rel=0.01)


def test_the_typical_rate_is_not_rounded_to_the_tick_and_ignores_gaps() -> None:
    # 240/s on millisecond ticks: the intervals are 4, 4, 5, 4 ... ms, their median says 250/s.
    times = np.round(np.arange(481) / 240, 3)
    assert 1 / np.median(np.diff(times)) == pytest.approx(250)
    assert typical_rate_hz(times) == pytest.approx(240, rel=1e-9)
    gappy = np.delete(np.arange(300) / 30, [50, 51, 120, 121, 122])
    assert typical_rate_hz(gappy) == pytest.approx(30, rel=1e-9)
