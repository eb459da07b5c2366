"""The table of a batch: one line a clip, what became of it and every measure with its 95 % interval."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import isnan, nan
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from shared.analysis_json import DocumentError, read_analysis
from shared.errors import OutputError
from shared.files import write_text
from ui.job import ANALYSIS_NAME
from ui.tables import csv_text

State = Literal["measured", "already measured", "same clip", "failed"]
Key = tuple[str, str, str]
"""Key, side and unit of a measure."""
FACTS: Final = ("direction", "near_side", "camera", "capture_rate_hz")
SHARE_OF_TIME: Final = 0.05
"""Writing the table may take this share of the batch's time: it grows with every clip."""


@dataclass(frozen=True)
class Row:
    """What became of one clip.

    Attributes
    ----------
    clip : Path
    state : str
    folder : Path or None
        Its result.
    why : str
        The reason of a failure, or the clip with the same content.
    """

    clip: Path
    state: State
    folder: Path | None = None
    why: str = ""


@dataclass(frozen=True, eq=False)
class Line:
    """A row with what its analysis says, held small: there may be many thousands.

    Attributes
    ----------
    row : Row
    facts : tuple
        See `FACTS`.
    keys : tuple of Key
        (K)
    values : ndarray of float64
        (K, 3) value, low and high of each measure in its unit; NaN where there is none.
    """

    row: Row
    facts: tuple[object, ...] = ("",) * len(FACTS)
    keys: tuple[Key, ...] = ()
    values: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3)))


def table_line(row: Row) -> Line:
    """The row with its measures, read from its result folder."""
    if row.folder is not None:
        try:
            found = read_analysis(row.folder / ANALYSIS_NAME)
        except (DocumentError, OutputError):
            pass
        else:
            facts = (found.direction, found.near_side, found.camera, found.clip.capture_rate_hz)
            keys = tuple((m.key, m.side, m.unit) for m in found.measures)
            values = np.array([(m.value, m.low, m.high) for m in found.measures], dtype=np.float64)
            return Line(row, facts, keys, values.reshape(-1, 3))
    return Line(row)


def table_text(lines: Sequence[Line]) -> str:
    """The whole table as CSV."""
    keys = list(dict.fromkeys(key for line in lines for key in line.keys))
    head = ["clip", "state", "why", "result", *FACTS]
    for key, side, unit in keys:
        head += [f"{key} {side} ({unit})", f"{key} {side} low", f"{key} {side} high"]
    return csv_text(head, (_cells(line, keys) for line in lines))


def _cells(line: Line, keys: Sequence[Key]) -> list[object]:
    row, found = line.row, dict(zip(line.keys, line.values.tolist(), strict=True))
    numbers = [v for key in keys for v in found.get(key, (nan, nan, nan))]
    first = [row.clip.name, row.state, row.why, row.folder.name if row.folder else "", *line.facts]
    return first + [None if isnan(v) else v for v in numbers]


def summary_table(rows: Sequence[Row]) -> str:
    """The table of rows whose results lie in their folders."""
    return table_text([table_line(row) for row in rows])


def kept_table(path: Path) -> tuple[Callable[[int, Row], None], Callable[[], list[Row]]]:
    """A table that is written anew as rows come in, and at the end.

    Each analysis is read once. Writing waits while it would take more than `SHARE_OF_TIME` of the time.

    Returns
    -------
    note : callable
        Takes a row and its place in the table.
    finish : callable
        Writes what is missing; returns the rows in the order of their places.
    """
    lines: dict[int, Line] = {}
    next_write = 0.0

    def write() -> None:
        nonlocal next_write
        begun = time.monotonic()
        write_text(path, table_text([lines[i] for i in sorted(lines)]))
        ended = time.monotonic()
        next_write = ended + (ended - begun) / SHARE_OF_TIME

    def note(place: int, row: Row) -> None:
        lines[place] = table_line(row)
        if time.monotonic() >= next_write:
            write()

    def finish() -> list[Row]:
        write()
        return [lines[i].row for i in sorted(lines)]

    return note, finish
