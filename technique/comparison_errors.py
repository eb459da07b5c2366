"""The error of a difference between two takes of one athlete.

What both takes have alike cancels in their difference; what each draws anew does not. `KEPT` says
which share of each part of a measure's error is left in one take's side of a difference, and why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from scipy import stats

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from technique.reliability import Z95, Repeatability, pooled_repeatability
from technique.repeat_table import published_sem, repeat_row
from technique.takes import Take

Source = Literal["own repeats", "published", "judged"]

FREEDOM_NEEDED: Final[int] = 3
"""Degrees of freedom from which the athlete's own repeats stand alone (4 takes of one condition, or 2
takes in each of 3 sessions; a judgement)."""

KEPT: Final[Mapping[str, tuple[float, float]]] = {
    # part: (same day, camera untouched; another day)
    "model bias": (0.0, 0.0),
    "out of plane": (0.0, 0.25),
    "model": (0.25, 0.25),
    "event method": (0.5, 0.5),
    "view angle": (0.0, 1.0),
    "camera roll": (0.0, 1.0),
    "segment masses": (0.0, 0.0),
    "mass": (0.0, 0.0),
    "leg length": (0.0, 0.0),
    "method": (0.0, 0.0),
}
"""Share of the half-width left in a difference; a part that is not named here stays whole. Judgements,
except for what is the same by construction (bias, masses, lengths, formula)."""
SCALE_KEPT: Final[tuple[float, float]] = (0.0, 0.25)
"""The scale, where both takes have it from the same stature or mark: most of its error is the body's
proportions, which are the same. Else it stays whole."""


@dataclass(frozen=True)
class DifferenceError:
    """How large a difference by error alone may be.

    Attributes
    ----------
    half_width : float
        95 %; the minimal detectable change of this pair.
    freedom : float
    source : {"own repeats", "published", "judged"}
        Where the repeat error comes from.
    repeat : float
        SEM of one take, in the unit of the measure.
    repeat_sd, clip_sd : float
        1 SD of the difference by the repeat error, and by what the clips' own intervals leave.
    """

    half_width: float
    freedom: float
    source: Source
    repeat: float
    repeat_sd: float
    clip_sd: float

    def chance(self, difference: float) -> float:
        """Chance of at least this difference from error alone: the larger by either error."""
        return max(_chance(difference, self.repeat_sd, self.freedom), _chance(difference, self.clip_sd))


def kept_half_width(m: Measure, same_day: bool, same_scale: bool, measured_repeats: bool = False) -> float:
    """95 % half-width of one take's own error in a difference.

    Parameters
    ----------
    m : Measure
    same_day : bool
    same_scale : bool
        Both takes have metres from the same thing.
    measured_repeats : bool
        The athlete's own repeats hold what model and event errors do from clip to clip, so these are
        left out.
    """
    if not m.error_parts:
        return 0.0 if m.low is None or m.high is None else (m.high - m.low) / 2.0
    column = 0 if same_day else 1
    squares = 0.0
    for name, half in m.error_parts.items():
        share = KEPT.get(name, (1.0, 1.0))[column]
        if name == "scale" and same_scale:
            share = SCALE_KEPT[column]
        if measured_repeats and name in KEPT:
            share = 0.0
        squares += (share * half) ** 2
    return float(squares**0.5)


def take_half_width(
    t: Take, key: str, side: SideOrBoth, same_day: bool, same_scale: bool, measured_repeats: bool
) -> float | None:
    """The same for a take's measure; a symmetry is made of its two sides. None without a value."""
    m = t.measure(key, side)
    if m is None or m.value is None:
        return None
    if not key.startswith(SYMMETRY_PREFIX):
        return kept_half_width(m, same_day, same_scale, measured_repeats)
    sides = [t.measure(key.removeprefix(SYMMETRY_PREFIX), s) for s in ("left", "right")]
    if any(s is None or s.value is None for s in sides):
        return kept_half_width(m, same_day, same_scale, measured_repeats)
    halves = [kept_half_width(s, same_day, same_scale, measured_repeats) for s in sides if s is not None]
    factor = 1.0 if m.unit == "deg" else 100.0 / abs(side_mean(t, key) or 1.0)
    return float(factor * sum(h**2 for h in halves) ** 0.5)


