"""One pass, one speed: what is measured of a clip that holds several."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import landmarks as lm
from vision.clip_ramps import Ramp
from vision.passes import pass_numbers
from vision.raw import RawTrack
from vision.time_sections import one_speed
from vision.timebase import TimeBase


def _raw(samples: int) -> RawTrack:
    return RawTrack(
        frame=np.arange(samples, dtype=np.int64),
        time_s=np.arange(samples) / 30.0,
        xy_px=np.zeros((samples, lm.COUNT, 2)),
        depth_px=np.zeros((samples, lm.COUNT)),
        visibility=np.ones((samples, lm.COUNT)),
        presence=np.ones((samples, lm.COUNT)),
        score=np.ones(samples),
        window=np.zeros((samples, 4)),
        model="invented",
    )


def _there_and_back(rate_hz: float, speed: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    time_s = np.arange(0, seconds, 1 / rate_hz)
    position = speed * np.minimum(time_s, seconds - time_s)
    return time_s, position


@pytest.mark.parametrize("rate_hz", [25.0, 60.0, 240.0])
def test_turning_round_begins_a_new_pass(rate_hz: float) -> None:
    time_s, position = _there_and_back(rate_hz, 2.0, 6.0)
    number = pass_numbers(time_s, position)
    assert number[0] != number[-1]
    turn = time_s[np.flatnonzero(np.diff(number))]
    assert len(turn) == 1
    assert turn[0] == pytest.approx(3.0, abs=0.4)  # the turn itself is seen within the window's half


def test_a_long_absence_begins_a_new_pass_and_a_short_one_does_not() -> None:
    time_s = np.arange(0, 6, 1 / 30)
    position = 2.0 * time_s
    short, long = position.copy(), position.copy()
    short[60:75] = np.nan
    long[60:100] = np.nan
    assert len(np.unique(pass_numbers(time_s, short)[np.isfinite(short)])) == 1
    assert len(np.unique(pass_numbers(time_s, long)[np.isfinite(long)])) == 2
    assert np.all(pass_numbers(time_s, long)[60:100] == -1)


@given(st.floats(0.5, 12.0), st.sampled_from([25.0, 120.0]), st.floats(-5.0, 5.0))
def test_one_way_with_the_sway_of_a_stride_is_one_pass(speed: float, rate_hz: float, offset: float) -> None:
    time_s = np.arange(0, 3, 1 / rate_hz)
    # Hips surge by a few per cent of a body size at step frequency (common practice, no source).
    position = offset + speed * time_s + 0.03 * np.sin(2 * np.pi * 3.0 * time_s)
    assert len(np.unique(pass_numbers(time_s, position))) == 1


def _base(kind: str, factor: float = 1.0) -> TimeBase:
    return TimeBase(kind, factor, 30.0 / factor, 30.0)  # type: ignore[arg-type]


def test_without_ramps_everything_is_kept() -> None:
    section = one_speed(_raw(40), [], _base("file"))
    assert section.keep.all() and section.slow_down == 1 and section.note is None


def test_a_long_slow_section_has_its_times_divided() -> None:
    section = one_speed(_raw(100), [Ramp(20, 90, 0.7, 3.0, 7.8)], _base("file"))
    assert section.slow_down == 8
    assert np.flatnonzero(section.keep).tolist() == list(range(20, 90))
    assert section.note is not None and "8 times" in section.note


def test_a_slow_down_that_is_no_whole_number_is_said_and_not_guessed() -> None:
    section = one_speed(_raw(100), [Ramp(20, 90, 0.7, 3.0, 2.5)], _base("file"))
    assert section.slow_down == 1
    assert section.note is not None and "give the capture rate" in section.note


def test_a_long_normal_section_is_kept_as_it_is() -> None:
    section = one_speed(_raw(100), [Ramp(80, 100, 2.7, 3.3, 8.0)], _base("file"))
    assert section.slow_down == 1
    assert np.flatnonzero(section.keep).tolist() == list(range(80))


def test_a_told_capture_rate_speaks_of_the_slow_section() -> None:
    section = one_speed(_raw(100), [Ramp(70, 100, 2.3, 3.3, 8.0)], _base("tag", 1 / 8))
    assert section.slow_down == 1
    assert np.flatnonzero(section.keep).tolist() == list(range(70, 100))
