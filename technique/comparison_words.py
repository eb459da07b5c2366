"""What a comparison says: names, numbers, the sentence of every row, the summary and the notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from shared.units import Units
from technique.rulers import Ruler, beyond_nought, ruler, telling_apart, turned
from technique.takes import Take

if TYPE_CHECKING:
    from technique.comparison import Change

ORDER_ADVICE: Final[str] = (
    "To test something you can put on or leave off, run it in the order without, with, without (A-B-A): "
    "what only warming up or tiring brings then shows as a difference between the two runs without."
)
REPEAT_ADVICE: Final[str] = (
    "Film one more take of the unchanged condition in every session: from these the program learns how "
    "far your own numbers wander, and the error gets as small as it really is."
)
CHANCE: Final[str] = "With so many measures looked at, one like this can turn up by chance: film it again."
MANY: Final[str] = (
    "“Changed” is kept for what stands when every measure of this table is counted together: in 19 of 20 "
    "comparisons none of them is false. “Looks changed” is more than its own error, but of measures that did not "
    "change up to 1 in 20 looks so by chance: film it again."
)


def measure_name(key: str, side: SideOrBoth) -> str:
    """The trade's name with the side, for tables and sentences."""
    own = key.removeprefix(SYMMETRY_PREFIX)
    name = MEASURES[own].name
    if own != key:
        return f"left − right of {name}"
    return name if side == "both" else f"{name}, {side}"


def change_ruler(r: Change, units: Units = "metric") -> Ruler:
    """How the numbers of a row are written, with digits enough to bear out its verdict."""
    made = ruler(r.key, r.unit, units)
    if r.verdict not in ("changed", "looks changed"):
        return made
    assert r.difference is not None and r.detectable is not None and r.low is not None and r.high is not None
    assert r.before is not None and r.after is not None
    return telling_apart(
        made, (abs(r.difference), r.detectable), beyond_nought(r.low, r.high), (r.before, r.after)
    )


def sentence_of(r: Change, units: Units = "metric") -> str:
    """The sentence of a row; `units` are those of its numbers, the verdict is that of the metric ones."""
    if r.verdict == "not comparable":
        return f"{r.name}: not comparable, since {turned(r.reason or '', units)}."
    assert r.difference is not None and r.detectable is not None
    assert r.before is not None and r.after is not None
    shown = change_ruler(r, units)
    values = f"{shown.value(r.before)} to {shown.value(r.after)}"
    least = shown.change(r.detectable)
    change = shown.change(r.difference, sign=True)
    if r.verdict == "no change beyond error":
        return f"{r.name}: no change beyond error ({values}; {change} is within the {least} that error alone can bring)."
    text = f"{r.name}: {r.verdict}, {values} ({change}, more than the {least} that error alone can bring)."
    if r.as_speed and r.speed is not None:
        brings = shown.change(r.speed.expected, sign=True)
        text += f" The difference in speed alone would bring about {brings}."
    if r.verdict == "looks changed":
        text += f" {CHANCE}"
    return text


def summary_of(rows: Sequence[Change], whole: str | None, by_speed: str | None) -> str:
    """One sentence for the whole comparison."""
    if whole or by_speed:
        return f"The two can't be compared: {whole or by_speed}."
    judged = [r for r in rows if r.verdict != "not comparable"]
    if not judged:
        return "Nothing could be compared; each row says why."
    changed = sum(r.verdict == "changed" for r in judged)
    looks = sum(r.verdict == "looks changed" for r in judged)
    if not changed and not looks:
        return f"None of the {len(judged)} measures changed by more than the error of measurement."
    if not changed:
        return (
            f"None of the {len(judged)} measures changed for certain; {looks} look{'s' if looks == 1 else ''} "
            "changed, which can be chance among so many."
        )
    more = f"; {looks} more look{'s' if looks == 1 else ''} changed, which can be chance" if looks else ""
    return f"{changed} of {len(judged)} measures changed by more than the error of measurement{more}."


def notes_of(
    rows: Sequence[Change],
    a: Sequence[Take],
    b: Sequence[Take],
    same_day: bool,
    by_speed: str | None,
    speeds: tuple[float | None, float | None],
    outlook: str | None,
) -> tuple[str, ...]:
    """What the reader should know, most important first."""
    notes = []
    if by_speed:
        notes.append("Almost every measure changes with speed. Run both at the same speed, within 2 to 3 %.")
    elif speeds[0] is None or speeds[1] is None:
        notes.append(
            "The speed of at least one is not known, so a change may be the speed's doing: give the stature, "
            "a marked distance, or the speed."
        )
    own = sum(r.error_source == "own repeats" for r in rows)
    judged = sum(r.error_source in ("published", "judged") for r in rows)
    if judged:
        what = "within one day" if same_day else "from day to day"
        notes.append(
            f"For {judged} of {own + judged} measures the error {what} is not the athlete's own: published values "
            "stand in, or a judgement where none was found (each row says which). It is likely too large for some "
            "and too small for others."
        )
        notes.append(REPEAT_ADVICE)
    if own:
        notes.append(
            f"For {own} measures the error was learned from the athlete's own repeated passes and takes."
        )
    if outlook:
        notes.append(outlook)
    if any(t.yaw_deg is None for t in (*a, *b)):
        notes.append("How far the camera stood off a true side view is not known for every clip.")
    if same_day and len(a) == len(b) == 1:
        notes.append(ORDER_ADVICE)
    notes.append(MANY)
    return tuple(notes)
