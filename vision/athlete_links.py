"""Linking what is seen in successive pictures into one path per person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
        """px/s from the last three sightings at most; None from one alone."""
        recent = self.sightings[-3:]
        if len(recent) < 2:
            return None
        span = recent[-1].time_s - recent[0].time_s
        return np.asarray((recent[-1].centre - recent[0].centre) / span)

    def expected(self, time_s: float) -> tuple[FloatArray, float]:
        """Where the person should be at `time_s`, px, and how large, px."""
        last = self.sightings[-1]
        velocity = self.velocity()
        radius = float(np.median([s.radius for s in self.sightings[-5:]]))
        if velocity is None:
            return last.centre, radius
        return last.centre + velocity * (time_s - last.time_s), radius

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
