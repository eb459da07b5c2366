"""Passes pooled into one session: published estimators, coverage against known truth, sides."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from shared import history as H
from shared.analysis import Curve, Measure
from shared.landmarks import Side, SideOrBoth
from technique import error_model as em
from technique.pooling import (
    dersimonian_laird,
    moderated,
    paule_mandel,
    pooled,
    pooled_curves,
    pooled_measure,
    pooled_passes,
    pooled_sessions,
)
from tests.builders import analysis

# Trials of BCG vaccine, (ill, well) vaccinated and not: Colditz et al. 1994, JAMA 271:698, the data set
# that textbooks use for random effects.
BCG = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    dtype=float,
)


def bcg_effects() -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = BCG.T
    return np.log(a / (a + b) * (c + d) / c), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def measure(
    value: float | None,
    side: SideOrBoth = "right",
    key: str = "knee_flexion_td",
    n: int = 3,
    **parts: float,
) -> Measure:
    parts = parts or {"strides": 2.0}
    named = {k.replace("_", " "): v for k, v in parts.items()}
    half = em.combined(named)
    if value is None:
        return Measure(key, side, None, "deg", None, None, 0, "not_measurable", "hidden")
    return Measure(key, side, value, "deg", value - half, value + half, n, "measured", None, 7, named)


def test_textbook_trials_give_the_published_spread() -> None:
    """DL 0.3088 with mean -0.7141 (SE 0.1787) and PM 0.3181: as R's metafor prints (from memory)."""
    y, v = bcg_effects()
    dl = float(dersimonian_laird(y, v))
    assert dl == pytest.approx(0.3088, abs=5e-5)
    w = 1 / (v + dl)
    assert float(w @ y / w.sum()) == pytest.approx(-0.7141, abs=5e-5)
    assert float(w.sum() ** -0.5) == pytest.approx(0.1787, abs=5e-5)
    assert paule_mandel(y, v) == pytest.approx(0.3181, abs=5e-5)


@pytest.mark.parametrize("seed", range(12))
def test_spread_agrees_with_a_reference_library(seed: int) -> None:
    """statsmodels' combine_effects: one step (DerSimonian and Laird) and iterated (Paule and Mandel).

    The library lets the spread go below zero and its iteration then ends anywhere, so passes that
    clearly differ are compared.
    """
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.2, 2.0, 3 + seed % 5)
    y = rng.normal(20.0, 4.0, len(v))
    one_step = meta.combine_effects(y, v, method_re="chi2")
    assert one_step.tau2 > 0
    assert float(dersimonian_laird(y, v)) == pytest.approx(one_step.tau2, rel=1e-9)
    iterated = meta.combine_effects(y, v, method_re="iterated", atol=1e-8, maxiter=500)
    assert paule_mandel(y, v) == pytest.approx(iterated.tau2, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-30, 30), st.floats(0.05, 5)), min_size=2, max_size=8),
    st.floats(-50, 50),
    st.floats(0.1, 10),
)
def test_spread_follows_shift_and_unit(passes: list[tuple[float, float]], shift: float, unit: float) -> None:
    y, v = (np.array(x) for x in zip(*passes))
    plain = paule_mandel(y, v)
    assert paule_mandel(y + shift, v) == pytest.approx(plain, rel=1e-6, abs=1e-8)
    assert paule_mandel(y * unit, v * unit**2) == pytest.approx(plain * unit**2, rel=1e-6, abs=1e-8)
    w = 1 / (v + plain)
    q = float(np.sum(w * (y - w @ y / w.sum()) ** 2))
    assert q == pytest.approx(len(y) - 1, rel=1e-6) if plain > 1e-9 else q <= len(y) - 1 + 1e-6


def test_alike_passes_pool_in_closed_form() -> None:
    """k passes alike: mean unchanged, strides' error / sqrt(k), shared errors as they are."""
    parts = {"strides": 2.0, "model": 1.5, "model_bias": 0.5}
    got = pooled_measure([measure(20.0, n=3, **parts)] * 4, ["right"] * 4)
    typical = em.error_table().typical("knee_flexion_td")
    spread = np.sqrt(4 * (0.5 * typical) ** 2 / 7)
    assert got.value == pytest.approx(20.0)
    assert got.n == 12
    assert got.frame is None
    assert got.error_parts["strides"] == pytest.approx(2.0 / 2)
    assert got.error_parts["model"] == pytest.approx(1.5)
    assert got.error_parts["model bias"] == pytest.approx(0.5)
    assert got.error_parts["passes"] == pytest.approx(stats.t.ppf(0.975, 7) * spread / 2)
    assert got.low is not None and got.high is not None
    assert (got.high - got.low) / 2 == pytest.approx(em.combined(got.error_parts))


