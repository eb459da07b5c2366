"""The error of a difference between two takes of one athlete.

What both takes have alike cancels in their difference; what each draws anew does not. `KEPT` says
which share of each part of a measure's error is left in one take's side of a difference, and why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from scipy import special

from shared.analysis import Measure
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from technique.comparison_family import Row
from technique.comparison_repeats import FREEDOM_NEEDED, own_errors
from technique.reliability import Z95, Repeatability
from technique.repeat_table import published_sem, repeat_row
from technique.takes import Take

Source = Literal["own repeats", "published", "judged"]

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
MOVED: Final[Mapping[str, float]] = {"event method": 0.25, "model": 0.25}
"""Share of these parts that is left in a difference even where own repeats stand: they are the same in every
repeat of one motion, so repeats can't show them, but another motion shifts them (a touchdown is picked a
little otherwise when the knee comes higher). A judgement, set on runners that no reported figure uses."""
SCALE_KEPT: Final[tuple[float, float]] = (0.0, 0.25)
"""The scale, where both takes have it from the same stature or mark: most of its error is the body's
proportions, which are the same. Else it stays whole."""


@dataclass(frozen=True)
class DifferenceError:
    """How large a difference by error alone may be.

    Attributes
    ----------
    source : {"own repeats", "published", "judged"}
        Where the repeat error comes from.
    repeat : float
        SEM of one pass (same day), or of one take (another day), in the unit of the measure.
    freedom : float
        Of it.
    repeat_sd : float
        1 SD of the difference by the repeat error.
    clip_sd : float
        1 SD of the difference by what the clips' own intervals leave of what each take draws anew.
    moved_sd : float
        1 SD of the difference by what another motion may shift although repeats don't show it; 0 where
        it stands in one of the others.
    """

    source: Source
    repeat: float
    freedom: float
    repeat_sd: float
    clip_sd: float
    moved_sd: float = 0.0

    def half_width(self, p: float = 0.05) -> float:
        """Difference that error alone exceeds with chance `p`; at 5 % the minimal detectable change."""
        return max(_point(p, freedom) * sd for sd, freedom in self._spreads())

    def chance(self, difference: float) -> float:
        """Chance of at least this difference from error alone: the larger by either error."""
        return max(_chance(difference, sd, freedom) for sd, freedom in self._spreads())

    def surely_seen(self, p: float = 0.05, power: float = 0.95) -> float:
        """True difference that is called at level `p` in that share of comparisons."""
        return self.half_width(p) + float(special.ndtri(power)) * max(sd for sd, _ in self._spreads())

    def with_passes(self, times: float) -> DifferenceError:
        """The same with `times` as many passes in each take, where passes are the repeats (same day)."""
        root = times**0.5
        return replace(self, repeat_sd=self.repeat_sd / root, clip_sd=self.clip_sd / root)

    def _spreads(self) -> tuple[tuple[float, float], ...]:
        """SD and degrees of freedom by the repeats, these with what may be moved, and by the clips."""
        whole = float((self.repeat_sd**2 + self.moved_sd**2) ** 0.5)
        freedom = self.freedom
        if self.repeat_sd > 0.0 and freedom != float("inf"):
            # Welch and Satterthwaite: the second part counts as known.
            freedom *= (whole / self.repeat_sd) ** 4
        clip = float((self.clip_sd**2 + self.moved_sd**2) ** 0.5)
        # The repeats alone too: a well-known part must not make a poorly known one look well known.
        return (self.repeat_sd, self.freedom), (whole, freedom), (clip, float("inf"))


def kept_half_width(m: Measure, same_day: bool, same_scale: bool, measured_repeats: bool = False) -> float:
    """95 % half-width of one take's own error in a difference.

    Parameters
    ----------
    m : Measure
    same_day : bool
    same_scale : bool
        Both takes have metres from the same thing.
    measured_repeats : bool
        Only what each take draws anew: the athlete's own repeats hold what else differs from take to take.
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


def moved_half_width(m: Measure) -> float:
    """95 % half-width of what another motion may shift in one take, by `MOVED`."""
    return float(sum((MOVED[k] * v) ** 2 for k, v in m.error_parts.items() if k in MOVED) ** 0.5)


def of_take(t: Take, key: str, side: SideOrBoth, half_width: Callable[[Measure], float]) -> float | None:
    """A half-width of a take's measure; a symmetry's is made of its two sides. None without a value."""
    m = t.measure(key, side)
    if m is None or m.value is None:
        return None
    if not key.startswith(SYMMETRY_PREFIX):
        return half_width(m)
    sides = [t.measure(key.removeprefix(SYMMETRY_PREFIX), s) for s in ("left", "right")]
    if any(s is None or s.value is None for s in sides):
        return half_width(m)
    halves = [half_width(s) for s in sides if s is not None]
    factor = 1.0 if m.unit == "deg" else 100.0 / abs(side_mean(t, key) or 1.0)
    return float(factor * sum(h**2 for h in halves) ** 0.5)


