"""Still pictures of the key positions and of each cue, with the angle drawn where it is measured."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from shared.analysis import Analysis, Measure, Observation
from shared.catalogue import MEASURES
from shared.files import whole_file
from shared.landmarks import Side
from shared.progress import Progress
from shared.track import Track
from ui import draw
from ui.in_units import measured_text

if TYPE_CHECKING:
    from vision.head import HeadCover

FOLDER: Final = "pictures"
PICTURE_HEIGHT_PX: Final = 640
BRIDGE_SAMPLES: Final = 6


@dataclass(frozen=True)
class Position:
    """A key position of the running stride and the measures drawn on it."""

    name: str
    title: str
    keys: tuple[str, ...]


POSITIONS: Final[tuple[Position, ...]] = (
    Position(
        "touchdown", "Touchdown", ("shank_angle_td", "td_distance", "td_distance_leg", "knee_flexion_td")
    ),
    Position("midstance", "Mid-stance", ("trunk_lean_midstance", "knee_flexion_stance_max")),
    Position("toe_off", "Toe-off", ("knee_flexion_to", "trunk_lean_to")),
    Position("highest_knee", "Highest knee", ("thigh_angle_max",)),
    Position("arm_front", "Front of the arm swing", ("elbow_angle_front", "arm_swing_front")),
    Position("arm_back", "Back of the arm swing", ("elbow_angle_back", "arm_swing_back")),
)


@dataclass(frozen=True)
class Picture:
    """A finished still.

    Attributes
    ----------
    file : str
        Path inside the result folder.
    title, alt : str
    frame : int
        Decoded frame number.
    time_s : float
    side : {"left", "right"}
    keys : tuple of str
        Measures drawn on it.
    cue_rank : int or None
        The cue it illustrates.
    """

    file: str
    title: str
    alt: str
    frame: int
    time_s: float
    side: Side
    keys: tuple[str, ...]
    cue_rank: int | None = None


@dataclass(frozen=True)
class Subject:
    """What one still shall show."""

    name: str
    title: str
    frame: int
    side: Side
    keys: tuple[str, ...]
    cue_rank: int | None = None


def subjects(analysis: Analysis) -> list[Subject]:
    """The stills worth making: near-side key positions, then one per cue.

    A position without any measured value is left out, never guessed.
    """
    near = analysis.near_side
    found: list[Subject] = []
    for position in POSITIONS:
        drawn = [
            m for m in (_measured(analysis, key, near) for key in position.keys) if m and m.frame is not None
        ]
        if drawn and drawn[0].frame is not None:
            keys: list[str] = []
            for m in drawn:
                # "m" and "% leg" are the same drawing: show the first of the two only.
                stem = m.key.removesuffix("_leg")
                if m.frame == drawn[0].frame and stem not in [k.removesuffix("_leg") for k in keys]:
                    keys.append(m.key)
            found.append(Subject(position.name, position.title, drawn[0].frame, near, tuple(keys[:2])))
    for cue in analysis.cues:
        side: Side = near if cue.side == "both" else cue.side
        kind = MEASURES.get(cue.key)
        title = f"Cue {cue.rank}: {kind.name if kind else cue.key}"
        found.append(Subject(f"cue_{cue.rank}", title, cue.frame, side, (cue.key,), cue.rank))
    return found


def _measured(analysis: Analysis, key: str, side: Side) -> Measure | None:
    for where in (side, "both"):
        m = analysis.measure(key, where)
        if m is not None and m.status == "measured" and m.value is not None:
            return m
    return None


def value_text(analysis: Analysis, key: str, side: Side, frame: int, feet: bool = False) -> str:
    """The number to write on a frame: the value of that very step, with its interval."""
    kind = MEASURES[key]
    observed = _observation(analysis, key, side, frame)
    if observed is not None:
        value, low, high = observed.value, observed.low, observed.high
    else:
        m = _measured(analysis, key, side)
        if m is None or m.value is None or m.low is None or m.high is None:
            return kind.name
        value, low, high = m.value, m.low, m.high
    half = 0.5 * (high - low)
    return measured_text(value, half, key, kind.unit, feet)


def _observation(analysis: Analysis, key: str, side: Side, frame: int) -> Observation | None:
    near_by = [
        o
        for o in analysis.observations
        if o.key == key and o.side in (side, "both") and abs(o.frame - frame) <= 1
    ]
    return min(near_by, key=lambda o: abs(o.frame - frame), default=None)


def crop_box(
    xy: NDArray[np.float64], width: int, height: int, aspect: float = 0.8
) -> tuple[int, int, int, int]:
    """A box round the athlete with room for labels, inside the picture.

    Parameters
    ----------
    xy : (33, 2) array
        Upright px; NaN ignored.
    width, height : int
        Picture size, px.
    aspect : float
        Width over height of the box.

    Returns
    -------
    left, top, right, bottom : int
    """
    if not np.isfinite(xy).any():
        return (0, 0, width, height)
    low, high = np.nanmin(xy, axis=0), np.nanmax(xy, axis=0)
    centre = 0.5 * (low + high)
    tall = max(1.35 * (high[1] - low[1]), 1.35 * (high[0] - low[0]) / aspect, 40.0)
    tall = min(tall, float(height))
    wide = min(aspect * tall, float(width))
    left = min(max(centre[0] - wide / 2, 0.0), width - wide)
    top = min(max(centre[1] - tall / 2, 0.0), height - tall)
    return (int(left), int(top), int(left + wide), int(top + tall))


def write_pictures(
    clip: Path,
    track: Track,
    analysis: Analysis,
    folder: Path,
    progress: Progress,
    cover: HeadCover | None = None,
    feet: bool = False,
) -> tuple[Picture, ...]:
    """Write the stills into ``folder/pictures``.

    Parameters
    ----------
    clip : Path
    track : Track
    analysis : Analysis
    folder : Path
    progress : Progress
    cover : HeadCover, optional
        Hide the athlete's face.
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.

    Returns
    -------
    tuple of Picture
        In order of the stride, then of the cues.

    Raises
    ------
    ClipError, OutputError
    """
    wanted = subjects(analysis)
    by_frame: dict[int, list[Subject]] = {}
    for subject in wanted:
        by_frame.setdefault(subject.frame, []).append(subject)
    from vision.head import without_face

    (folder / FOLDER).mkdir(exist_ok=True)
    made: dict[str, Picture] = {}
    for index, rgb in _frames(clip, sorted(by_frame)):
        if cover is not None:
            rgb = without_face(rgb, cover, index)
        for subject in by_frame[index]:
            made[subject.name] = _write(rgb, subject, track, analysis, folder, feet)
        progress("pictures", len(made), len(wanted))
    return tuple(made[s.name] for s in wanted if s.name in made)


def _frames(clip: Path, numbers: list[int]) -> Iterable[tuple[int, NDArray[np.uint8]]]:
    from vision.clip import frames_at
    from vision.clip_probe import probe

    if not numbers:
        return
    for frame in frames_at(probe(clip), numbers):
        yield frame.index, frame.rgb


def drawn_points(xy_px: NDArray[np.float64], sample: int) -> NDArray[np.float64]:
    """Landmarks to draw on one frame: points taken out for a moment are bridged from both sides.

    Parameters
    ----------
    xy_px : (T, 33, 2) array
    sample : int

    Returns
    -------
    (33, 2) array
        NaN where a point is missing for longer than `BRIDGE_SAMPLES` to either side. Only for
        drawing; no number is taken from it.
    """
    xy: NDArray[np.float64] = xy_px[sample].copy()
    for joint in np.flatnonzero(~np.isfinite(xy).all(axis=1)):
        seen = np.flatnonzero(np.isfinite(xy_px[:, joint]).all(axis=1))
        before, after = seen[seen < sample], seen[seen > sample]
        if len(before) and len(after) and max(sample - before[-1], after[0] - sample) <= BRIDGE_SAMPLES:
            a, b = int(before[-1]), int(after[0])
            share = (sample - a) / (b - a)
            xy[joint] = (1 - share) * xy_px[a, joint] + share * xy_px[b, joint]
    return xy


def _write(
    rgb: NDArray[np.uint8], subject: Subject, track: Track, analysis: Analysis, folder: Path, feet: bool
) -> Picture:
    sample = int(np.argmin(np.abs(track.frame - subject.frame)))
    xy = drawn_points(track.xy_px, sample)
    height, width = rgb.shape[:2]
    box = crop_box(xy, width, height)
    picture = Image.fromarray(rgb).crop(box)
    zoom = PICTURE_HEIGHT_PX / max(1, box[3] - box[1])
    size = (max(2, round(picture.width * zoom)), PICTURE_HEIGHT_PX)
    canvas = draw.Canvas(picture.resize(size, Image.Resampling.LANCZOS), (box[0], box[1]), zoom, 3.0)
    draw.draw_skeleton(canvas, xy, track.labelling.near_side, strong=False)
    axes = draw.local_axes(xy, track.world_px[sample])
    texts = []
    for key in subject.keys:
        text = value_text(analysis, key, subject.side, subject.frame, feet)
        if draw.draw_measure(canvas, key, xy, subject.side, axes, text):
            texts.append(f"{MEASURES[key].name} {text}")
    name = f"{FOLDER}/{subject.name}.jpg"
    with whole_file(folder / name) as part:
        canvas.finished().save(part, "JPEG", quality=88)
    alt = f"{subject.title}, {subject.side} side, frame {subject.frame}" + (
        f": {'; '.join(texts)}" if texts else ""
    )
    return Picture(
        file=name,
        title=subject.title,
        alt=alt,
        frame=subject.frame,
        time_s=float(track.time_s[sample]),
        side=subject.side,
        keys=subject.keys,
        cue_rank=subject.cue_rank,
    )


def overlay(rgb: NDArray[np.uint8], xy: NDArray[np.float64], near: Side, thickness: float) -> Image.Image:
    """A whole frame with the skeleton drawn on it.

    Only the part round the athlete is drawn large and scaled down, which keeps this quick.
    """
    picture = Image.fromarray(rgb)
    if not np.isfinite(xy).any():
        return picture
    height, width = rgb.shape[:2]
    margin = 4 * thickness
    low = np.maximum(np.nanmin(xy, axis=0) - margin, 0)
    high = np.minimum(np.nanmax(xy, axis=0) + margin, (width, height))
    box = (int(low[0]), int(low[1]), math.ceil(high[0]), math.ceil(high[1]))
    if box[2] - box[0] < 2 or box[3] - box[1] < 2:
        return picture
    canvas = draw.Canvas(picture.crop(box), (box[0], box[1]), 1.0, thickness)
    draw.draw_skeleton(canvas, xy, near)
    picture.paste(canvas.finished(), (box[0], box[1]))
    return picture
