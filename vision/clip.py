"""A video file as upright frames with their true times, one at a time."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av.error
import cv2
import numpy as np
from numpy.typing import NDArray

from shared.errors import ClipError
from shared.files import file_sha256
from shared.track import ClipInfo
from vision.clip_open import EXPORT, opened_clip
from vision.clip_probe import BACKWARDS, ClipProbe, damaged, probe
from vision.timebase import TimeBase

__all__ = [
    "ClipProbe",
    "Frame",
    "LazyFrame",
    "clip_info",
    "frames",
    "frames_at",
    "lazy_frames",
    "nearest_frame",
    "probe",
]

Pixels = NDArray[np.uint8]

# Key frames of phone clips lie half a second to ten seconds apart: decoding on so far is cheaper
# than seeking back to the last of them.
_DECODE_ON = 120

_SEEKABLE = ("mov", "matroska")

_PLAIN_LUMA = ("yuv420p", "yuvj420p", "nv12", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p", "gray")
FULL_RANGE = 2
"""Code of brightness from 0 to 255 (16 to 235 is 1), as the decoder gives it."""
_SPREAD = np.clip(np.round((np.arange(256) - 16) * 255 / 219), 0, 255).astype(np.uint8)
"""Limited-range brightness (16 black, 235 white; ITU-T H.273) spread over 0..255."""

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

    @property
    def grey(self) -> Pixels:
        """Brightness, (H, W); green stands for it."""
        return self.rgb[..., 1] if self.rgb.ndim == 3 else self.rgb

    def small_grey(self, height: int) -> NDArray[np.float32]:
        """Brightness, 0..255, of the picture scaled down by a whole number to about this height, px."""
        return _scaled_down(self.grey, _parts(self.grey.shape[0], height)).astype(np.float32)


class LazyFrame:
    """One decoded picture that becomes upright and coloured when it is first asked for.

    Not every frame is looked at in colour, and whoever asks does the work, in a thread of its own.

    Parameters
    ----------
    index : int
    time_s, pts_s : float
        As for `Frame`.
    picture : av.VideoFrame
    clip : ClipProbe
    """

    def __init__(self, index: int, time_s: float, pts_s: float, picture: Any, clip: ClipProbe) -> None:
        self.index, self.time_s, self.pts_s = index, time_s, pts_s
        self._picture, self._clip = picture, clip
        self._rgb: Pixels | None = None
        self._grey: Pixels | None = None

    @property
    def rgb(self) -> Pixels:
        """Upright picture, (H, W, 3)."""
        if self._rgb is None:
            self._rgb = _upright(self._picture, self._clip, _upright_size(self._clip, None), grey=False)
        return self._rgb

    @property
    def grey(self) -> Pixels:
        """Upright brightness, (H, W), 0..255."""
        if self._grey is None:
            plane = _luma(self._picture, self._clip)
            if plane is None:
                self._grey = _upright(self._picture, self._clip, _upright_size(self._clip, None), grey=True)
            else:
                spread = (
                    plane if _full_range(self._picture) else np.asarray(cv2.LUT(plane, _SPREAD), np.uint8)
                )
                self._grey = np.ascontiguousarray(turned(spread, self._clip))
        return self._grey

    def small_grey(self, height: int) -> NDArray[np.float32]:
        """As `Frame.small_grey`; from the brightness plane as it is stored, without a copy of it."""
        by = _parts(self._clip.height, height)
        plane = _luma(self._picture, self._clip)
        if plane is None:
            return _scaled_down(self.grey, by).astype(np.float32)
        small = turned(_scaled_down(plane, by), self._clip).astype(np.float32)
        return small if _full_range(self._picture) else (small - np.float32(16)) * np.float32(255 / 219)


def lazy_frames(
    clip: ClipProbe, time_base: TimeBase, *, start: int = 0, threads: int = 1
) -> Generator[LazyFrame, None, None]:
    """As `frames`, but nothing is converted before it is asked for."""
    for index, picture in decoded_pictures(clip, start, None, 1, threads):
        pts_s = clip.shown_s(index)
        yield LazyFrame(index, pts_s * time_base.factor, pts_s, picture, clip)


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
    if max_height is not None and max_height < 1:
        raise ValueError(f"need max_height >= 1, got {max_height}")
    factor = 1.0 if time_base is None else time_base.factor
    size = _upright_size(clip, max_height)
    for index, picture in decoded_pictures(clip, start, stop, step, threads):
        pts_s = clip.shown_s(index)
        yield Frame(index, pts_s * factor, pts_s, _upright(picture, clip, size, grey))


def decoded_pictures(
    clip: ClipProbe, start: int, stop: int | None, step: int, threads: int = 1
) -> Generator[tuple[int, Any], None, None]:
    """Frame numbers and pictures as they are stored, neither upright nor converted.

    Parameters, errors: as for `frames`.
    """
    if start < 0 or step < 1:
        raise ValueError(f"need start >= 0, step >= 1; got {start}, {step}")
    stop = clip.frames if stop is None else min(stop, clip.frames)
    if start >= stop:
        return
    done = 0
    for index, picture in _sought(clip, start, stop, threads):
        done = index + 1
        if index >= start and (index - start) % step == 0:
            yield index, picture
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
                pts_s = clip.shown_s(index)
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
    return np.ascontiguousarray(turned(picture.to_ndarray(), clip))


def _luma(picture: Any, clip: ClipProbe) -> Pixels | None:
    """View of the stored brightness plane, as it lies in the file; None unless it is 8 bits deep."""
    size = _upright_size(clip, None)
    stored = size if clip.rotation_deg in (0, 180) else size[::-1]
    if picture.format.name not in _PLAIN_LUMA or (picture.width, picture.height) != stored:
        return None
    plane = picture.planes[0]
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: picture.height, : picture.width]


def _full_range(picture: Any) -> bool:
    return str(picture.format.name).startswith("yuvj") or int(picture.color_range) == FULL_RANGE


def _parts(height: int, wanted: int) -> int:
    return max(1, round(height / wanted))


def _scaled_down(grey: Pixels, by: int) -> Pixels:
    while by % 2 == 0:  # halving twice takes a quarter of the time of quartering once
        grey, by = _averaged(grey, 2), by // 2
    return _averaged(grey, by)


def _averaged(grey: Pixels, by: int) -> Pixels:
    rows, columns = (max(1, side // by) for side in grey.shape)
    return np.asarray(cv2.resize(grey, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def turned(pixels: Pixels, clip: ClipProbe) -> Pixels:
    """A stored picture, or one plane of it, made upright."""
    if clip.mirrored:
        pixels = np.asarray(cv2.flip(pixels, 1), dtype=np.uint8)
    if clip.rotation_deg:
        pixels = np.asarray(cv2.rotate(pixels, _TURNS[clip.rotation_deg]), dtype=np.uint8)
    return pixels


def nearest_frame(clip: ClipProbe, time_s: float, time_base: TimeBase | None = None) -> int:
    """Number of the frame nearest to a real time in seconds from the first frame."""
    times = clip.times_s * (1.0 if time_base is None else time_base.factor)
    return int(np.argmin(np.abs(times - time_s)))


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
        sha256=sha256 or file_sha256(Path(clip.path)),
        frames=decoded,
        width=clip.width,
        height=clip.height,
        capture_rate_hz=time_base.capture_rate_hz,
        container_rate_hz=time_base.container_rate_hz,
        time_base=time_base.kind,
        repeated_frames=len(repeated),
        notes=(*time_base.notes, *lost, *notes),
    )
