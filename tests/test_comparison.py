"""What counts as a change between two takes, and what can't be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shared.catalogue import CURVES, MEASURES
from shared.history_values import RepeatGroup, SeriesPoint, Session, StoredAnalysis
from technique.comparison import compare
from technique.comparison_errors import kept_half_width
from technique.comparison_repeats import own_repeatability
from technique.pooling import pooled
from technique.repeat_table import between_day, curve_row, published_sem, repeat_row
from technique.rulers import shown_value
from technique.speed_relations import speed_relations, speed_share
from technique.takes import repeat_takes, stored_take, take
from tests import builders
from tests.comparison_helpers import a_take, measure


def test_published_value_stands_in_until_there_are_repeats() -> None:
    """Damsted et al. 2015, Int J Sports Phys Ther: knee at foot strike, 9-14 deg between days (middle)."""
    a = a_take()
    seen = compare(a, a_take("after", {"knee_flexion_td": 20.0}, date="2026-05-08"))
    row = seen.change("knee_flexion_td", "left")
    assert row is not None and row.detectable == pytest.approx(11.5, abs=0.1)
    assert row.error_source == "published" and row.verdict == "no change beyond error"
    assert any("published values stand in" in n for n in seen.notes)
    assert any("one more take of the unchanged condition" in n for n in seen.notes)


def test_minimal_detectable_change_of_own_repeats() -> None:
    """1.96 root 2 SEM of Weir 2005, with Student's t for few repeats; closed form by hand."""
    values = (40.0, 42.0, 41.0, 39.0, 38.0)
    repeats = [[a_take(f"r{i}", {"thigh_angle_max": v}) for i, v in enumerate(values)]]
    seen = compare(a_take(), a_take("after", {"thigh_angle_max": 47.0}), repeats)
    row = seen.change("thigh_angle_max", "left")
    assert row is not None and row.error_source == "own repeats"
    sem = float(np.std(values, ddof=1))
    assert row.detectable == pytest.approx(stats.t.ppf(0.975, 4) * 2**0.5 * sem)
    assert row.difference == 7.0 and (row.low, row.high) == pytest.approx(
        (7 - row.detectable, 7 + row.detectable)
    )
    # More than its own error, but one such is to be expected among so many measures.
    assert row.verdict == "looks changed"
    assert row.p == pytest.approx(2 * stats.t.sf(7 / (2**0.5 * sem), 4))


def test_two_repeats_are_too_few_to_stand_alone_but_may_widen() -> None:
    narrow = [[a_take("r0"), a_take("r1")]]
    wide = [[a_take("r0", {"thigh_angle_max": 36.0}), a_take("r1", {"thigh_angle_max": 46.0})]]
    plain, still, wider = (
        compare(a_take(), a_take("after"), r).change("thigh_angle_max", "left") for r in ((), narrow, wide)
    )
    assert plain is not None and still is not None and wider is not None
    assert still.detectable == plain.detectable
    assert wider.detectable == pytest.approx(1.96 * 2**0.5 * 50**0.5, rel=1e-3)
    assert wider.error_source != "own repeats"


def test_takes_of_one_day_say_nothing_of_another_day() -> None:
    repeats = [[a_take(f"r{i}", {"thigh_angle_max": 40.0 + i}) for i in range(5)]]
    assert own_repeatability(repeats, "thigh_angle_max", "left", same_day=True).freedom == 4  # type: ignore[union-attr]
    assert own_repeatability(repeats, "thigh_angle_max", "left", same_day=False) is None
    days = [[replace(t, date=f"2026-05-0{1 + i // 2}") for i, t in enumerate(repeats[0])]]
    found = own_repeatability(days, "thigh_angle_max", "left", same_day=False)
    # Days: 40.5, 42.5, 44.
    assert found is not None and found.freedom == 2
    assert found.sem == pytest.approx(np.std([40.5, 42.5, 44.0], ddof=1))


