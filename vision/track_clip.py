"""From a video file to one athlete's `Track`: the whole of `vision` in order."""

from __future__ import annotations

from collections.abc import Generator
from concurrent.futures import Executor
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared.errors import AthleteError
from shared.progress import Progress, silent
from shared.track import ClipInfo, Scale, SideLabelling, Track
from vision.ahead import ahead, cores, workers
from vision.athlete import Person, choose_athlete, find_people, follow
from vision.athlete_follow import BEYOND_S
from vision.athlete_people import SAMPLE_RATE_HZ
from vision.blur import FootBlur
from vision.camera import BackgroundMotion, Box
from vision.clip import Frame, clip_info, frames
from vision.clip_probe import ClipProbe, probe
from vision.clip_ramps import speed_ramps
from vision.clip_repeats import ChangeWatch, repeats_note
from vision.passes import longest_pass
from vision.pose import PoseEngine, PoseResult
from vision.quality import suitability, view_quality
from vision.raw import RawTrack
from vision.scale import NoScale, best_scale, body_size, scale_from_belt, scale_from_marks, scale_from_stature
from vision.sides import RepairedSides, repair_sides
from vision.time_sections import one_speed
from vision.timebase import TimeBase, time_base
from vision.views import Effort
from vision.weights import pose_weights
from vision.world import WorldView, world_marks, world_points, world_view

FloatArray = NDArray[np.float64]
Mark = tuple[float, float]

BOX_MARGIN: Final = 0.15
"""Room round the landmarks that the background search leaves out, as a share of their extent."""
FRAMES_AHEAD: Final = 2
"""Decoded frames that wait for their turn, beside those that are being looked at."""
ENTRY_ROOM_S: Final = 0.25
"""The fine pass begins so long before the athlete is first looked for."""
LARGE_PICTURE_PX: Final = 1920 * 1088
"""Pictures with more px are decoded by several threads; below, one keeps up with the landmarks."""
CHECK_FRAMES: Final = 8
"""Frames that the suitability check looks at."""


@dataclass(frozen=True)
class TrackRequest:
    """What the user said about a clip.

    Attributes
    ----------
    capture_rate_hz : float or None
        Frames per real second.
    stature_m, belt_speed_mps : float or None
    athlete : (x, y, seconds) or None
        Who to measure, upright px and real seconds.
    marked : ((x, y), (x, y), metres) or None
        Two points in the first picture, in the plane of travel.
    weights : Path or None
        Heavier pose weights.
    effort : {"quick", "standard", "high"}
    """

    capture_rate_hz: float | None = None
    stature_m: float | None = None
    belt_speed_mps: float | None = None
    athlete: tuple[float, float, float] | None = None
    marked: tuple[Mark, Mark, float] | None = None
    weights: Path | None = None
    effort: Effort = "standard"


def track_clip(
    path: Path, request: TrackRequest, progress: Progress = silent, threads: int | None = None
) -> Track:
    """Follow the athlete through a clip.

    Parameters
    ----------
    path : Path
        The video file; read twice, no frame is kept.
    request : TrackRequest
    progress : Progress
    threads : int, optional
        Threads that look for people and landmarks; default: one for each core. One: everything
        happens in the caller's thread, one thing after the other. The result is the same.

    Returns
    -------
    Track

    Raises
    ------
    ClipError
        The file can't be used.
    AthleteError
        Nobody, or not the person asked for, could be followed.
    OptionError
        Something the user said makes no sense.
    """
    clip = probe(path)
    base = time_base(clip, request.capture_rate_hz)
    engine = PoseEngine(pose_weights(request.weights), effort=request.effort)
    name = Path(clip.path).name
    count = cores() if threads is None else threads
    with workers(count) as pool:
        with closing(_flow(_coarse_frames(clip, base, count), pool)) as coming:
            people = find_people(
                coming,
                engine,
                progress=_every(progress, _coarse_step(base)),
                total=clip.frames,
                pool=pool,
                thorough=request.athlete is not None,
            )
        person = choose_athlete(people, request.athlete, clip=name)
        seen = _Pass(clip, base, 0 if request.marked else _entry(clip, base, person), count)
        with closing(_flow(seen.frames(), pool)) as coming:
            raw = follow(
                coming,
                person,
                engine,
                others=people,
                on_frame=seen.on_frame,
                progress=progress,
                total=clip.frames,
                clip=name,
                pool=pool,
                depth=count + 1,
            )
    return _track(raw, seen, clip, base, request, people)


