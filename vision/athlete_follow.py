"""Fine pass: every frame's landmarks of one person whose rough path is known."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import Executor, Future
from contextlib import closing
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import median_filter

from shared import landmarks as lm
from shared.errors import AthleteError
from shared.progress import Progress, silent
from vision.athlete_people import SURE_SIGHTINGS, FrameLike, Person, boxes_near
from vision.pose import MARGIN, PoseEngine, PoseResult, Window, body_window
from vision.raw import RawTrack

FloatArray = NDArray[np.float64]

BEYOND_S: Final = 1.0
"""How long before the first and after the last coarse sighting the person is still looked for."""
MIN_PERSON: Final = 0.5
GATE: Final = 0.5
"""Landmarks farther than this from the expected mid-hip, in radii, are somebody else's."""
CROWDED_GATE: Final = 0.25
CROWDED: Final = 0.8
"""Somebody else's mid-hip nearer than this, in radii, makes the place crowded."""
HIDDEN: Final = 0.5
"""Somebody nearer to the camera, nearer than this in the picture, hides the athlete."""
MOST_SIZE_RATIO: Final = 1.5
MIN_INSIDE: Final = 0.6
"""Share of the 33 points that must lie inside the picture."""


@dataclass(frozen=True)
class FramePose:
    """What the fine pass found in one frame.

    Attributes
    ----------
    frame : int
    time_s : float
    pose : PoseResult or None
        None: the athlete was not found.
    """

    frame: int
    time_s: float
    pose: PoseResult | None


FrameHook = Callable[[FrameLike, PoseResult | None], None]
"""Called once for every frame, in order, with the athlete's landmarks; None: not found or not looked at."""


@dataclass(frozen=True)
class Look:
    """How the window of the fine pass is laid.

    Attributes
    ----------
    margin : float
        Side of the window over the diameter of the body's circle.
    turned : bool
        Turn the window with the body.
    source : {"path", "previous"}
        Where the window's centre comes from: the coarse path, which is smooth and knows the
        future, or the frame before, whose errors feed back into what is seen next.
    off_centre : float
        Look again, centred on what was found, when its mid-hip is farther than this from the
        window's centre, in radii.
    """

    margin: float = MARGIN
    turned: bool = True
    source: Literal["path", "previous"] = "path"
    off_centre: float = 0.25


class PersonPath:
    """Where a person is expected between coarse sightings.

    Parameters
    ----------
    person : Person
    """

    def __init__(self, person: Person) -> None:
        time, centre = person.time_s, person.centre
        self.first_s, self.last_s = float(time[0]), float(time[-1])
        self._time = time
        self._ends = (_end_velocity(time[:4], centre[:4]), _end_velocity(time[-4:], centre[-4:]))
        self._centre = PchipInterpolator(time, centre, axis=0) if len(time) > 1 else None
        self._first, self._last = centre[0], centre[-1]
        self._radius = median_filter(person.radius, 5, mode="nearest")
        self._rotation = median_filter(person.rotation, 5, mode="nearest")

    def centre(self, time_s: float) -> FloatArray:
        """Expected mid-hip, (2,) px; beyond the sightings at constant velocity."""
        if time_s <= self.first_s:
            return np.asarray(self._first + self._ends[0] * (time_s - self.first_s))
        if time_s >= self.last_s:
            return np.asarray(self._last + self._ends[1] * (time_s - self.last_s))
        assert self._centre is not None  # two sightings at least lie about this time
        return np.asarray(self._centre(time_s))

    def radius(self, time_s: float) -> float:
        """Expected radius of the body's circle, px."""
        return float(np.interp(time_s, self._time, self._radius))

    def rotation(self, time_s: float) -> float:
        """Expected turn of the body's axis, rad."""
        return float(np.interp(time_s, self._time, self._rotation))

    def near(self, time_s: float, margin_s: float = BEYOND_S) -> bool:
        """Whether the time lies within the sightings, `margin_s` added at both ends."""
        return self.first_s - margin_s <= time_s <= self.last_s + margin_s


def _end_velocity(time: FloatArray, centre: FloatArray) -> FloatArray:
    if len(time) < 2:
        return np.zeros(2)
    return np.asarray(np.polyfit(time - time[0], centre, 1)[0])


