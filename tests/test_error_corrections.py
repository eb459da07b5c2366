"""What is taken out of values and intervals after known truth: corrections, shares, events' parts."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.accuracy.fitting import (
    NOT_CORRECTED,
    correction_of,
    event_rows_of,
    fitted_arm_out,
    share_of,
)
from sample_clips.runner import runner_at
from shared.analysis import Event
from shared.catalogue import MEASURES
from technique import error_model as em
from technique.angles import elbow_angle, elbow_in_space
from technique.curves import curves
from technique.error_events import FEET_ALIKE, SHARED, halves, widened
from technique.error_rows import TRANSFER_SD
from technique.measures import measured, readings
from technique.measures_motion import Motion, motion
from technique.measures_readings import interval_parts
from technique.smoothing import smooth
from tests.true_motion import known, true_events, true_run, true_track
from vision.weights import pose_weights


def a_row(**changes: object) -> em.ErrorRow:
    row = em.ErrorRow(
        key="trunk_lean", unit="deg", distance="near", bias=-2.0, sd=1.0, n=30, source="made up",
        correction=-2.0,
    )  # fmt: skip
    return row.model_copy(update=changes)


# What is taken out of a value.


def test_a_correction_is_taken_out_and_half_of_it_stays_as_doubt() -> None:
    row = a_row()
    assert row.corrected(5.0) == 7.0
    parts = row.half_widths(7.0, corrected=True)
    assert parts == {"model": pytest.approx(1.96, abs=1e-3), "model bias": pytest.approx(1.96, abs=1e-3)}
    assert row.half_widths(7.0) == {"model": pytest.approx(1.96, abs=1e-3), "bias not taken out": 2.0}
    share = a_row(relative=True, correction=0.1, sd=0.05)
    assert share.corrected(-8.0) == pytest.approx(-8.8)
    assert share.half_widths(-8.0, True)["model bias"] == pytest.approx(em.Z95 * 0.5 * 0.8)


def test_the_interval_holds_when_the_bias_of_real_runners_differs_by_half_of_it() -> None:
    """Simulation: bias drawn with SD half its size about the one found, spread as in the row."""
    rng = np.random.default_rng(3)
    row = a_row()
    measured_ = 5.0 + rng.normal(-2.0, 1.0, 20_000) + rng.normal(0.0, row.sd, 20_000)
    half = em.combined(row.half_widths(5.0, corrected=True))
    assert np.mean(np.abs(measured_ + 2.0 - 5.0) <= half) == pytest.approx(0.95, abs=0.006)


def by_name(m: Motion, table: em.ErrorTable) -> dict[str, object]:
    return {f"{x.key} {x.side}": x for x in measured(m, table).measures}


def test_only_points_of_the_tables_pose_model_are_corrected() -> None:
    t, _ = true_run(3.6)
    track = true_track(t, noise_px=1.5, seed=1)
    m = motion(track, smooth(track), true_events(t))
    rows = tuple(
        r.model_copy(update={"correction": 0.25, "share": 0.5}) for r in em.error_table().model_error
    )
    table = em.error_table().model_copy(update={"model_error": rows, "pose_models": ("another",)})
    plain = by_name(m, table)
    changed = by_name(dataclasses.replace(m, pose_model="another"), table)
    x, y = plain["trunk_lean both"], changed["trunk_lean both"]
    assert y.value == pytest.approx(x.value - 0.25)
    assert "bias not taken out" in x.error_parts and "model bias" not in x.error_parts
    assert y.error_parts["model bias"] == pytest.approx(em.Z95 * TRANSFER_SD * 0.25)
    assert "bias not taken out" not in y.error_parts
    assert y.error_parts["landmark noise"] == pytest.approx(0.5 * x.error_parts["landmark noise"])
    # Readings go with the values that are made of them.
    seen = [
        o.value
        for o in measured(dataclasses.replace(m, pose_model="another"), table).observations
        if o.key == "trunk_lean"
    ]
    assert np.mean(seen) == pytest.approx(y.value)


def test_the_shipped_table_corrects_what_the_shipped_pose_model_sees() -> None:
    table = em.error_table()
    assert table.corrects(pose_weights().name)
    assert not table.corrects("truth") and not table.corrects("markers")
    for row in table.model_error:
        assert row.key not in NOT_CORRECTED or row.correction == 0.0
        if row.correction:
            others = [
                r.correction for r in table.model_error if (r.key, r.distance) == (row.key, row.distance)
            ]
            assert set(others) == {row.correction}, "one correction for all views"


def test_a_mean_error_is_taken_out_only_where_it_is_clear() -> None:
    def rows(errors: list[float]) -> list[dict[str, object]]:
        return [{"error": e, "value": 10.0} for e in errors]

    # n = 16, mean 2, SD 1: standard error 0.25, kept share 1 - (0.25 / 2)^2.
    e = np.tile([1.0, 3.0], 8)
    e = 2.0 + (e - 2.0) / e.std(ddof=1)
    assert correction_of("trunk_lean", rows(list(e))) == pytest.approx(2.0 * (1 - 0.125**2), rel=1e-3)
    assert correction_of("trunk_lean", rows(list(e - 1.6))) == 0.0  # 1.6 standard errors
    assert correction_of("trunk_lean", rows([2.0] * 5)) == 0.0  # too few
    assert correction_of("contact_time", rows(list(e))) == 0.0
    assert correction_of("thigh_angular_velocity_back", rows(list(e))) == pytest.approx(
        0.2 * (1 - 0.125**2), rel=1e-3
    )
    assert set(MEASURES) >= NOT_CORRECTED


def test_the_share_of_the_budget_that_truth_supports() -> None:
    rng = np.random.default_rng(2)
    errors = rng.normal(0.0, 1.0, 4000)

    def rows(claimed: float, name: str = "landmark noise") -> list[dict[str, object]]:
        return [{"error": e, "value": 1.0, "parts": {name: claimed, "strides": 9.0}} for e in errors]

    assert share_of("trunk_lean", rows(1.96 / 0.85)) == pytest.approx(0.85, abs=0.051)
    assert share_of("trunk_lean", rows(20.0)) == 0.75  # the floor
    assert share_of("trunk_lean", rows(1.0)) == 1.0
    assert (
        share_of("speed", [r | {"value": 1.0} for r in rows(1.5, "scale")]) == 1.0
    )  # not a part that is tested


# Elbow.


@given(st.floats(5.0, 175.0), st.floats(0.0, 30.0))
def test_the_elbow_in_space_is_seen_as_it_was(seen: float, out: float) -> None:
    """Against the projection of `elbow_seen`, with both segments at the same angle to the plane."""
    space = float(elbow_in_space(np.array(seen), out))
    tilt = out * np.sin(np.radians(seen))
    assert space <= seen + 1e-6
    assert em.elbow_seen(tilt, tilt, space) == pytest.approx(seen, abs=1e-3)


def test_the_elbow_in_space_in_closed_form() -> None:
    assert elbow_in_space(np.array(180.0), 20.0) == pytest.approx(180.0)
    assert elbow_in_space(np.array(70.0), 0.0) == pytest.approx(70.0)
    # A right angle as seen: cos(space) = sin(b)^2.
    assert elbow_in_space(np.array(90.0), 18.0) == pytest.approx(
        np.degrees(np.arccos(np.sin(np.radians(18)) ** 2))
    )


def test_how_far_arms_lead_out_is_found_again() -> None:
    rng = np.random.default_rng(7)
    arms = []
    for out in rng.normal(16.0, 3.0, 31):
        seen = rng.uniform(60.0, 130.0, 80)
        arms.append((seen, elbow_in_space(seen, float(out)) + rng.normal(0.0, 3.0, 80)))
    assert fitted_arm_out(arms) == pytest.approx(16.0, abs=1.5)
    assert fitted_arm_out(arms[:3]) == 0.0


def test_curves_measures_and_frames_say_the_same_elbow() -> None:
    _, m = true_run(3.6)
    turned = dataclasses.replace(m, arm_out_deg=18.0)
    series = elbow_angle(m.points, m.near, 18.0)
    got = [r for r in readings(turned) if r.key == "elbow_angle_mean" and r.side == m.near]
    inside = series[np.isfinite(series)]
    assert got and inside.min() <= got[0].value <= inside.max()
    before, after = (next(c for c in curves(x) if (c.key, c.side) == ("elbow", m.near)) for x in (m, turned))
    assert np.allclose(after.mean, elbow_in_space(before.mean, 18.0), atol=0.3)


# Events.


def an_event(
    kind: str, side: str, time_s: float, common_sd: float, own_sd: float, alike: float = 0.0
) -> Event:
    half = em.Z95 * float(np.hypot(common_sd, own_sd))
    evidence = {SHARED: common_sd, FEET_ALIKE: alike}
    return Event(kind, side, time_s, time_s - half, time_s + half, 0, evidence)  # type: ignore[arg-type]


def test_an_event_says_what_it_shares() -> None:
    common, own = halves(an_event("touchdown", "left", 1.0, 0.003, 0.004)) or (0.0, 0.0)
    assert (common, own) == (pytest.approx(em.Z95 * 0.003), pytest.approx(em.Z95 * 0.004))
    assert halves(Event("touchdown", "left", 1.0, 0.99, 1.01, 0)) is None


def test_the_row_of_an_event_scales_what_is_shared_and_floors_what_is_not() -> None:
    row = em.EventRow(
        kind="touchdown", distance="near", bias=0.0, sd=0.002, n=30, source="made up", share=0.8, own_sd=0.005,
        feet_alike=0.4,
    )  # fmt: skip
    table = em.error_table().model_copy(update={"event_error": (row,)})
    (got,) = widened([an_event("touchdown", "left", 1.0, 0.01, 0.003)], "left", table)
    common, own = halves(got) or (0.0, 0.0)
    assert common == pytest.approx(em.Z95 * np.hypot(0.008, 0.002))
    assert own == pytest.approx(em.Z95 * 0.005)
    assert got.evidence[FEET_ALIKE] == 0.4


def test_times_between_events_hold_by_simulation() -> None:
    """Feet whose events share errors (SD 6 and 5 ms, correlation 0.5) and have their own (2 ms)."""
    rng = np.random.default_rng(11)
    n, alike = 4000, 0.5
    left = rng.normal(0.0, 0.006, n)
    right = alike * left / 0.006 * 0.005 + (1 - alike**2) ** 0.5 * rng.normal(0.0, 0.005, n)
    off = rng.normal(0.0, 0.004, n)
    own = rng.normal(0.0, 0.002, (4, n))
    _, m = true_run(3.6)
    a = an_event("touchdown", "left", 0.0, 0.006, 0.002, alike)
    b = an_event("touchdown", "right", 0.35, 0.005, 0.002, alike)
    c = an_event("touchdown", "left", 0.7, 0.006, 0.002, alike)
    d = an_event("toe_off", "left", 0.25, 0.004, 0.002, alike)
    for pair, error in (
        ((a, b), right - left + own[1] - own[0]),
        ((a, c), own[2] - own[0]),
        ((a, d), off - left + own[3] - own[0]),
    ):
        half = em.combined(interval_parts(m, *pair))
        assert np.mean(np.abs(error) <= half) == pytest.approx(0.95, abs=0.012)
    assert "event method" not in interval_parts(m, a, c)


def test_an_event_that_does_not_say_is_taken_as_shared_throughout() -> None:
    _, m = true_run(3.6)
    a, b = Event("touchdown", "left", 0.0, -0.02, 0.02, 0), Event("toe_off", "left", 0.25, 0.23, 0.27, 0)
    parts = interval_parts(m, a, b)
    assert parts["frame rate"] == pytest.approx(em.frame_half_width(m.frame_interval_s))
    assert em.combined(parts) == pytest.approx(np.hypot(0.02, 0.02))


def test_event_rows_find_again_what_was_put_in() -> None:
    rng = np.random.default_rng(5)
    rows = []
    for case in range(2000):
        near = rng.normal(0.0, 8.0)
        both = {"near": near, "far": 0.6 * near + 0.8 * rng.normal(0.0, 8.0)}
        for side in ("near", "far"):
            for _ in range(4):
                rows.append(
                    {
                        "case": case, "kind": "touchdown", "side": side,
                        "error_ms": both[side] + rng.normal(0.0, 2.5),
                        "half_ms": float(np.hypot(em.Z95 * 10.0, em.Z95 * 0.5)), "shared_ms": em.Z95 * 10.0,
                    }
                )  # fmt: skip
    near_row = next(r for r in event_rows_of(rows, "simulated") if r.distance == "near")
    assert near_row.own_sd == pytest.approx(0.0025, rel=0.05)
    assert near_row.feet_alike == pytest.approx(0.6, abs=0.1)
    assert near_row.share == pytest.approx(0.8, abs=0.06) and near_row.sd < 0.001
    wide = [r | {"shared_ms": 40.0, "half_ms": 40.5} for r in rows]
    assert event_rows_of(wide, "simulated")[0].share == 0.75


def test_steps_and_strides_in_a_row_share_their_events() -> None:
    """The mean of n steps in a row is (last - first) / n: its error shrinks with n."""
    t, _ = true_run(3.6)
    found = [an_event(e.kind, e.side, e.time_s, 0.0, 0.002) for e in true_events(t)]
    track = true_track(t)
    moved = motion(track, smooth(track), found)
    table = em.error_table()
    steps = [s for s in moved.steps if s.next_other]
    got = next(x for x in measured(moved, table).measures if x.key == "step_frequency")
    step = np.mean([s.next_other.time_s - s.touchdown.time_s for s in steps])
    ends = em.Z95 * 0.002 * 2**0.5 / len(steps) * 60.0 / step**2
    mine = np.hypot(got.error_parts.get("events", 0.0), got.error_parts.get("frame rate", 0.0))
    assert mine == pytest.approx(ends, rel=0.02)
    for side in ("left", "right"):
        strides = [s for s in moved.of_side(side) if s.next_same]  # type: ignore[arg-type]
        assert len(strides) > 1
        got = next(x for x in measured(moved, table).measures if (x.key, x.side) == ("stride_time", side))
        mine = np.hypot(got.error_parts.get("events", 0.0), got.error_parts.get("frame rate", 0.0))
        assert mine == pytest.approx(em.Z95 * 0.002 * 2**0.5 / len(strides), rel=1e-6)


# The flat foot that the foot's angle is taken against is noisy too.


def test_the_foot_angle_claims_the_noise_of_the_flat_foot() -> None:
    t = known(runner_at(3.6), 60.0, 4.0)
    values, claimed = [], []
    for seed in range(12):
        track = true_track(t, noise_px=2.5, seed=seed)
        m = motion(track, smooth(track), true_events(t))
        for x in measured(m).measures:
            if x.key == "foot_angle_td" and x.value is not None:
                parts = x.error_parts
                claimed.append(np.hypot(parts["landmark noise"], parts["flat foot"]) / em.Z95)
                values.append((x.side, x.value))
    spread = np.mean([np.std([v for s, v in values if s == side], ddof=1) for side in ("left", "right")])
    assert spread == pytest.approx(float(np.mean(claimed)), rel=0.4)
