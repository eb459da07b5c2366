"""Coarse pass: who is in the clip, where, and what they are doing."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.progress import Progress, silent
from vision.ahead import each
from vision.athlete_links import Path, link, steady
from vision.person_detector import PersonBox
from vision.pose import PoseEngine, PoseResult, body_window

FloatArray = NDArray[np.float64]
ByteImage = NDArray[np.uint8]

SAMPLE_RATE_HZ: Final = 8.0
"""Pictures looked at per second in the coarse pass: a sprinter moves less than a body height."""
SMALL_TILE_PERIOD_S: Final = 0.5
"""Small tiles are many: they are looked at less often; whoever was seen is then looked for nearby."""
RUNNER_LEGS: Final = 0.12
"""Leg motion (see `Person.leg_motion`) from which a body seen often enough is surely a runner."""
KNOWN_LARGE_PERIOD_S: Final = 0.5
KNOWN_SMALL_PERIOD_S: Final = 4.0
"""Once a runner is followed, others are looked for less often: whoever enters is still found within
half a second, or four where they are small."""
SMALL_TILE: Final = 0.5
SMALL_TILE_OVERLAP: Final = 0.25
"""Side and overlap of the small tiles as shares of the picture's height. The detector finds a
body that fills a quarter of what it is shown (measured), so a body of 15 % of the picture's
height needs a tile of half that height."""
MOST_PEOPLE: Final = 8
"""People looked at in one picture, largest first."""
SAME_BODY: Final = 0.4
"""Mid-hips nearer than this, in radii, are of one person seen twice."""
SURE_SIGHTINGS: Final = 4
"""A body seen less often (half a second) may be a false one: a tree, a shadow, a limb."""
MIN_PERSON: Final = 0.5
BODY_HEIGHT: Final = 1.75
"""Height of a standing body over the radius of its circle (measured on runners, head to toe)."""


class FrameLike(Protocol):
    """One decoded frame of a clip."""

    @property
    def index(self) -> int:
        """Number of the decoded frame, from 0."""

    @property
    def time_s(self) -> float:
        """Real seconds from the first frame."""

    @property
    def rgb(self) -> ByteImage:
        """Upright picture, (H, W, 3) uint8."""


@dataclass(frozen=True)
class Sighting:
    """One person in one picture of the coarse pass.

    Attributes
    ----------
    frame : int
    time_s : float
    centre : (2,) array
        Mid-hip, px.
    radius : float
        Radius of the circle about the mid-hip that holds the body, px.
    rotation : float
        Turn of the body's axis, rad, clockwise positive.
    ankles : (2,) array
        Left ankle minus right ankle, in radii.
    score : float
        0..1.
    """

    frame: int
    time_s: float
    centre: FloatArray
    radius: float
    rotation: float
    ankles: FloatArray
    score: float


@dataclass(frozen=True)
class Person:
    """One person through the clip.

    Attributes
    ----------
    sightings : tuple of Sighting
        In order of time, at least one.
    picture : (int, int)
        Width and height of the picture, px.
    clip_s : float
        Seconds of clip looked at.
    """

    sightings: tuple[Sighting, ...]
    picture: tuple[int, int]
    clip_s: float = field(default=0.0)

    @property
    def time_s(self) -> FloatArray:
        """Times of the sightings, (N,) s."""
        return np.array([s.time_s for s in self.sightings])

    @property
    def centre(self) -> FloatArray:
        """Mid-hip at the sightings, (N, 2) px."""
        return np.array([s.centre for s in self.sightings])

    @property
    def radius(self) -> FloatArray:
        """Radius of the body's circle at the sightings, (N,) px."""
        return np.array([s.radius for s in self.sightings])

    @property
    def rotation(self) -> FloatArray:
        """Turn of the body's axis at the sightings, (N,) rad."""
        return np.array([s.rotation for s in self.sightings])

    @property
    def seconds(self) -> float:
        """Time from first to last sighting, s."""
        return self.sightings[-1].time_s - self.sightings[0].time_s

    @property
    def height_px(self) -> float:
        """Median body height, px."""
        return BODY_HEIGHT * float(np.median(self.radius))

    @property
    def travel(self) -> float:
        """Largest distance along the picture between two sightings, in body heights."""
        return float(np.ptp(self.centre[:, 0])) / self.height_px

    @property
    def leg_motion(self) -> float:
        """How much the ankles move against each other, in radii (standing < 0.1, running about 0.3).

        Median absolute deviation, which for a sine equals the SD and does not heed the moments in
        which somebody else passes.
        """
        if len(self.sightings) < 3:
            return 0.0
        gap = np.abs(np.array([s.ankles for s in self.sightings]))
        return float(np.hypot(*np.median(np.abs(gap - np.median(gap, axis=0)), axis=0)))


