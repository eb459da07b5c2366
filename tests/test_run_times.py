"""Timed runs: faults in one sentence, the table, and whether two groups differ."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from shared.errors import OptionError
from shared.history_values import RunTime, Split
from technique.run_times import checked_run, read_run_times, run_time_fault, run_times_from_text
from technique.time_comparison import compare_times, day_share, timing_sd

# Invented.
RUN = RunTime(
    "a",
    "2026-05-01",
    60.0,
    8.1,
    "gates",
    (Split(10, 2.0), Split(20, 3.3), Split(40, 5.7), Split(60, 8.1)),
    0.5,
    18.0,
)


def test_a_sound_run_has_no_fault() -> None:
    assert run_time_fault(RUN) is None
    assert checked_run(RUN) is RUN
    assert run_time_fault(replace(RUN, splits=())) is None


@pytest.mark.parametrize(
    "changes, words",
    [
        ({"time_s": 0.0}, "the time is zero"),
        ({"time_s": -8.1}, "the time is negative"),
        ({"distance_m": float("nan")}, "the distance is not a number"),
        ({"date": "yesterday"}, "is not a day"),
        ({"method": "sundial"}, "is not known"),
        ({"wind_mps": 40.0}, "not possible to run in"),
        ({"wind_mps": float("nan")}, "not possible to run in"),
        ({"temperature_c": 300.0}, "not possible"),
        ({"splits": (Split(20, 3.3), Split(10, 2.0))}, "stands after"),
        ({"splits": (Split(10, 2.0), Split(20, 1.3))}, "is not later than the one before"),
        ({"splits": (Split(10, 2.0), Split(20, 2.0))}, "is not later than the one before"),
        ({"splits": (Split(10, 2.0), Split(20, 2.7))}, "faster than anybody runs"),
        ({"splits": (Split(10, 0.7),)}, "faster than anybody runs"),
        ({"splits": (Split(50, 7.5),)}, "faster than anybody runs"),
        ({"splits": (Split(70, 9.5),)}, "beyond the run"),
        ({"splits": (Split(60, 8.2),)}, "is not the time of the run"),
        ({"splits": (Split(50, 8.1),)}, "is not before the end"),
        ({"splits": (Split(10, 0.0),)}, "is zero"),
    ],
)
def test_each_fault_is_one_clear_sentence(changes: dict[str, object], words: str) -> None:
    with pytest.raises(OptionError, match=words) as error:
        checked_run(replace(RUN, **changes))  # type: ignore[arg-type]
    assert str(error.value).count(";") == 1 and str(error.value).endswith(".")


TABLE = """date,distance_m,time_s,method,wind_mps,condition,split_10,split_20
2026-05-01,60,8.10,gates,0.5,usual,2.00,3.30
2026-05-08,60,8.02,gates,,new shoes,,3.26
"""


def test_table_is_read(tmp_path: Path) -> None:
    file = tmp_path / "runs.csv"
    file.write_bytes(b"\xef\xbb\xbf" + TABLE.encode())
    first, second = read_run_times(file, "a")
    assert first == RunTime(
        "a", "2026-05-01", 60.0, 8.1, "gates", (Split(10, 2.0), Split(20, 3.3)), 0.5, condition="usual"
    )
    assert second.splits == (Split(20, 3.26),) and second.wind_mps is None


def test_semicolons_with_decimal_commas() -> None:
    (run,) = run_times_from_text(
        "date;distance_m;time_s;method;split_30\n2026-05-01;60;8,10;hand;4,5\n\n", "a"
    )
    assert run.time_s == 8.1 and run.splits == (Split(30, 4.5),)


@pytest.mark.parametrize(
    "text, words",
    [
        ("", "it is empty"),
        ("date,distance_m,time_s\n2026-05-01,60,8.1\n", "no column method"),
        (TABLE.split("\n")[0] + "\n", "no run"),
        (TABLE.replace("8.02", "fast"), "line 3: time_s is 'fast', not a number"),
        (TABLE.replace("8.02", ""), "line 3: time_s is empty"),
        (TABLE.replace("8.02", "-8.02"), "line 3: the time is negative"),
        (TABLE.replace("split_20", "split_far"), "'split_far' is not known"),
        (TABLE.replace("split_20", "split_10"), "twice"),
        (TABLE.replace("gates,0.5,", "gates,"), "line 2: it has 7 cells, the header 8"),
        (TABLE.replace("2.00,3.30", "3.40,3.30"), "line 2: the split at 20 m"),
    ],
)
def test_each_fault_of_a_table_names_its_line(text: str, words: str) -> None:
    with pytest.raises(OptionError) as error:
        run_times_from_text(text, "a", "runs.csv")
    assert words in str(error.value) and str(error.value).startswith("runs.csv")


def test_files_that_are_no_table(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="can't be read"):
        read_run_times(tmp_path / "none.csv", "a")
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(OptionError, match="UTF-8"):
        read_run_times(tmp_path / "binary.csv", "a")
    (tmp_path / "large.csv").write_bytes(b"x" * 1_000_001)
    with pytest.raises(OptionError, match="larger"):
        read_run_times(tmp_path / "large.csv", "a")


@given(
    st.lists(st.floats(-5, 20) | st.just(float("nan")), min_size=1, max_size=6),
    st.lists(st.floats(-10, 120), min_size=1, max_size=6),
)
def test_what_passes_is_in_order_and_possible(times: list[float], distances: list[float]) -> None:
    run = RunTime(
        "a", "2026-05-01", 100.0, 14.0, "hand", tuple(Split(d, t) for d, t in zip(distances, times))
    )
    if run_time_fault(run) is None:
        ends = [(0.0, 0.0), *((s.distance_m, s.time_s) for s in run.splits)]
        for (x, t), (y, u) in pairwise(ends):
            assert y > x and u > t and (y - x) / (u - t) <= 13.0


def _runs(times: list[float], start: int = 1, **facts: object) -> list[RunTime]:
    return [
        RunTime("a", f"2026-05-{start + i:02d}", 100.0, t, "gates", **facts)  # type: ignore[arg-type]
        for i, t in enumerate(times)
    ]


def test_half_a_second_in_100_m() -> None:
    """Beyond gates and an ordinary runner's days at 12 s, where 1.5 % and 1.96 root 2 allow 0.50 s, or not."""
    seen = compare_times(_runs([12.6]), _runs([12.0], 8))
    assert seen.detectable_s == pytest.approx(1.96 * 2**0.5 * np.hypot(0.015 * 12.3, 0.01), rel=1e-3)
    assert seen.verdict == "changed" and "0.60 s faster" in seen.sentence
    still = compare_times(_runs([12.5]), _runs([12.0], 8))
    assert still.verdict == "no change beyond error"
    assert "more than the timing error" in still.sentence
    tiny = compare_times(_runs([12.01]), _runs([12.0], 8))
    assert "within the timing error (0.03 s) alone" in tiny.sentence