def test_passes_that_disagree_widen_the_interval() -> None:
    near = ["right"] * 3
    alike = pooled_measure([measure(v) for v in (20.0, 20.1, 19.9)], near)
    apart = pooled_measure([measure(v) for v in (14.0, 20.1, 26.0)], near)
    assert apart.error_parts["passes"] > 2 * alike.error_parts["passes"]


def test_more_strides_weigh_more() -> None:
    got = pooled_measure([measure(20.0, n=9, strides=0.7), measure(22.0, n=1, strides=4.0)], ["right"] * 2)
    assert got.value is not None and 20.0 < got.value < 21.0


@settings(max_examples=30, deadline=None)
@given(st.permutations([(18.0, 1.0), (21.0, 2.0), (25.0, 1.5), (20.0, 3.0)]))
def test_order_of_passes_does_not_matter(passes: list[tuple[float, float]]) -> None:
    got = pooled_measure([measure(v, strides=h) for v, h in passes], ["right"] * 4)
    again = pooled_measure([measure(v, strides=h) for v, h in sorted(passes)], ["right"] * 4)
    assert (got.value, got.low) == (pytest.approx(again.value), pytest.approx(again.low))


def test_one_pass_stays_as_it_is() -> None:
    only = measure(20.0)
    assert pooled_measure([only, measure(None)], ["right", "right"]) is only


def test_near_side_is_preferred_and_far_side_is_the_last_resort() -> None:
    two: list[Side] = ["right", "left"]
    assert pooled_measure([measure(20.0), measure(40.0)], two).value == 20.0
    assert pooled_measure([measure(None), measure(40.0)], two).value == 40.0
    lost = pooled_measure([replace(measure(None), why="near"), replace(measure(None), why="far")], two)
    assert (lost.status, lost.why) == ("not_measurable", "near")


def test_a_pass_from_each_side_gives_both_sides_and_their_difference() -> None:
    from_right = (measure(20.0, "right"), measure(33.0, "left"))
    from_left = (measure(35.0, "right"), measure(26.0, "left"))
    got = {(m.key, m.side): m for m in pooled_passes([from_right, from_left], ["right", "left"])}
    assert got["knee_flexion_td", "right"].value == 20.0
    assert got["knee_flexion_td", "left"].value == 26.0
    assert got["symmetry_knee_flexion_td", "both"].value == pytest.approx(6.0)


def test_camera_roll_does_not_cancel_between_two_directions() -> None:
    """Roll r adds r to a lean in one direction and takes r from it in the other."""
    sides = (measure(20.0, "right", camera_roll=2.0), measure(26.0, "left", camera_roll=2.0))
    one_way = pooled_passes([sides], ["right"])[-1]
    both_ways = pooled_passes([sides, sides], ["right", "left"])[-1]
    assert one_way.low == one_way.high == pytest.approx(6.0)
    assert both_ways.low is not None and both_ways.high is not None
    assert (both_ways.high - both_ways.low) / 2 == pytest.approx(np.hypot(2.0, 2.0))


def test_a_symmetry_without_its_sides_is_pooled_from_the_passes() -> None:
    passes = [(measure(v, "both", "symmetry_knee_flexion_td", left=2.0),) for v in (3.0, 5.0)]
    (got,) = pooled_passes(passes, ["right", "right"])
    assert (got.value, got.n) == (pytest.approx(4.0), 6)
    assert got.error_parts["left"] == pytest.approx(2.0)


def test_sessions_of_a_trend_are_pooled_one_by_one(tmp_path: Path) -> None:
    with H.open_history(tmp_path / "history.sqlite") as history:
        athlete = H.save_athlete(history, H.Athlete("A1")).id or ""
        for i, date in enumerate(("2026-05-02", "2026-05-01", "2026-05-01")):
            day = next((s for s in H.sessions(history, athlete) if s.date == date), None)
            day = day or H.save_session(history, H.Session(athlete, date))
            kept = analysis()
            half = 0.01 + 0.001 * i
            m = replace(kept.measures[0], value=0.2 + 0.002 * i, error_parts={"strides": half})
            kept = replace(kept, clip=replace(kept.clip, sha256=str(i) * 64), measures=(m,))
            H.save_analysis(history, kept, day.id or "")
        (first, two), (second, one) = pooled_sessions(H.series(history, athlete, "contact_time", "right"))
    assert (first.date, second.date) == ("2026-05-01", "2026-05-02")
    assert one == (replace(one[0], value=0.2, n=1),)
    assert two[0].n == 2 and two[0].value is not None and 0.202 < two[0].value < 0.204


