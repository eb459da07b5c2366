"""Small clips whose frames carry their own number, for the tests of reading and writing video.

Identity and orientation are read from the pixels, so a test never has to believe the file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]

WIDTH, HEIGHT, BITS = 320, 192, 16
_CELL = WIDTH // BITS


def numbered(index: int) -> Pixels:
    """(192, 320, 3) picture: the number as bars along the top, red left below, blue right below."""
    picture = np.full((HEIGHT, WIDTH, 3), 128, dtype=np.uint8)
    for bit in range(BITS):
        picture[:48, bit * _CELL : (bit + 1) * _CELL] = 235 if index >> bit & 1 else 20
    picture[HEIGHT // 2 :, : WIDTH // 2] = (220, 20, 20)
    picture[HEIGHT // 2 :, WIDTH // 2 :] = (20, 20, 220)
    return picture


def number_in(picture: Pixels) -> int:
    """The number that an upright picture carries, at any scale."""
    grey = picture.astype(float).mean(axis=2) if picture.ndim == 3 else picture.astype(float)
    cell = grey.shape[1] / BITS
    row = grey[int(grey.shape[0] * 0.06) : int(grey.shape[0] * 0.19)].mean(axis=0)
    return sum(int(row[int((bit + 0.5) * cell)] > 128) << bit for bit in range(BITS))


def is_upright(picture: Pixels) -> bool:
    """Whether red is below left and blue below right."""
    h, w = picture.shape[:2]
    left, right = picture[int(0.75 * h), w // 4].astype(int), picture[int(0.75 * h), 3 * w // 4].astype(int)
    return bool(left[0] > left[2] + 80 and right[2] > right[0] + 80)


def make_clip(
    path: Path,
    ticks: Sequence[int],
    *,
    tick: Fraction = Fraction(1, 90_000),
    picture: Callable[[int], Pixels] = numbered,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    matrix: Sequence[int] | None = None,
    tags: Mapping[str, str] | None = None,
    stream_tags: Mapping[str, str] | None = None,
    options: Mapping[str, str] | None = None,
    codec_options: Mapping[str, str] | None = None,
    rate: int | None = None,
    sound: bool = False,
) -> Path:
    """Write a clip whose i-th frame is shown at ``ticks[i] * tick`` seconds."""
    mp4 = path.suffix in (".mp4", ".mov")
    chosen = {"movflags": "use_metadata_tags"} if mp4 else {}
    with av.open(str(path), "w", options={**chosen, **(options or {})}) as container:
        container.metadata.update(tags or {})
        stream: Any = container.add_stream(codec, rate=rate, options=dict(codec_options or {}))
        first = picture(0)
        stream.height, stream.width = first.shape[:2]
        stream.pix_fmt = pix_fmt
        stream.time_base = stream.codec_context.time_base = tick
        stream.metadata.update(stream_tags or {})
        if matrix is not None:
            stream.set_display_matrix(list(matrix))
        if sound:
            _add_sound(container)
        for i, pts in enumerate(ticks):
            frame = av.VideoFrame.from_ndarray(picture(i), format="rgb24")
            frame.pts, frame.time_base = int(pts), tick
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _add_sound(container: Any) -> None:
    audio = container.add_stream("aac", rate=44_100)
    audio.layout = "mono"
    silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), dtype=np.float32), format="fltp", layout="mono")
    silence.sample_rate, silence.pts = 44_100, 0
    container.mux(audio.encode(silence))
    container.mux(audio.encode(None))


def sound_only(path: Path) -> Path:
    """Write a file that holds only sound."""
    with av.open(str(path), "w") as container:
        _add_sound(container)
    return path