def test_what_both_takes_share_cancels_and_what_each_draws_anew_does_not() -> None:
    shared = measure("thigh_angle_max", "left", 40.0, {"model bias": 5.0, "segment masses": 2.0})
    anew = measure("thigh_angle_max", "left", 40.0, {"strides": 3.0, "landmark noise": 4.0, "passes": 12.0})
    assert kept_half_width(shared, same_day=True, same_scale=True) == 0.0
    assert kept_half_width(anew, same_day=True, same_scale=True) == 13.0
    scaled = measure("step_length", "left", 1.4, {"scale": 0.08})
    assert kept_half_width(scaled, same_day=False, same_scale=True) == pytest.approx(0.02)
    assert kept_half_width(scaled, same_day=False, same_scale=False) == pytest.approx(0.08)


def test_a_clip_with_large_error_of_its_own_widens_the_difference() -> None:
    noisy = a_take("after", {"thigh_angle_max": 52.0})
    worse = tuple(
        measure(m.key, m.side, m.value, {"strides": 15.0}) if m.key == "thigh_angle_max" else m
        for m in noisy.measures
    )
    row = compare(a_take(), replace(noisy, measures=worse)).change("thigh_angle_max", "left")
    assert row is not None and row.verdict == "no change beyond error"
    assert row.detectable == pytest.approx(np.sqrt(15.0**2 + 1.0 + (0.25 * 7.84) ** 2))


def test_groups_are_averaged_and_narrow_the_error() -> None:
    one = compare(a_take("a1"), a_take("b")).change("thigh_angle_max", "left")
    aba = compare([a_take("a1"), a_take("a2", {"thigh_angle_max": 42.0})], a_take("b")).change(
        "thigh_angle_max", "left"
    )
    assert one is not None and aba is not None and one.detectable is not None
    assert aba.before == 41.0
    assert aba.detectable == pytest.approx(one.detectable * (1.5 / 2.0) ** 0.5)


@pytest.mark.parametrize(
    "facts, key, side, words",
    [
        ({"near_sides": frozenset(("right",))}, "thigh_angle_max", "left", "the other side was filmed"),
        (
            {"capture_rates_hz": (60.0, 60.0)},
            "contact_time",
            "left",
            "other frame rate (60 and 120 frames/s)",
        ),
        ({"capture_rates_hz": (60.0, 60.0)}, "knee_flexion_td", "left", "other frame rate"),
        ({"cameras": frozenset(("treadmill",))}, "trunk_lean", "both", "treadmill"),
        ({"cameras": frozenset(("panning",))}, "trunk_lean", "both", "the camera turned in one"),
        ({"yaw_deg": 15.0}, "thigh_angle_max", "left", "other view"),
        ({"models": frozenset(("lite",))}, "contact_time", "left", "another model"),
        ({"versions": frozenset(("0.2",))}, "contact_time", "left", "different versions"),
        (
            {"time_bases": frozenset(("user",))},
            "contact_time",
            "left",
            "capture rate of one was given by hand",
        ),
        ({"speed_mps": 4.3}, "thigh_angle_max", "left", "the speed differs by more than 5 %"),
        ({"clips": frozenset(("before",))}, "trunk_lean", "both", "same clip"),
    ],
)
def test_not_comparable_says_why(facts: dict[str, object], key: str, side: str, words: str) -> None:
    row = compare(a_take(), a_take("after", **facts)).change(key, side)  # type: ignore[arg-type]
    assert row is not None and row.verdict == "not comparable"
    assert words in (row.reason or "") and words in row.sentence
    # Nothing is hidden: the difference is there for the record.
    assert row.difference == 0.0 and row.p is None


@pytest.mark.parametrize(
    "facts, key, side",
    [
        ({"capture_rates_hz": (60.0, 60.0)}, "thigh_angle_max", "left"),
        ({"yaw_deg": 15.0}, "contact_time", "left"),
        ({"time_bases": frozenset(("user",))}, "thigh_angle_max", "left"),
        ({"near_sides": frozenset(("left",))}, "thigh_angle_max", "left"),
        ({"speed_mps": 4.3}, "speed", "both"),
    ],
)
def test_what_does_not_touch_a_measure_leaves_it_comparable(
    facts: dict[str, object], key: str, side: str
) -> None:
    row = compare(a_take(), a_take("after", **facts)).change(key, side)  # type: ignore[arg-type]
    assert row is not None and row.verdict == "no change beyond error"


