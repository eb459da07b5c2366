"""From the file's stamps to real seconds: which time base holds, and what speaks against it."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared.errors import OptionError
from vision.clip_probe import ClipProbe

FloatArray = NDArray[np.float64]

# Where phones write the rate at which a clip was taken.
CAPTURE_RATE_TAGS = ("com.android.capture.fps",)
# Rates that a camera of a runner can have, per second.
CAPTURE_RATE_RANGE_HZ = (1.0, 2000.0)
# A rate this close to the file's own (as a ratio) says the same thing.
SAME_RATE_RATIO = 1.06
# A tag must differ by this ratio to be believed over the stamps: phones lower their rate in
# poor light by less and keep the tag.
TAG_RATIO = 1.5
# Lasting sections: intervals that differ by this ratio, for so many frames.
SECTION_RATIO = 1.8
SECTION_FRAMES = 12
# An interval this much longer than the usual one means that frames are missing.
GAP_RATIO = 1.75


@dataclass(frozen=True)
class StampSection:
    """A stretch of frames whose stamps are evenly spaced.

    Attributes
    ----------
    start, stop : int
        Frames, half open.
    rate_hz : float
        Frames per second of play-back.
    """

    start: int
    stop: int
    rate_hz: float


@dataclass(frozen=True)
class TimeBase:
    """The map from play-back to real seconds.

    Attributes
    ----------
    kind : {"file", "tag", "user"}
        What the capture rate was taken from.
    factor : float
        Real seconds per second of play-back; 1/8 for 240/s played at 30/s.
    capture_rate_hz, container_rate_hz : float
        Frames per real second and per second of play-back.
    sections : tuple of StampSection
        More than one where the file's frame rate changes for good.
    notes : tuple of str
        Plain sentences for the user.
    """

    kind: Literal["file", "tag", "user"]
    factor: float
    capture_rate_hz: float
    container_rate_hz: float
    sections: tuple[StampSection, ...] = ()
    notes: tuple[str, ...] = ()

    def seconds(self, pts_s: FloatArray) -> FloatArray:
        """Real seconds of seconds of play-back, any shape."""
        return np.asarray(pts_s, dtype=np.float64) * self.factor


def typical_rate_hz(times_s: FloatArray) -> float:
    """Frames per second, from the intervals near their median.

    Parameters
    ----------
    times_s : (N,) array
        Increasing time stamps, s; N >= 2.

    Notes
    -----
    The median alone is rounded to the container's tick (4.17 ms becomes 4 ms), a plain mean
    counts missing frames; the mean of the intervals within half to one and a half medians
    does neither.
    """
    steps = np.diff(times_s)
    middle = np.median(steps)
    near = steps[(steps >= 0.5 * middle) & (steps <= 1.5 * middle)]
    return float(1.0 / near.mean())


def stamp_sections(times_s: FloatArray) -> tuple[StampSection, ...]:
    """Stretches of lasting frame rate, in order, covering all frames.

    Parameters
    ----------
    times_s : (N,) array
        Increasing time stamps, s.

    Returns
    -------
    tuple of StampSection
        One when the rate never changes by `SECTION_RATIO` for `SECTION_FRAMES` or more.
    """
    steps = np.diff(times_s)
    n = len(times_s)
    if n < 2:
        return ()
    cuts = [0]
    half = SECTION_FRAMES
    if len(steps) >= 2 * half:
        windows = np.lib.stride_tricks.sliding_window_view(steps, half)
        level = np.log(np.median(windows, axis=1))
        jump = level[half:] - level[:-half]  # jump[k]: steps[k+half:k+2*half] against steps[k:k+half]
        big = np.abs(jump) >= math.log(SECTION_RATIO)
        while big.any():
            k = int(np.argmax(np.where(big, np.abs(jump), 0)))
            same = np.flatnonzero(big & (np.abs(jump) >= np.abs(jump[k]) - 1e-9))
            run = same[(same >= k) & (same < k + half)]
            k = int(run[len(run) // 2])  # middle of a plateau of equal jumps
            cuts.append(_sharpest_cut(steps, k + half, half))
            big[max(0, k - half + 1) : k + half] = False
    cuts = sorted({*cuts, n})
    bounds = [(a, b) for a, b in itertools.pairwise(cuts) if b - a >= 2]
    sections = [StampSection(a, b, typical_rate_hz(times_s[a:b])) for a, b in bounds]
    merged: list[StampSection] = []
    for section in sections:
        last = merged[-1] if merged else None
        if last and max(last.rate_hz / section.rate_hz, section.rate_hz / last.rate_hz) < SECTION_RATIO:
            merged[-1] = StampSection(
                last.start, section.stop, typical_rate_hz(times_s[last.start : section.stop])
            )
        else:
            merged.append(section)
    if merged:
        merged[0] = StampSection(0, merged[0].stop, merged[0].rate_hz)
        merged[-1] = StampSection(merged[-1].start, n, merged[-1].rate_hz)
    return tuple(merged)


def _sharpest_cut(steps: FloatArray, near: int, reach: int) -> int:
    """The step within `reach` of `near` that best parts two levels; returned as a frame."""
    low, high = max(1, near - reach + 1), min(len(steps) - 1, near + reach)
    logs = np.log(steps)
    left, right = max(0, near - reach), min(len(steps), near + reach)

    def spread(cut: int) -> float:
        a, b = logs[left:cut], logs[cut:right]
        return float(np.abs(a - np.median(a)).sum() + np.abs(b - np.median(b)).sum())

    return min((c for c in range(low, high) if left < c < right), key=spread, default=near)


def time_base(clip: ClipProbe, capture_rate_hz: float | None = None) -> TimeBase:
    """Which time base holds for a clip.

    The user's word overrules a tag in the file, a tag overrules the stamps.

    Parameters
    ----------
    clip : ClipProbe
    capture_rate_hz : float, optional
        Frames per real second at which the user says the clip was taken.

    Raises
    ------
    OptionError
        `capture_rate_hz` is not a rate between 1 and 2000 per second.
    """
    low, high = CAPTURE_RATE_RANGE_HZ
    if capture_rate_hz is not None and not (low <= capture_rate_hz <= high):
        raise OptionError(
            "capture rate",
            f"{capture_rate_hz:g} frames per second is not a rate a camera can have",
            f"give a number between {low:g} and {high:g}, or leave it out to use the file's own time",
        )
    sections = stamp_sections(clip.times_s)
    notes = list(clip.notes)
    varied = len(sections) > 1
    # With sections of different rate, the fastest one is the camera's: the others were taken
    # at, or thinned to, a lower rate.
    container = max(s.rate_hz for s in sections) if varied else typical_rate_hz(clip.times_s)
    if varied:
        notes.append(_sections_note(sections))
    elif gaps := _gaps_note(clip.times_s):
        notes.append(gaps)
    if capture_rate_hz is not None:
        factor = container / capture_rate_hz
        if max(factor, 1 / factor) > SAME_RATE_RATIO:
            notes.append(
                f"You gave {capture_rate_hz:g} frames per second; the file plays at {container:.4g}, "
                f"so all times are multiplied by {factor:.4g}."
            )
        return TimeBase("user", factor, capture_rate_hz, container, sections, tuple(notes))
    tagged, tag_notes = _tagged_rate_hz(clip.capture_tags)
    notes += tag_notes
    if tagged is not None:
        ratio = max(tagged / container, container / tagged)
        if ratio >= TAG_RATIO:
            factor = container / tagged
            how = "slow motion" if factor < 1 else "time lapse"
            notes.append(
                f"The file says it was taken at {tagged:.4g} frames per second and plays at {container:.4g} "
                f"({how}); all times are multiplied by {factor:.4g}. If it was exported at normal speed, "
                f"give the capture rate {container:.4g}."
            )
            return TimeBase("tag", factor, tagged, container, sections, tuple(notes))
        if ratio > SAME_RATE_RATIO:
            notes.append(
                f"The file says it was taken at {tagged:.4g} frames per second, its time stamps say "
                f"{container:.4g}; the time stamps are used."
            )
    return TimeBase("file", 1.0, container, container, sections, tuple(notes))


def _sections_note(sections: tuple[StampSection, ...]) -> str:
    rates = ", then ".join(f"{s.rate_hz:.4g}" for s in sections[:5])
    more = " and so on" if len(sections) > 5 else ""
    return (
        f"The frame rate in the file changes: {rates}{more} frames per second. The time stamps are taken as "
        "real time; if part of the clip plays in slow motion, cut it to that part and give the capture rate."
    )


def _gaps_note(times_s: FloatArray) -> str | None:
    """A sentence on frames that are missing between the stamps, None where none is."""
    steps = np.diff(times_s)
    gaps = steps > GAP_RATIO * np.median(steps)
    if not gaps.any():
        return None
    at, n = int(np.argmax(steps)), int(gaps.sum())
    return (
        f"Between some frames more time passes than usual ({n} {'gap' if n == 1 else 'gaps'}, the largest "
        f"{steps[at]:.2f} s at {times_s[at]:.2f} s of play-back): the camera left out frames; their true times "
        "are used."
    )


def _tagged_rate_hz(tags: tuple[tuple[str, str, str], ...]) -> tuple[float | None, list[str]]:
    """The capture rate that the tags agree on, with notes on those not used."""
    rates: list[float] = []
    notes: list[str] = []
    for _, key, value in tags:
        if re.sub(r"[\s_-]+", ".", key.strip().lower()) not in CAPTURE_RATE_TAGS:
            continue
        rate = _rate_from_text(value)
        if rate is None:
            notes.append(f"The file's capture rate “{value[:20]}” makes no sense and is not used.")
        else:
            rates.append(rate)
    if not rates:
        return None, notes
    if max(rates) / min(rates) > SAME_RATE_RATIO:
        notes.append("The file names several capture rates that disagree; none is used.")
        return None, notes
    return rates[0], notes


def _rate_from_text(text: str) -> float | None:
    number = re.match(
        r"\s*(\d+(?:[.,]\d+)?)\s*(?:/\s*(\d+(?:[.,]\d+)?))?\s*(?:fps|hz|/s)?\s*$", text, re.IGNORECASE
    )
    if number is None:
        return None
    value = float(number[1].replace(",", "."))
    if number[2]:
        below = float(number[2].replace(",", "."))
        value = value / below if below else math.nan
    low, high = CAPTURE_RATE_RANGE_HZ
    return value if low <= value <= high else None
