"""Shares of the 5 %, and the athlete's own error from few repeats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pingouin as pg
import pytest
from scipy import stats

from shared.errors import OptionError
from technique.comparison import compare
from technique.comparison_errors import DifferenceError
from technique.comparison_family import LEADING, Row, counted_together, leading_rows, row_weights
from technique.comparison_plan import PASSES, outlook
from technique.comparison_repeats import all_repeats, own_errors, own_repeatability
from technique.reliability import (
    NO_PRIOR,
    Repeatability,
    VariancePrior,
    holm,
    moderated_repeatability,
    variance_prior,
)
from technique.takes import Pass, Take
from tests.comparison_helpers import USUAL, a_take

NEAR = frozenset(("left",))


def test_weighted_holm_by_hand_and_as_the_reference_library() -> None:
    """Holm 1979, section 5: smallest p / w against the weight that is left. Closed form by hand."""
    p, w = [0.01, 0.02, 0.5], [0.5, 0.25, 0.25]
    # p / w = 0.02, 0.08, 2; weights left 1, 0.5, 0.25.
    assert holm(p, w) == pytest.approx((0.02, 0.04, 0.5))
    same = [0.01, 0.04, 0.03, 0.005, 0.8]
    assert holm(same, [3.0] * 5) == pytest.approx(list(pg.multicomp(same, method="holm")[1]))
    with pytest.raises(ValueError):
        holm([0.1, 0.2], [1.0, 0.0])


def test_the_whole_table_is_wrong_in_at_most_5_of_100() -> None:
    """Independent and tied measures without a change, uneven weights: any false one in at most 5 %."""
    rng = np.random.default_rng(1)
    weights = [0.25, 0.25, *(0.5 / 38,) * 38]
    false = 0
    for _ in range(2000):
        z = rng.normal(size=40)
        z[20:] = z[20] * 0.9 + 0.44 * z[20:]
        false += min(holm(2 * stats.norm.sf(np.abs(z)), weights)) <= 0.05
    assert false <= 0.05 * 2000 + 3 * (2000 * 0.05 * 0.95) ** 0.5


def test_leading_measures_share_half_and_twins_are_asked_once() -> None:
    rows = [
        ("thigh_angle_max", "left"),
        ("thigh_angle_max", "right"),
        ("trunk_lean", "both"),
        ("td_distance", "left"),
        ("td_distance_leg", "left"),
        ("symmetry_td_distance", "both"),
        ("symmetry_td_distance_leg", "both"),
        ("knee_flexion_td", "left"),
    ]
    leading = leading_rows(rows, NEAR)
    # The far thigh is not seen well enough to lead.
    assert leading == {("thigh_angle_max", "left"), ("trunk_lean", "both"), ("td_distance_leg", "left")}
    w = dict(zip(rows, row_weights(rows, leading)))
    assert sum(w.values()) == pytest.approx(1.0)
    assert w["trunk_lean", "both"] == pytest.approx(0.5 / 3)
    assert w["td_distance", "left"] == w["symmetry_td_distance", "both"] == 0.0
    assert w["knee_flexion_td", "left"] == pytest.approx(0.5 / 3)
    p = [0.001, 0.5, 0.5, 0.9, 0.01, 0.9, 0.02, 0.5]
    found = dict(zip(rows, counted_together(rows, p, list(w.values()))))
    assert found["td_distance", "left"] == found["td_distance_leg", "left"]
    assert found["symmetry_td_distance", "both"] == found["symmetry_td_distance_leg", "both"]
    assert found["thigh_angle_max", "left"] == pytest.approx(0.001 / (0.5 / 3))
    # Without its twin a row is asked for itself.
    alone = row_weights(rows[:4], leading_rows(rows[:4], NEAR))
    assert alone[3] > 0.0


def test_an_aim_is_found_sooner_on_both_sides() -> None:
    rows = [(key, "left") for key in LEADING] + [("knee_flexion_swing_max", s) for s in ("left", "right")]
    leading = leading_rows(rows, NEAR, ("knee_flexion_swing_max",))  # type: ignore[arg-type]
    assert leading == set(rows[-2:])
    after = a_take("after", {"knee_flexion_swing_max": 107.5})
    plain = compare(a_take(), after)
    named = compare(a_take(), after, aims=("knee_flexion_swing_max",))
    assert {c.key for c in plain.changed} == set()
    assert {c.key for c in named.changed} == {"knee_flexion_swing_max"}
    with pytest.raises(OptionError, match="not known"):
        compare(a_take(), after, aims=("knee lift",))


@pytest.mark.parametrize("prior", [1.5, 3.0, 6.0])
def test_prior_of_variances_is_found_again(prior: float) -> None:
    """Drawn from the model of Smyth 2004, s^2 / expected ~ scale * F(4, prior)."""
    rng = np.random.default_rng(2)
    found = [variance_prior(1.7 * rng.f(4, prior, 400), np.full(400, 4)) for _ in range(60)]
    assert np.median([f.scale for f in found]) == pytest.approx(1.7, rel=0.07)
    assert np.median([f.freedom for f in found]) == pytest.approx(prior, rel=0.15)


def test_prior_needs_measures_and_never_counts_for_too_much() -> None:
    assert variance_prior([1.0] * 9, [4] * 9) == NO_PRIOR
    assert variance_prior([1.0] * 9 + [0.0, np.nan], [4] * 11) == NO_PRIOR
    assert variance_prior([1.0] * 40, [4] * 40).freedom == 10.0


def test_moderated_error_by_hand() -> None:
    """Closed form: (4 * 9 + 6 * 0.5 * 16) / 10 = 8.4."""
    found = moderated_repeatability(Repeatability(3.0, 4), 4.0, VariancePrior(0.5, 6.0))
    assert (found.sem**2, found.freedom) == (pytest.approx(8.4), 10.0)
    own = Repeatability(3.0, 4)
    assert moderated_repeatability(own, 4.0, NO_PRIOR) == own


def test_moderated_t_keeps_5_of_100_from_few_repeats() -> None:
    """Drawn from the model: 2 against 2 passes of 50 measures, no change; 5 % are beyond the t of the sum."""
    rng = np.random.default_rng(3)
    beyond = total = 0
    for _ in range(150):
        sd = 1.0 / np.sqrt(rng.chisquare(5.0, 50) / 5.0)
        a, b = rng.normal(size=(2, 2, 50)) * sd
        within = (a.var(axis=0, ddof=1) + b.var(axis=0, ddof=1)) / 2
        prior = variance_prior(within / 4.0, np.full(50, 2))
        for i in range(50):
            made = moderated_repeatability(Repeatability(within[i] ** 0.5, 2), 2.0, prior)
            d = a[:, i].mean() - b[:, i].mean()
            error = DifferenceError("own repeats", made.sem, made.freedom, made.sem, 0.0)
            beyond += abs(d) > error.half_width()
            total += 1
    assert 0.035 <= beyond / total <= 0.065


def _passes(label: str, values: list[float], near: str = "left") -> Take:
    singles = [a_take(f"{label}{i}", {"thigh_angle_max": v}) for i, v in enumerate(values)]
    passes = tuple(Pass(near, t.measures) for t in singles)  # type: ignore[arg-type]
    mean = a_take(label, {"thigh_angle_max": float(np.mean(values))}, clips=frozenset((label,)))
    return replace(mean, passes=passes)


def test_passes_are_repeats_of_their_day() -> None:
    a, b = _passes("a", [40.0, 42.0, 41.0]), _passes("b", [50.0, 52.0, 54.0])
    assert a.pass_count("thigh_angle_max", "left") == 3
    assert a.pass_count("symmetry_thigh_angle_max", "both") == 3
    found = own_repeatability(all_repeats([a], [b], ()), "thigh_angle_max", "left", True)
    # Squares 2 and 8 over 2 + 2 degrees of freedom.
    assert found == Repeatability(pytest.approx(2.5**0.5), 4)  # type: ignore[arg-type]
    assert own_repeatability(all_repeats([a], [b], ()), "thigh_angle_max", "left", False) is None
    row = compare(a, b).change("thigh_angle_max", "left")
    assert row is not None and row.error_source == "own repeats"
    # Closed form: SEM root(1/3 + 1/3) with 4 degrees of freedom, a quarter of the model's part of both takes
    # on top, and the degrees of freedom of the sum by Welch and Satterthwaite.
    repeat, moved = 2.5 * 2 / 3, 2 * (0.25 * 7.84 / 1.96) ** 2
    freedom = 4 * ((repeat + moved) / repeat) ** 2
    assert row.detectable == pytest.approx(stats.t.ppf(0.975, freedom) * (repeat + moved) ** 0.5, rel=1e-4)


def test_the_far_side_of_a_pass_counts_only_where_no_pass_shows_it_near() -> None:
    both = _passes("a", [40.0, 44.0])
    left, right = both.passes
    mixed = replace(both, passes=(left, replace(right, near_side="right")))
    assert mixed.pass_values("thigh_angle_max", "left") == (40.0,)
    assert mixed.pass_values("thigh_angle_max", "right") == (44.0,)
    assert both.pass_values("thigh_angle_max", "right") == (40.0, 44.0)


def test_more_passes_narrow_the_table_too() -> None:
    """The table's error within a day is that of a pass; the lasting part between days does not shrink."""
    one = compare(a_take("a"), a_take("b")).change("thigh_angle_max", "left")
    two = compare(_passes("a", [40.0, 40.0]), _passes("b", [40.0, 40.0])).change("thigh_angle_max", "left")
    days = compare(_passes("a", [40.0, 40.0]), replace(_passes("b", [40.0, 40.0]), date="2026-05-08")).change(
        "thigh_angle_max", "left"
    )
    assert one is not None and two is not None and days is not None
    assert one.detectable == pytest.approx(1.96 * 2**0.5 * 1.8, rel=1e-3)
    assert two.error_source != "own repeats" and two.detectable == pytest.approx(1.96 * 1.8, rel=1e-3)
    lasting = 3.6**2 - 1.8**2
    assert days.detectable == pytest.approx(1.96 * (2 * (lasting + 1.8**2 / 2)) ** 0.5, rel=1e-3)


