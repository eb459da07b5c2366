"""Both passes over a clip's pictures, each frame decoded, looked at and watched once, none kept."""

from __future__ import annotations

from collections.abc import Generator
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from shared.progress import Progress, silent
from vision.ahead import ahead, cores, workers
from vision.athlete import Person, choose_athlete, find_people, follow
from vision.athlete_follow import BEYOND_S
from vision.athlete_people import SAMPLE_RATE_HZ
from vision.blur import FootBlur
from vision.camera import BackgroundMotion, Box
from vision.camera_motion import CameraMotion
from vision.clip import Frame, LazyFrame, frames, lazy_frames
from vision.clip_probe import ClipProbe
from vision.clip_repeats import ChangeWatch
from vision.large_blocks import LARGE_BYTES, keep_large_blocks_apart
from vision.pose import PoseEngine, PoseResult
from vision.raw import RawTrack
from vision.timebase import TimeBase

FloatArray = NDArray[np.float64]
T = TypeVar("T")

BOX_MARGIN: Final = 0.15
"""Room round the landmarks that the background search leaves out, as a share of their extent."""
FRAMES_AHEAD: Final = 2
"""Decoded frames that wait for their turn, beside those that are being looked at."""
ENTRY_ROOM_S: Final = 0.25
"""The fine pass begins so long before the athlete is first looked for."""
LARGE_PICTURE_PX: Final = 1920 * 1088
"""Pictures with more px are decoded by several threads; below, one keeps up with the landmarks."""


@dataclass(frozen=True)
class Seen:
    """Everything that the passes over the pictures give.

    Attributes
    ----------
    raw : RawTrack
    motion : CameraMotion
    repeated : (N,) int array
        Frames that repeat the one before.
    blur_px : float
    people : int
        People found.
    start : int
        First frame of the fine pass.
    """

    raw: RawTrack
    motion: CameraMotion
    repeated: NDArray[np.int64]
    blur_px: float
    people: int
    start: int


def looked_through(
    clip: ClipProbe,
    base: TimeBase,
    engine: PoseEngine,
    athlete: tuple[float, float, float] | None,
    *,
    from_first: bool = False,
    progress: Progress = silent,
    threads: int | None = None,
) -> Seen:
    """Both passes over the pictures: who is there, then the athlete's landmarks in every frame.

    Parameters
    ----------
    clip : ClipProbe
    base : TimeBase
    engine : PoseEngine
    athlete : (x, y, seconds) or None
        Who to follow, upright px and real seconds; None: who runs.
    from_first : bool
        Begin with the first frame, however late the athlete enters.
    progress : Progress
    threads : int, optional
        As for `vision.track_clip.track_clip`.

    Returns
    -------
    Seen
    """
    name = Path(clip.path).name
    if 3 * clip.width * clip.height >= LARGE_BYTES:
        keep_large_blocks_apart()
    count = cores() if threads is None else threads
    with workers(count) as pool:
        with closing(_flow(_coarse_frames(clip, base, count), pool)) as coming:
            people = find_people(
                coming,
                engine,
                progress=_every(progress, _coarse_step(base)),
                total=clip.frames,
                pool=pool,
                thorough=athlete is not None,
            )
        person = choose_athlete(people, athlete, clip=name)
        watch = _Watch(clip, base, 0 if from_first else _entry(clip, base, person), count, engine.plan.every)
        with closing(_flow(watch.frames(), pool)) as coming:
            raw = follow(
                coming,
                person,
                engine,
                others=people,
                on_frame=watch.on_frame,
                progress=progress,
                total=clip.frames,
                clip=name,
                pool=pool,
                depth=(count + 1) * engine.plan.every,
                every=engine.plan.every,
            )
    return Seen(
        raw=raw,
        motion=watch.motion.result(),
        repeated=watch.changes.repeated(),
        blur_px=watch.blur.blur_px(),
        people=len(people),
        start=watch.start,
    )


def _flow(source: Generator[T, None, None], pool: Executor | None) -> Generator[T, None, None]:
    """The frames, decoded in a thread of their own where there are threads at all."""
    return source if pool is None else ahead(source, FRAMES_AHEAD)


def _entry(clip: ClipProbe, base: TimeBase, person: Person) -> int:
    """First frame that the fine pass needs."""
    time_s = float(person.time_s[0]) - BEYOND_S - ENTRY_ROOM_S
    return int(np.searchsorted(clip.times_s * base.factor, time_s))


def _decoder_threads(clip: ClipProbe, count: int) -> int:
    return min(count, 4) if clip.width * clip.height > LARGE_PICTURE_PX else 1


class _Watch:
    """Sees every frame of the fine pass, for all that is wanted beside the landmarks."""

    def __init__(self, clip: ClipProbe, base: TimeBase, start: int, threads: int, every: int) -> None:
        self._clip, self._base, self.start, self._threads, self._every = clip, base, start, threads, every
        self.motion = BackgroundMotion(clip.width, clip.height, base.capture_rate_hz)
        self.changes = ChangeWatch()
        self.blur = FootBlur()
        self._box: Box | None = None

    def frames(self) -> Generator[LazyFrame, None, None]:
        threads = _decoder_threads(self._clip, self._threads)
        for frame in lazy_frames(self._clip, self._base, start=self.start, threads=threads):
            self.changes.see(frame)
            yield frame

    def on_frame(self, frame: object, pose: PoseResult | None) -> None:
        assert isinstance(frame, LazyFrame)
        if frame.index % self._every == 0:  # else: not looked at, and the athlete is about where it was
            self._box = None if pose is None else _box(pose.xy_px)
        self.motion.add(frame.index, lambda: frame.grey, self._box)
        self.blur.add(frame.index, lambda: frame.grey, None if pose is None else pose.xy_px)


def _box(xy: FloatArray) -> Box | None:
    if not np.isfinite(xy).any():
        return None
    low, high = np.nanmin(xy, axis=0), np.nanmax(xy, axis=0)
    room = BOX_MARGIN * float(max(high - low))
    return (float(low[0]) - room, float(low[1]) - room, float(high[0]) + room, float(high[1]) + room)


def _coarse_step(base: TimeBase) -> int:
    return max(1, int(base.capture_rate_hz / (2 * SAMPLE_RATE_HZ)))


def _coarse_frames(clip: ClipProbe, base: TimeBase, threads: int) -> Generator[Frame, None, None]:
    return frames(clip, base, step=_coarse_step(base), threads=_decoder_threads(clip, threads))


def _every(progress: Progress, step: int) -> Progress:
    def report(stage: str, done: int, total: int | None) -> None:
        progress(stage, done * step if total is None else min(done * step, total), total)

    return report