def test_own_days_take_the_place_of_other_peoples() -> None:
    days = [12.30, 12.36, 12.26, 12.32, 12.28]
    seen = compare_times(_runs([12.5]), _runs([12.0], 8), [_runs(days)])
    sd = np.std(days, ddof=1)
    assert seen.own_days and seen.verdict == "changed"
    assert seen.detectable_s == pytest.approx(stats.t.ppf(0.975, 4) * 2**0.5 * sd)
    few = compare_times(_runs([12.5]), _runs([12.0], 8), [_runs(days[:2])])
    assert not few.own_days


def test_times_that_cannot_be_compared() -> None:
    longer = [replace(r, distance_m=200.0) for r in _runs([25.0])]
    assert "different distances" in compare_times(_runs([12.0]), longer).sentence
    by_hand = [replace(r, method="hand") for r in _runs([12.0])]
    seen = compare_times(_runs([12.0]), by_hand)
    assert seen.verdict == "not comparable" and "different ways" in seen.sentence
    with pytest.raises(ValueError):
        compare_times([], by_hand)


def test_wind_is_said_and_not_corrected() -> None:
    seen = compare_times(_runs([12.5], wind_mps=-1.0), _runs([12.2], 8, wind_mps=1.5))
    assert seen.difference_s == pytest.approx(-0.3)
    assert any("differs by 2.5 m/s" in n and "Nothing is corrected" in n for n in seen.notes)
    assert any("not given for both" in n for n in compare_times(_runs([12.5]), _runs([12.2], 8)).notes)


def test_timing_classes() -> None:
    """Common practice, no source: hand about 0.2 s, gates 0.01-0.02 s; video by closed form, T / root 6."""
    assert 1.96 * timing_sd("hand") == pytest.approx(0.2, abs=0.01)
    assert 1.96 * timing_sd("gates") == pytest.approx(0.02, abs=0.002)
    assert timing_sd("video", 240.0) == pytest.approx(0.00170, abs=1e-5)
    assert day_share(100)[0] < day_share(5000)[0]
