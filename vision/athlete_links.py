"""Linking what is seen in successive pictures into one path per person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

FloatArray = NDArray[np.float64]

MOST_SPEED: Final = 11.0
"""Fastest body expected, radii per second (12 m/s, a radius being about 1.1 m)."""
KNOWN_REACH: Final = 0.6
"""How far a person may be from where the last two sightings lead, radii, plus `DRIFT`."""
DRIFT: Final = 2.0
"""Growth of that distance, radii per second since the last sighting."""
RECENT: Final = 5
"""Sightings that tell where a person is heading."""
AROUND: Final = 3
"""Neighbours on each side that a sighting is judged by."""
MOST_GAP_S: Final = 1.0
"""A person unseen for longer starts anew."""
MOST_SIZE_RATIO: Final = 1.6
_FAR: Final = 1e6


class Seen(Protocol):
    """What linking needs to know of a sighting."""

    @property
    def time_s(self) -> float:
        """Seconds."""

    @property
    def centre(self) -> FloatArray:
        """Position, (2,) px."""

    @property
    def radius(self) -> float:
        """Size, px."""


S = TypeVar("S", bound=Seen)


@dataclass(frozen=True)
class Path(Generic[S]):
    """Sightings that belong to one person, in order of time."""

    sightings: tuple[S, ...]

    def alive(self, time_s: float) -> bool:
        """Whether the person was seen recently enough to be seen again."""
        return time_s - self.sightings[-1].time_s <= MOST_GAP_S

    def expected(self, time_s: float) -> tuple[FloatArray, float]:
        """Where the person should be at `time_s`, px, and how large, px.

        One false sighting among the last ones hardly matters to either.
        """
        return carried_on(self.sightings[-RECENT:], time_s)

    def cost(self, seen: S) -> float:
        """How ill a sighting fits, in radii and log size; very large where it can't be the person."""
        gap = seen.time_s - self.sightings[-1].time_s
        centre, radius = self.expected(seen.time_s)
        distance = float(np.hypot(*(seen.centre - centre))) / radius
        reach = KNOWN_REACH + (DRIFT if len(self.sightings) > 1 else MOST_SPEED) * gap
        ratio = abs(float(np.log(seen.radius / radius)))
        if distance > reach or ratio > np.log(MOST_SIZE_RATIO):
            return _FAR
        return distance + ratio


def link(paths: Sequence[Path[S]], sightings: Sequence[S], time_s: float) -> list[Path[S]]:
    """The paths with the sightings of one picture added.

    Parameters
    ----------
    paths : sequence of Path
    sightings : sequence
        All of the same picture, taken at `time_s`.
    time_s : float
        Seconds, later than every path's last sighting.

    Returns
    -------
    list of Path
        Each sighting lengthens the path it fits best (all fits taken together), or starts one.
    """
    alive = [i for i, path in enumerate(paths) if path.alive(time_s)]
    longer = list(paths)
    free = set(range(len(sightings)))
    if alive and sightings:
        cost = np.array([[paths[i].cost(seen) for seen in sightings] for i in alive])
        for row, column in zip(*linear_sum_assignment(cost)):
            if cost[row, column] < _FAR:
                longer[alive[row]] = Path((*paths[alive[row]].sightings, sightings[column]))
                free.discard(int(column))
    return longer + [Path((sightings[i],)) for i in sorted(free)]


def carried_on(sightings: Sequence[S], time_s: float) -> tuple[FloatArray, float]:
    """Position (2,) px and size px at `time_s`, from sightings before, after or about it.

    Medians over pairs of sightings (Theil-Sen line), so that a false one has little weight.
    """
    radius = float(np.median([s.radius for s in sightings]))
    if len(sightings) < 2:
        return sightings[-1].centre, radius
    slopes = [(b.centre - a.centre) / (b.time_s - a.time_s) for a, b in combinations(sightings, 2)]
    velocity = np.median(slopes, axis=0)
    moved = [s.centre + velocity * (time_s - s.time_s) for s in sightings]
    return np.asarray(np.median(moved, axis=0)), radius


def steady(sightings: Sequence[S], least: float = 0.35) -> tuple[S, ...]:
    """The sightings without those that jump out of the path of their neighbours.

    Parameters
    ----------
    sightings : sequence
        Of one person, in order of time.
    least : float
        Distance from the neighbours' line that counts as a jump, radii.

    Notes
    -----
    Each is measured against its `2 * AROUND` nearest neighbours; with fewer nothing is dropped.
    """
    if len(sightings) <= 2 * AROUND:
        return tuple(sightings)
    kept = []
    for i, seen in enumerate(sightings):
        first = min(max(0, i - AROUND), len(sightings) - 2 * AROUND - 1)
        around = [s for k, s in enumerate(sightings[first : first + 2 * AROUND + 1], first) if k != i]
        centre, radius = carried_on(around, seen.time_s)
        if float(np.hypot(*(seen.centre - centre))) <= least * radius:
            kept.append(seen)
    return tuple(kept)
