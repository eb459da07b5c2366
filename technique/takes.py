"""A take: what one session's clips show in one condition, with what decides if two may be compared."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from shared.analysis import Analysis, Measure
from shared.catalogue import SYMMETRY_PREFIX
from shared.history_values import RepeatGroup, SeriesPoint
from shared.landmarks import Side, SideOrBoth
from technique.measures import TIME_KEYS
from technique.pooling import pooled, pooled_passes

LARGEST_SPEED_CHANGE: Final[float] = 0.05
"""Share of speed beyond which nothing but the speed is compared (a judgement)."""
LARGEST_RATE_CHANGE: Final[float] = 0.05
LARGEST_YAW_CHANGE_DEG: Final[float] = 10.0
"""Camera angles further apart than this are another view (a judgement)."""
TIMED: Final[frozenset[str]] = frozenset(
    (
        *TIME_KEYS,
        "speed",
        "step_length",
        "leg_stiffness",
        "vertical_stiffness",
        "vertical_force_peak",
        "thigh_angular_velocity_forward",
        "thigh_angular_velocity_back",
        "hip_moment_swing_flexion",
        "hip_moment_swing_extension",
        "hip_power_swing_peak",
    )
)
"""Measures that rest on the time base and the frame rate."""
AT_EVENT: Final[tuple[str, ...]] = ("_td", "_to", "_midstance", "td_distance", "strike_pattern")
"""Read at a touchdown or toe-off, which another frame rate picks otherwise."""
FREE_OF_VIEW: Final[frozenset[str]] = frozenset((*TIME_KEYS, "vertical_force_peak"))


@dataclass(frozen=True)
class Pass:
    """One clip of a take."""

    near_side: Side
    measures: tuple[Measure, ...]

    @cached_property
    def by_key(self) -> dict[tuple[str, SideOrBoth], Measure]:
        """Its measures."""
        return {(m.key, m.side): m for m in self.measures}


@dataclass(frozen=True)
class Take:
    """What the clips of one athlete, day and condition show together.

    Attributes
    ----------
    label : str
        In the user's words ("before", "with the belt").
    date : str
        ISO 8601 day or day and time; empty when not known.
    measures : tuple of Measure
        Pooled over the clips; see `technique.pooling`.
    near_sides : frozenset of {"left", "right"}
        Sides that were towards the camera in one of the clips.
    cameras : frozenset of {"still", "panning", "treadmill"}
    capture_rates_hz : tuple of float
        Lowest and highest.
    yaw_deg : float or None
        Camera off a true side view, mean of the clips; None when not known.
    models, versions : frozenset of str
        Pose weights and program versions (major.minor).
    time_bases : frozenset of str
        Empty when not known.
    speed_mps : float or None
        Measured, else as given for the session.
    side_speeds : tuple of (side, m/s)
        Mean measured speed of the clips filmed from that side, where known.
    scale_from : frozenset of str
        Where metres come from, with the stature it rests on; empty when not known.
    clips : frozenset of str
        Hashes of the files.
    passes : tuple of Pass
        The clips one by one where there are several, so that the spread between them can be seen; empty
        for a single clip.
    """

    label: str
    date: str
    measures: tuple[Measure, ...]
    near_sides: frozenset[Side]
    cameras: frozenset[str]
    capture_rates_hz: tuple[float, float]
    yaw_deg: float | None
    models: frozenset[str]
    versions: frozenset[str]
    time_bases: frozenset[str]
    speed_mps: float | None
    side_speeds: tuple[tuple[Side, float], ...]
    scale_from: frozenset[str]
    clips: frozenset[str]
    passes: tuple[Pass, ...] = ()

    def measure(self, key: str, side: SideOrBoth) -> Measure | None:
        """The measure of that key and side, or None."""
        return self._by_key.get((key, side))

    @cached_property
    def _by_key(self) -> dict[tuple[str, SideOrBoth], Measure]:
        return {(m.key, m.side): m for m in self.measures}

    @property
    def day(self) -> str:
        """The day alone."""
        return self.date[:10]

    def pass_values(self, key: str, side: SideOrBoth) -> tuple[float, ...]:
        """The values that the passes show one by one, of those with that side near where there are any.

        These are the passes that `technique.pooling` makes the take's own value of.
        """
        if not self.passes:
            m = self.measure(key, side)
            return () if m is None or m.value is None else (m.value,)
        found = [(p, m.value) for p in self.passes if (m := p.by_key.get((key, side))) is not None]
        near = [v for p, v in found if v is not None and side in ("both", p.near_side)]
        return tuple(near or [v for _, v in found if v is not None])

    def pass_count(self, key: str, side: SideOrBoth) -> int:
        """How many passes stand behind the measure, at least 1; for a symmetry the fewer of both sides."""
        base = key.removeprefix(SYMMETRY_PREFIX)
        if base == key:
            return max(len(self.pass_values(key, side)), 1)
        return min(self.pass_count(base, "left"), self.pass_count(base, "right"))


def take(analyses: Sequence[Analysis], label: str, date: str = "", speed_mps: float | None = None) -> Take:
    """A take from the analyses of its clips.

    Parameters
    ----------
    analyses : sequence of Analysis
        One or more passes of one athlete in one condition, each clip once.
    label : str
    date : str
        Day of filming. Without it, two takes count as filmed on different days.
    speed_mps : float, optional
        As given for the session; the measured speed goes before it.

    Raises
    ------
    ValueError
        If there is no analysis, or a clip stands in it twice.
    """
    measures = pooled(analyses)
    yaws = [abs(a.quality.off_perpendicular_deg) for a in analyses]
    known = [y for y in yaws if np.isfinite(y)]
    scales = {
        f"{a.scale.source} {a.athlete.get('stature_m') if a.scale.source == 'stature' else ''}".strip()
        for a in analyses
        if a.scale is not None
    }
    rates = [a.clip.capture_rate_hz for a in analyses]
    return Take(
        label,
        date,
        measures,
        frozenset(a.near_side for a in analyses),
        frozenset(a.camera for a in analyses),
        (min(rates), max(rates)),
        float(np.mean(known)) if len(known) == len(yaws) else None,
        frozenset(a.provenance.model for a in analyses),
        frozenset(_short(a.provenance.program_version) for a in analyses),
        frozenset(_time_base(a.clip.time_base) for a in analyses),
        _speed(measures, speed_mps),
        _side_speeds([a.measures for a in analyses], [a.near_side for a in analyses]),
        frozenset(scales),
        frozenset(a.clip.sha256 for a in analyses),
        _passes([a.measures for a in analyses], [a.near_side for a in analyses]),
    )


def stored_take(points: Sequence[SeriesPoint], label: str = "") -> Take:
    """A take from what the history has at hand for one session (`history.session_points`).

    The camera's angle, the time base and the origin of the scale are not among it; where they
    matter, load the analyses and use `take`.

    Raises
    ------
    ValueError
        If there is no point.
    """
    if not points:
        raise ValueError("there is nothing in this session")
    heads = {p.analysis.id: p.analysis for p in points}
    measures = {id_: [p.measure for p in points if p.analysis.id == id_] for id_ in heads}
    sides = [h.near_side for h in heads.values()]
    one = next(iter(measures.values()))
    together = tuple(one) if len(heads) == 1 else pooled_passes(list(measures.values()), sides)
    session = points[0].session
    rates = [h.capture_rate_hz for h in heads.values()]
    return Take(
        label or session.condition or session.date,
        session.date,
        together,
        frozenset(sides),
        frozenset(h.camera for h in heads.values()),
        (min(rates), max(rates)),
        None,
        frozenset(h.model for h in heads.values()),
        frozenset(_short(h.program_version) for h in heads.values()),
        frozenset(),
        _speed(together, session.speed_mps),
        _side_speeds(list(measures.values()), sides),
        frozenset(),
        frozenset(h.clip for h in heads.values()),
        _passes(list(measures.values()), sides),
    )


def bare_take(date: str, values: Mapping[tuple[str, SideOrBoth], float]) -> Take:
    """A take of bare numbers, as `history.session_means` gives them.

    Only to learn from how far such means wander from day to day (`technique.comparison_repeats`): intervals,
    and what decides whether two takes may be compared, are not in it.
    """
    measures = tuple(
        Measure(key, side, value, "", None, None, 1, "measured", None, None)
        for (key, side), value in values.items()
    )
    no: frozenset[str] = frozenset()
    return Take("", date, measures, frozenset(), frozenset(), (0.0, 0.0), None, no, no, no, None, (), no, no)


def repeat_takes(
    groups: Sequence[RepeatGroup], points_of: Callable[[str], Sequence[SeriesPoint]]
) -> tuple[tuple[Take, ...], ...]:
    """Takes of the unchanged condition, for `comparison.compare`, from the history.

    Parameters
    ----------
    groups : sequence of RepeatGroup
        As by `history.repeats`.
    points_of : callable
        Points of a session by its id, as by `history.session_points`.

    Returns
    -------
    tuple of tuple of Take
        One for each group; sessions without an analysed clip are left out.
    """
    out = []
    for group in groups:
        found = [points_of(s.id) for s in group.sessions if s.id is not None]
        out.append(tuple(stored_take(points) for points in found if points))
    return tuple(out)


def whole_reason(a: Take, b: Take) -> str | None:
    """Why nothing in two takes may be compared, or None."""
    if a.clips & b.clips:
        return "both hold the same clip"
    if ("treadmill" in a.cameras) != ("treadmill" in b.cameras):
        return "one was run on a treadmill and the other on the ground"
    if a.models != b.models:
        return "the landmarks were found by another model; measure both clips again in the same way"
    if a.versions != b.versions:
        return "they were measured by different versions of the program; measure both clips again"
    return None


def measure_reason(a: Take, b: Take, key: str, side: SideOrBoth) -> str | None:
    """Why this measure may not be compared between two takes, or None.

    The speed is judged by `speed_reason`, apart, since it holds for all measures alike.
    """
    own = key.removeprefix(SYMMETRY_PREFIX)
    timed = own in TIMED
    if timed and a.time_bases and b.time_bases and a.time_bases != b.time_bases:
        return "the capture rate of one was given by hand, that of the other read from the file"
    low, high = (
        min(a.capture_rates_hz[0], b.capture_rates_hz[0]),
        max(a.capture_rates_hz[1], b.capture_rates_hz[1]),
    )
    at_event = own.endswith(AT_EVENT[:3]) or own.startswith(AT_EVENT[3:])
    if (timed or at_event) and high > low * (1.0 + LARGEST_RATE_CHANGE):
        return f"other frame rate ({low:.0f} and {high:.0f} frames/s)"
    if key.startswith(SYMMETRY_PREFIX) and a.near_sides != b.near_sides:
        return "not the same sides were filmed"
    if side == "both":
        if own not in TIMED and not (a.near_sides & b.near_sides):
            return "filmed from the other side"
    elif (side in a.near_sides) != (side in b.near_sides):
        far = b if side in a.near_sides else a
        return f"the other side was filmed: the {side} side is the far one in “{far.label}”"
    if own in FREE_OF_VIEW:
        return None
    if ("panning" in a.cameras) != ("panning" in b.cameras):
        return "the camera turned in one and stood still in the other"
    if (
        a.yaw_deg is not None
        and b.yaw_deg is not None
        and abs(a.yaw_deg - b.yaw_deg) > LARGEST_YAW_CHANGE_DEG
    ):
        return (
            f"other view: the camera stood {a.yaw_deg:.0f}° off a true side view in one "
            f"and {b.yaw_deg:.0f}° in the other"
        )
    return None


def speed_reason(before: float | None, after: float | None) -> str | None:
    """Sentence part when two speeds differ by more than 5 %, or None."""
    if before is None or after is None or before <= 0 or after <= 0:
        return None
    change = after / before - 1.0
    if abs(change) <= LARGEST_SPEED_CHANGE:
        return None
    word = "faster" if change > 0 else "slower"
    return f"the speed differs by more than 5 % ({before:.2f} and {after:.2f} m/s, {100 * abs(change):.0f} % {word})"


def _passes(measures: Sequence[Sequence[Measure]], near_sides: Sequence[Side]) -> tuple[Pass, ...]:
    if len(measures) < 2:
        return ()
    return tuple(Pass(near, tuple(own)) for near, own in zip(near_sides, measures, strict=True))


def _speed(measures: Sequence[Measure], given: float | None) -> float | None:
    return next((m.value for m in measures if m.key == "speed" and m.value is not None), given)


def _side_speeds(
    passes: Sequence[Sequence[Measure]], near_sides: Sequence[Side]
) -> tuple[tuple[Side, float], ...]:
    found: dict[Side, list[float]] = {}
    for measures, near in zip(passes, near_sides, strict=True):
        if (v := _speed(measures, None)) is not None:
            found.setdefault(near, []).append(v)
    return tuple((side, float(np.mean(v))) for side, v in sorted(found.items()))


def _short(version: str) -> str:
    return ".".join(version.split(".")[:2])


def _time_base(base: str) -> str:
    """A tag stands in the file too."""
    return "user" if base == "user" else "file"
