"""Whether two groups of timed runs differ by more than timing and the athlete's days can bring."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from shared.history_values import RunTime, TimingMethod
from technique.reliability import Z95, Repeatability, pooled_repeatability, t95
from technique.repeat_table import between_day
from technique.run_times import SAME_DISTANCE_M

LEAST_FREEDOM: Final[int] = 3
"""Degrees of freedom from which the athlete's own days stand alone (a judgement)."""
METHOD_WORDS: Final[dict[str, str]] = {"hand": "by hand", "gates": "by light gates", "video": "from video"}

TimeVerdict = Literal["changed", "no change beyond error", "not comparable"]


@dataclass(frozen=True)
class TimeComparison:
    """Two groups of runs over one distance.

    Attributes
    ----------
    distance_m : float or None
    before_s, after_s : float or None
        Mean times.
    difference_s, low_s, high_s : float or None
        After minus before; negative = faster.
    detectable_s : float or None
        What timing and day together can bring, 95 %.
    timing_s : float or None
        What the timing alone can bring, 95 %.
    own_days : bool
        The day-to-day spread is the athlete's own.
    verdict : {"changed", "no change beyond error", "not comparable"}
    sentence : str
        To be printed unchanged.
    notes : tuple of str
    """

    distance_m: float | None
    before_s: float | None
    after_s: float | None
    difference_s: float | None
    low_s: float | None
    high_s: float | None
    detectable_s: float | None
    timing_s: float | None
    own_days: bool
    verdict: TimeVerdict
    sentence: str
    notes: tuple[str, ...]


def timing_sd(method: TimingMethod, frame_rate_hz: float = 60.0) -> float:
    """1 SD of a time by the way it was taken, s; from video T / root 6 (see the table's sources)."""
    if method == "video":
        return float(1.0 / frame_rate_hz / 6.0**0.5)
    return float(between_day()["timing"][method]["sd_s"])


def day_share(distance_m: float) -> tuple[float, str]:
    """Day-to-day spread of one runner's time as a share of it (1 SD), and its source."""
    rows = between_day()["run_time_day"]
    row = rows["sprint"] if distance_m <= rows["sprint"]["longest_m"] else rows["longer"]
    return float(row["share"]), str(row["source"])


def compare_times(
    before: Sequence[RunTime],
    after: Sequence[RunTime],
    repeats: Sequence[Sequence[RunTime]] = (),
    frame_rate_hz: float = 60.0,
) -> TimeComparison:
    """Whether two groups of runs differ by more than the timing and the athlete's days can bring.

    Parameters
    ----------
    before, after : sequence of RunTime
        Of one athlete; groups are averaged.
    repeats : sequence of sequence of RunTime
        Runs of unchanged conditions, each inner sequence one condition, over the same distance.
    frame_rate_hz : float
        Of the video, for times read from it.

    Raises
    ------
    ValueError
        If a group is empty.
    """
    if not before or not after:
        raise ValueError("both groups need at least one run")
    runs = (*before, *after)
    first, last = _mean(before), _mean(after)
    if reason := _time_reason(runs):
        return TimeComparison(
            None,
            first,
            last,
            None,
            None,
            None,
            None,
            None,
            False,
            "not comparable",
            f"Not comparable: {reason}.",
            (),
        )
    distance = before[0].distance_m
    timing = sum(
        sum(timing_sd(r.method, frame_rate_hz) ** 2 for r in g) / len(g) ** 2 for g in (before, after)
    )
    share, source = day_share(distance)
    own = _own_spread(repeats, distance)
    mean = (first + last) / 2.0
    enough = own is not None and own.freedom >= LEAST_FREEDOM
    table = share * mean
    if own is not None and (enough or own.sem > table):
        day = Repeatability(own.sem, own.freedom if enough else float("inf"))
    else:
        day = Repeatability(table, float("inf"))
    count = 1.0 / len(before) + 1.0 / len(after)
    # The athlete's own repeats were timed too, so they hold the timing error already.
    repeat = t95(day.freedom) * day.sem * count**0.5
    timing_half = Z95 * timing**0.5
    half = max(repeat, timing_half) if enough else float(math.hypot(repeat, timing_half))
    d = last - first
    verdict: TimeVerdict = "changed" if abs(d) > half else "no change beyond error"
    return TimeComparison(
        distance,
        first,
        last,
        d,
        d - half,
        d + half,
        half,
        timing_half,
        enough,
        verdict,
        _time_sentence(distance, first, last, half, timing_half, verdict, enough),
        _time_notes(before, after, enough, source, distance),
    )


def _own_spread(repeats: Sequence[Sequence[RunTime]], distance: float) -> Repeatability | None:
    groups = []
    for same in repeats:
        days: dict[str, list[float]] = {}
        for r in same:
            if abs(r.distance_m - distance) <= SAME_DISTANCE_M:
                days.setdefault(r.date[:10], []).append(r.time_s)
        groups.append([sum(v) / len(v) for v in days.values()])
    return pooled_repeatability(groups)


def _time_reason(runs: Sequence[RunTime]) -> str | None:
    distances = {round(r.distance_m, 2) for r in runs}
    if len(distances) > 1:
        return f"the runs are over different distances ({', '.join(f'{d:g} m' for d in sorted(distances))})"
    methods = sorted({r.method for r in runs})
    if len(methods) > 1:
        return (
            f"the times were taken in different ways ({' and '.join(METHOD_WORDS[m] for m in methods)}), "
            "and a hand starts late: for 100 m by about 0.24 s"
        )
    return None


def _time_sentence(
    distance: float, first: float, last: float, half: float, timing: float, verdict: TimeVerdict, own: bool
) -> str:
    d = last - first
    word = "faster" if d < 0 else "slower"
    text = f"{distance:g} m: {first:.2f} s to {last:.2f} s, {abs(d):.2f} s {word}; "
    whose = "your own days" if own else "an ordinary runner's days"
    if verdict == "changed":
        return text + f"changed, more than the {half:.2f} s that timing and {whose} bring."
    beyond = "more than the timing error" if abs(d) > timing else "within the timing error"
    return text + (
        f"no change beyond error: {beyond} ({timing:.2f} s), but within the {half:.2f} s that timing and {whose} bring."
        if abs(d) > timing
        else f"no change beyond error: {beyond} ({timing:.2f} s) alone."
    )


def _time_notes(
    before: Sequence[RunTime], after: Sequence[RunTime], own: bool, source: str, distance: float
) -> tuple[str, ...]:
    notes = []
    if not own:
        notes.append(
            f"The day-to-day spread is not the athlete's own yet ({source}). Time the unchanged run on 4 days or more."
        )
    winds = [[r.wind_mps for r in g if r.wind_mps is not None] for g in (before, after)]
    rule = between_day()["wind"]
    if all(winds):
        d = sum(winds[1]) / len(winds[1]) - sum(winds[0]) / len(winds[0])
        if abs(d) > rule["largest_difference_mps"]:
            worth = abs(d) * rule["s_per_mps_100m"] * distance / 100.0
            notes.append(
                f"The wind differs by {abs(d):.1f} m/s, which alone may be worth about {worth:.2f} s "
                f"({rule['source']}). Nothing is corrected for it."
            )
    elif distance <= 200:
        notes.append("The wind is not given for both, so part of a difference may be the wind's.")
    return tuple(notes)


def _mean(runs: Sequence[RunTime]) -> float:
    return sum(r.time_s for r in runs) / len(runs)