def side_mean(t: Take, key: str) -> float | None:
    """Mean of both sides of the measure a symmetry is made of."""
    found = [t.measure(key.removeprefix(SYMMETRY_PREFIX), s) for s in ("left", "right")]
    values = [m.value for m in found if m is not None and m.value is not None]
    return sum(values) / 2.0 if len(values) == 2 else None


def table_sem(takes: Sequence[Take], key: str, side: SideOrBoth, same_day: bool) -> float:
    """SEM by the table at the level of these takes."""
    values = [v for t in takes if (v := _value(t, key, side)) is not None]
    means = [m for t in takes if (m := side_mean(t, key)) is not None]
    level = sum(values) / len(values)
    return published_sem(key, level, same_day, sum(means) / len(means) if means else None)


def own_difference_errors(
    before: Sequence[Take],
    after: Sequence[Take],
    rows: Sequence[Row],
    same_day: bool,
    repeats: Sequence[Sequence[Take]],
) -> dict[Row, Repeatability]:
    """The athlete's own repeat error of each row that has any, for `difference_error`.

    Parameters
    ----------
    before, after : sequence of Take
    rows : sequence of (key, side)
        Rows that every take holds.
    same_day : bool
    repeats : sequence of sequence of Take
        Conditions with their takes, as by `technique.comparison_repeats.all_repeats`.
    """
    takes = (*before, *after)
    expected = {}
    for key, side in rows:
        if not same_day:
            expected[key, side] = table_sem(takes, key, side, False)
            continue
        squares = [
            (of_take(t, key, side, lambda m: kept_half_width(m, True, True, True)) or 0.0) ** 2
            * t.pass_count(key, side)
            for t in takes
        ]
        own = float((sum(squares) / len(squares)) ** 0.5) / Z95
        expected[key, side] = max(own, table_sem(takes, key, side, True))
    return own_errors(rows, repeats, same_day, expected)[0]


def difference_error(
    before: Sequence[Take],
    after: Sequence[Take],
    key: str,
    side: SideOrBoth,
    same_day: bool,
    own: Repeatability | None = None,
) -> DifferenceError:
    """Error of the difference between two groups of takes that all hold the measure.

    Until the athlete's own repeats have enough degrees of freedom the table stands in, or the repeats where
    they show more, and the larger of two is taken, since each holds part of the other: the repeat error and
    what the clips' own intervals leave in a difference. Where own repeats stand, the larger of them and of
    what the clips drew anew, and `MOVED` on top.

    Parameters
    ----------
    own : Repeatability, optional
        As by `own_difference_errors`: of one pass (same day) or of one day.
    """
    takes = (*before, *after)
    within = table_sem(takes, key, side, True)
    table = within if same_day else table_sem(takes, key, side, False)
    used, source = Repeatability(table, float("inf")), _table_source(key, same_day)
    enough = own is not None and own.freedom >= FREEDOM_NEEDED
    if own is not None and (enough or own.sem > table):
        used = own if enough else Repeatability(own.sem, float("inf"))
        source = "own repeats" if enough else source
    by_pass = same_day or not enough
    lasting = 0.0 if same_day else max(used.sem**2 - within**2, 0.0)
    scales = {t.scale_from for t in takes}
    same_scale = len(scales) == 1 and len(next(iter(scales))) == 1
    clip = moved = repeat = 0.0
    for group in (before, after):
        share = 1.0 / len(group) ** 2
        for t in group:
            half = of_take(t, key, side, lambda m: kept_half_width(m, same_day, same_scale, enough)) or 0.0
            clip += share * half**2
            if enough:
                moved += share * (of_take(t, key, side, moved_half_width) or 0.0) ** 2
            count = t.pass_count(key, side) if by_pass else 1
            repeat += share * (lasting + (used.sem**2 - lasting) / count)
    return DifferenceError(source, used.sem, used.freedom, repeat**0.5, clip**0.5 / Z95, moved**0.5 / Z95)


def _point(p: float, freedom: float = float("inf")) -> float:
    """Two-sided point of Student's t."""
    return -float(special.ndtri(p / 2.0) if freedom == float("inf") else special.stdtrit(freedom, p / 2.0))


def _chance(difference: float, sd: float, freedom: float = float("inf")) -> float:
    if sd <= 0.0:
        return 0.0 if difference else 1.0
    z = abs(difference) / sd
    return 2.0 * float(special.ndtr(-z) if freedom == float("inf") else special.stdtr(freedom, -z))


def comparable_keys(takes: Sequence[Take]) -> list[Row]:
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
