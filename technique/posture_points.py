"""Single measures of a return check against the ranges of a profile."""

from __future__ import annotations

from dataclasses import dataclass

from shared.analysis import Measure, Verdict
from shared.catalogue import SYMMETRY_PREFIX
from shared.landmarks import SideOrBoth
from shared.units import Units, with_minus
from technique.comparison import measure_name
from technique.profile_schema import Profile, Target
from technique.rulers import Ruler, ruler, telling_apart, turned
from technique.side_comparison import sides_reason
from technique.takes import Take
from technique.targets import scores


@dataclass(frozen=True)
class PosturePoint:
    """One measure against the profile.

    Attributes
    ----------
    key, side, name, unit : str
    value, low, high : float or None
    target : (float or None, float or None)
    verdict : {"inside", "borderline", "outside", "not_measurable"}
    source, evidence : str
        Where the range comes from and how strong that is.
    note : str or None
    why : str or None
        Why it is not measured.
    """

    key: str
    side: SideOrBoth
    name: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    target: tuple[float | None, float | None]
    verdict: Verdict
    source: str
    evidence: str
    note: str | None
    why: str | None

    @property
    def sentence(self) -> str:
        """The point in plain words, to be printed unchanged."""
        return point_sentence(self)


def posture_points(take: Take, profile: Profile) -> tuple[PosturePoint, ...]:
    """Every measure of the take that the profile has a range for."""
    reason = sides_reason(take)
    measures = [
        m
        for m in take.measures
        # One side alone gives no left against right.
        if not (reason and m.key.startswith(SYMMETRY_PREFIX))
    ]
    out = []
    for s in scores(measures, profile):
        target = profile.target(s.key)
        assert target is not None
        m = take.measure(s.key, s.side)
        gone = reason if s.key.startswith(SYMMETRY_PREFIX) else None
        out.append(_point(s.key, s.side, s.verdict, target, m, gone))
    return tuple(out)


def _point(
    key: str, side: SideOrBoth, verdict: Verdict, target: Target, m: Measure | None, gone: str | None
) -> PosturePoint:
    why = None
    if verdict == "not_measurable" or m is None or m.value is None:
        why = gone or (m.why if m is not None and m.why else "it is not among the measures")
    value = None if m is None or verdict == "not_measurable" else m.value
    low, high = (None, None) if value is None or m is None else (m.low, m.high)
    return PosturePoint(
        key,
        side,
        measure_name(key, side),
        target.unit,
        value,
        low,
        high,
        (target.low, target.high),
        verdict,
        target.source,
        target.evidence,
        target.note,
        why,
    )


def point_ruler(p: PosturePoint, units: Units = "metric") -> Ruler:
    """How a posture point is written, with digits enough to bear out its verdict against the range."""
    made = ruler(p.key, p.unit, units)
    if made.factor == 1.0:  # the range is told as it was written, so the value needs as many digits
        given = max(len(f"{x:g}".partition(".")[2]) for x in p.target if x is not None)
        made = made.finer(max(0, given - made.decimals))
    if p.verdict != "outside" or p.low is None or p.high is None:
        return made
    low, high = p.target
    ends = [] if high is None or p.low <= high else [(p.low, high)]
    ends += [] if low is None or p.high >= low else [(p.high, low)]
    return telling_apart(made, *ends)


def range_text(p: PosturePoint, units: Units = "metric") -> str:
    """The range of the profile in words: as it was written there, or turned."""
    shown = point_ruler(p, units)
    unit = "°" if p.unit == "deg" else f" {p.unit}"
    ends = [
        None if x is None else shown.value(x) if shown.factor != 1.0 else with_minus(f"{x:g}") + unit
        for x in p.target
    ]
    if ends[0] is None:
        return f"at most {ends[1]}"
    return f"at least {ends[0]}" if ends[1] is None else f"{ends[0]} to {ends[1]}"


def point_sentence(p: PosturePoint, units: Units = "metric") -> str:
    """A posture point in plain words."""
    if p.value is None or p.verdict == "not_measurable":
        return f"{p.name}: not measured, since {turned(p.why or '', units)}."
    words = {
        "inside": "inside the range",
        "outside": "outside the range by more than the error",
        "borderline": "too near an end of the range to tell from the error",
    }[p.verdict]
    return (
        f"{p.name}: {point_ruler(p, units).value(p.value)}, {words} "
        f"({range_text(p, units)}; evidence: {p.evidence}; {p.source})."
    )
