"""The one athlete of a clip: who it is, and all landmarks of that person.

Two passes over the clip. The coarse one (`vision.athlete_people.find_people`) finds everybody a
few times a second; `choose_athlete` says who is meant; the fine one (`follow`) looks at every
frame inside a window that the coarse path predicts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shared.errors import AthleteError
from vision.athlete_follow import FrameHook, FramePose, follow
from vision.athlete_people import FrameLike, Person, Sighting, find_people

__all__ = [
    "FrameHook",
    "FrameLike",
    "FramePose",
    "Person",
    "Sighting",
    "choose_athlete",
    "find_people",
    "follow",
    "prominence",
    "stands_still",
]

RUNNING_LEGS: Final = 0.2
STANDING_LEGS: Final = 0.08
"""`Person.leg_motion` of somebody who runs (at least) and who stands (at most)."""
POINT_REACH: Final = 1.0
"""How far from the mid-hip a person may be pointed at, in radii of the body's circle."""
POINT_TIME_S: Final = 0.5


def prominence(person: Person) -> float:
    """How likely it is that this person is the athlete, 0 upwards; only the order means anything.

    Notes
    -----
    Product of leg motion (full from `RUNNING_LEGS` on, so that somebody who stands in front of the
    camera loses to a small runner), body height in the picture, time in view, and travel
    relative to body height (worth up to twice as much as none: a panning camera or a treadmill
    keeps the athlete in place, and moves those who stand).
    """
    legs = min(person.leg_motion / RUNNING_LEGS, 1.0) ** 2
    size = min(person.height_px / person.picture[1], 1.0)
    seconds = np.sqrt(min(person.seconds / max(person.clip_s, 1e-9), 1.0))
    return float(legs * size * seconds * (1.0 + min(person.travel, 3.0) / 3.0))


def stands_still(person: Person) -> bool:
    """Whether the person's legs move too little for walking or running."""
    return person.leg_motion < STANDING_LEGS


def choose_athlete(
    people: Sequence[Person], point: tuple[float, float, float] | None = None, *, clip: str = "the clip"
) -> Person:
    """The person to measure.

    Parameters
    ----------
    people : sequence of Person
    point : (x, y, seconds), optional
        Somebody pointed at: upright picture px and real seconds from the first frame.
    clip : str
        Name of the clip, for the message.

    Returns
    -------
    Person
        The one pointed at, else the most prominent runner (see `prominence`).

    Raises
    ------
    AthleteError
        Nobody was found, or nobody is where the user pointed.
    """
    if not people:
        raise AthleteError(
            clip,
            "nobody was found in it",
            "film one whole runner from the side, at least a sixth of the picture's height tall, in good light",
        )
    if point is None:
        return max(people, key=lambda person: (prominence(person), person.seconds * person.height_px))
    x, y, seconds = point
    distance = [_distance(person, x, y, seconds) for person in people]
    nearest = int(np.argmin(distance))
    if distance[nearest] > POINT_REACH:
        raise AthleteError(
            clip,
            f"nobody was found at {x:.0f},{y:.0f} at {seconds:.2f} s",
            "point at the middle of the athlete's body at a moment when the whole body is in view",
        )
    return people[nearest]


def _distance(person: Person, x: float, y: float, seconds: float) -> float:
    """Distance of a point from the person's hip at that time, in radii; infinite out of their time."""
    time = person.time_s
    if not time[0] - POINT_TIME_S <= seconds <= time[-1] + POINT_TIME_S:
        return float("inf")
    centre = [float(np.interp(seconds, time, person.centre[:, axis])) for axis in (0, 1)]
    radius = float(np.interp(seconds, time, person.radius))
    return float(np.hypot(x - centre[0], y - centre[1])) / radius