def follow(
    frames: Iterable[FrameLike],
    person: Person,
    engine: PoseEngine,
    *,
    others: Sequence[Person] = (),
    look: Look | None = None,
    on_frame: FrameHook | None = None,
    progress: Progress = silent,
    total: int | None = None,
    clip: str = "the clip",
    pool: Executor | None = None,
    depth: int = 3,
    every: int = 1,
) -> RawTrack:
    """Landmarks of one person in every frame.

    Parameters
    ----------
    frames : iterable of FrameLike
        Frames of the clip, in order, all from a second before the person is first seen; read
        once, none kept, and no longer than the person can be there.
    person : Person
        Whom to follow.
    engine : PoseEngine
    others : sequence of Person
        Everybody else found by the coarse pass (`person` among them does no harm).
    look : Look, optional
    on_frame : callable, optional
        Sees each frame and what was found in it, in the same pass.
    progress : Progress
        Stage "following the athlete".
    total : int, optional
        Frames in the clip, for `progress`.
    clip : str
        Name of the clip, for the message.
    pool : Executor, optional
        Threads that look at the next `depth` frames along the coarse path while this one is
        being finished; the result is the same.
    depth : int
    every : int
        Look at one frame in so many; the others have no row and `on_frame` gets None for them.

    Returns
    -------
    RawTrack
        From the first to the last frame in which the person was found; frames without are NaN,
        and so are points outside the picture. Sides are as the model gives them.

    Raises
    ------
    AthleteError
        If the person was found in no frame.
    """
    follower = _Follower(person, others, engine, look or Look(), every)
    rows: list[_Row] = []
    with closing(_looked_at(frames, follower, pool, depth)) as coming:
        for frame, looking in coming:
            progress("following the athlete", frame.index + 1, total)
            if frame.index % every:
                if on_frame is not None:
                    on_frame(frame, None)
                continue
            pose = follower.step(frame, None if looking is None else looking.result())
            if on_frame is not None:
                on_frame(frame, pose)
            if pose is not None or rows:
                rows.append(_row(frame, pose))
            if follower.gone(frame.time_s):
                if total is not None and frame.index + 1 < total:
                    progress("following the athlete", total, total)
                break
    while rows and np.isnan(rows[-1].score):
        rows.pop()
    if not rows:
        raise AthleteError(
            clip,
            "the athlete could not be followed in it",
            "film one whole runner from the side, in good light",
        )
    return RawTrack(
        frame=np.array([row.frame for row in rows], dtype=np.int64),
        time_s=np.array([row.time_s for row in rows]),
        xy_px=np.array([row.xy_px for row in rows]),
        depth_px=np.array([row.depth_px for row in rows]),
        visibility=np.array([row.visibility for row in rows]),
        presence=np.array([row.presence for row in rows]),
        score=np.array([row.score for row in rows]),
        window=np.array([row.window for row in rows]),
        model=engine.name,
    )


def _looked_at(
    frames: Iterable[FrameLike], follower: _Follower, pool: Executor | None, depth: int
) -> Generator[tuple[FrameLike, Future[PoseResult] | None], None, None]:
    """The frames, each with the look at it that has begun, if one could begin before its turn."""
    waiting: deque[tuple[FrameLike, Future[PoseResult] | None]] = deque()
    try:
        for frame in frames:
            window = None if pool is None else follower.certain_window(frame)
            looking = None if pool is None or window is None else pool.submit(follower.look, frame, window)
            waiting.append((frame, looking))
            if pool is None or len(waiting) > depth:
                yield waiting.popleft()
        while waiting:
            yield waiting.popleft()
    finally:
        for _frame, looking in waiting:
            if looking is not None:
                looking.cancel()


