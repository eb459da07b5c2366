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

    def velocity(self) -> FloatArray | None:
        """px/s, median over pairs of the last sightings (Theil-Sen); None from one sighting alone."""
        recent = self.sightings[-RECENT:]
        if len(recent) < 2:
            return None
        return np.asarray(
            np.median(
                [(b.centre - a.centre) / (b.time_s - a.time_s) for a, b in combinations(recent, 2)], axis=0
            )
        )

    def expected(self, time_s: float) -> tuple[FloatArray, float]:
        """Where the person should be at `time_s`, px, and how large, px.

        One false sighting among the last ones hardly matters to either.
        """
        recent = self.sightings[-RECENT:]
        radius = float(np.median([s.radius for s in recent]))
        velocity = self.velocity()
        if velocity is None:
            return recent[-1].centre, radius
        carried_on = [s.centre + velocity * (time_s - s.time_s) for s in recent]
        return np.asarray(np.median(carried_on, axis=0)), radius

    def cost(self, seen: S) -> float:
        """How ill a sighting fits, in radii and log size; very large where it can't be the person."""
        gap = seen.time_s - self.sightings[-1].time_s
        centre, radius = self.expected(seen.time_s)
        distance = float(np.hypot(*(seen.centre - centre))) / radius
        reach = KNOWN_REACH + DRIFT * gap if self.velocity() is not None else KNOWN_REACH + MOST_SPEED * gap
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
    A sighting is measured against up to two neighbours on each side; with fewer than three
    neighbours it is kept.
    """
    kept = []
    for i, seen in enumerate(sightings):
        around = [*sightings[max(0, i - 2) : i], *sightings[i + 1 : i + 3]]
        if len(around) >= 3:
            centre, radius = Path(tuple(around)).expected(seen.time_s)
            if float(np.hypot(*(seen.centre - centre))) > least * radius:
                continue
        kept.append(seen)
    return tuple(kept)
