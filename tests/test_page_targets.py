"""The user's own targets, what a number means, and units: the logic behind those screens."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from shared.analysis import Measure, Observation, Score
from shared.catalogue import MEASURES
from shared.errors import ProfileError
from technique.profile_schema import profile_from_text
from technique.targets import load_profile, profile_names
from tests import builders
from ui import in_units, report
from ui.screens import charts, definitions, meaning, place, profiles, store, targets, units


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(tmp_path))


@pytest.fixture
def owner() -> str:
    return store.new_key()


@pytest.mark.parametrize("name", profile_names())
def test_a_copy_holds_the_same_targets(name: str, owner: str) -> None:
    path = profiles.copy(owner, name, "My own")
    copied, original = load_profile(path), load_profile(name)
    assert copied.targets == original.targets
    assert (copied.title, copied.use, copied.cautions) == ("My own", original.use, original.cautions)
    assert profiles.own_profiles(owner) == (str(path),)
    assert profiles.own_profiles(store.new_key()) == ()


def test_one_target_changes_and_the_rest_stays(owner: str) -> None:
    profile = load_profile(profiles.copy(owner, "easy-run", "Mine"))
    old = profile.targets[1]
    new = old.model_dump() | {"low": -3.0, "high": 12.0, "source": "Own judgement", "evidence": "weak"}
    path = profiles.save(owner, "mine", profiles.as_text(profiles.with_target(profile, new)))
    changed = load_profile(path)
    assert (changed.targets[1].low, changed.targets[1].high) == (-3.0, 12.0)
    assert changed.version == profile.version + 1
    assert [t for i, t in enumerate(changed.targets) if i != 1] == [
        t for i, t in enumerate(profile.targets) if i != 1
    ]


def test_a_target_can_be_added_and_taken_away(owner: str) -> None:
    profile = load_profile(profiles.copy(owner, "easy-run", "Mine"))
    key = next(k for k in MEASURES if profile.target(k) is None and k == "arm_swing_range")
    target = {
        "measure": key,
        "side": "near",
        "unit": "deg",
        "low": 30.0,
        "high": None,
        "importance": 1,
        "source": "common practice, no source",
        "evidence": "common practice",
    }
    more = load_profile(profiles.save(owner, "mine", profiles.as_text(profiles.with_target(profile, target))))
    assert len(more.targets) == len(profile.targets) + 1
    less = load_profile(profiles.save(owner, "mine", profiles.as_text(profiles.without_target(more, key))))
    assert less.targets == profile.targets


def test_a_fault_is_said_and_nothing_is_kept(owner: str) -> None:
    path = profiles.copy(owner, "easy-run", "Mine")
    before = path.read_text(encoding="utf-8")
    with pytest.raises(ProfileError, match="above high"):
        profile = load_profile(path)
        wrong = profile.targets[1].model_dump() | {"low": 20.0, "high": 10.0}
        profiles.save(owner, "mine", profiles.as_text(profiles.with_target(profile, wrong)))
    assert path.read_text(encoding="utf-8") == before


@pytest.mark.parametrize("wish", ["", "  ", "!!!", "../.."])
def test_a_name_without_letters_is_refused(wish: str) -> None:
    with pytest.raises(ProfileError, match="no letter"):
        profiles.file_name(wish)


def test_a_built_in_name_is_refused_and_others_become_plain() -> None:
    with pytest.raises(ProfileError, match="built-in"):
        profiles.file_name("Easy run")
    assert profiles.file_name("../My Sprint 2026!") == "my-sprint-2026"


def test_exported_text_is_read_again_as_the_same() -> None:
    for name in profile_names():
        text = profiles.as_text(profiles.as_document(load_profile(name)))
        assert profile_from_text(text, "x", "x.yaml").targets == load_profile(name).targets


@pytest.mark.parametrize("key", sorted(MEASURES))
def test_every_measure_has_a_drawing_and_words(key: str) -> None:
    svg = definitions.drawing(key)
    assert svg.startswith("<svg ")
    assert "nan" not in svg
    words = meaning.definition_words(MEASURES[key])
    assert words
    assert "the same" not in words.lower(), "a relative form says what it is relative of"


def test_the_stick_figure_has_the_angles_it_is_drawn_with() -> None:
    # Closed form: the limb's own direction gives the angle back.
    import math

    pose = definitions.POSES["knee lift"]
    at = definitions.joints(pose)

    def down(a: str, b: str) -> float:
        return math.degrees(math.atan2(at[b][0] - at[a][0], at[b][1] - at[a][1]))

    assert down("hip", "knee") == pytest.approx(pose.thigh)
    assert down("hip", "knee") - down("knee", "ankle") == pytest.approx(pose.knee)
    assert 180 - down("hip", "shoulder") == pytest.approx(pose.lean)
    a = [at["shoulder"][i] - at["elbow"][i] for i in (0, 1)]
    b = [at["wrist"][i] - at["elbow"][i] for i in (0, 1)]
    cosine = (a[0] * b[0] + a[1] * b[1]) / (math.hypot(*a) * math.hypot(*b))
    assert math.degrees(math.acos(cosine)) == pytest.approx(pose.elbow)


def test_the_parts_of_an_error_are_named_largest_first() -> None:
    m = Measure(
        "contact_time",
        "right",
        0.2,
        "s",
        0.18,
        0.22,
        5,
        "measured",
        error_parts={"frame_rate": 0.004, "spread": 0.019},
    )
    assert meaning.error_words(m) == [
        ("spread", "± 0.0190 s"),
        ("time from one picture to the next", "± 0.0040 s"),
    ]


def test_meaning_tells_value_target_and_what_is_missing() -> None:
    shown = meaning.meaning_html(builders.analysis(), "contact_time")
    assert "0.200 s" in shown
    assert "at most 0.250 s" in shown
    assert "nobody has published it" in shown
    assert "the far arm is hidden" in meaning.meaning_html(builders.analysis(), "elbow_angle_mean")


def test_the_table_changes_value_interval_and_target_together() -> None:
    analysis = builders.analysis()
    m = Measure("step_length", "right", 1.524, "m", 1.2192, 1.8288, 4, "measured", None, 4)
    s = Score("step_length", "right", (0.9144, None), "inside", "x", "rhythm", 0.0)
    analysis = replace(analysis, measures=(*analysis.measures, m), scores=(*analysis.scores, s))
    blocks = report.areas(analysis, feet=True)
    row = next(r for b in blocks for r in b.rows if r.key == "step_length")
    assert row.value == "5 ft 0.0 in"
    assert row.interval == "4 ft 0.0 in to 6 ft 0.0 in"
    assert row.target == "at least 3 ft 0.0 in"
    other = next(r for b in blocks for r in b.rows if r.key == "contact_time")
    assert other.value == "0.200 s"


LENGTHS = sorted(k for k, kind in MEASURES.items() if kind.unit in ("m", "m/s"))


def _long_step() -> Any:
    """An analysis with a step length of 5 ft (1.524 m) that has a target, its errors and its steps."""
    analysis = builders.analysis()
    m = Measure("step_length", "right", 1.524, "m", 1.2192, 1.8288, 4, "measured", None, 4, {"scale": 0.3048})
    s = Score("step_length", "right", (0.9144, None), "inside", "x", "rhythm", 0.0)
    o = Observation("step_length", "right", 0, 1.524, "m", 1.2192, 1.8288, 0.03, 4)
    return replace(
        analysis,
        measures=(*analysis.measures, m),
        scores=(*analysis.scores, s),
        observations=(*analysis.observations, o),
    )


def test_a_definition_changes_its_unit_value_error_and_target() -> None:
    shown = meaning.meaning_html(_long_step(), "step_length", feet=True)
    for said in (
        "in feet and inches.",
        "5 ft 0.0 in",
        "4 ft 0.0 in to 6 ft 0.0 in",
        "turning pixels into metres ± 12.00 in",
        "at least 3 ft 0.0 in",
        "5.6, 7.8 and 10.1 mph",
    ):
        assert said in shown
    assert " m," not in shown
    assert "1.52 m" in meaning.meaning_html(_long_step(), "step_length")


def test_a_plot_changes_its_axis_points_bars_and_target() -> None:
    figure = charts.step_by_step(_long_step(), "step_length", feet=True)
    assert figure.layout.yaxis.title.text == "feet and inches"
    (points,) = figure.data
    assert points.y == pytest.approx([60.0])
    assert points.error_y.array == pytest.approx([12.0])
    assert points.error_y.arrayminus == pytest.approx([12.0])
    assert figure.layout.shapes[0].y0 == pytest.approx(36.0)
    assert list(points.text) == ["5 ft 0.0 in"]
    marks = dict(zip(figure.layout.yaxis.tickvals, figure.layout.yaxis.ticktext, strict=True))
    assert marks[60.0] == "5 ft 0 in"
    same = charts.step_by_step(_long_step(), "contact_time", feet=True)
    assert same.layout.yaxis.title.text == "s"
    assert list(same.data[0].y) == [0.2]


@pytest.mark.parametrize("key", LENGTHS)
def test_a_cue_changes_its_numbers_and_keeps_its_advice(key: str) -> None:
    """The cue is written by the program's own rules, as it is stored with a result."""
    from technique import cues

    side: Any = "both" if MEASURES[key].sided == "both" else "right"
    m = Measure(key, side, 1.524, MEASURES[key].unit, 1.27, 1.778, 4, "measured", None, 4)
    score = Score(key, side, (None, 0.508), "outside", "A source at 3 m/s", "legs", 4.0)
    text = cues.CueText("Do it", "Why, at 3 m/s", "weak", "Try 20 m of it", "Not more", None)
    finding = cues._Finding(score, m, "too_high", 4.0, text)
    cue = cues._cue(finding, [finding], [m], load_profile("easy-run"), 1)
    analysis = replace(builders.analysis(), measures=(m,), scores=(score,), cues=(cue,))
    changed = in_units.cue_in_units(asdict(cue), analysis, feet=True)
    unit = MEASURES[key].unit
    metres = "metres" if unit == "m" else unit
    assert metres in cue.seen
    assert f" {metres}" not in changed["seen"].replace("metres per", "")
    # 1.524 m are 5 ft or 60 in, 0.254 m are 10 in, 0.508 m 20 in; m/s by 3600 / 1609.344.
    value, half, end = {
        "speed": ("3.41", "0.57 miles per hour", "1.14"),
        "step_length": ("5 ft 0.0 in", "10.0 in", "1 ft 8.0 in"),
        "vertical_oscillation": ("60.00", "10.00 inches", "20.00"),
    }.get(key, ("60.0", "10.0 inches", "20.0"))
    assert f"{value} ± {half}" in changed["seen"]
    assert f"the target is at most {end}." in changed["seen"].replace(", best", ".")
    assert {k: v for k, v in changed.items() if k != "seen"} == {
        k: v for k, v in asdict(cue).items() if k != "seen"
    }


