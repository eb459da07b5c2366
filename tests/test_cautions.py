"""Cautions are shown when they must be, each with a source."""

from __future__ import annotations

from pathlib import Path

import pytest

from technique.cautions import CAUTIONS, athlete_flags, caution_lines, cautions
from technique.profile_schema import EVIDENCE_WORDS, NO_SOURCE, profile_from_text
from technique.targets import PROFILE_FOLDER, load_profile, profile_names

FIXED_IN_A_RETURN_CHECK = (
    "This clip cannot clear anyone to sprint.",
    "A difference is not a diagnosis.",
    "Pain, strength and the clinician's tests decide",
    "A side view cannot show pelvic drop, side-bend or rotation",
)


def test_each_has_a_source_and_its_strength() -> None:
    for caution in CAUTIONS.values():
        assert caution.source == NO_SOURCE or any(c.isdigit() for c in caution.source)
        assert caution.evidence in EVIDENCE_WORDS
        assert caution.when.split(":")[0] in {"always", "cue", "listed", "use", "athlete"}


@pytest.mark.parametrize("name", profile_names())
def test_the_general_cautions_are_always_there(name: str) -> None:
    names = {c.name for c in cautions(load_profile(name))}
    assert {"measure-only", "see-professional"} <= names
    assert "one-change" not in names
    assert {"one-change", "not-prevention"} <= {c.name for c in cautions(load_profile(name), cues=["a cue"])}


def test_a_return_check_always_brings_the_fixed_sentences() -> None:
    lines = caution_lines(cautions(load_profile("return-check")))
    for start, line in zip(FIXED_IN_A_RETURN_CHECK, lines[:4], strict=True):
        assert line.startswith(start)
    text = (PROFILE_FOLDER / "return-check.yaml").read_text(encoding="utf-8")
    edited = profile_from_text(text.replace("cautions: []\n", ""), "mine", "mine.yaml")
    assert caution_lines(cautions(edited))[:4] == lines[:4]
    assert not any(
        "clear anyone to sprint" in line for line in caution_lines(cautions(load_profile("easy-run")))
    )


def test_what_the_user_tells_is_heeded() -> None:
    profile = load_profile("easy-run")
    assert cautions(profile, {"age": 15})[0].name == "minor"
    assert cautions(profile, {"pain": "left knee"})[0].name == "pain-now"
    assert cautions(profile, {"recent_injury": "yes"})[0].name == "recent-injury"
    assert athlete_flags({"pain": "no", "recent_injury": None, "age": "thirty"}) == frozenset()
    assert athlete_flags({"pain": False, "age": 18.0}) == frozenset()
    assert athlete_flags(None) == frozenset()


def test_listed_and_own_cautions() -> None:
    text = (PROFILE_FOLDER / "easy-run.yaml").read_text(encoding="utf-8")
    mine = profile_from_text(
        text.replace("cautions: [step-rate]", "cautions: [sprint-load, Ask your coach first.]"),
        "mine",
        "mine.yaml",
    )
    found = cautions(mine)
    assert "sprint-load" in {c.name for c in found}
    assert "step-rate" not in {c.name for c in found}
    assert (found[-1].text, found[-1].source) == ("Ask your coach first.", "the profile's own words")
    assert len({c.text for c in found}) == len(found)


def test_the_guide_shows_the_cautions_as_they_are() -> None:
    guide = (Path(__file__).parents[1] / "docs" / "profiles.md").read_text(encoding="utf-8")
    for caution in CAUTIONS.values():
        assert f"{caution.text} | {caution.source} | {caution.evidence} |" in guide
