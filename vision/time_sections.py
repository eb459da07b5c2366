"""A clip that changes between normal speed and slow motion is measured over one section only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.clip_ramps import Ramp
from vision.raw import RawTrack
from vision.timebase import TimeBase

BoolArray = NDArray[np.bool_]

WHOLE_FACTOR: Final = 0.15
"""A measured slow-down this near (as a share) to a whole number is taken to be that number."""


@dataclass(frozen=True)
class Section:
    """The part of a clip that one time base holds for.

    Attributes
    ----------
    keep : (T,) bool array
        Samples of the section.
    slow_down : int
        How many times slower than stamped the section plays; its times are divided by this.
    note : str or None
    """

    keep: BoolArray
    slow_down: int
    note: str | None


def one_speed(raw: RawTrack, ramps: Sequence[Ramp], base: TimeBase) -> Section:
    """The section to measure.

    Parameters
    ----------
    raw : RawTrack
    ramps : sequence of Ramp
        Slow sections, positions in `raw`.
    base : TimeBase

    Returns
    -------
    Section
        Where the time base comes from a tag or the user, it speaks of the slow sections, so the
        longest of them is kept. Else the longest section is kept; a slow one has its times
        divided by the slow-down when that is near a whole number.
    """
    everything = np.ones(len(raw.frame), dtype=bool)
    if not ramps:
        return Section(everything, 1, None)
    slow = np.zeros(len(raw.frame), dtype=np.int64)
    for number, ramp in enumerate(ramps, start=1):
        slow[ramp.start : ramp.stop] = number
    edges = np.flatnonzero(np.diff(slow, prepend=slow[0] - 1))
    spans = [(int(a), int(b), int(slow[a])) for a, b in zip(edges, [*edges[1:], len(slow)])]
    told = base.kind != "file" and base.factor < 0.9
    candidates = [s for s in spans if s[2]] if told else spans
    start, stop, number = max(candidates or spans, key=lambda s: s[1] - s[0])
    keep = np.zeros(len(raw.frame), dtype=bool)
    keep[start:stop] = True
    first, last = int(raw.frame[start]), int(raw.frame[stop - 1])
    where = f"only frames {first} to {last} are measured"
    if told or not number:
        return Section(keep, 1, f"The clip changes between normal speed and slow motion; {where}.")
    factor = ramps[number - 1].factor
    whole = max(2, round(factor))
    if abs(factor / whole - 1) > WHOLE_FACTOR:
        return Section(
            keep,
            1,
            f"The clip changes between normal speed and slow motion (about {factor:.1f} times); {where}, and all "
            "times in it are too long by that: film without slow motion or give the capture rate.",
        )
    return Section(
        keep,
        whole,
        f"The clip changes between normal speed and slow motion; {where}, where it plays {whole} times "
        f"slower (measured {factor:.1f}): times are divided by {whole}. Give the capture rate if that is wrong.",
    )