def test_a_cue_in_degrees_stays_as_it_is() -> None:
    (cue,) = builders.analysis().cues
    assert in_units.cue_in_units(asdict(cue), builders.analysis(), feet=True) == asdict(cue)


def test_targets_are_shown_in_the_other_units_and_kept_as_they_are() -> None:
    profile = load_profile("easy-run")
    shown = targets.table_html(profile, feet=True)
    assert "at most 5.12 in" in shown, "0.13 m of vertical oscillation, 0.13 / 0.0254"
    assert "at most 0.130 m" in targets.table_html(profile)
    assert profile.target("vertical_oscillation").high == 0.13


def _targets_page(owner: str) -> Any:
    def script() -> None:
        from ui.screens.targets import targets_screen

        targets_screen()

    page = AppTest.from_function(script, default_timeout=60)
    page.session_state[place.LIST] = owner
    page.run()
    assert not page.exception
    return page


def test_copy_change_and_save_on_the_page(owner: str) -> None:
    page = _targets_page(owner)
    next(t for t in page.text_input if t.label == "Name for your copy").set_value("My pace")
    next(b for b in page.button if b.label == "Copy this profile").click().run()
    assert not page.exception
    assert page.success[0].value.startswith("Copied")
    (path,) = profiles.own_profiles(owner)
    next(n for n in page.number_input if n.label.startswith("To (")).set_value(25.0)
    next(b for b in page.button if b.label == "Save this target").click().run()
    assert not page.exception
    assert load_profile(path).targets[0].high == 25.0


