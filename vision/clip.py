"""A video file as upright frames with their true times, one at a time."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av.error
import cv2
import numpy as np
from numpy.typing import NDArray

from shared.errors import ClipError
from shared.track import ClipInfo
from vision.clip_open import EXPORT, opened_clip
from vision.clip_probe import BACKWARDS, ClipProbe, damaged, probe
from vision.timebase import TimeBase

__all__ = ["ClipProbe", "Frame", "clip_info", "file_sha256", "frames", "frames_at", "nearest_frame", "probe"]

Pixels = NDArray[np.uint8]

# Key frames of phone clips lie half a second to ten seconds apart: decoding on so far is cheaper
# than seeking back to the last of them.
_DECODE_ON = 120

_SEEKABLE = ("mov", "matroska")

_TURNS = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}


@dataclass(frozen=True)
class Frame:
    """One upright picture and its time.

    Attributes
    ----------
    index : int
        Number in order of showing, 0 = the clip's first frame.
    time_s : float
        Real seconds from the first frame.
    pts_s : float
        Seconds of play-back from the first frame.
    rgb : (H, W, 3) uint8 array, or (H, W) when grey was asked for
        Upright, square pixels, contiguous.
    """

    index: int
    time_s: float
    pts_s: float
    rgb: Pixels


def frames(
    clip: ClipProbe,
    time_base: TimeBase | None = None,
    *,
    start: int = 0,
    stop: int | None = None,
    step: int = 1,
    max_height: int | None = None,
    grey: bool = False,
    threads: int = 1,
) -> Generator[Frame, None, None]:
    """Decode a clip, frame by frame, in order of showing.

    Parameters
    ----------
    clip : ClipProbe
        From `probe`.
    time_base : TimeBase, optional
        Turns play-back into real seconds; without it the file's stamps count as real.
    start, stop, step : int
        Frames to yield, as in ``range(start, stop, step)``. A late start is sought, not decoded.
    max_height : int, optional
        Scale down to at most this upright height, px.
    grey : bool
        Yield (H, W) brightness instead of colour.
    threads : int
        Decoder threads. One is the default: on two cores, 1080p H.264 at 12 Mb/s took 4.8 ms of
        processor time a frame with one thread (187 frames/s), 4.8 with two slices and 5.1 to
        5.5 with frame threads (157 to 177 frames/s while the other core was busy); landmarks
        take three to four times as long and want the other core.

    Yields
    ------
    Frame

    Raises
    ------
    DamagedClip
        A frame can't be decoded, or frames are missing at the end.
    ClipError
        Stamps that run backwards, or a picture size that changes.
    """
    if start < 0 or step < 1 or (max_height is not None and max_height < 1):
        raise ValueError(f"need start >= 0, step >= 1, max_height >= 1; got {start}, {step}, {max_height}")
    stop = clip.frames if stop is None else min(stop, clip.frames)
    if start >= stop:
        return
    factor = 1.0 if time_base is None else time_base.factor
    size = _upright_size(clip, max_height)
    done = 0
    for index, picture in _sought(clip, start, stop, threads):
        done = index + 1
        if index < start or (index - start) % step:
            continue
        pts_s = float((int(clip.pts[index]) - int(clip.pts[0])) * clip.tick)
        yield Frame(index, pts_s * factor, pts_s, _upright(picture, clip, size, grey))
    if done < stop:
        raise damaged(clip.path, done, clip.frames)


def frames_at(clip: ClipProbe, numbers: Iterable[int]) -> Generator[Frame, None, None]:
    """Single frames of a clip, in order of showing; what lies between them is not converted.

    Parameters
    ----------
    clip : ClipProbe
    numbers : iterable of int
        In any order; each is yielded once.

    Raises
    ------
    DamagedClip, ClipError
        As for `frames`.
    """
    wanted = sorted(set(numbers))
    size = _upright_size(clip, None)
    while wanted:
        # Sought once for as many as lie near each other, then decoded on.
        together = 1
        while together < len(wanted) and wanted[together] - wanted[together - 1] <= _DECODE_ON:
            together += 1
        group, wanted = wanted[:together], wanted[together:]
        missing = set(group)
        for index, picture in _sought(clip, group[0], group[-1] + 1, 1):
            if index in missing:
                missing.remove(index)
                pts_s = float((int(clip.pts[index]) - int(clip.pts[0])) * clip.tick)
                yield Frame(index, pts_s, pts_s, _upright(picture, clip, size, grey=False))
        if missing:
            raise damaged(clip.path, min(missing), clip.frames)


def _sought(clip: ClipProbe, start: int, stop: int, threads: int) -> Iterator[tuple[int, Any]]:
    """Frame numbers and pictures as stored, from at or before `start` up to `stop`.

    Seeking is only trusted where it lands at or before the frame that was sought; else the
    clip is decoded from its beginning.
    """
    if start > 0 and clip.stamped and clip.container in _SEEKABLE:
        landed = False
        for index, picture in _decoded(clip, start, stop, threads):
            if not landed and index > start:
                break
            landed = True
            yield index, picture
        if landed:
            return
    yield from _decoded(clip, 0, stop, threads)


def _decoded(clip: ClipProbe, start: int, stop: int, threads: int) -> Iterator[tuple[int, Any]]:
    index = -1
    with opened_clip(clip.path) as (container, stream):
        if threads is not None:
            stream.thread_count = threads
        stream.thread_type = "AUTO"
        try:
            if start > 0:
                container.seek(int(clip.pts[start]), stream=stream, backward=True)
            for picture in container.decode(stream):
                number = _number(clip, picture, index)
                if number is None:
                    continue
                index = number
                if index >= stop:
                    return
                if (picture.width, picture.height) != clip.coded_size:
                    raise ClipError(clip.path, f"its picture size changes at frame {index}", EXPORT)
                if picture.is_corrupt and index >= start:
                    raise damaged(clip.path, index, clip.frames)
                yield index, picture
                if index == stop - 1:
                    return
        except av.error.FFmpegError as error:
            raise damaged(clip.path, index + 1, clip.frames) from error


def _number(clip: ClipProbe, picture: Any, last: int) -> int | None:
    """Frame number of a decoded picture; None for a second picture under one stamp."""
    if not clip.stamped:
        return last + 1
    if picture.pts is None:
        raise ClipError(clip.path, BACKWARDS, EXPORT)
    number = int(np.searchsorted(clip.pts, picture.pts))
    if number >= clip.frames or clip.pts[number] != picture.pts or number < last:
        raise ClipError(clip.path, BACKWARDS, EXPORT)
    return None if number == last else number


def _upright_size(clip: ClipProbe, max_height: int | None) -> tuple[int, int]:
    if max_height is None or clip.height <= max_height:
        return clip.width, clip.height
    return max(1, round(clip.width * max_height / clip.height)), max_height


def _upright(picture: Any, clip: ClipProbe, size: tuple[int, int], grey: bool) -> Pixels:
    width, height = size if clip.rotation_deg in (0, 180) else size[::-1]
    smaller = width * height < picture.width * picture.height
    picture = picture.reformat(
        width=width,
        height=height,
        format="gray" if grey else "rgb24",
        interpolation="AREA" if smaller else "BILINEAR",
    )
    pixels: Pixels = picture.to_ndarray()
    if clip.mirrored:
        pixels = np.asarray(cv2.flip(pixels, 1), dtype=np.uint8)
    if clip.rotation_deg:
        pixels = np.asarray(cv2.rotate(pixels, _TURNS[clip.rotation_deg]), dtype=np.uint8)
    return np.ascontiguousarray(pixels)


def nearest_frame(clip: ClipProbe, time_s: float, time_base: TimeBase | None = None) -> int:
    """Number of the frame nearest to a real time in seconds from the first frame."""
    times = clip.times_s * (1.0 if time_base is None else time_base.factor)
    return int(np.argmin(np.abs(times - time_s)))


def file_sha256(path: str | os.PathLike[str]) -> str:
    """Hash of a file's bytes, read in pieces."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def clip_info(
    clip: ClipProbe,
    time_base: TimeBase,
    decoded: int,
    repeated: Sequence[int] = (),
    notes: Sequence[str] = (),
    sha256: str | None = None,
) -> ClipInfo:
    """What is written about the clip into the analysis, once it has been decoded.

    Parameters
    ----------
    clip : ClipProbe
    time_base : TimeBase
    decoded : int
        Frames actually decoded.
    repeated : sequence of int
        Frames found to repeat the one before.
    notes : sequence of str
        Further sentences for the user.
    sha256 : str, optional
        Hash of the file, where it is known already.
    """
    missing = clip.frames - decoded
    lost = (
        (f"{missing} of {clip.frames} frames could not be decoded and are left out.",) if missing > 0 else ()
    )
    return ClipInfo(
        path=clip.path,
        sha256=sha256 or file_sha256(clip.path),
        frames=decoded,
        width=clip.width,
        height=clip.height,
        capture_rate_hz=time_base.capture_rate_hz,
        container_rate_hz=time_base.container_rate_hz,
        time_base=time_base.kind,
        repeated_frames=len(repeated),
        notes=(*time_base.notes, *lost, *notes),
    )
