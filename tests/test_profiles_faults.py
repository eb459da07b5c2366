"""Every fault of a profile file is named with its line, in one sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.errors import ProfileError
from technique.profile_schema import LARGEST_FILE, profile_from_text
from technique.targets import load_profile

GOOD = """\
format: laneside/profile/1
title: Mine
description: A profile for tests.
version: 1
use: running
speed: {low: 2.0, high: 4.0, unit: m/s}
cautions: [step-rate, Ask your coach first.]
targets:
  - measure: trunk_lean
    side: both
    unit: deg
    low: 0
    high: 15
    importance: 2
    source: common practice, no source
    evidence: common practice
  - measure: contact_time
    side: each
    unit: s
    high: 0.3
    importance: 1
    source: Somebody 2020
    evidence: weak
"""


def faults(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        profile_from_text(text, "mine", "mine.yaml")
    message = str(caught.value)
    assert message.startswith("mine.yaml: ")
    assert "\n" not in message
    return message


def test_the_good_one_is_good() -> None:
    profile = profile_from_text(GOOD, "mine", "mine.yaml")
    assert [t.measure for t in profile.targets] == ["trunk_lean", "contact_time"]
    assert profile.targets[1].low is None


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("format: laneside/profile/1", "format: other", 1, "'format' can't be 'other'"),
        ("title: Mine", "title: 12", 2, "'title' must be text, not '12'"),
        ("title: Mine", "title: ''", 2, "'title' is empty"),
        ("title: Mine", "titel: Mine", 2, "unknown key 'titel' (did you mean 'title'?)"),
        ("version: 1", "version: one", 4, "'version' must be a whole number, not 'one'"),
        ("version: 1", "version: 0", 4, "'version' is out of range"),
        ("use: running", "use: swimming", 5, "'use' can't be 'swimming'"),
        ("{low: 2.0,", "{low: 5.0,", 6, "low (5) is above high (4)"),
        ("unit: m/s", "unit: mph", 6, "'unit' can't be 'mph'; write 'm/s'"),
        ("step-rate", "step-rat", 7, "unknown caution 'step-rat'; did you mean 'step-rate'?"),
        ("measure: trunk_lean", "measure: trunk_leen", 9, "unknown measure 'trunk_leen'; did you mean 'trunk_lean'?"),
        ("measure: trunk_lean", "measure: symmetry_speed", 9, "unknown measure 'symmetry_speed'"),
        ("measure: trunk_lean", "measure: strike_pattern", 9, "no number to hold against a range"),
        ("measure: contact_time", "measure: trunk_lean", 17, "has two targets (first on line 9)"),
        ("side: both", "side: each", 10, "has one value for the body"),
        ("side: each", "side: both", 18, "has one value per side"),
        ("side: each", "side: no", 18, "'side' can't be 'False'"),
        ("unit: deg", "unit: cm", 11, "unit 'cm' is not the unit of 'trunk_lean'; write  unit: \"deg\""),
        ("low: 0", "low: 20", 13, "low (20) is above high (15)"),
        ("low: 0", "low: four", 12, "'low' must be a number, not 'four'"),
        ("low: 0", "low: true", 12, "'low' must be a number, not 'True'"),
        ("low: 0", "low: .nan", 12, "'low' must be a number, not 'nan'"),
        ("low: 0", "low: [1, 2]", 12, "'low' must be a number"),
        ("low: 0", "low: 0\n    low: 1", 13, "key 'low' is written twice (first on line 12)"),
        ("low: 0", "low: 0\n    hihg: 1", 13, "unknown key 'hihg'; did you mean 'high'?"),
        ("    high: 0.3\n", "", 17, "the target has neither low nor high"),
        ("importance: 2", "importance: 4", 14, "'importance' is out of range ('4'); write a number, 0 to 3"),
        ("importance: 2", "importance: 1.5", 14, "'importance' must be a whole number"),
        ("    source: Somebody 2020\n", "", 17, "'source' is missing"),
        ("source: Somebody 2020", "source: ''", 22, "'source' is empty"),
        ("source: Somebody 2020", "source: common practice, no source", 23, "contradict each other"),
        ("evidence: weak", "evidence: certain", 23, "'evidence' can't be 'certain'"),
        ("evidence: weak", "evidence: !!python/name:os.system x", 23, "the tag"),
        ("side: both", "side: &a both", 10, "YAML anchors"),
        ("low: 0", "low: [", 14, "begun on line 12"),
        ("low: 0", "\tlow: 0", 12, "it is not YAML"),
        ("title: Mine", "title: \x01", 2, "a character that no text file should"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_its_line(old: str, new: str, line: int, words: str) -> None:
    assert old in GOOD
    message = faults(GOOD.replace(old, new, 1))
    assert f"line {line}: " in message
    assert words.split(" (did")[0] in message


def test_all_faults_are_listed_in_order_of_line() -> None:
    text = (
        GOOD.replace("unit: deg", "unit: cm")
        .replace("title: Mine", "titel: Mine")
        .replace("high: 0.3", "high: x")
    )
    message = faults(text)
    assert message.startswith("mine.yaml: 4 faults: line 1: 'title' is missing")
    places = [message.index(f"line {n}:") for n in (1, 2, 11, 20)]
    assert places == sorted(places)


def test_many_faults_are_cut_short() -> None:
    message = faults(GOOD + "".join(f"wrong{i}: 1\n" for i in range(100)))
    assert message.count("unknown key") == 20
    assert "and 80 more" in message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "line 1: the file is empty"),
        ("# only a remark\n", "line 1: the file is empty"),
        ("- a\n- b\n", "a profile is a table of keys"),
        ("just words", "a profile is a table of keys"),
        ("a: 1\n---\nb: 2\n", "line 2: it is not YAML"),
        ("[" * 5000, "nested too deep"),
        ("targets:\n", "line 1: 'targets' must be a list"),
        ("targets: []\n", "line 1: 'targets' is empty"),
        ("targets: [1]\n", "must be a table of keys"),
        ("? [a, b]\n: 1\n", "a key must be a word"),
        ("version: " + "9" * 5000, "can't be read as a number"),
    ],
)
def test_what_is_no_profile_at_all(text: str, words: str) -> None:
    assert words in faults(text)


def test_a_huge_number_is_no_crash() -> None:
    message = faults(GOOD.replace("low: 0", "low: " + "9" * 400, 1))
    assert "line 12:" in message or "line 13:" in message


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="there is no such profile file; check the path"):
        load_profile(tmp_path / "missing.yaml")
    with pytest.raises(ProfileError, match="that is a folder"):
        load_profile(tmp_path)
    large = tmp_path / "large.yaml"
    large.write_text(GOOD + "# " + "x" * LARGEST_FILE, encoding="utf-8")
    with pytest.raises(ProfileError, match=r"large\.yaml: the file is larger than 32 kB"):
        load_profile(large)
    picture = tmp_path / "picture.yaml"
    picture.write_bytes(b"title: x\n\xff\xfe")
    with pytest.raises(ProfileError, match="line 2: it is not UTF-8 text"):
        load_profile(picture)
    with pytest.raises(ProfileError, match="can't be read"):
        load_profile("bad\0name.yaml")
    with pytest.raises(ProfileError, match="the name is empty"):
        load_profile("")


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200))
def test_any_text_gives_a_profile_or_one_plain_line(text: str) -> None:
    assert faults(text)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 30), st.text(max_size=6))
def test_any_damage_gives_a_profile_or_one_plain_line(at: int, cut: int, put: str) -> None:
    text = GOOD[:at] + put + GOOD[at + cut :]
    try:
        profile = profile_from_text(text, "mine", "mine.yaml")
    except ProfileError as error:
        assert "\n" not in str(error)
        assert str(error).startswith("mine.yaml: ")
    else:
        assert profile.targets