def test_strike_pattern_is_named_anew() -> None:
    passes = [
        replace(measure(v, key="strike_pattern", strides=2.0), unit="class", label="near boundary")
        for v in (11.0, 11.5, 10.8, 11.2)
    ]
    got = pooled_measure(passes, ["right"] * 4)
    assert got.label == "rearfoot"


def test_measures_made_of_others_are_pooled_too() -> None:
    passes = [
        replace(measure(v, key="leg_stiffness", contact_time=1.0), unit="kN/m", estimate=True)
        for v in (10.0, 11.0)
    ]
    got = pooled_measure(passes, ["right"] * 2)
    assert got.value == pytest.approx(10.5)
    assert got.estimate
    assert got.error_parts["contact time"] == pytest.approx(1.0)


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="no pass"):
        pooled([])
    with pytest.raises(ValueError, match="twice"):
        pooled([analysis(), analysis()])
    with pytest.raises(ValueError, match="one key"):
        pooled_measure([measure(1.0), measure(1.0, "left")], ["right"] * 2)


@pytest.mark.parametrize("passes", [2, 3, 6])
@pytest.mark.parametrize("spread", [0.0, 0.5, 1.0])
def test_intervals_hold_the_truth(passes: int, spread: float) -> None:
    """95 % intervals hold a known mean in at least 90 % of invented sessions (binomial slack 2 %)."""
    key, strides, sessions = "knee_flexion_td", 3, 400
    typical = em.error_table().typical(key)
    rng = np.random.default_rng(passes * 10 + int(spread * 2))
    held = 0
    for _ in range(sessions):
        found = []
        for offset in rng.normal(0.0, spread * typical, passes):
            values = rng.normal(30.0 + offset, typical, strides)
            half = em.stride_half_width(values, typical)
            found.append(measure(float(values.mean()), n=strides, strides=half))
        got = pooled_measure(found, ["right"] * passes)
        assert got.low is not None and got.high is not None
        held += got.low <= 30.0 <= got.high
    assert held / sessions >= 0.88


def _curve(strides: np.ndarray, side: SideOrBoth = "right", shared: float = 3.0) -> Curve:
    n = len(strides)
    sd = strides.std(axis=0, ddof=1)
    freedom = em.PRIOR_STRIDES + n - 1
    variance = (em.PRIOR_STRIDES * 2.0**2 + (n - 1) * sd**2) / freedom / n
    half = np.hypot(stats.t.ppf(0.975, freedom) * np.sqrt(variance), shared)
    return Curve("knee", side, strides.mean(axis=0), sd, half, strides, n)


def test_curves_pool_all_strides_of_the_near_side() -> None:
    rng = np.random.default_rng(5)
    shape = 40 + 30 * np.sin(np.linspace(0, 2 * np.pi, 101))
    blocks = [shape + rng.normal(0, 2, (n, 1)) for n in (3, 4, 5)]
    sides: list[Side] = ["right", "right", "left"]
    passes = [
        replace(analysis(), clip=replace(analysis().clip, sha256=str(i)), near_side=s, curves=(_curve(b),))
        for i, (b, s) in enumerate(zip(blocks, sides))
    ]
    (got,) = pooled_curves(passes)
    both = np.concatenate(blocks[:2])
    assert got.n == 7
    np.testing.assert_allclose(got.mean, both.mean(axis=0))
    np.testing.assert_allclose(got.sd, both.std(axis=0, ddof=1))
    np.testing.assert_array_equal(got.strides, both)
    assert (got.half_width > 3.0).all()
    # In closed form: stride share of both, spread between them, and what they share.
    each = [_curve(b) for b in blocks[:2]]
    random2 = [c.half_width**2 - 3.0**2 for c in each]
    variance = np.stack([r / stats.t.ppf(0.975, 3 + c.n) ** 2 for r, c in zip(random2, each)])
    tau2, freedom = moderated(dersimonian_laird(np.stack([c.mean for c in each]), variance), 2, 2.0)
    share = np.array([3 / 7, 4 / 7])
    want = (share**2 @ np.stack(random2)) + 3.0**2
    want += stats.t.ppf(0.975, freedom) ** 2 * tau2 * (share @ share)
    np.testing.assert_allclose(got.half_width**2, want)
    assert pooled_curves(passes[:1]) == passes[0].curves
