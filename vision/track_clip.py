"""From a video file to one athlete's `Track`: the whole of `vision` in order."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shared.errors import AthleteError
from shared.files import file_sha256
from shared.progress import Progress, silent
from shared.track import ClipInfo, Scale, SideLabelling, Track
from vision.clip import clip_info
from vision.clip_probe import ClipProbe, probe
from vision.clip_ramps import speed_ramps
from vision.clip_repeats import repeats_note
from vision.kept import entry_name, keep, recalled
from vision.look_through import Seen, looked_through
from vision.passes import longest_pass
from vision.pose import PoseEngine
from vision.quality import view_quality
from vision.raw import RawTrack
from vision.scale import NoScale, best_scale, body_size, scale_from_belt, scale_from_marks, scale_from_stature
from vision.sides import RepairedSides, repair_sides
from vision.time_sections import one_speed
from vision.timebase import TimeBase, time_base
from vision.views import Effort
from vision.weights import Weights, pose_weights
from vision.world import WorldView, world_marks, world_points, world_view

FloatArray = NDArray[np.float64]
Mark = tuple[float, float]


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
    path: Path,
    request: TrackRequest,
    progress: Progress = silent,
    threads: int | None = None,
    kept: Path | None = None,
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
    kept : Path, optional
        Folder in which what was seen is kept and looked up first (see `vision.kept`).

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
    weights = pose_weights(request.weights)
    sha256 = file_sha256(path)
    entry = "" if kept is None else entry_name(sha256, _settings(request, base, weights))
    known = None if kept is None else recalled(kept, entry)
    # Marked points lie in the first picture, so that frame must have been part of the pass.
    if known is not None and (request.marked is None or known.start == 0):
        progress("following the athlete", clip.frames, clip.frames)
        return _track(known, clip, base, request, sha256)
    seen = looked_through(
        clip,
        base,
        PoseEngine(weights, effort=request.effort, rate_hz=base.capture_rate_hz),
        request.athlete,
        from_first=request.marked is not None,
        progress=progress,
        threads=threads,
    )
    if kept is not None:
        keep(seen, kept, entry)
    return _track(seen, clip, base, request, sha256)


def _settings(request: TrackRequest, base: TimeBase, weights: Weights) -> dict[str, object]:
    """What decides what is seen in a clip, beside its content."""
    return {
        "factor": base.factor,
        "rate": base.capture_rate_hz,
        "athlete": request.athlete,
        "effort": request.effort,
        "weights": weights.name,
        "content": hashlib.sha256(weights.detector + weights.landmarks).hexdigest(),
    }


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


def _track(seen: Seen, clip: ClipProbe, base: TimeBase, request: TrackRequest, sha256: str) -> Track:
    name = Path(clip.path).name
    notes: list[str] = []
    raw, motion, repeated = seen.raw, seen.motion, seen.repeated
    if len(repeated):
        raw = part_of(raw, ~np.isin(raw.frame, repeated))
        said = repeats_note(repeated, clip.frames)
        notes += [said] if said else []
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
    if seen.people > 1:
        notes.append(
            f"{seen.people} people were seen; the one measured is the one who crosses the picture running. "
            "Point at another with a place and a time if that is wrong."
            if request.athlete is None
            else f"{seen.people} people were seen; the one you pointed at is measured."
        )
    info = clip_info(clip, base, clip.frames, repeated.tolist(), notes, sha256)
    return _assembled(raw, repaired, view, info, request, seen.blur_px)


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