def side_mean(t: Take, key: str) -> float | None:
    """Mean of both sides of the measure a symmetry is made of."""
    found = [t.measure(key.removeprefix(SYMMETRY_PREFIX), s) for s in ("left", "right")]
    values = [m.value for m in found if m is not None and m.value is not None]
    return sum(values) / 2.0 if len(values) == 2 else None


def own_repeatability(
    repeats: Sequence[Sequence[Take]], key: str, side: SideOrBoth, same_day: bool
) -> Repeatability | None:
    """SEM from the athlete's own repeated takes of an unchanged condition.

    Parameters
    ----------
    repeats : sequence of sequence of Take
        Each inner sequence holds takes of one unchanged condition, on one day or on several.
    key, side : str
    same_day : bool
        True: spread of takes of the same day. False: spread of the means of days, for which takes of
        one day say nothing.
    """
    groups: list[list[float]] = []
    for number, same in enumerate(repeats):
        days: dict[str, list[float]] = {}
        for i, t in enumerate(same):
            m = t.measure(key, side)
            if m is not None and m.value is not None:
                # A take without a date is on a day of its own.
                days.setdefault(t.day or f"unknown {number}.{i}", []).append(m.value)
        if same_day:
            groups += list(days.values())
        else:
            groups.append([sum(v) / len(v) for v in days.values()])
    return pooled_repeatability(groups)


def difference_error(
    before: Sequence[Take],
    after: Sequence[Take],
    key: str,
    side: SideOrBoth,
    same_day: bool,
    repeats: Sequence[Sequence[Take]] = (),
) -> DifferenceError:
    """Error of the difference between two groups of takes that all hold the measure.

    The larger of two is taken, since each holds part of the other: the repeat error (SEM times root of
    1/m + 1/n, t), and what the clips' own intervals leave in a difference. Until the athlete's own
    repeats have `FREEDOM_NEEDED` degrees of freedom the table stands in, or the repeats where they
    show more.
    """
    values = [v for t in (*before, *after) if (v := _value(t, key, side)) is not None]
    level = sum(values) / len(values)
    means = [m for t in (*before, *after) if (m := side_mean(t, key)) is not None]
    table = published_sem(key, level, same_day, sum(means) / len(means) if means else None)
    own = own_repeatability(repeats, key, side, same_day)
    used, source = Repeatability(table, float("inf")), _table_source(key, same_day)
    enough = own is not None and own.freedom >= FREEDOM_NEEDED
    if own is not None and (enough or own.sem > table):
        used = own if enough else Repeatability(own.sem, float("inf"))
        source = "own repeats" if enough else source
    scales = {t.scale_from for t in (*before, *after)}
    same_scale = len(scales) == 1 and len(next(iter(scales))) == 1
    clip = 0.0
    for group in (before, after):
        halves = [take_half_width(t, key, side, same_day, same_scale, enough) or 0.0 for t in group]
        clip += sum(h**2 for h in halves) / len(halves) ** 2
    count = (1.0 / len(before) + 1.0 / len(after)) ** 0.5
    repeat = used.detectable / 2.0**0.5 * count
    return DifferenceError(
        max(repeat, clip**0.5), used.freedom, source, used.sem, used.sem * count, clip**0.5 / Z95
    )


def _chance(difference: float, sd: float, freedom: float = float("inf")) -> float:
    if sd <= 0.0:
        return 0.0 if difference else 1.0
    z = abs(difference) / sd
    return 2.0 * float(stats.norm.sf(z) if freedom == float("inf") else stats.t.sf(z, freedom))


def comparable_keys(takes: Sequence[Take]) -> list[tuple[str, SideOrBoth]]:
    """Every key and side in the takes, in the catalogue's order, symmetries last, classes left out."""
    order = {key: i for i, key in enumerate(MEASURES)}
    last = len(order)
    found = {
        (m.key, m.side) for t in takes for m in t.measures if m.unit != "class" and m.key != "strike_pattern"
    }
    return sorted(
        found,
        key=lambda ks: (
            ks[0].startswith(SYMMETRY_PREFIX),
            order.get(ks[0].removeprefix(SYMMETRY_PREFIX), last),
            ks[1],
        ),
    )


def _value(t: Take, key: str, side: SideOrBoth) -> float | None:
    m = t.measure(key, side)
    return None if m is None else m.value


def _table_source(key: str, same_day: bool) -> Source:
    return "published" if repeat_row(key).published(same_day) else "judged"