def test_a_clip_counts_once_as_repeat() -> None:
    a, b = _passes("a", [40.0, 42.0]), _passes("b", [50.0, 52.0])
    assert len(all_repeats([a], [b], [[a, b]])) == 1
    rows = [(key, "left") for key in USUAL]
    found, prior = own_errors(rows, all_repeats([a], [b], ()), True, dict.fromkeys(rows, 1.0))  # type: ignore[arg-type]
    assert prior == NO_PRIOR
    assert found["thigh_angle_max", "left"].freedom == 2


def test_the_error_of_a_difference_is_the_largest_of_its_sides() -> None:
    error = DifferenceError("own repeats", 1.0, 4.0, 1.0, 0.5, 0.0)
    assert error.half_width() == pytest.approx(stats.t.ppf(0.975, 4))
    assert error.chance(error.half_width()) == pytest.approx(0.05)
    assert error.half_width(0.01) == pytest.approx(stats.t.ppf(0.995, 4))
    moved = replace(error, moved_sd=3.0)
    # Mostly the well-known part: nearly 1.96 times it.
    assert moved.half_width() == pytest.approx(stats.t.ppf(0.975, 4 * 100) * 10**0.5)
    assert replace(error, moved_sd=0.1).half_width() >= error.half_width()
    assert error.with_passes(4.0).half_width() == pytest.approx(error.half_width() / 2)
    assert error.surely_seen() == pytest.approx(error.half_width() + stats.norm.ppf(0.95))


