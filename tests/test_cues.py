"""Cues: never from an unsure number, in order, one to a theme, honest in their words."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from typing import get_args

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.analysis import Cue, Measure, Score
from shared.catalogue import MEASURES
from shared.landmarks import SideOrBoth
from technique.cue_texts import Direction, cue_text, theme_of, themes
from technique.cues import cues, number_text, why_no_cues
from technique.profile_schema import Use
from technique.targets import load_profile, profile_names, scores
from technique.time_base_check import TIMED_KEYS

DATA = Path(__file__).parents[1] / "technique" / "data"


def measured(key: str, side: SideOrBoth, value: float, half: float, frame: int | None = 40) -> Measure:
    unit = MEASURES[key].unit if key in MEASURES else "deg"
    return Measure(key, side, value, unit, value - half, value + half, 8, "measured", frame=frame)


def given_cues(measures: list[Measure], name: str = "easy-run", **more: object) -> tuple[Cue, ...]:
    profile = load_profile(name)
    return cues(measures, scores(measures, profile), profile, **more)  # type: ignore[arg-type]


OVERSTRIDE = [
    measured("td_distance_leg", "left", 42, 4, 112),
    measured("td_distance_leg", "right", 39, 3, 120),
    measured("shank_angle_td", "left", 22, 3),
    measured("step_frequency", "both", 130, 5, None),
]


def test_one_theme_and_two_sides_make_one_cue() -> None:
    (cue,) = given_cues(OVERSTRIDE)
    assert (cue.key, cue.side, cue.rank) == ("td_distance_leg", "both", 1)
    # (42 - 30) / 4 = 3.0 on the left and (39 - 30) / 3 = 3.0 on the right: the first leads
    assert cue.frame == 112
    assert "42 ± 4 % of leg length on the left and 39 ± 3 % of leg length on the right" in cue.seen
    assert "the target is at most 30, best seen on frame 112" in cue.seen
    assert "shank angle at touchdown (22 ± 3 degrees, left)" in cue.seen
    assert "step frequency (130 ± 5 steps per minute)" in cue.seen
    assert "PeerJ 5:e3298" in cue.evidence


def test_rank_is_distance_times_importance() -> None:
    found = given_cues(
        [
            measured("thigh_angle_max", "left", 60, 2),  # (60 - 50) / 2 x importance 1 = 5
            measured("trunk_lean", "both", 24, 3),  # (24 - 15) / 3 x importance 2 = 6
            measured("td_distance_leg", "left", 36, 4),  # (36 - 30) / 4 x importance 3 = 4.5
            measured("vertical_oscillation", "both", 0.15, 0.01),  # 2 x 1: past the limit
        ]
    )
    assert [c.key for c in found] == ["trunk_lean", "thigh_angle_max", "td_distance_leg"]
    assert [c.rank for c in found] == [1, 2, 3]


def test_limit() -> None:
    measures = [measured("trunk_lean", "both", 24, 3), measured("td_distance_leg", "left", 36, 4)]
    assert len(given_cues(measures, limit=1)) == 1
    assert given_cues(measures, limit=0) == ()
    with pytest.raises(ValueError, match="limit must be 0 or more"):
        given_cues(measures, limit=-1)


def test_opposed_advice_is_left_out() -> None:
    found = given_cues(
        [measured("td_distance_leg", "left", 60, 3), measured("step_frequency", "both", 230, 5)]
    )
    assert [c.key for c in found] == ["td_distance_leg"]


@pytest.mark.parametrize("half", [12, 20, 60])
def test_no_cue_from_a_borderline_number(half: float) -> None:
    measures = [measured("td_distance_leg", "left", 42, half)]  # 30 lies within 42 ± 12
    assert given_cues(measures) == ()
    profile = load_profile("easy-run")
    why = why_no_cues(measures, scores(measures, profile), profile)
    assert why is not None
    assert "borderline" in why


def test_no_cue_from_what_was_not_measured() -> None:
    lost = Measure("trunk_lean", "both", None, "deg", None, None, 0, "not_measurable", why="hidden")
    profile = load_profile("easy-run")
    assert given_cues([lost]) == ()
    assert why_no_cues([lost], scores([lost], profile), profile) == (
        "None of the targets could be measured in this clip."
    )


def test_no_cue_at_importance_nought() -> None:
    measures = [measured("contact_time", "left", 0.45, 0.01)]
    profile = load_profile("easy-run")
    assert given_cues(measures) == ()
    assert "orientation only" in str(why_no_cues(measures, scores(measures, profile), profile))


def test_no_cue_on_times_while_the_time_base_is_in_doubt() -> None:
    slow = [measured("step_frequency", "both", 87, 1)]
    lean = [measured("trunk_lean", "both", 24, 3)]
    profile = load_profile("easy-run")
    assert [c.key for c in given_cues(slow)] == ["step_frequency"]
    assert given_cues(slow, doubted=TIMED_KEYS) == ()
    why = why_no_cues(slow, scores(slow, profile), profile, doubted=TIMED_KEYS)
    assert why is not None and "frames per real second" in why
    assert [c.key for c in given_cues([*slow, *lean], doubted=TIMED_KEYS)] == ["trunk_lean"]


def test_no_cue_when_running_hurts() -> None:
    assert given_cues(OVERSTRIDE, athlete={"pain": "yes"}) == ()
    assert len(given_cues(OVERSTRIDE, athlete={"pain": "no", "stature_m": 1.8})) == 1


def test_no_cue_at_a_speed_the_profile_does_not_suit() -> None:
    sprint = [*OVERSTRIDE, measured("speed", "both", 9.0, 0.2)]
    profile = load_profile("easy-run")
    assert given_cues(sprint) == ()
    why = why_no_cues(sprint, scores(sprint, profile), profile)
    assert why is not None
    assert why.endswith("No cues are given; choose a profile that suits it (top-speed).")


def test_all_inside_says_so() -> None:
    measures = [measured("trunk_lean", "both", 6, 2)]
    profile = load_profile("easy-run")
    assert why_no_cues(measures, scores(measures, profile), profile) == (
        "Every number that could be measured is inside its target."
    )


def test_a_number_without_a_frame_does_not_claim_one() -> None:
    (cue,) = given_cues(
        [measured("step_frequency", "both", 120, 5, None), measured("trunk_lean", "both", 5, 2, 33)]
    )
    assert cue.frame == 33
    assert "frame" not in cue.seen


def test_knee_lift_at_top_speed_says_what_the_study_found() -> None:
    """Haugen 2018, Int J Sports Physiol Perform 13:420: not related to top speed in 24 sprinters."""
    (cue,) = given_cues([measured("thigh_angle_max", "right", 45, 5)], "top-speed")
    assert (cue.key, cue.side) == ("thigh_angle_max", "right")
    for words in ("common coaching practice", "24 sprinters", "did not relate to top speed", "Haugen 2018"):
        assert words in cue.why


def test_a_return_check_gives_no_advice_on_technique() -> None:
    both = [
        measured("symmetry_knee_flexion_td", "both", -9, 3),
        measured("symmetry_thigh_angle_max", "both", 8, 2),
        measured("td_distance_leg", "left", 60, 5),
    ]
    found = given_cues(both, "return-check")
    assert len(found) == 2  # left and right is one theme
    for cue in found:
        assert "clinician" in cue.do
        assert cue.caution is not None
        assert "not a diagnosis" in cue.caution
        assert cue.avoid == "Don't take this number as a reason to sprint, or not to sprint."


values = st.dictionaries(
    st.sampled_from([t.measure for t in load_profile("easy-run").targets]),
    st.tuples(st.floats(-100, 300), st.floats(0.001, 50)),
)


@settings(deadline=None)
@given(values)
def test_every_cue_stands_on_an_outside_score_and_ranks_fall(numbers: dict[str, tuple[float, float]]) -> None:
    profile = load_profile("easy-run")
    measures = [
        measured(key, side, *number)
        for key, number in numbers.items()
        for side in (("both",) if MEASURES[key].sided == "both" else ("left", "right"))
    ]
    held = scores(measures, profile)
    found = cues(measures, held, profile, limit=20)
    weight: dict[str, float] = {}
    for s in held:
        target = profile.target(s.key)
        assert target is not None
        if s.verdict == "outside":
            weight[s.key] = max(weight.get(s.key, 0), s.distance * target.importance)
    assert all(c.key in weight for c in found)
    assert all(weight[a.key] >= weight[b.key] - 1e-9 for a, b in pairwise(found))
    assert [c.rank for c in found] == list(range(1, len(found) + 1))
    names = [theme_of(c.key, _direction(c, held, measures)).name for c in found]
    assert len(set(names)) == len(names)
    assert bool(found) == (why_no_cues(measures, held, profile) is None)


def _direction(cue: Cue, held: tuple[Score, ...], measures: list[Measure]) -> Direction:
    low = next(s.target[0] for s in held if s.key == cue.key)
    value = next(m.value for m in measures if m.key == cue.key)
    return "too_low" if low is not None and value is not None and value < low else "too_high"


@pytest.mark.parametrize("name", profile_names())
def test_every_target_has_words_for_each_of_its_ends(name: str) -> None:
    profile = load_profile(name)
    for target in profile.targets:
        for end, direction in ((target.low, "too_low"), (target.high, "too_high")):
            if end is not None:
                text = cue_text(target.measure, direction, profile.use)
                assert text is not None, (target.measure, direction)
                for part in (text.headline, text.why, text.evidence, text.do, text.avoid):
                    assert len(part) > 3, (target.measure, direction)
                assert text.do != text.avoid


def test_the_theme_table_is_whole() -> None:
    table = themes()
    names = {t.name for t in table}
    pairs = [pair for t in table for pair in t.shows_in]
    assert len(pairs) == len(set(pairs)), "a finding belongs to one theme"
    for theme in table:
        assert theme.opposes <= names
    keys = {key for key, _ in pairs} - {"symmetry"}
    assert keys <= set(MEASURES)
    general = yaml.safe_load((DATA / "cues.yaml").read_text(encoding="utf-8"))
    for key, by_direction in general["texts"].items():
        for direction in by_direction:
            assert (key, direction) in pairs, f"{key} {direction} belongs to no theme"
    for key, like in general["texts_like"].items():
        assert key in MEASURES
        assert like in general["texts"]


def test_files_of_words_belong_to_a_use() -> None:
    for file in DATA.glob("cues_*.yaml"):
        assert file.stem.removeprefix("cues_") in get_args(Use)


def test_number_text() -> None:
    assert number_text(41.6, 3.7, "% leg", 0) == "42 ± 4 % of leg length"
    assert number_text(30.42, 0.31, "deg", 0) == "30.4 ± 0.3 degrees"
    assert number_text(0.2312, 0.0121, "s", 3) == "0.231 ± 0.012 seconds"
    assert number_text(5.0, 0.0, "deg", 0) == "5 ± 0 degrees"
    assert number_text(5.0, None, "deg", 0) == "5 degrees"


def _all_words() -> list[str]:
    found: list[str] = []

    def walk(thing: object) -> None:
        if isinstance(thing, str):
            found.append(thing)
        elif isinstance(thing, dict | list):
            for part in thing.values() if isinstance(thing, dict) else thing:
                walk(part)

    folder = DATA.parent / "profiles"
    for file in (*DATA.glob("cue*.yaml"), DATA / "cautions.yaml", *folder.glob("*.yaml")):
        walk(yaml.safe_load(file.read_text(encoding="utf-8")))
    return found


def complaint(text: str) -> str | None:
    """The first sentence that clears somebody, diagnoses, promises or puts a number on risk."""
    for sentence in re.split(r"(?<=[.!?]) ", text):
        low = sentence.lower()
        negated = re.search(r"\b(not|cannot|never|no|nobody|none)\b|n't\b|too little|insufficient", low)
        claims = r"clear anyone|\bclears\b|clear to|\bcleared\b|diagnos|prevent(s|ing)? (an |your )?injur"
        if re.search(claims, low) and not negated:
            return sentence
        if re.search(r"\d\s*%[^.]*\brisk|\brisk[^.]*\d\s*%|risk score", low):
            return sentence
    return None


@pytest.mark.parametrize(
    "bad",
    [
        "You are clear to run.",
        "This clip clears you.",
        "Your hamstring is diagnosed.",
        "Landing closer prevents injury.",
        "A 20 % higher risk.",
        "Your risk is up by 12 %.",
        "Fine so far. Your risk score is low.",
    ],
)
def test_the_wording_check_finds_what_must_not_be_said(bad: str) -> None:
    assert complaint(bad) is not None


def test_wording() -> None:
    words = _all_words()
    assert len(words) > 300
    assert [c for c in map(complaint, words) if c is not None] == []


def test_no_injury_numbers_in_a_cue() -> None:
    for cue in (
        *given_cues(OVERSTRIDE),
        *given_cues([measured("trunk_lean", "both", 24, 3)], "return-check"),
    ):
        for part in (cue.text, cue.seen, cue.why, cue.do, cue.avoid, cue.evidence, cue.caution or ""):
            assert complaint(part) is None
            assert "  " not in part
            assert ".." not in part