def _flow(source: Generator[Frame, None, None], pool: Executor | None) -> Generator[Frame, None, None]:
    """The frames, decoded in a thread of their own where there are threads at all."""
    return source if pool is None else ahead(source, FRAMES_AHEAD)


def _entry(clip: ClipProbe, base: TimeBase, person: Person) -> int:
    """First frame that the fine pass needs."""
    time_s = float(person.time_s[0]) - BEYOND_S - ENTRY_ROOM_S
    return int(np.searchsorted(clip.times_s * base.factor, time_s))


def _decoder_threads(clip: ClipProbe, count: int) -> int:
    return min(count, 4) if clip.width * clip.height > LARGE_PICTURE_PX else 1


class _Pass:
    """What one pass over the frames leaves behind, beside the landmarks."""

    def __init__(self, clip: ClipProbe, base: TimeBase, start: int, threads: int) -> None:
        self._clip, self._base, self._start, self._threads = clip, base, start, threads
        self.motion = BackgroundMotion(clip.width, clip.height, base.capture_rate_hz)
        self.changes = ChangeWatch()
        self.blur = FootBlur()

    def frames(self) -> Generator[Frame, None, None]:
        threads = _decoder_threads(self._clip, self._threads)
        for frame in frames(self._clip, self._base, start=self._start, threads=threads):
            self.changes.see(frame)
            yield frame

    def on_frame(self, frame: object, pose: PoseResult | None) -> None:
        assert isinstance(frame, Frame)
        self.motion.add(frame.index, frame.rgb, None if pose is None else _box(pose.xy_px))
        self.blur.add(frame.index, frame.rgb, None if pose is None else pose.xy_px)


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


def part_of(raw: RawTrack, keep: NDArray[np.bool_]) -> RawTrack:
    """The samples of a raw track that a (T,) mask keeps."""
    return RawTrack(
        frame=raw.frame[keep],
        time_s=raw.time_s[keep],
        xy_px=raw.xy_px[keep],
        depth_px=raw.depth_px[keep],
        visibility=raw.visibility[keep],
        presence=raw.presence[keep],
        score=raw.score[keep],
        window=raw.window[keep],
        model=raw.model,
    )


def _track(
    raw: RawTrack,
    seen: _Pass,
    clip: ClipProbe,
    base: TimeBase,
    request: TrackRequest,
    people: list[Person],
) -> Track:
    name = Path(clip.path).name
    notes: list[str] = []
    repeated = seen.changes.repeated()
    if len(repeated):
        raw = part_of(raw, ~np.isin(raw.frame, repeated))
        said = repeats_note(repeated, clip.frames)
        notes += [said] if said else []
    motion = seen.motion.result()
    kept, pass_note = longest_pass(raw, motion, request.belt_speed_mps)
    raw = part_of(raw, kept)
    notes += [pass_note] if pass_note else []
    view = world_view(raw, motion, request.belt_speed_mps)
    ramps = speed_ramps(raw.time_s, _motion_per_frame(raw, view))
    section = one_speed(raw, ramps, base)
    if section.note is not None:
        notes.append(section.note)
        raw = part_of(raw, section.keep)
        raw = replace(raw, time_s=raw.time_s[0] + (raw.time_s - raw.time_s[0]) / section.slow_down)
        base = replace(base, capture_rate_hz=base.capture_rate_hz * section.slow_down)
    repaired = repair_sides(raw, view.direction)
    if not np.isfinite(repaired.xy_px).any():
        raise AthleteError(
            name, "the athlete could not be followed in it", "film one whole runner from the side"
        )
    if len(people) > 1:
        notes.append(
            f"{len(people)} people were seen; the one measured is the one who crosses the picture running. "
            "Point at another with a place and a time if that is wrong."
            if request.athlete is None
            else f"{len(people)} people were seen; the one you pointed at is measured."
        )
    info = clip_info(clip, base, clip.frames, repeated.tolist(), notes)
    return _assembled(raw, repaired, view, info, request, seen.blur.blur_px())


def _assembled(
    raw: RawTrack,
    repaired: RepairedSides,
    view: WorldView,
    info: ClipInfo,
    request: TrackRequest,
    blur_px: float,
) -> Track:
    near = repaired.labelling.near_side
    world = world_points(repaired.xy_px, raw.frame, view)
    mended = replace(raw, xy_px=repaired.xy_px, depth_px=repaired.depth_px, visibility=repaired.visibility)
    quality = view_quality(mended, view, info, near, blur_px)
    scale, scale_notes = _scale(world, raw, view, request)
    quality = replace(quality, notes=(*quality.notes, *scale_notes))
    return Track(
        clip=info,
        frame=raw.frame,
        time_s=raw.time_s,
        xy_px=repaired.xy_px,
        confidence=np.nan_to_num(repaired.visibility, nan=0.0),
        world_px=world,
        direction=view.direction,
        camera=view.camera,
        belt_speed_mps=request.belt_speed_mps,
        scale=scale,
        labelling=_with_repairs(repaired.labelling, len(raw.frame)),
        quality=quality,
        model=raw.model,
    )


