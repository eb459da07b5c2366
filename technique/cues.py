"""The few things to work on, in order, each with its number, its frame and its evidence.

A cue is given only for a score that is *outside*, never for a borderline or missing number.
Findings of one theme make one cue; themes whose advice would contradict a stronger one are left
out.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from shared.analysis import Cue, Measure, Score
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from shared.units import with_minus, written
from technique.cautions import athlete_flags
from technique.cue_texts import CueText, Direction, cue_text, theme_of
from technique.profile_schema import Profile
from technique.targets import profiles_for_speed, speed_mismatch

DEFAULT_LIMIT: Final = 3
UNIT_WORDS: Final[Mapping[str, str]] = {
    "deg": "degrees",
    "s": "seconds",
    "m": "metres",
    "steps/min": "steps per minute",
    "% leg": "% of leg length",
    "% thigh": "% of thigh length",
    "deg/s": "degrees per second",
}


@dataclass(frozen=True)
class _Finding:
    score: Score
    measure: Measure
    direction: Direction
    weight: float
    text: CueText


def cues(
    measures: Iterable[Measure],
    scores: Iterable[Score],
    profile: Profile,
    athlete: Mapping[str, object] | None = None,
    limit: int = DEFAULT_LIMIT,
    doubted: Collection[str] = (),
) -> tuple[Cue, ...]:
    """What to work on, most important first.

    Parameters
    ----------
    measures : iterable of Measure
    scores : iterable of Score
        From `technique.targets.scores` with the same measures and profile.
    profile : Profile
        Importance of targets and the wording (`use`).
    athlete : mapping, optional
        As for `technique.cautions.athlete_flags`; with pain told, no cue is given.
    limit : int
        Most cues, 0 or more.
    doubted : collection of str
        Measures that no cue may rest on, since the clip's time base is in doubt.

    Returns
    -------
    tuple of Cue
        Ranked by the largest (distance outside, in units of error) x importance in the theme.
        `rank` counts from 1.

    Raises
    ------
    ValueError
        If `limit` is negative.
    """
    if limit < 0:
        raise ValueError(f"limit must be 0 or more, got {limit}")
    clip = tuple(measures)
    if "pain" in athlete_flags(athlete) or speed_mismatch(clip, profile) is not None:
        return ()
    groups: dict[str, list[_Finding]] = {}
    for finding in _findings(clip, scores, profile):
        if _base(finding.score.key) in doubted:
            continue
        name = theme_of(finding.score.key, finding.direction).name
        groups.setdefault(name, []).append(finding)
    # Sorting is stable, so equal weights keep the order of the profile.
    ranked = sorted(groups.items(), key=lambda item: -max(f.weight for f in item[1]))
    chosen: list[Cue] = []
    taken: set[str] = set()
    for name, findings in ranked:
        lead = max(findings, key=lambda f: f.weight)
        opposes = theme_of(lead.score.key, lead.direction).opposes
        if len(chosen) == limit:
            break
        if not opposes & taken:
            taken.add(name)
            chosen.append(_cue(lead, findings, clip, profile, len(chosen) + 1))
    return tuple(chosen)


def why_no_cues(
    measures: Iterable[Measure],
    scores: Iterable[Score],
    profile: Profile,
    athlete: Mapping[str, object] | None = None,
    doubted: Collection[str] = (),
) -> str | None:
    """Plain sentence for a result without cues; None when there are cues to give."""
    clip, held = tuple(measures), tuple(scores)
    if "pain" in athlete_flags(athlete):
        return "You told us that running hurts, so no cues are given: see a licensed professional first."
    mismatch = speed_mismatch(clip, profile)
    if mismatch is not None:
        fitting = profiles_for_speed(next(m.value for m in clip if m.key == "speed" and m.value is not None))
        hint = (
            f"choose a profile that suits it ({', '.join(fitting)})" if fitting else "choose another profile"
        )
        return f"{mismatch} No cues are given; {hint}."
    if cues(clip, held, profile, athlete, limit=1, doubted=doubted):
        return None
    if cues(clip, held, profile, athlete, limit=1):
        return (
            "The clip's time base is in doubt (see the notes), so there is no cue that rests on times or "
            "rates: give the frames per real second first."
        )
    verdicts = {s.verdict for s in held}
    if verdicts <= {"not_measurable"}:
        return "None of the targets could be measured in this clip."
    if "outside" in verdicts:
        return "What lies outside its target is shown for orientation only; there is no cue for it."
    if "borderline" in verdicts:
        return "No number is outside its target by more than its error; borderline numbers give no cue."
    return "Every number that could be measured is inside its target."


def _findings(measures: Sequence[Measure], scores: Iterable[Score], profile: Profile) -> Iterable[_Finding]:
    by_key = {(m.key, m.side): m for m in measures}
    for score in scores:
        target = profile.target(score.key)
        measure = by_key.get((score.key, score.side))
        if score.verdict != "outside" or target is None or target.importance == 0:
            continue
        if measure is None or measure.value is None:
            continue
        low = score.target[0]
        direction: Direction = "too_low" if low is not None and measure.value < low else "too_high"
        text = cue_text(score.key, direction, profile.use)
        if text is not None:
            yield _Finding(score, measure, direction, score.distance * target.importance, text)


def _cue(
    lead: _Finding, findings: Sequence[_Finding], measures: Sequence[Measure], profile: Profile, rank: int
) -> Cue:
    same = [f for f in findings if (f.score.key, f.direction) == (lead.score.key, lead.direction)]
    others = [f for f in findings if f.score.key != lead.score.key]
    sides = {f.score.side for f in same}
    side: SideOrBoth = lead.score.side if len(sides) == 1 else "both"
    frame, shown_on = _frame(lead, others, measures)
    seen = _seen(lead, same)
    if shown_on:
        seen += f", best seen on frame {frame}"
    if others:
        also = dict.fromkeys(_short(f) for f in others)
        seen += f". The same shows in {', '.join(also)}"
    target = profile.target(lead.score.key)
    strength = "" if target is None else f" ({target.evidence})"
    return Cue(
        key=lead.score.key,
        side=side,
        text=lead.text.headline,
        seen=seen + ".",
        why=lead.text.why,
        do=lead.text.do,
        avoid=lead.text.avoid,
        evidence=f"{lead.text.evidence[:1].upper()}{lead.text.evidence[1:]}. "
        f"Target from: {lead.score.source.rstrip('.')}{strength}.",
        frame=frame,
        caution=lead.text.caution,
        rank=rank,
    )


def _frame(lead: _Finding, others: Sequence[_Finding], measures: Sequence[Measure]) -> tuple[int, bool]:
    """Frame to show, and whether the finding itself is seen on it.

    A measure of the whole clip (step frequency) has no frame of its own; then a frame of the same
    theme or body area is shown without claiming that the number stands on it.
    """
    if lead.measure.frame is not None:
        return lead.measure.frame, True
    area = lead.score.area
    same_area = [m for m in measures if _base(m.key) in MEASURES and MEASURES[_base(m.key)].area == area]
    for m in (*(f.measure for f in others), *same_area, *measures):
        if m.frame is not None:
            return m.frame, False
    return 0, False


def _base(key: str) -> str:
    return key.removeprefix(SYMMETRY_PREFIX)


def _plain(key: str) -> str:
    """The measure in a runner's words, the trade's term beside."""
    base = _base(key)
    kind = MEASURES[base]
    plain = kind.plain
    if plain.startswith("the same as"):  # a relative form says what its absolute form says
        plain = MEASURES[base.rpartition("_")[0]].plain
    words = plain.split(";")[0].removesuffix(", forward positive").strip()
    term = kind.name.removesuffix(", relative").replace(" (", ", ").replace(")", "")
    return f"left minus right in {term}" if key.startswith(SYMMETRY_PREFIX) else f"{words} ({term})"


def _decimals(key: str) -> int:
    return 0 if key.startswith(SYMMETRY_PREFIX) else MEASURES[key].decimals


def number_text(value: float, half_width: float | None, unit: str, decimals: int) -> str:
    """A number with its 95 % error and unit in words: ``34 ± 4 % of leg length``.

    Parameters
    ----------
    value, half_width : float
        Same unit; None leaves the error out.
    unit : str
        Unit of the catalogue.
    decimals : int
        Digits after the point; more are used where the error would read as 0.
    """
    words = UNIT_WORDS.get(unit, unit)
    if half_width is None:
        return f"{written(value, decimals)} {words}"
    if half_width > 0:
        decimals = max(decimals, min(6, -math.floor(math.log10(half_width))) if half_width < 1 else 0)
    return f"{written(value, decimals)} ± {half_width:.{decimals}f} {words}"


def _number(f: _Finding) -> str:
    m = f.measure
    assert m.value is not None  # an outside score has a value
    low, high = (m.value if end is None else end for end in (m.low, m.high))
    half = max(m.value - low, high - m.value)
    return number_text(m.value, half, m.unit, _decimals(m.key))


def _seen(lead: _Finding, same: Sequence[_Finding]) -> str:
    numbers = " and ".join(
        _number(f) + ("" if f.score.side == "both" else f" on the {f.score.side}") for f in same
    )
    end = lead.score.target[0 if lead.direction == "too_low" else 1]
    assert end is not None  # the direction names an end that exists
    decimals = _decimals(lead.score.key)
    limit = written(end, decimals) if math.isclose(end, round(end, decimals)) else with_minus(f"{end:g}")
    word = "at least" if lead.direction == "too_low" else "at most"
    name = _plain(lead.score.key)
    return f"{name[:1].upper()}{name[1:]}: {numbers}; the target is {word} {limit}"


def _short(f: _Finding) -> str:
    base = MEASURES[_base(f.score.key)].name
    name = f"left minus right in {base}" if f.score.key.startswith(SYMMETRY_PREFIX) else base
    return f"{name} ({_number(f)}{'' if f.score.side == 'both' else ', ' + f.score.side})"
