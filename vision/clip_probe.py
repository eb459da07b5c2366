"""What a video file holds: size, orientation and the true time stamp of every frame.

The stamps are the file's own: frame number over frame rate is wrong wherever a phone varies
its rate, so it is never used.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import av.error
import numpy as np
from numpy.typing import NDArray

from shared.errors import ClipError, DamagedClip
from vision.clip_open import COPY_AGAIN, EXPORT, opened_clip

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Frames may be stored up to this many places away from where they are shown (16 is the most
# that H.264 and HEVC allow); a stamp that is further off runs backwards.
MAX_REORDER = 32
# Two frames under one stamp: so many are mended by leaving the second out.
MAX_SAME_STAMP_SHARE = 0.01
# A file that ends this much before the length it claims has been cut off: so many frames or
# seconds, or more where the claim includes sound, which may outlast the picture.
SHORT_BY_FRAMES = 5
SHORT_BY_S = 0.1
SHORT_BY_S_WITH_SOUND = 1.0
BACKWARDS = "its time stamps are missing or run backwards, so no time can be measured"

INTERLACED_NOTE = (
    "The picture is interlaced: each frame mixes two moments, so fast limbs come out doubled; "
    "film or export progressive video for better results."
)


@dataclass(frozen=True)
class ClipProbe:
    """What a file says about itself, read without decoding more than one frame.

    Attributes
    ----------
    path : str
        As the user gave it.
    container, codec, pixel_format : str
        For instance "mov", "h264", "yuv420p".
    coded_size : (int, int)
        Width and height as stored, px.
    pixel_aspect : Fraction
        Width of a pixel over its height.
    rotation_deg : {0, 90, 180, 270}
        Counter-clockwise turn that makes the stored picture upright.
    mirrored : bool
        The stored picture is flipped left to right before that turn.
    width, height : int
        Upright size with square pixels, px.
    tick : Fraction
        Seconds per tick of `pts`.
    pts : (N,) int array
        Time stamps of the frames to be shown, in ticks, increasing.
    stamped : bool
        False where the container keeps no time stamp per frame (AVI): `pts` are then the
        container's even steps, given to the frames in the order they are shown.
    capture_tags : tuple of (str, str, str)
        Where ("file" or "stream"), key and value of every tag that speaks of a capture rate.
        No other tag is kept: place and device stay in the file.
    has_sound : bool
    notes : tuple of str
        Plain sentences for the user.
    """

    path: str
    container: str
    codec: str
    pixel_format: str
    coded_size: tuple[int, int]
    pixel_aspect: Fraction
    rotation_deg: int
    mirrored: bool
    width: int
    height: int
    tick: Fraction
    pts: IntArray
    stamped: bool
    capture_tags: tuple[tuple[str, str, str], ...]
    has_sound: bool
    notes: tuple[str, ...] = ()

    @property
    def frames(self) -> int:
        """Number of frames the file holds to be shown."""
        return len(self.pts)

    @property
    def times_s(self) -> FloatArray:
        """(N,) seconds of play-back from the first frame."""
        times: FloatArray = (self.pts - self.pts[0]).astype(np.float64) * float(self.tick)
        return times

    def shown_s(self, index: int) -> float:
        """Seconds of play-back from the first frame to frame `index`."""
        return float((int(self.pts[index]) - int(self.pts[0])) * self.tick)

    @property
    def duration_s(self) -> float:
        """Seconds of play-back from the first to the last frame."""
        return float(self.times_s[-1])


def probe(path: str | os.PathLike[str]) -> ClipProbe:
    """What the file holds, from its packets and its first frame.

    Parameters
    ----------
    path : str or path
        A local file.

    Raises
    ------
    ClipError
        No usable video (missing, empty, sound only, a single picture, too large, bad stamps).
    DamagedClip
        The video breaks off or its first frame can't be decoded.
    """
    name = os.fspath(path)
    with opened_clip(path) as (container, stream):
        first = _first_frame(container, stream, name)
        rotation, mirrored = _orientation(first)
        container_name = str(container.format.name).split(",")[0]
        aspect = stream.sample_aspect_ratio or Fraction(1)
        aspect = Fraction(aspect) if aspect > 0 else Fraction(1)
        tags = _capture_tags(container, stream)
        codec, pixel_format = str(stream.codec_context.name), str(stream.codec_context.pix_fmt)
        has_sound = bool(container.streams.audio)
        interlaced = bool(first.interlaced_frame)
    with opened_clip(path) as (container, stream):
        pts, stamped, notes = _stamps(container, stream, name)
        tick = Fraction(stream.time_base)
    if interlaced:
        notes = (*notes, INTERLACED_NOTE)
    if len(pts) < 2:
        raise ClipError(name, "there is only one frame in this file", "give a video of the run")
    coded = (int(first.width), int(first.height))
    width, height = round(coded[0] * aspect), coded[1]
    if rotation in (90, 270):
        width, height = height, width
    return ClipProbe(
        path=name,
        container=container_name,
        codec=codec,
        pixel_format=pixel_format,
        coded_size=coded,
        pixel_aspect=aspect,
        rotation_deg=rotation,
        mirrored=mirrored,
        width=width,
        height=height,
        tick=tick,
        pts=pts,
        stamped=stamped,
        capture_tags=tags,
        has_sound=has_sound,
        notes=notes,
    )


def _first_frame(container: Any, stream: Any, name: str) -> Any:
    try:
        for frame in container.decode(stream):
            return frame
    except av.error.FFmpegError as error:
        raise DamagedClip(name, "not one of its frames is readable", COPY_AGAIN) from error
    raise DamagedClip(name, "there are no frames in this file", COPY_AGAIN)


def _orientation(frame: Any) -> tuple[int, bool]:
    """Counter-clockwise turn to the next right angle, and whether the picture is mirrored first."""
    matrix = next((s for s in frame.side_data if s.type.name == "DISPLAYMATRIX"), None)
    if matrix is None:
        return 0, False
    a, b, _, c, d = np.frombuffer(bytes(matrix), dtype=np.int32)[:5].astype(np.float64)
    mirrored = bool(a * d - b * c < 0)
    if mirrored:  # the matrix is a left-right flip followed by a turn: undo the flip to read the turn
        a, b = -a, -b
    # The matrix sends (x, y) to (a x + c y, b x + d y) with y down.
    turn = -np.degrees(np.arctan2(b - c, a + d))
    return int(round(turn / 90) * 90) % 360, mirrored


def _capture_tags(container: Any, stream: Any) -> tuple[tuple[str, str, str], ...]:
    return tuple(
        (where, str(key), str(value))
        for where, tags in (("file", container.metadata), ("stream", stream.metadata))
        for key, value in tags.items()
        if "capture" in key.lower() and ("fps" in key.lower() or "rate" in key.lower())
    )


def _stamps(container: Any, stream: Any, name: str) -> tuple[IntArray, bool, tuple[str, ...]]:
    pts: list[int | None] = []
    dts: list[int | None] = []
    broken = False
    try:
        for packet in container.demux(stream):
            if packet.size == 0:
                continue
            if packet.is_corrupt:
                broken = True
                break
            if not packet.is_discard:
                pts.append(packet.pts)
                dts.append(packet.dts)
    except av.error.FFmpegError:
        broken = True
    if broken:
        raise damaged(name, len(pts), int(stream.frames or 0))
    if not pts:
        raise DamagedClip(name, "there are no frames in this file", COPY_AGAIN)
    stamped = container.format.name != "avi" and None not in pts
    kept = pts if stamped else dts
    if None in kept:
        raise ClipError(name, BACKWARDS, EXPORT)
    ticks = np.array(kept, dtype=np.int64)
    order = np.argsort(ticks, kind="stable")
    if np.max(np.abs(order - np.arange(len(order)))) > MAX_REORDER:
        raise ClipError(name, BACKWARDS, EXPORT)
    ticks = ticks[order]
    _refuse_cut_off(container, stream, ticks, name)
    notes: list[str] = []
    same = np.flatnonzero(np.diff(ticks) == 0)
    if same.size:
        if not stamped or same.size > max(1, MAX_SAME_STAMP_SHARE * len(ticks)):
            raise ClipError(name, BACKWARDS, EXPORT)
        notes.append(f"{same.size} of {len(ticks)} frames share a time stamp with another and are left out.")
        ticks = np.unique(ticks)
    if not stamped:
        notes.append(
            "This kind of file keeps no time stamp per frame; even steps at its stated rate are used."
        )
    return ticks, stamped, tuple(notes)


def _refuse_cut_off(container: Any, stream: Any, ticks: IntArray, name: str) -> None:
    """Raise where a file ends before the length it claims (and its reader does not mind)."""
    tick = float(stream.time_base)
    slack_s = max(
        SHORT_BY_S, SHORT_BY_FRAMES * float(np.median(np.diff(ticks))) * tick if len(ticks) > 1 else 0
    )
    if "matroska" in container.format.name:
        claimed_s = _clock_s(str(stream.metadata.get("DURATION", "")))
        if claimed_s is None and container.duration:
            claimed_s = float(container.duration) / av.time_base
            slack_s = max(slack_s, SHORT_BY_S_WITH_SOUND) if container.streams.audio else slack_s
    elif container.format.name == "avi" and stream.duration:
        claimed_s = float(stream.duration * stream.time_base)
    else:
        return
    held_s = float(ticks[-1] - min(int(ticks[0]), 0)) * tick
    if claimed_s is not None and claimed_s - held_s > slack_s:
        raise DamagedClip(
            name,
            f"the video breaks off: it should last {claimed_s:.2f} s, but only {len(ticks)} frames "
            f"({held_s:.2f} s) are readable",
            COPY_AGAIN,
        )


def _clock_s(text: str) -> float | None:
    """Seconds of ``HH:MM:SS.sss``, None where it is not one."""
    parts = re.fullmatch(r"(\d+):(\d+):(\d+(?:\.\d+)?)\s*", text)
    return None if parts is None else int(parts[1]) * 3600 + int(parts[2]) * 60 + float(parts[3])


def damaged(name: str, readable: int, claimed: int) -> DamagedClip:
    """The error for a video that is readable only up to a point."""
    of = f" of {claimed}" if claimed > readable else ""
    return DamagedClip(
        name, f"the video is damaged or breaks off, only {readable}{of} frames are readable", COPY_AGAIN
    )
