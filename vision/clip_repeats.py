"""Frames that repeat the picture before them, found while decoding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.clip import Frame, LazyFrame

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Height of the small grey picture that is compared, and the side of its small, px. A block is
# about a runner's hand or foot where the runner fills half the height.
SMALL_HEIGHT = 180
BLOCK = 10
# A repeat: its change is below this share of the change around it ...
REPEAT_SHARE = 0.25
# ... and below this many grey levels in any block. Coding a picture twice left, at the 95th
# percentile, 1.5, 2.1 and 4.5 levels (6, 8 and 19 % of the smallest true motion) in a 540p
# clip of a jogger at x264 quality 18, 23 and 30.
REPEAT_CHANGE = 6.0
# ... while within so many frames before and after it something moves by at least this much.
REACH_FRAMES = 8
MOVING_CHANGE = 4.0


class ChangeWatch:
    """Collects how much each frame differs from the one before; keeps one small picture.

    Give it every frame in order with `see`. Decoding one frame in two (a step) hides repeats.
    """

    def __init__(self) -> None:
        self._before: NDArray[np.float32] | None = None
        self._index: list[int] = []
        self._largest: list[float] = []
        self._mean: list[float] = []

    def see(self, frame: Frame | LazyFrame) -> None:
        """Compare one frame with the last one seen."""
        small = frame.small_grey(SMALL_HEIGHT)
        if self._before is None or self._before.shape != small.shape:
            largest = mean = float("nan")
        else:
            change = np.asarray(cv2.absdiff(small, self._before))
            mean, largest = float(change.mean()), float(_in_blocks(change).max())
        self._before = small
        self._index.append(frame.index)
        self._largest.append(largest)
        self._mean.append(mean)

    @property
    def index(self) -> IntArray:
        """(N,) numbers of the frames seen."""
        return np.array(self._index, dtype=np.int64)

    @property
    def mean_change(self) -> FloatArray:
        """(N,) mean change against the frame before, grey levels; NaN for the first."""
        return np.array(self._mean, dtype=np.float64)

    @property
    def largest_change(self) -> FloatArray:
        """(N,) change of the block that changes most, grey levels; NaN for the first."""
        return np.array(self._largest, dtype=np.float64)

    def repeated(self) -> IntArray:
        """Numbers of the frames that repeat the one before."""
        return self.index[repeated_positions(self.largest_change)]


def _in_blocks(change: NDArray[Any]) -> NDArray[Any]:
    rows, columns = (max(1, side // BLOCK) for side in change.shape)
    return np.asarray(cv2.resize(change, (columns, rows), interpolation=cv2.INTER_AREA))


def repeated_positions(change: Sequence[float] | FloatArray) -> IntArray:
    """Positions whose picture is the one before while the scene around them moves.

    Parameters
    ----------
    change : (N,) array
        Largest block change against the frame before, grey levels; NaN for the first.

    Notes
    -----
    A still scene (before the runner enters) has no motion on one side or on both, so nothing is
    found there; the fourth of four equal frames is compared with motion up to `REACH_FRAMES`
    away.
    """
    values = np.nan_to_num(np.asarray(change, dtype=np.float64), nan=0.0)
    found = []
    for i in np.flatnonzero(values <= REPEAT_CHANGE):
        before = values[max(0, i - REACH_FRAMES) : i]
        after = values[i + 1 : i + 1 + REACH_FRAMES]
        if i == 0 or not before.size or not after.size:
            continue
        moving = min(before.max(), after.max())
        if moving >= MOVING_CHANGE and values[i] <= REPEAT_SHARE * moving:
            found.append(int(i))
    return np.array(found, dtype=np.int64)


def repeats_note(repeated: Sequence[int] | IntArray, frames: int) -> str | None:
    """A sentence for the user, None where nothing repeats."""
    n = len(repeated)
    if not n:
        return None
    return (
        f"{n} of {frames} frames repeat the picture before them and are left out as samples; "
        "a file straight from the camera, not edited or shared through a message, has none."
    )
