"""What was held against a target, as plain rows of words: the command line's table."""

from __future__ import annotations

from collections.abc import Iterator

from shared.analysis import Analysis, Measure, Score
from shared.catalogue import MEASURES
from ui.in_units import between_text, sentence, target_text, value_text
from ui.look import VERDICT_WORD


def target_rows(analysis: Analysis, feet: bool = False) -> list[tuple[str, str, str, str, str, str]]:
    """Measure, side, value, interval, target and verdict of all that was held against a target."""
    rows: list[tuple[str, str, str, str, str, str]] = []
    for score, m in _scored(analysis):
        if m.value is None or m.low is None or m.high is None:
            continue
        rows.append(
            (
                MEASURES[m.key].name,
                m.side,
                m.label or value_text(m.value, m.key, m.unit, feet),
                between_text(m.low, m.high, m.key, feet),
                target_text(*score.target, m.key, m.unit, feet),
                VERDICT_WORD[score.verdict].removesuffix(" the target"),
            )
        )
    return rows


def missing_targets(analysis: Analysis, feet: bool = False) -> list[tuple[str, str]]:
    """What has a target and no number: the reason, and the measures it holds for."""
    found: dict[str, list[str]] = {}
    for _, m in _scored(analysis):
        if m.value is None:
            name = MEASURES[m.key].name + ("" if m.side == "both" else f" ({m.side})")
            found.setdefault(sentence(m.why or "no reason given", feet), []).append(name)
    return [(why, ", ".join(names)) for why, names in found.items()]


def _scored(analysis: Analysis) -> Iterator[tuple[Score, Measure]]:
    for score in analysis.scores:
        m = analysis.measure(score.key, score.side)
        if m is not None and score.key in MEASURES:
            yield score, m