def test_missing_value_is_named() -> None:
    row = compare(a_take(), a_take("after", {"thigh_angle_max_left": None})).change("thigh_angle_max", "left")
    assert row is not None and row.verdict == "not comparable"
    assert row.reason == "not measurable in “after”: the leg is hidden"
    assert row.difference is None


def test_unknown_speed_is_said_and_not_guessed() -> None:
    a, b = a_take(speed_mps=None), a_take("after")
    seen = compare(a, b)
    assert any("speed of at least one is not known" in n for n in seen.notes)
    assert all(c.speed is None for c in seen.changes)


def test_change_that_speed_alone_would_bring_is_said() -> None:
    """Treadmill data of Fukuchi et al. 2017: swing knee flexion rises about 14 deg for each m/s."""
    repeats = [[a_take(f"r{i}", {"knee_flexion_swing_max": 100.0 + 0.1 * i}) for i in range(8)]]
    quiet = tuple(
        measure(m.key, m.side, 102.6, {"strides": 0.3}) if m.key == "knee_flexion_swing_max" else m
        for m in a_take("after", {"speed": 4.19}).measures
    )
    first = tuple(
        measure(m.key, m.side, 100.0, {"strides": 0.3}) if m.key == "knee_flexion_swing_max" else m
        for m in a_take().measures
    )
    seen = compare(a_take(measures=first), a_take("after", {"speed": 4.19}, measures=quiet), repeats)
    row = seen.change("knee_flexion_swing_max", "left")
    assert row is not None and row.verdict == "changed" and row.as_speed
    assert "The difference in speed alone would bring about +2.6°" in row.sentence
    # Nothing is adjusted.
    assert row.difference == pytest.approx(2.6)


def test_speed_relations_give_back_the_data_they_were_read_from() -> None:
    """Fukuchi et al. 2017, 26 runners: contact 269, 224, 195 ms and step 372, 351, 328 ms at 2.5-4.5 m/s."""
    contact = speed_share("contact_time", 0.269, 2.5, 4.5)
    step = speed_share("step_frequency", 60 / 0.372, 2.5, 4.5)
    middle = speed_share("contact_time", 0.269, 2.5, 3.5)
    assert contact is not None and 0.269 + contact.expected == pytest.approx(0.195, abs=0.001)
    assert middle is not None and 0.269 + middle.expected == pytest.approx(0.224, abs=0.002)
    assert step is not None and 60 / 0.372 + step.expected == pytest.approx(60 / 0.328, rel=0.005)
    assert speed_share("contact_time", 0.1, 9.0, 9.5) is None
    assert speed_share("elbow_angle_mean", 90.0, 3.0, 3.1) is None
    assert set(speed_relations()) <= set(MEASURES)


def test_step_length_and_frequency_multiply_to_speed() -> None:
    length, rate = speed_share("step_length", 1.0, 3.0, 3.3), speed_share("step_frequency", 1.0, 3.0, 3.3)
    assert length is not None and rate is not None
    assert (1 + length.expected) * (1 + rate.expected) == pytest.approx(1.1)


def test_every_measure_and_curve_has_a_repeat_error_with_a_source() -> None:
    for key in MEASURES:
        row = repeat_row(key)
        assert row.within_day <= row.between_day and row.source
    for key in CURVES:
        assert curve_row(key).sem(1.0, True) > 0
    assert published_sem("symmetry_contact_time", 1.0, False) == pytest.approx(2**0.5 * 3.5)
    assert published_sem("symmetry_thigh_angle_max", 1.0, True) == pytest.approx(2**0.5 * 1.8)
    assert set(between_day()["timing"]) == {"hand", "gates", "video"}