def tiles(width: int, height: int) -> tuple[list[tuple[int, int, int]], list[tuple[int, int, int]]]:
    """Square parts of the picture to look at: large ones, and small ones for small people.

    Parameters
    ----------
    width, height : int
        Picture, px.

    Returns
    -------
    large, small : list of (left, top, side)
        Neighbours overlap so that a body up to half (large) or a quarter (small) of the
        picture's height lies whole in one of them. Empty where the picture itself would do.
    """
    short = min(width, height)
    large = _covering(width, height, short, short // 2) if max(width, height) > 1.1 * short else []
    side = min(short, round(SMALL_TILE * height))
    overlap = min(round(SMALL_TILE_OVERLAP * height), side // 2)
    small = _covering(width, height, side, overlap) if side < short else []
    return large, small


def _covering(width: int, height: int, side: int, overlap: int) -> list[tuple[int, int, int]]:
    def starts(length: int) -> list[int]:
        count = 1 + max(0, int(np.ceil((length - side) / max(1, side - overlap))))
        return [round(v) for v in np.linspace(0, length - side, count)]

    return [(x, y, side) for y in starts(height) for x in starts(width)]


def find_people(
    frames: Iterable[FrameLike],
    engine: PoseEngine,
    *,
    sample_rate_hz: float = SAMPLE_RATE_HZ,
    thorough: bool = True,
    scale: float = 1.0,
    progress: Progress = silent,
    total: int | None = None,
    pool: Executor | None = None,
) -> list[Person]:
    """Everybody in the clip.

    Parameters
    ----------
    frames : iterable of FrameLike
        Read once, none kept.
    engine : PoseEngine
    sample_rate_hz : float
        Pictures looked at per second. `frames` may leave out those between.
    thorough : bool
        Look for further people as often after a runner was found as before.
    scale : float
        Px of the clip's upright picture per px of `frames`, where these are scaled down.
    progress : Progress
        Stage "looking for people".
    total : int, optional
        Frames in the clip, for `progress`.
    pool : Executor, optional
        Threads to share the work of each picture; the result is the same.

    Returns
    -------
    list of Person
        Longest seen first; empty when nobody was found. Who is seen in fewer than
        `SURE_SIGHTINGS` pictures counts only when nobody is seen in more.
    """
    paths: list[Path[Sighting]] = []
    picture = (0, 0)
    next_s = large_s = small_s = -np.inf  # the last two: when these tiles were last looked at
    first_s = last_s = np.nan
    looked_at = 0
    for count, frame in enumerate(frames, start=1):
        progress("looking for people", count, total)
        last_s = frame.time_s
        if np.isnan(first_s):
            first_s = last_s
        if frame.time_s < next_s:
            continue
        next_s = max(next_s, frame.time_s - 0.5 / sample_rate_hz) + 1 / sample_rate_hz
        looked_at += 1
        rgb = frame.rgb
        picture = (rgb.shape[1], rgb.shape[0])
        alive = [path for path in paths if path.alive(frame.time_s)]
        known = not thorough and any(_runs(path, picture) for path in alive)
        large = frame.time_s - large_s >= (KNOWN_LARGE_PERIOD_S if known else 0.0)
        small = frame.time_s - small_s >= (KNOWN_SMALL_PERIOD_S if known else SMALL_TILE_PERIOD_S)
        large_s, small_s = frame.time_s if large else large_s, frame.time_s if small else small_s
        boxes = _boxes(rgb, engine, [path.expected(frame.time_s) for path in alive], large, small, pool)
        sightings = [_sighting(frame, result) for result in _results(rgb, engine, boxes, picture, pool)]
        paths = link(paths, sightings, frame.time_s)
    seconds = last_s - first_s if paths else 0.0
    size = (round(picture[0] * scale), round(picture[1] * scale))
    seen = [steady(path.sightings) for path in paths]
    often = [sightings for sightings in seen if len(sightings) >= min(SURE_SIGHTINGS, looked_at)]
    people = [
        Person(tuple(_enlarged(s, scale) for s in sightings), size, seconds)
        for sightings in often or [sightings for sightings in seen if len(sightings) > 1]
    ]
    return sorted(people, key=lambda person: -len(person.sightings))


def _runs(path: Path[Sighting], picture: tuple[int, int]) -> bool:
    """Whether this is a body seen often enough, and its legs run."""
    return len(path.sightings) >= SURE_SIGHTINGS and Person(path.sightings, picture).leg_motion >= RUNNER_LEGS


def boxes_near(
    rgb: ByteImage, engine: PoseEngine, centre: FloatArray, radius: float, min_score: float = 0.5
) -> list[PersonBox]:
    """People found in a cut-out about a place where somebody of that size is expected."""
    height, width = rgb.shape[:2]
    reach = 2.2 * radius
    left, top = np.maximum(centre - reach, 0).astype(int)
    right, bottom = np.minimum(centre + reach, [width, height]).astype(int)
    if right - left < 16 or bottom - top < 16:
        return []
    found = engine.detect(np.ascontiguousarray(rgb[top:bottom, left:right]), min_score)
    return [box.moved(1.0, left, top) for box in found]


def _boxes(
    rgb: ByteImage,
    engine: PoseEngine,
    expected: list[tuple[FloatArray, float]],
    large: bool,
    small: bool,
    pool: Executor | None,
) -> list[PersonBox]:
    """People in one picture, found at all scales, the same person once."""
    height, width = rgb.shape[:2]
    large_tiles, small_tiles = tiles(width, height)
    parts = [(0, 0, max(width, height)), *large_tiles] if large else []
    big = len(parts)
    parts += small_tiles if small else []
    moved = [
        [box.moved(1.0, left, top) for box in boxes]
        for boxes, (left, top, _side) in zip(
            each(pool, engine.detect, [_part(rgb, part) for part in parts]), parts, strict=True
        )
    ]
    found = [box for boxes in moved[:big] for box in boxes]
    for centre, radius in expected:
        if not any(_near(box.hip, box.radius, centre, radius, 0.5) for box in found):
            found += boxes_near(rgb, engine, centre, radius)
    if not large and not found:
        found = engine.detect(rgb)
    found += [box for boxes in moved[big:] for box in boxes]
    kept: list[PersonBox] = []
    for box in sorted(found, key=lambda b: -b.score):
        if not any(_near(box.hip, box.radius, other.hip, other.radius, SAME_BODY) for other in kept):
            kept.append(box)
    return sorted(kept, key=lambda b: -b.radius)[:MOST_PEOPLE]


def _part(rgb: ByteImage, part: tuple[int, int, int]) -> ByteImage:
    left, top, side = part
    return np.ascontiguousarray(rgb[top : top + side, left : left + side])


def _results(
    rgb: ByteImage,
    engine: PoseEngine,
    boxes: list[PersonBox],
    picture: tuple[int, int],
    pool: Executor | None,
) -> list[PoseResult]:
    """Landmarks of the people in `boxes`; whoever turns out to be no person, or twice, is dropped."""
    kept: list[PoseResult] = []
    for result in each(pool, lambda box: engine.landmarks(rgb, body_window(box), quick=True), boxes):
        inside = np.all((result.centre >= 0) & (result.centre <= picture))
        twice = any(_near(result.centre, result.radius, k.centre, k.radius, SAME_BODY) for k in kept)
        if result.score >= MIN_PERSON and inside and not twice:
            kept.append(result)
    return kept


def _near(a: FloatArray, a_radius: float, b: FloatArray, b_radius: float, share: float) -> bool:
    small, large = sorted((a_radius, b_radius))
    return bool(np.hypot(*(a - b)) < share * small) and large < 2 * small


def _enlarged(seen: Sighting, scale: float) -> Sighting:
    return replace(seen, centre=seen.centre * scale, radius=seen.radius * scale)


def _sighting(frame: FrameLike, result: PoseResult) -> Sighting:
    ankles = result.xy_px[lm.index("ankle", "left")] - result.xy_px[lm.index("ankle", "right")]
    radius = max(result.radius, 1.0)
    return Sighting(
        frame=frame.index,
        time_s=frame.time_s,
        centre=result.centre,
        radius=radius,
        rotation=body_window(result).rotation,
        ankles=ankles / radius,
        score=result.score,
    )
