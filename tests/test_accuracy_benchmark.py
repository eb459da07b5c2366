"""The accuracy benchmark: its statistics, its design, its fitting, and the table that it ships."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from benchmarks.accuracy import golden, judged
from benchmarks.accuracy.agreement import agreement, coverage, verdict
from benchmarks.accuracy.cases import LARGEST_YAW_DEG, LONGEST, cases, spec_of
from benchmarks.accuracy.document import measures_table
from benchmarks.accuracy.fitting import fitted_spread, fitted_table, needed_spread, row_of
from benchmarks.accuracy.page import CAUSES
from benchmarks.accuracy.study import Study, fold_of, half_without
from benchmarks.accuracy.truths import elbow_in_space
from sample_clips.camera import Camera
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.truth import truth
from sample_clips.variety import varied_runner
from shared import landmarks as lm
from shared.catalogue import MEASURES
from technique import error_model as em

# Bland and Altman 1986, Lancet 327:307, peak flow of 17 people by two meters.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_limits_of_agreement_of_bland_and_altman() -> None:
    a = agreement(np.array(WRIGHT) - np.array(MINI))
    assert a.bias == pytest.approx(-2.1176, abs=1e-4)  # paper: -2.1
    assert a.sd == pytest.approx(38.7651, abs=1e-4)  # paper: 38.8
    assert (a.low, a.high) == (pytest.approx(-78.097, abs=1e-3), pytest.approx(73.862, abs=1e-3))
    # Paper: 95 % interval of the bias -22.0 to 17.8, standard error of a limit 16.3 (by sqrt(3/n)).
    assert (a.bias - a.bias_ci, a.bias + a.bias_ci) == (
        pytest.approx(-22.05, abs=0.01),
        pytest.approx(17.81, abs=0.01),
    )
    t = stats.t.ppf(0.975, 16)
    assert a.limit_ci / t == pytest.approx(16.285, rel=0.03)
    with pytest.raises(ValueError, match="at least 3"):
        agreement([1.0, 2.0])


def test_exact_interval_of_a_share() -> None:
    # Clopper and Pearson: with all of n held, the lower end is 0.025^(1/n) (closed form).
    c = coverage([True] * 30)
    assert (c.share, c.high) == (1.0, 1.0)
    assert c.low == pytest.approx(0.025 ** (1 / 30))
    # 0 of 10: upper end 1 - 0.025^(1/10) = 0.3085, in every table of exact binomial limits.
    assert coverage([False] * 10).high == pytest.approx(0.3085, abs=1e-4)
    assert verdict(coverage([True] * 95 + [False] * 5)) == "inside"
    assert verdict(coverage([True] * 30)) == "above (within chance)"
    assert verdict(coverage([True] * 1000)) == "above"
    assert verdict(coverage([True] * 50 + [False] * 50)) == "below"


def test_any_beginning_of_the_design_is_balanced() -> None:
    for count in (16, 32, 64):
        some = cases(count)
        speed = np.array([c.speed_mps for c in some if c.camera != "treadmill"])
        assert stats.kstest(speed, stats.uniform(3, 7).cdf).pvalue > 0.05
        rates = {c.rate_hz for c in some}
        assert rates == {60.0, 120.0, 240.0}
        assert {c.camera for c in some} == {"still", "panning", "treadmill"}
        square = np.mean([abs(c.yaw_deg) <= 5 for c in some])
        assert square == pytest.approx(0.4, abs=0.1)
    everything = cases(LONGEST)
    assert max(abs(c.yaw_deg) for c in everything) <= LARGEST_YAW_DEG
    assert cases(10) == everything[:10]
    assert sum(fold_of(n) for n in range(LONGEST)) == LONGEST // 2
    with pytest.raises(ValueError, match="1 to"):
        cases(LONGEST + 1)


def test_no_two_cases_share_a_body() -> None:
    runners = [spec_of(c).runners[0] for c in cases(10)]
    assert len({r.body.stature_m for r in runners}) == len(runners)
    assert len({r.look.shirt for r in runners}) == len(runners)


@settings(deadline=None)
@given(st.floats(-20, 20), st.floats(-5, 5), st.floats(0, 10), st.floats(0, 3))
def test_the_needed_spread_just_holds_the_truth(
    error: float, bias: float, square: float, linear: float
) -> None:
    sd = needed_spread(error, bias, square, linear)
    half = em.combined(
        {"noise": square, "model": em.Z95 * sd, "bias not taken out": bias, "view angle": linear}
    )
    assert half >= abs(error) - 1e-9
    if sd > 1e-6:
        assert half == pytest.approx(abs(error), abs=1e-6)


def test_fitted_rows_hold_cases_they_have_not_seen() -> None:
    """Simulation, skewed errors with known other parts: 95 % of new cases are held, on average."""
    rng = np.random.default_rng(4)
    held = []
    for _ in range(120):
        e = 2.0 + 3.0 * (rng.gamma(4.0, 0.5, 130) - 2.0)
        rows = [{"error": x, "parts": {"noise": 2.0, "strides": 9.0}} for x in e[:30]]
        row = row_of("trunk_lean", "deg", "near", "any", rows, "simulated")
        half = em.combined({"noise": 2.0, "model": em.Z95 * row.sd, "bias not taken out": row.bias})
        held.append(np.mean(np.abs(e[30:]) <= half))
    assert 0.945 < np.mean(held) < 0.99


def test_few_cases_are_widened() -> None:
    assert fitted_spread(np.arange(1.0, 41.0)) == 39.0  # ceil(0.95 * 41) = 39th of 40
    assert fitted_spread(np.array([1.0, 2.0, 3.0])) > 3.0


def test_rows_by_view_and_what_was_not_fitted() -> None:
    start = em.error_table()
    rng = np.random.default_rng(1)
    rows = [
        {
            "key": "trunk_lean", "unit": "deg", "side": "body", "view": view, "error": spread * rng.normal(),
            "parts": {},
        }
        for view, spread in (("good", 1.0), ("poor", 4.0))
        for _ in range(25)
    ]  # fmt: skip
    table = fitted_table(rows, start, "test", "simulated")
    good, poor = (table.error("trunk_lean", "near", v) for v in ("good", "poor"))  # type: ignore[arg-type]
    assert good.n == poor.n == 25 and poor.sd > 2 * good.sd
    assert table.error("trunk_lean", "far", "good") == good
    assert table.error("knee_flexion_to", "near").n == start.error("knee_flexion_to", "near").n
    assert {r.key for r in table.model_error} == {r.key for r in start.model_error}


def test_view_classes() -> None:
    assert em.view_class(5.0, 200.0) == "good"
    assert (
        em.view_class(20.0, 200.0) == em.view_class(5.0, 50.0) == em.view_class(float("nan"), 200.0) == "poor"
    )


def test_parts_are_left_out_of_a_half_width() -> None:
    parts = {"strides": 3.0, "noise": 4.0, "bias not taken out": 1.0}
    assert half_without(parts) == pytest.approx(6.0)
    assert half_without(parts, "strides") == pytest.approx(5.0)


def test_elbow_in_space_and_its_projection() -> None:
    # A right angle with the upper arm 15 deg out of the plane and the forearm 25 deg in: the side
    # view shows 90 + asin(tan a tan b) (closed form; see `technique.error_model.elbow_seen`).
    a, b = np.radians(15), np.radians(25)
    seen = np.radians(em.elbow_seen(15, 25))
    metres = np.zeros((1, lm.COUNT, 3))
    metres[0, lm.INDEX["left_shoulder"]] = [0, np.cos(a), -np.sin(a)]
    metres[0, lm.INDEX["left_wrist"]] = [np.cos(b) * np.sin(seen), np.cos(b) * np.cos(seen), -np.sin(b)]
    assert elbow_in_space(metres, "left")[0] == pytest.approx(90.0)


def test_exchanged_legs_are_counted() -> None:
    known = truth(ClipSpec((varied_runner(3, 4.0),), Camera(), capture_rate_hz=60, duration_s=1.5))
    track = track_from_truth(known)
    bad, told = judged.exchanged(track, known)
    assert bad == 0 and told > 60
    turned = track.xy_px.copy()
    rows = slice(20, 30)
    for joint in lm.LEG_JOINTS:
        left, right = lm.index(joint, "left"), lm.index(joint, "right")
        turned[rows, left], turned[rows, right] = track.xy_px[rows, right], track.xy_px[rows, left]
    track.xy_px[:] = turned
    bad, _ = judged.exchanged(track, known)
    assert 0 < bad <= 10


def test_the_shipped_table_belongs_to_the_code() -> None:
    """Numbers of a stored slice have not moved; else run ``python -m benchmarks.accuracy``."""
    assert golden.moved() == []


def test_as_read_and_as_corrected_are_told_of_the_same_clips() -> None:
    """A clip whose value as read was refused is no gain or loss of the correction."""
    n = 10
    cases_ = pd.DataFrame({"case": range(n), "yaw_deg": 0.0, "roll_deg": 0.0, "why": "", "view": "good"})
    rows = pd.DataFrame(
        {
            "case": range(n), "key": "trunk_lean", "side": "body", "view": "good", "why": None, "half": 3.0,
            "error": [9.0] + [1.0, -1.0, 1.0] * 3, "raw_error": [np.nan] + [1.0] * 9,
            "inside": True, "inside_exact": True,
        }
    )  # fmt: skip

    def told(measures: pd.DataFrame) -> str:
        none = pd.DataFrame()
        return measures_table(Study(cases_, measures, none, none, none, em.error_table()))

    assert "| 1.8 |" in told(rows)
    assert "| 1.8 (as read 2.0) |" in told(rows.assign(raw_error=2.0 * rows.raw_error))


def test_the_page_and_the_table_are_of_one_run() -> None:
    root = Path(__file__).resolve().parents[1]
    page = (root / "docs" / "accuracy.md").read_text(encoding="utf-8")
    assert CAUSES.read_text(encoding="utf-8").strip() in page
    table = em.error_table()
    fitted = [r for r in table.model_error if r.n]
    assert fitted and all(r.key in MEASURES for r in fitted)
    for r in fitted:
        assert f"`{r.key}`" in page, f"{r.key} has fitted rows but no line in docs/accuracy.md"
    assert json.loads(golden.PATH.read_text())["table"] == golden.table_hash()
