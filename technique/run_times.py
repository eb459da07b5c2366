"""Timed runs: what can't be right about one, and reading them from a table."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final, cast, get_args

from shared.errors import OptionError
from shared.history_values import RunTime, Split, TimingMethod

FASTEST_MPS: Final[float] = 13.0
"""No person has run faster; a section above it is a slip."""
WIDEST_WIND_MPS: Final[float] = 20.0
LARGEST_FILE: Final[int] = 1_000_000
SAME_DISTANCE_M: Final[float] = 0.01
COLUMNS: Final[tuple[str, ...]] = (
    "date",
    "distance_m",
    "time_s",
    "method",
    "wind_mps",
    "temperature_c",
    "condition",
    "notes",
)
"""Columns of the table; the first four are needed. Splits stand in columns ``split_<metres>``."""
NEEDED: Final[int] = 4
SPLIT: Final[str] = "split_"


def run_time_fault(run: RunTime) -> tuple[str, str] | None:
    """(why, mend) of the first thing that can't be right about a timed run, or None."""
    if fault := _number_fault(run.distance_m, "the distance", "m") or _number_fault(
        run.time_s, "the time", "s"
    ):
        return fault
    try:
        datetime.fromisoformat(run.date)
    except ValueError:
        return f"the date {run.date!r} is not a day", "write it as year-month-day, for example 2026-05-01"
    if run.method not in get_args(TimingMethod):
        return f"the method {run.method!r} is not known", f"use {', '.join(get_args(TimingMethod))}"
    if run.wind_mps is not None and not abs(run.wind_mps) <= WIDEST_WIND_MPS:
        return (
            f"a wind of {run.wind_mps:g} m/s is not possible to run in",
            f"give it in m/s along the run, tail wind positive, within {WIDEST_WIND_MPS:.0f}",
        )
    if run.temperature_c is not None and not -50.0 <= run.temperature_c <= 60.0:
        return f"a temperature of {run.temperature_c:g} is not possible", "give it in degrees Celsius"
    last = Split(0.0, 0.0)
    for s in run.splits:
        if fault := _number_fault(s.distance_m, "a split's distance", "m") or _number_fault(
            s.time_s, f"the split at {s.distance_m:g} m", "s"
        ):
            return fault
        if s.distance_m <= last.distance_m:
            return (
                f"the split at {s.distance_m:g} m stands after the one at {last.distance_m:g} m",
                "give the splits in rising distance",
            )
        if s.time_s <= last.time_s:
            return (
                f"the split at {s.distance_m:g} m ({s.time_s:g} s) is not later than the one before ({last.time_s:g} s)",
                "give running times from the start, not section times, in order",
            )
        if fault := _speed_fault(last, s):
            return fault
        last = s
    return _end_fault(run, last)


def checked_run(run: RunTime, where: str = "timed run") -> RunTime:
    """The run itself.

    Raises
    ------
    OptionError
        With one clear sentence when something about it can't be right.
    """
    if fault := run_time_fault(run):
        raise OptionError(where, *fault)
    return run


def read_run_times(path: str | Path, athlete: str) -> tuple[RunTime, ...]:
    """Timed runs from a CSV file; see `run_times_from_text`."""
    file = Path(path)
    try:
        raw = file.read_bytes() if file.stat().st_size <= LARGEST_FILE else None
    except OSError as error:
        raise OptionError(file.name, f"it can't be read ({error.strerror})", "check the path") from None
    if raw is None:
        raise OptionError(file.name, "it is larger than 1 MB", "give a table of timed runs")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise OptionError(file.name, "it is not UTF-8 text", "save the table as CSV, UTF-8") from None
    return run_times_from_text(text, athlete, file.name)