def test_a_target_is_changed_in_metric_units_and_shown_in_the_chosen_ones(owner: str) -> None:
    path = profiles.copy(owner, "easy-run", "Mine")
    page = _targets_page(owner)
    page.session_state[units.KEY] = units.IMPERIAL
    page.selectbox[0].set_value(str(path)).run()
    page.selectbox[1].set_value("vertical_oscillation").run()
    assert not page.exception
    assert any("at most 5.12 in" in c.value for c in page.caption), "0.13 / 0.0254"
    to = next(n for n in page.number_input if n.label.startswith("To (m)"))
    assert to.value == 0.13
    to.set_value(0.1)
    next(b for b in page.button if b.label == "Save this target").click().run()
    assert load_profile(path).target("vertical_oscillation").high == 0.1


def test_faults_are_shown_on_the_page_and_not_kept(owner: str) -> None:
    path = profiles.copy(owner, "easy-run", "Mine")
    page = _targets_page(owner)
    page.selectbox[0].set_value(str(path)).run()
    next(n for n in page.number_input if n.label.startswith("From (")).set_value(90.0)
    next(b for b in page.button if b.label == "Save this target").click().run()
    assert not page.exception
    shown = " ".join([e.value for e in page.error] + [e.proto.body for e in page.get("html")])
    assert "above high" in shown.replace("\\", "")
    assert load_profile(path).targets[0].low is None