class _Follower:
    """State of the fine pass: the frame before, and everybody's rough path."""

    def __init__(
        self, person: Person, others: Sequence[Person], engine: PoseEngine, look: Look, every: int
    ) -> None:
        self._path = PersonPath(person)
        self._others = [
            PersonPath(other)
            for other in others
            if other is not person and len(other.sightings) >= SURE_SIGHTINGS
        ]
        self._engine = engine
        self._look = look
        self._every = every
        self._last: tuple[float, PoseResult] | None = None

    def look(self, frame: FrameLike, window: Window) -> PoseResult:
        """What the engine sees there; needs nothing of the frames before."""
        return self._engine.landmarks(frame.rgb, window, turn=frame.index // self._every)

    def certain_window(self, frame: FrameLike) -> Window | None:
        """The window that `step` will look at first, where the frames before can't change it."""
        known = self._look.source == "path" and self._path.near(frame.time_s, 0.0)
        return self._window(frame.time_s) if known and frame.index % self._every == 0 else None

    def gone(self, time_s: float) -> bool:
        """Whether the person can't be found in any later frame."""
        return self._last is None and time_s > self._path.last_s + BEYOND_S

    def step(self, frame: FrameLike, first_look: PoseResult | None = None) -> PoseResult | None:
        """The person's landmarks in the next frame, or None.

        Parameters
        ----------
        frame : FrameLike
        first_look : PoseResult, optional
            What was seen in the frame's `certain_window`.
        """
        time_s = frame.time_s
        near_end = self._path.near(time_s)
        if not near_end and self._last is None:
            return None
        height, width = frame.rgb.shape[:2]
        pose = self._seen(frame, self._window(time_s), first_look)
        if pose is None and near_end:
            pose = self._found_again(frame)
        if pose is not None and _inside(pose.xy_px, width, height).mean() < MIN_INSIDE:
            pose = None
        self._last = None if pose is None else (time_s, pose)
        return pose

    def _expected(self, time_s: float) -> FloatArray:
        """Mid-hip: the coarse path itself, or the frame before carried on along it."""
        known = self._path.near(time_s, 0.0)
        if self._last is None or (known and self._look.source == "path"):
            return self._path.centre(time_s)
        before_s, before = self._last
        return np.asarray(before.centre + self._path.centre(time_s) - self._path.centre(before_s))

    def _window(self, time_s: float) -> Window:
        x, y = self._expected(time_s)
        radius = self._path.radius(time_s)
        turn = self._path.rotation(time_s) if self._look.turned else 0.0
        return Window(float(x), float(y), 2 * radius * self._look.margin, turn)

    def _seen(self, frame: FrameLike, window: Window, looked: PoseResult | None = None) -> PoseResult | None:
        pose = self.look(frame, window) if looked is None else looked
        if not self._is_athlete(pose, frame.time_s):
            return None
        off = float(np.hypot(pose.centre[0] - window.x, pose.centre[1] - window.y))
        if off > self._look.off_centre * self._path.radius(frame.time_s):
            window = Window(float(pose.centre[0]), float(pose.centre[1]), window.side, window.rotation)
            again = self.look(frame, window)
            if self._is_athlete(again, frame.time_s):
                pose = again
        return pose

    def _found_again(self, frame: FrameLike) -> PoseResult | None:
        """The person from a fresh detection about the expected place."""
        centre, radius = self._path.centre(frame.time_s), self._path.radius(frame.time_s)
        boxes = boxes_near(frame.rgb, self._engine, centre, radius)
        for box in sorted(boxes, key=lambda b: float(np.hypot(*(b.hip - centre)))):
            pose = self._seen(frame, body_window(box, self._look.margin, self._look.turned))
            if pose is not None:
                return pose
        return None

    def _is_athlete(self, pose: PoseResult, time_s: float) -> bool:
        """Whether these landmarks are the person's: a person, in the right place, of the right size."""
        expected, radius = self._path.centre(time_s), self._path.radius(time_s)
        gate = GATE
        if not self._path.near(time_s, 0.0):  # beyond the sightings the path is only a guess
            beyond = max(self._path.first_s - time_s, time_s - self._path.last_s)
            expected, gate = self._expected(time_s), GATE + (0.0 if self._last else 2 * beyond)
        for other in self._others:
            if not other.near(time_s, 0.25):
                continue
            apart = float(np.hypot(*(other.centre(time_s) - expected))) / radius
            if apart < HIDDEN and other.radius(time_s) > radius:
                return False
            if apart < CROWDED:
                gate = min(gate, CROWDED_GATE)
        ratio = max(pose.radius, 1e-9) / radius
        return bool(
            pose.score >= MIN_PERSON
            and np.hypot(*(pose.centre - expected)) < gate * radius
            and 1 / MOST_SIZE_RATIO < ratio < MOST_SIZE_RATIO
        )


@dataclass(frozen=True)
class _Row:
    frame: int
    time_s: float
    xy_px: FloatArray
    depth_px: FloatArray
    visibility: FloatArray
    presence: FloatArray
    score: float
    window: FloatArray


def _row(frame: FrameLike, pose: PoseResult | None) -> _Row:
    if pose is None:
        none = np.full(lm.COUNT, np.nan)
        return _Row(
            frame.index,
            frame.time_s,
            np.full((lm.COUNT, 2), np.nan),
            none,
            none,
            none,
            float("nan"),
            np.full(4, np.nan),
        )
    height, width = frame.rgb.shape[:2]
    inside = _inside(pose.xy_px, width, height)
    window = pose.window
    return _Row(
        frame.index,
        frame.time_s,
        np.where(inside[:, None], pose.xy_px, np.nan),
        np.where(inside, pose.depth_px, np.nan),
        pose.visibility.copy(),  # what stays is made here: among the pictures of the threads that look,
        pose.presence.copy(),  # small things that stay would keep the freed memory from being used again
        pose.score,
        np.array([window.x, window.y, window.side, window.rotation]),
    )


def _inside(xy: FloatArray, width: int, height: int) -> NDArray[np.bool_]:
    return np.asarray(np.all((xy >= 0) & (xy <= np.array([width - 1, height - 1])), axis=-1))