def test_one_large_change_holds_among_all_and_a_small_one_does_not() -> None:
    seen = compare(a_take(), a_take("after", {"thigh_angle_max": 55.0, "knee_flexion_swing_max": 106.2}))
    large, small = seen.change("thigh_angle_max", "left"), seen.change("knee_flexion_swing_max", "left")
    assert large is not None and small is not None
    assert (large.verdict, small.verdict) == ("changed", "looks changed")
    assert large.holds and not small.holds
    assert "turn up by chance" in small.sentence and "turn up by chance" not in large.sentence
    assert {c.key for c in seen.changed} == {"thigh_angle_max"}
    assert {c.key for c in seen.perhaps} == {"knee_flexion_swing_max"}
    assert seen.summary.startswith("2 of ") and "2 more look changed" in seen.summary


@settings(max_examples=40, deadline=None)
@given(st.floats(-20, 20), st.floats(-20, 20))
def test_exchanging_the_takes_turns_the_sign_and_nothing_else(thigh: float, knee: float) -> None:
    a, b = a_take(), a_take("after", {"thigh_angle_max": 40 + thigh, "knee_flexion_swing_max": 100 + knee})
    there, back = compare(a, b), compare(b, a)
    for c, d in zip(there.changes, back.changes):
        assert (c.key, c.side, c.verdict, c.holds) == (d.key, d.side, d.verdict, d.holds)
        assert c.difference is not None and d.difference is not None
        assert c.difference == pytest.approx(-d.difference)
        assert c.detectable == pytest.approx(d.detectable)


def test_take_of_analyses() -> None:
    a = builders.analysis()
    found = take([a], "before", "2026-05-01", speed_mps=3.0)
    assert found.measures == pooled([a]) and found.near_sides == {"right"}
    assert found.time_bases == {"file"} and found.versions == {"0.1"} and found.speed_mps == 3.0
    assert found.scale_from == {"stature 1.75"} and found.yaw_deg == 3.0
    with pytest.raises(ValueError):
        take([], "before")
    with pytest.raises(ValueError):
        stored_take([])
    with pytest.raises(ValueError):
        compare([], found)


def _points(session: str, date: str, value: float, near: str = "left") -> list[SeriesPoint]:
    head = StoredAnalysis(
        f"id {session} {near}",
        f"clip {session} {near}",
        session,
        "a",
        date,
        "0.1.3",
        "full",
        "easy-run",
        near,  # type: ignore[arg-type]
        "right",
        "still",
        120.0,
        True,
        None,
    )
    of = Session("a", date, id=session, speed_mps=4.0, condition="usual")
    return [
        SeriesPoint(of, head, m)
        for m in a_take(changes={"thigh_angle_max": value}).measures
        if m.key in ("thigh_angle_max", "symmetry_thigh_angle_max")
    ]


def test_takes_from_the_history() -> None:
    one = stored_take(_points("s1", "2026-05-01", 40.0))
    assert one.near_sides == {"left"} and one.speed_mps == 4.0 and one.label == "usual"
    assert one.yaw_deg is None and one.time_bases == frozenset()
    both = stored_take([*_points("s1", "2026-05-01", 40.0), *_points("s1", "2026-05-01", 44.0, "right")])
    left, right = both.measure("thigh_angle_max", "left"), both.measure("thigh_angle_max", "right")
    # Each side from the pass in which it was near.
    assert left is not None and right is not None and (left.value, right.value) == (40.0, 44.0)
    difference = both.measure("symmetry_thigh_angle_max", "both")
    assert difference is not None and difference.value == -4.0


def test_repeats_from_the_history() -> None:
    stored = {f"s{i}": _points(f"s{i}", f"2026-05-0{i}", 40.0 + i) for i in range(1, 6)} | {"s9": []}
    sessions = tuple(Session("a", f"2026-05-0{i}", id=f"s{i}") for i in (1, 2, 3, 4, 5, 9))
    repeats = repeat_takes([RepeatGroup("usual", sessions)], stored.__getitem__)
    assert [len(g) for g in repeats] == [5]
    found = own_repeatability(repeats, "thigh_angle_max", "left", same_day=False)
    assert found is not None and found.freedom == 4
    assert found.sem == pytest.approx(np.std(range(5), ddof=1))


def test_shown_values() -> None:
    assert shown_value(-0.04, "deg", 1, sign=True) == "0.0°"
    assert shown_value(6.0, "deg", 1, sign=True) == "+6.0°"
    assert shown_value(-2.0, "%", 1) == "−2.0 %"