def test_outlook_in_closed_form_and_by_simulation() -> None:
    """A known error of SD s at level a, power 95 %: (z(1 - a / 2) + z(0.95)) s, and s falls with root n."""
    row: Row = ("thigh_angle_max", "left")
    other: Row = ("trunk_lean", "both")
    sd, level = 1.8 * 2**0.5, 0.05 / 4
    errors = dict.fromkeys((row, other), DifferenceError("judged", 1.8, float("inf"), sd, 0.0))
    weights = {row: 0.25, other: 0.75}
    made = outlook(errors, weights, NEAR, (), (a_take("a"), a_take("b")))
    assert made is not None and (made.key, made.side, made.passes) == (*row, 1)
    z = stats.norm.ppf(1 - level / 2) + stats.norm.ppf(0.95)
    assert made.found == tuple((n, pytest.approx(z * sd / n**0.5)) for n in PASSES)
    seen = np.random.default_rng(4).normal(dict(made.found)[1], sd, 20_000)
    called = 2 * stats.norm.sf(np.abs(seen) / sd) <= level
    assert called.mean() == pytest.approx(0.95, abs=0.006)
    # An aim goes before knee lift, and a side that was far from the camera is not told of.
    aimed = outlook(errors, weights, NEAR, ("trunk_lean",), (a_take(),))
    assert aimed is not None and aimed.key == "trunk_lean"
    far = outlook({row: errors[row]}, {row: 1.0}, frozenset(("right",)), (), (a_take(),))
    assert far is None
