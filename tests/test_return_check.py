"""The check before a return to sprinting: what it lists, and words it never says."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator

import numpy as np
import pytest

from shared.errors import OptionError
from shared.history_values import Session
from technique.return_check import DEFERS, LogRow, checked_log, fixed_sentences, return_check, session_log
from technique.side_comparison import compare_sides
from technique.symmetry import symmetry_index
from technique.targets import load_profile
from tests.comparison_helpers import a_take

PROFILE = load_profile("return-check")
NEVER = re.compile(
    r"\bcleared\b|\bready\b|\bsafe\b|\bsafely\b|\bfit to\b|\bpassed\b|\bpasses (the|this)\b|\bfail(ed|s)?\b|\bapproved?\b|\bnormal\b|\babnormal\b"
    r"|\bhealthy\b|\bdiagnos(ed|es)\b|\bpatholog\w*|\brisk score\b|\bgreen light\b|\bmay (now )?(run|sprint)\b|\bcan (now )?(run|sprint)\b",
    re.IGNORECASE,
)
LOG = [
    LogRow("2026-04-20", 5.0, 0, "strides"),
    LogRow("2026-04-27", 6.5, 1),
    LogRow("2026-05-01", 7.5, 3),
]


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif dataclasses.is_dataclass(value):
        for f in dataclasses.fields(value):
            yield from _texts(getattr(value, f.name))
    elif isinstance(value, (tuple, list, frozenset)):
        for v in value:
            yield from _texts(v)


def _checks() -> list[object]:
    other = {"thigh_angle_max_left": 55.0, "contact_time_left": 0.27, "trunk_lean": 30.0}
    return [
        return_check(a_take(), PROFILE),
        return_check(a_take("now", other), PROFILE, a_take("baseline", date="2026-01-05"), LOG),
        return_check(a_take("now", near_sides=frozenset(("left",))), PROFILE, log=LOG[:1]),
        return_check(a_take("now", {"thigh_angle_max_left": None}), PROFILE, a_take("baseline")),
        return_check(a_take("now", speed_mps=None, side_speeds=()), PROFILE),
    ]


@pytest.mark.parametrize("check", _checks())
def test_it_never_says_that_somebody_may_sprint(check: object) -> None:
    for text in _texts(check):
        assert not NEVER.search(text), text


def test_the_wording_test_can_fail() -> None:
    for bad in (
        "You are cleared.",
        "Ready to sprint",
        "This is safe",
        "You may now sprint",
        "Values are normal",
    ):
        assert NEVER.search(bad)


@pytest.mark.parametrize("check", _checks())
def test_fixed_sentences_always_stand_in_it(check: object) -> None:
    fixed = check.fixed  # type: ignore[attr-defined]
    assert fixed == fixed_sentences()
    text = " ".join(fixed)
    for words in (
        "This clip cannot clear anyone to sprint.",
        "A difference is not a diagnosis.",
        "Pain, strength and the clinician's tests decide",
        "cannot show pelvic drop, side-bend or rotation",
        "licensed clinician",
    ):
        assert words in text
    assert fixed[-1] == DEFERS
    assert any("pelvic drop" in n for n in check.not_measured)  # type: ignore[attr-defined]


def test_sides_by_hand() -> None:
    """Degrees for angles, Robinson et al. 1987 for times; L .25, R .24 gives 4.08 %."""
    found = {
        s.key: s
        for s in compare_sides(
            a_take("x", {"thigh_angle_max_left": 48.0, "contact_time_left": 0.25, "contact_time_right": 0.24})
        )
    }
    thigh, contact = found["thigh_angle_max"], found["contact_time"]
    assert (thigh.difference, thigh.difference_unit) == (8.0, "deg")
    half = np.sqrt(2) * np.hypot(1.0, 7.84)
    assert (thigh.low, thigh.high) == pytest.approx((8 - half, 8 + half))
    assert thigh.verdict == "no difference beyond error"
    assert contact.difference == pytest.approx(4.0816, abs=1e-4) == symmetry_index(0.25, 0.24)
    large = {s.key: s for s in compare_sides(a_take("x", {"thigh_angle_max_left": 60.0}))}["thigh_angle_max"]
    assert large.verdict == "differs" and "more than its error" in large.sentence


def test_one_side_filmed_gives_no_left_against_right() -> None:
    check = return_check(
        a_take("now", {"thigh_angle_max_left": 70.0}, near_sides=frozenset(("left",))), PROFILE
    )
    assert all(s.verdict == "not comparable" for s in check.sides)
    assert all(p.verdict == "not_measurable" for p in check.points if p.key.startswith("symmetry_"))
    assert any("film a pass from the right too" in f for f in check.flags)
    assert not any("differ by more" in f for f in check.flags)


def test_passes_at_other_speeds_are_not_compared_left_to_right() -> None:
    check = return_check(a_take("now", side_speeds=(("left", 4.0), ("right", 4.4))), PROFILE)
    assert all(s.verdict == "not comparable" and "speed" in (s.reason or "") for s in check.sides)


def test_points_carry_source_and_strength_of_evidence() -> None:
    check = return_check(a_take("now", {"trunk_lean": 40.0}), PROFILE)
    lean = next(p for p in check.points if p.key == "trunk_lean")
    assert lean.verdict == "outside" and "common practice" in lean.sentence
    assert any(f.startswith("Outside the profile: trunk lean") for f in check.flags)
    thigh = next(p for p in check.points if p.key == "symmetry_thigh_angle_max")
    assert thigh.source.startswith("Stiffler-Joachim et al. 2021") and thigh.evidence == "moderate"
    assert {p.key for p in check.points} == {t.measure for t in PROFILE.targets}


def test_own_baseline_is_compared_by_the_error_between_days() -> None:
    check = return_check(
        a_take("now", {"thigh_angle_max_left": 55.0}), PROFILE, a_take("baseline", date="2026-01-05")
    )
    assert check.baseline is not None and not check.baseline.same_day
    row = check.baseline.change("thigh_angle_max", "left")
    assert row is not None and row.verdict == "changed" and row.detectable == pytest.approx(9.98, abs=0.01)
    assert any(
        f.startswith("Other than in the athlete's own baseline: largest thigh angle") for f in check.flags
    )
    assert not any("baseline is stored" in n for n in check.notes)
    assert any("baseline is stored" in n for n in return_check(a_take(), PROFILE).notes)


def test_log_is_listed_by_date_and_pain_is_flagged() -> None:
    check = return_check(a_take(), PROFILE, log=list(reversed(LOG)))
    assert [r.date for r in check.log] == [r.date for r in LOG]
    assert check.log_sentences[0] == "2026-04-20: 5.0 m/s reached, pain 0 of 10 (strides)."
    assert any("Pain of 3 of 10" in f for f in check.flags)
    assert any(
        "Pain rose from 1 to 3" in f and "while the speed rose from 6.5 to 7.5" in f for f in check.flags
    )
    quiet = return_check(a_take(), PROFILE, log=LOG[:1])
    assert not any("ain" in f.split(":")[0] for f in quiet.flags)
    missing = return_check(a_take(), PROFILE, log=[LogRow("2026-05-01", 6.0, None)])
    assert any("pain score is missing" in f for f in missing.flags)


@pytest.mark.parametrize(
    "row, words",
    [
        (LogRow("2026-05-01", 5.0, 11), "not on the scale"),
        (LogRow("2026-05-01", 5.0, -1), "not on the scale"),
        (LogRow("2026-05-01", 15.0, 1), "can't be right"),
        (LogRow("2026-05-01", float("nan"), 1), "can't be right"),
        (LogRow("soon", 5.0, 1), "is not a day"),
    ],
)
def test_impossible_rows_are_refused(row: LogRow, words: str) -> None:
    with pytest.raises(OptionError, match=words):
        checked_log([row])


def test_log_of_stored_sessions() -> None:
    sessions = [
        Session("a", "2026-05-02", speed_mps=6.0, pain=1, notes="grass"),
        Session("a", "2026-05-01", pain=0),
        Session("a", "2026-05-03"),
    ]
    assert session_log(sessions) == (LogRow("2026-05-01", None, 0), LogRow("2026-05-02", 6.0, 1, "grass"))


def test_what_was_and_was_not_measured_is_listed() -> None:
    check = return_check(a_take("now", {"thigh_angle_max_left": None}), PROFILE)
    assert any(
        n.startswith("largest thigh angle (knee lift), left: the leg is hidden") for n in check.not_measured
    )
    assert any(m.startswith("largest thigh angle (knee lift), right: 40.0° ± 7.9°") for m in check.measured)
