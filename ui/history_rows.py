"""A comparison in words: its rows, its sentences, and the table for a spreadsheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.units import Units
from technique.comparison import Change, Comparison
from technique.comparison_words import CHANCE, change_ruler, sentence_of
from technique.rulers import turned
from ui import look
from ui.history_find import session_text
from ui.history_plots import change_strip
from ui.history_views import SquadLine
from ui.history_words import (
    SOURCE_WORD,
    capital,
    change_sign,
    change_word,
    interval_text,
)
from ui.report import AREAS
from ui.tables import csv_text


@dataclass(frozen=True)
class ChangeRow:
    """One line of the table, in words."""

    name: str
    plain: str
    before: str
    after: str
    difference: str
    interval: str
    detectable: str
    source: str
    sign: str
    word: str
    verdict: str
    strip: str
    key: str


def change_row(c: Change, number: int, units: Units = "metric") -> ChangeRow:
    """A change as a line of the table; `units` are those of its numbers, the verdict is the metric one."""
    shown = change_ruler(c, units)

    def told(value: float | None, sign: bool = False) -> str:
        return "–" if value is None else shown.change(value, sign)

    difference, interval = told(c.difference, True), interval_text(c.low, c.high, shown)
    own = c.key.removeprefix(SYMMETRY_PREFIX)
    strip = ""
    if c.difference is not None and c.low is not None and c.high is not None and c.detectable:
        strip = change_strip(
            c.difference,
            c.low,
            c.high,
            c.detectable,
            f"error-{number}",
            f"difference {difference}, interval {interval}, error alone ± {told(c.detectable)}",
        )
    return ChangeRow(
        name=capital(c.name) + (" (estimate)" if c.estimate else ""),
        plain=MEASURES[own].plain,
        before="–" if c.before is None else shown.value(c.before),
        after="–" if c.after is None else shown.value(c.after),
        difference=difference,
        interval=interval,
        detectable=told(c.detectable),
        source=SOURCE_WORD[c.error_source],
        sign=change_sign(c.verdict, c.difference),
        word=change_word(c),
        verdict=c.verdict.replace(" ", "-"),
        strip=strip,
        key=c.key,
    )


def change_blocks(found: Comparison, units: Units = "metric") -> list[dict[str, Any]]:
    """Rows by body area, the changed first; what can't be compared by reason."""
    out = []
    number = 0
    for area in (*AREAS, "sides"):
        own = [c for c in found.changes if _area(c) == area]
        judged = sorted(
            (c for c in own if c.verdict != "not comparable"),
            key=lambda c: ("changed", "looks changed", "no change beyond error").index(c.verdict),
        )
        rows = []
        for c in judged:
            rows.append(change_row(c, number, units))
            number += 1
        reasons: dict[str, list[str]] = {}
        for c in own:
            if c.verdict == "not comparable":
                reasons.setdefault(turned(c.reason or "no reason given", units), []).append(c.name)
        if rows or reasons:
            changed = sum(c.verdict == "changed" for c in judged)
            out.append(
                {
                    "title": "Left against right" if area == "sides" else look.AREA_WORD[area],
                    "counts": f"{changed} changed of {len(judged)}" if judged else "nothing comparable",
                    "rows": rows,
                    "missing": [(why, "; ".join(names)) for why, names in reasons.items()],
                }
            )
    return out


def _area(c: Change) -> str:
    own = c.key.removeprefix(SYMMETRY_PREFIX)
    return "sides" if own != c.key else MEASURES[own].area


def short_sentence(c: Change, units: Units = "metric") -> str:
    """The sentence of a change without the warning of chance, which stands over the whole list."""
    return capital(sentence_of(c, units).partition(f" {CHANCE}")[0])


def moved_text(line: SquadLine, units: Units = "metric") -> str:
    """What moved, in a few words."""
    if not line.moved:
        return turned(line.why, units)
    parts = []
    for c in line.moved[:4]:
        r = change_row(c, 0, units)
        parts.append(
            f"{r.sign} {c.name} {r.difference}" + ("" if c.verdict == "changed" else " (may be chance)")
        )
    more = f" and {len(line.moved) - 4} more" if len(line.moved) > 4 else ""
    other = ""
    if line.since is not None and line.session is not None and line.since.condition != line.session.condition:
        other = f" (against {session_text(line.since)})"
    return "; ".join(parts) + more + other


def comparison_table(found: Comparison) -> str:
    """One row per measure and side, for a spreadsheet."""
    return csv_text(
        (
            "key",
            "side",
            "unit",
            "before",
            "after",
            "difference",
            "low",
            "high",
            "detectable",
            "verdict",
            "holds_among_all",
            "error_from",
            "reason",
        ),
        (
            (
                c.key,
                c.side,
                c.unit,
                c.before,
                c.after,
                c.difference,
                c.low,
                c.high,
                c.detectable,
                c.verdict,
                c.holds,
                c.error_source,
                c.reason,
            )
            for c in found.changes
        ),
    )