def _with_repairs(labelling: SideLabelling, samples: int) -> SideLabelling:
    """Say in words what was repaired, if anything was."""
    if not labelling.legs_exchanged:
        return labelling
    share = 100 * labelling.legs_exchanged / max(1, samples)
    said = f"The model exchanged the legs in {share:.0f} % of the frames; this was put right."
    return replace(labelling, notes=(*labelling.notes, said))


def _scale(
    world: FloatArray, raw: RawTrack, view: WorldView, request: TrackRequest
) -> tuple[Scale | None, tuple[str, ...]]:
    lane_sd = view.distance_relative_sd
    found: list[Scale] = []
    notes: list[str] = []

    def take(scale: Scale | NoScale) -> None:
        if isinstance(scale, Scale):
            found.append(scale)
        else:
            notes.append(scale.why)

    if request.stature_m is not None:
        take(scale_from_stature(body_size(world), request.stature_m, lane_sd))
    if request.marked is not None:
        first, second, metres = request.marked
        marks = world_marks(np.array([first, second]), np.zeros(2, dtype=np.int64), view)
        take(scale_from_marks(marks[0], marks[1], metres, view_relative_sd=lane_sd))
    if request.belt_speed_mps is not None:
        take(scale_from_belt(world, raw.time_s, request.belt_speed_mps))
    best, said = best_scale(found)
    return best, (*notes, *said)


def _motion_per_frame(raw: RawTrack, view: WorldView) -> FloatArray:
    """Forward displacement of the hips from the sample before, world px, NaN for the first."""
    from vision.scale import mid_point

    forward = mid_point(world_points(raw.xy_px, raw.frame, view), "hip")[:, 0]
    steps = np.diff(forward, prepend=np.nan)
    return np.asarray(steps / np.maximum(1, np.diff(raw.frame, prepend=raw.frame[0] - 1)))


def check_clip(
    path: Path, capture_rate_hz: float | None, stature_m: float | None, progress: Progress = silent
) -> list[tuple[Literal["good", "limited", "bad"], str]]:
    """A first word on a clip from a few of its frames.

    Returns
    -------
    list of (level, sentence)
        Worst first, the time base last.

    Raises
    ------
    ClipError
        The file can't be used.
    """
    clip = probe(path)
    base = time_base(clip, capture_rate_hz)
    engine = PoseEngine()
    chosen = np.unique(np.linspace(0, clip.frames - 1, CHECK_FRAMES + 2).round().astype(int)[1:-1])
    xy = np.full((len(chosen), 33, 2), np.nan)
    visibility = np.zeros((len(chosen), 33))
    brightness: list[float] = []
    most = 0
    for row, number in enumerate(chosen):
        for frame in frames(clip, base, start=int(number), stop=int(number) + 1):
            brightness.append(float(frame.rgb[::8, ::8].mean()))
            people = find_people([frame, replace(frame, time_s=frame.time_s + 1.0)], engine)
            most = max(most, len(people))
            if people:
                person = max(people, key=lambda p: p.height_px)
                # One unlucky frame says nothing against the clip; its row stays empty.
                with suppress(AthleteError):
                    raw = follow([frame], person, engine, clip=Path(clip.path).name)
                    xy[row], visibility[row] = raw.xy_px[0], raw.visibility[0]
        progress("looking at the clip", row + 1, len(chosen))
    findings = suitability(
        xy,
        visibility,
        base.capture_rate_hz,
        clip.width,
        clip.height,
        float(np.mean(brightness)) if brightness else float("nan"),
        most,
    )
    words = {"file": "the file's own time stamps", "tag": "a tag in the file", "user": "what you gave"}
    said: list[tuple[Literal["good", "limited", "bad"], str]] = [(f.level, f.sentence) for f in findings]
    said.append(
        (
            "good",
            f"Time base: {base.capture_rate_hz:.4g} frames per real second, from {words[base.kind]}; "
            f"{clip.frames} frames, {clip.duration_s * base.factor:.2f} s of real time.",
        )
    )
    said += [("limited", note) for note in base.notes]
    return said
