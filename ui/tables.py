"""The tables that open in any spreadsheet: steps.csv, measures.csv, angles.csv."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

from shared.analysis import Analysis
from shared.files import write_text

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(value: object) -> str:
    """A cell that a spreadsheet shows as text: a name such as ``=cmd`` is never run.

    Numbers are written in full precision that matters (6 significant digits); None and values
    that are not finite become an empty cell.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return (
            f"{value:.6g}"
            if isinstance(value, float) and math.isfinite(value)
            else (str(value) if isinstance(value, int) else "")
        )
    text = str(value).replace("\x00", "")
    return "'" + text if text.startswith(_FORMULA_START) else text


def csv_text(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A comma-separated table (RFC 4180) as text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return out.getvalue()


def steps_table(analysis: Analysis) -> str:
    """One row per observed step or stride value, in order of time."""
    rows = sorted(analysis.observations, key=lambda o: (o.time_s, o.key, o.side))
    return csv_text(
        ("time_s", "frame", "side", "stride", "key", "value", "low", "high", "unit"),
        ((o.time_s, o.frame, o.side, o.stride, o.key, o.value, o.low, o.high, o.unit) for o in rows),
    )


def measures_table(analysis: Analysis) -> str:
    """One row per measure and side, with its target and verdict where the profile has one."""
    scores = {(s.key, s.side): s for s in analysis.scores}

    def rows() -> Iterable[Sequence[object]]:
        for m in analysis.measures:
            score = scores.get((m.key, m.side))
            low, high = score.target if score else (None, None)
            verdict = score.verdict if score else None
            yield (
                m.key,
                m.side,
                m.value,
                m.low,
                m.high,
                m.unit,
                m.n,
                m.status,
                m.why,
                m.label,
                low,
                high,
                verdict,
            )

    return csv_text(
        (
            "key",
            "side",
            "value",
            "low",
            "high",
            "unit",
            "n",
            "status",
            "why",
            "label",
            "target_low",
            "target_high",
            "verdict",
        ),
        rows(),
    )


def angles_table(analysis: Analysis) -> str:
    """Joint angles per frame: ``time_s``, then one column per angle and side, degrees."""
    names = sorted(analysis.angles)
    columns = [analysis.angles[name] for name in names]

    def rows() -> Iterable[Sequence[object]]:
        for i, t in enumerate(analysis.time_s):
            yield [float(round(t, 6)), *(float(round(column[i], 3)) for column in columns)]

    return csv_text(("time_s", *names), rows())


def write_tables(analysis: Analysis, folder: Path) -> None:
    """Write the three tables into `folder`; OutputError if they can't be written."""
    write_text(folder / "steps.csv", steps_table(analysis))
    write_text(folder / "measures.csv", measures_table(analysis))
    write_text(folder / "angles.csv", angles_table(analysis))