def run_times_from_text(text: str, athlete: str, name: str = "table") -> tuple[RunTime, ...]:
    """Timed runs from the text of a CSV table.

    Parameters
    ----------
    text : str
        A header with `COLUMNS` (any order, the first four needed) and any number of columns
        ``split_<metres>`` with running times; one run a line. Comma, semicolon or tab between cells; a
        decimal comma is understood where cells are not separated by commas.
    athlete : str
        Id of the athlete.
    name : str
        For messages.

    Raises
    ------
    OptionError
        With the line and one clear sentence; nothing is taken from a table with a fault.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text), delimiter=mark))
    except csv.Error as error:
        raise OptionError(name, f"it is not a table ({error})", "save the table as CSV, UTF-8") from None
    if not rows or not any(cell.strip() for cell in rows[0]):
        raise OptionError(name, "it is empty", f"give a header line with {', '.join(COLUMNS[:NEEDED])}")
    header = [cell.strip().lower() for cell in rows[0]]
    distances = _header_distances(header, name)
    runs = []
    for number, row in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in row):
            runs.append(_run(row, header, distances, athlete, f"{name}, line {number}", mark != ","))
    if not runs:
        raise OptionError(name, "it has a header but no run", "write one run a line below the header")
    return tuple(runs)


def _number_fault(value: float, what: str, unit: str) -> tuple[str, str] | None:
    if not math.isfinite(value):
        return f"{what} is not a number", f"give it in {unit}"
    if value == 0:
        return f"{what} is zero", f"give it in {unit}, above zero"
    if value < 0:
        return f"{what} is negative ({value:g} {unit})", f"give it in {unit}, above zero"
    return None


def _speed_fault(a: Split, b: Split) -> tuple[str, str] | None:
    speed = (b.distance_m - a.distance_m) / (b.time_s - a.time_s)
    if speed <= FASTEST_MPS:
        return None
    return (
        f"{a.distance_m:g} to {b.distance_m:g} m in {b.time_s - a.time_s:.2f} s would be {speed:.1f} m/s, "
        f"faster than anybody runs ({FASTEST_MPS:g} m/s)",
        "check distance and time",
    )


def _end_fault(run: RunTime, last: Split) -> tuple[str, str] | None:
    whole = Split(run.distance_m, run.time_s)
    if last.distance_m > whole.distance_m + SAME_DISTANCE_M:
        return (
            f"the split at {last.distance_m:g} m lies beyond the run's {whole.distance_m:g} m",
            "check the distances",
        )
    if abs(last.distance_m - whole.distance_m) <= SAME_DISTANCE_M:
        if abs(last.time_s - whole.time_s) > 0.005:
            return (
                f"the split at the end ({last.time_s:g} s) is not the time of the run ({whole.time_s:g} s)",
                "check which of them is right",
            )
        return None
    if last.time_s >= whole.time_s:
        return (
            f"the split at {last.distance_m:g} m ({last.time_s:g} s) is not before the end ({whole.time_s:g} s)",
            "check the times",
        )
    return _speed_fault(last, whole)


def _header_distances(header: Sequence[str], name: str) -> dict[str, float]:
    """Metres of each split column."""
    lacking = [c for c in COLUMNS[:NEEDED] if c not in header]
    if lacking:
        raise OptionError(
            name, f"the header has no column {', '.join(lacking)}", f"name the columns {', '.join(COLUMNS)}"
        )
    if len(set(header)) < len(header):
        raise OptionError(name, "a column stands in the header twice", "keep one of them")
    distances = {}
    for column in header:
        if column in COLUMNS or not column:
            continue
        try:
            if not column.startswith(SPLIT):
                raise ValueError
            distances[column] = float(column.removeprefix(SPLIT).removesuffix("m").replace(",", "."))
        except ValueError:
            raise OptionError(
                name,
                f"the column {column!r} is not known",
                f"use {', '.join(COLUMNS)} and split_10, split_20 ...",
            ) from None
    return dict(sorted(distances.items(), key=lambda item: item[1]))


def _run(
    row: Sequence[str],
    header: Sequence[str],
    distances: dict[str, float],
    athlete: str,
    where: str,
    decimal_comma: bool,
) -> RunTime:
    if len(row) != len(header):
        raise OptionError(where, f"it has {len(row)} cells, the header {len(header)}", "fill or remove cells")
    cells = {h: c.strip() for h, c in zip(header, row)}

    def number(column: str, needed: bool = False) -> float | None:
        text = cells.get(column, "")
        if not text and not needed:
            return None
        try:
            return float(text.replace(",", ".") if decimal_comma else text)
        except ValueError:
            why = f"{column} is {text!r}, not a number" if text else f"{column} is empty"
            raise OptionError(where, why, "write a number, without its unit") from None

    splits = tuple(Split(d, t) for c, d in distances.items() if (t := number(c)) is not None)
    values: dict[str, Any] = {"wind_mps": number("wind_mps"), "temperature_c": number("temperature_c")}
    run = RunTime(
        athlete,
        cells["date"],
        cast(float, number("distance_m", True)),
        cast(float, number("time_s", True)),
        cast(TimingMethod, cells["method"].lower()),
        splits,
        condition=cells.get("condition", ""),
        notes=cells.get("notes", ""),
        **values,
    )
    return checked_run(run, where)
