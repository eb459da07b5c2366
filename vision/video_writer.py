"""Writing H.264 video that plays in a browser and keeps every frame's own time."""

from __future__ import annotations

import contextlib
import os
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import uuid4

import av
import av.error
import cv2
import numpy as np
from numpy.typing import NDArray

from shared.errors import OutputError
from vision.planes import LIMITED, Coding

# Fine enough for 24, 25, 30, 50, 60, 100, 120 and 240 frames per second without rounding.
DEFAULT_TICK = Fraction(1, 90_000)
# Of 120 frames of 720p, still and panning camera: processor time a frame, size, and peak signal-to-noise
# ratio of the brightness. "superfast" at quality 23: 3.6 and 5.6 ms, 0.38 and 0.76 MB, 48.4 and 40.9 dB.
# "ultrafast" at 24 with smoothed block edges: 2.1 and 3.6 ms, 0.56 and 1.51 MB, 48.4 and 40.6 dB: as good
# to look at, up to twice as large, and ready two seconds earlier for each thousand frames. One thread:
# decoding and drawing have theirs, several cost a tenth more, and the file is the same on every machine.
ENCODER_OPTIONS = {
    "preset": "ultrafast",
    "crf": "24",
    "x264-params": "bframes=0:rc-lookahead=0:mbtree=0:scenecut=0:sync-lookahead=0:deblock=1,0,0:threads=1",
}
_FREE_SPACE = "choose a folder you can write to, with free space"


class VideoWriter:
    """A context in which upright RGB pictures become an MP4 file.

    The file is made under a temporary name in the same folder and takes its own name only
    when it is complete; after an error or a cancel nothing is left behind and a file that
    was there before stays. Sound, place and device are not carried over.

    Parameters
    ----------
    path : str or path
        The MP4 file to make; an older one is replaced.
    width, height : int
        Size of the pictures, px. An odd side gets one more row or column, since the coding
        needs even sides.
    tick : Fraction
        Seconds per tick of the time stamps; a clip's own (`ClipProbe.tick`) makes a copy's
        stamps exact.
    coding : Coding, optional
        How the colours of planes are to be understood (see `write_planes`).

    Raises
    ------
    OutputError
        The file can't be written, or no picture was given.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        width: int,
        height: int,
        *,
        tick: Fraction = DEFAULT_TICK,
        coding: Coding | None = None,
    ) -> None:
        if width < 1 or height < 1 or tick <= 0:
            raise ValueError(f"need a size and a tick above 0, got {width} x {height}, {tick}")
        self.path = Path(path)
        self.width, self.height, self.tick = width, height, tick
        self.frames = 0
        self._coding = coding or Coding()
        self._last = -1
        self._part = self.path.absolute().with_name(f".{self.path.name}.{uuid4().hex[:8]}.part")
        self._container: Any = None
        self._stream: Any = None

    def __enter__(self) -> VideoWriter:
        if self.path.is_dir():
            raise OutputError(str(self.path), "there is a folder of this name", "choose another name")
        try:
            # "file:" keeps a name with a colon from being read as an address.
            self._container = av.open(
                f"file:{self._part}",
                "w",
                format="mp4",
                options={"movflags": "+faststart", "fflags": "+bitexact"},
            )
            stream = self._container.add_stream("libx264", rate=None, options=dict(ENCODER_OPTIONS))
            stream.width, stream.height = self.width + self.width % 2, self.height + self.height % 2
            stream.pix_fmt = "yuv420p"
            stream.time_base = self.tick
            context = stream.codec_context
            context.time_base = self.tick
            context.colorspace = self._coding.matrix
            context.color_primaries, context.color_trc = self._coding.primaries, self._coding.transfer
            context.color_range = LIMITED
            self._stream = stream
            self._container.start_encoding()  # makes the file now, so that a bad place fails early
        except (av.error.FFmpegError, OSError) as error:
            self._discard()
            raise self._failed(error) from error
        return self

    def write(self, rgb: NDArray[np.uint8], time_s: float) -> None:
        """Add one picture.

        Parameters
        ----------
        rgb : (H, W, 3) uint8 array
        time_s : float
            When it is shown, s; each later than the one before.
        """
        if rgb.shape != (self.height, self.width, 3) or rgb.dtype != np.uint8:
            raise ValueError(
                f"`rgb` must be uint8 {(self.height, self.width, 3)}, got {rgb.dtype} {rgb.shape}"
            )
        if self.width % 2 or self.height % 2:
            rgb = np.asarray(
                cv2.copyMakeBorder(rgb, 0, self.height % 2, 0, self.width % 2, cv2.BORDER_REPLICATE),
                dtype=np.uint8,
            )
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24")
        frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
        self._shown(frame, time_s)

    def write_planes(self, yuv: NDArray[np.uint8], time_s: float) -> None:
        """Add one picture as planes, which costs no conversion.

        Parameters
        ----------
        yuv : (3 H / 2, W) uint8 array
            As in `vision.planes.Planes`, both sides even.
        time_s : float
            When it is shown, s; each later than the one before.
        """
        if yuv.shape != (self.height * 3 // 2, self.width) or self.width % 2 or self.height % 2:
            raise ValueError(
                f"`yuv` must be {(self.height * 3 // 2, self.width)} with even sides, got {yuv.shape}"
            )
        frame = av.VideoFrame.from_numpy_buffer(np.ascontiguousarray(yuv), format="yuv420p")
        self._shown(frame, time_s)

    def _shown(self, frame: Any, time_s: float) -> None:
        pts = round(time_s / float(self.tick))
        if pts <= self._last:
            raise ValueError(f"`time_s` must grow by at least one tick ({self.tick} s), got {time_s}")
        frame.pts, frame.time_base = pts, self.tick
        self._encode(frame)
        self._last = pts
        self.frames += 1

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            self._discard()
            return
        try:
            if not self.frames:
                raise OutputError(
                    str(self.path), "there was no picture to write", "try another part of the clip"
                )
            self._encode(None)
            self._container.close()
            os.replace(self._part, self.path)
        except (av.error.FFmpegError, OSError) as failure:
            raise self._failed(failure) from failure
        finally:
            self._discard()

    def _encode(self, frame: Any) -> None:
        try:
            for packet in self._stream.encode(frame):
                self._container.mux(packet)
        except (av.error.FFmpegError, OSError) as error:
            raise self._failed(error) from error

    def _failed(self, error: Exception) -> OutputError:
        reason = getattr(error, "strerror", None) or "writing it failed"
        return OutputError(str(self.path), f"the video can't be written ({reason})", _FREE_SPACE)

    def _discard(self) -> None:
        """Close and remove what is unfinished; harmless after success."""
        if self._container is not None:
            with contextlib.suppress(av.error.FFmpegError, OSError, ValueError):
                self._container.close()
            self._container = self._stream = None
        with contextlib.suppress(OSError):
            self._part.unlink(missing_ok=True)
