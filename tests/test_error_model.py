"""The error budget: closed forms, simulation, and the table file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import stats

from shared import landmarks as lm
from shared.analysis import Event
from shared.catalogue import MEASURES
from technique import error_model as em
from technique.angles import knee_flexion, thigh_angle, trunk_lean
from technique.error_events import widened
from technique.measures import SPRING_KEYS
from technique.measures_legs import slope


def leg(thigh_deg: float = 0.0, knee_deg: float = 0.0, length: float = 0.43) -> np.ndarray:
    """Points of a left leg with both segments of one length, m."""
    points = np.full((lm.COUNT, 2), np.nan)
    a, b = np.radians(thigh_deg), np.radians(thigh_deg - knee_deg)
    hip = np.array([0.0, 1.0])
    knee = hip + length * np.array([np.sin(a), -np.cos(a)])
    points[lm.index("hip", "left")] = hip
    points[lm.index("knee", "left")] = knee
    points[lm.index("ankle", "left")] = knee + length * np.array([np.sin(b), -np.cos(b)])
    return points


NOISE = np.full((lm.COUNT, 2), 0.010)


def test_noise_of_a_segment_and_of_a_straight_joint() -> None:
    # Closed forms: sqrt(2) sigma / L and sqrt(6) sigma / L; 10 mm on .43 m: 1.88 and 3.26 deg (1 SD).
    thigh = em.propagated_half_width(lambda p: thigh_angle(p, "left"), leg(), NOISE) / em.Z95
    knee = em.propagated_half_width(lambda p: knee_flexion(p, "left"), leg(), NOISE) / em.Z95
    assert thigh == pytest.approx(np.degrees(2**0.5 * 0.010 / 0.43), rel=1e-3)
    assert knee == pytest.approx(np.degrees(6**0.5 * 0.010 / 0.43), rel=1e-3)
    assert (round(thigh, 2), round(knee, 2)) == (1.88, 3.26)


@pytest.mark.parametrize("bend", [10.0, 60.0, 110.0])
def test_noise_of_a_bent_joint_by_simulation(bend: float) -> None:
    points = leg(20.0, bend)
    rng = np.random.default_rng(1)
    drawn = knee_flexion(points + rng.normal(0, 0.005, (40_000, lm.COUNT, 2)), "left").std()
    claimed = em.propagated_half_width(lambda p: knee_flexion(p, "left"), points, NOISE / 2) / em.Z95
    assert claimed == pytest.approx(drawn, rel=0.02)


def test_frame_rate_quantisation() -> None:
    # Closed form: the error of an interval between two events on frames is triangular, SD T/sqrt(6),
    # 95 % within 0.776 T: 25.9, 12.9, 6.5, 3.2 ms at 30, 60, 120, 240 frames per second.
    for rate, ms in ((30, 25.9), (60, 12.9), (120, 6.5), (240, 3.2)):
        assert 1000 * em.frame_half_width(1 / rate) == pytest.approx(ms, abs=0.05)
    rng = np.random.default_rng(0)
    n, frame = 200_000, 1 / 60
    contact = rng.uniform(0.1, 0.3, n)  # a multiple of the frame would hide the error
    start = rng.uniform(0, frame, n)
    seen = (np.round((start + contact) / frame) - np.round(start / frame)) * frame
    error = seen - contact
    assert error.std() == pytest.approx(frame / 6**0.5, rel=0.01)
    inside = np.abs(error) <= em.frame_half_width(frame)
    assert inside.mean() == pytest.approx(0.95, abs=0.003)


def test_yaw_shrinks_the_tangent() -> None:
    # Closed form: tan(seen) = tan(true) cos(yaw); 45 deg at 20 deg yaw is seen as 43.22.
    seen = np.degrees(np.arctan(np.tan(np.radians(45.0)) * np.cos(np.radians(20.0))))
    assert seen == pytest.approx(43.22, abs=0.005)
    half = em.view_half_width(lambda p: thigh_angle(p, "left"), leg(seen), 20.0)
    assert half == pytest.approx(45.0 - seen, abs=1e-6)


def test_yaw_on_a_knee() -> None:
    # 30 + 60 deg knee at 30 deg yaw is seen as 82.87 (closed form): the half-width is what is missing.
    seen = [np.degrees(np.arctan(np.tan(np.radians(a)) * np.cos(np.radians(30.0)))) for a in (30.0, 60.0)]
    assert sum(seen) == pytest.approx(82.87, abs=0.005)
    half = em.view_half_width(lambda p: knee_flexion(p, "left"), leg(seen[0], sum(seen)), 30.0)
    assert half == pytest.approx(90.0 - sum(seen), abs=1e-6)


def test_a_point_beside_the_midline_shifts_with_yaw() -> None:
    # A true side view from space: x seen = x cos(yaw) + z sin(yaw). The claim must reach the true distance.
    true = np.array([[0.0, 1.0, 0.0], [0.20, 0.0, 0.06]])  # hip on the midline, ankle 6 cm beside it
    yaw = np.radians(20.0)
    points = np.full((lm.COUNT, 2), np.nan)
    lateral = np.zeros(lm.COUNT)
    for name, (x, y, z) in zip(("left_hip", "left_ankle"), true):
        points[lm.INDEX[name]] = (x * np.cos(yaw) + z * np.sin(yaw), y)
        lateral[lm.INDEX[name]] = z

    def ahead(p: np.ndarray) -> np.ndarray:
        return p[..., lm.INDEX["left_ankle"], 0] - p[..., lm.INDEX["left_hip"], 0]

    error = abs(ahead(points) - 0.20)
    half = em.view_half_width(ahead, points, 20.0, lateral)
    assert half == pytest.approx(error, abs=1e-9) or half > error
    assert half > em.view_half_width(ahead, points, 20.0)
    assert em.view_half_width(ahead, points, 0.0, lateral) == pytest.approx(0.0, abs=1e-12)


def test_roll_turns_segments_and_leaves_joints_alone() -> None:
    points = leg(20.0, 50.0)
    assert em.roll_half_width(lambda p: thigh_angle(p, "left"), points, 1.0) == pytest.approx(em.Z95)
    assert em.roll_half_width(lambda p: knee_flexion(p, "left"), points, 1.0) == pytest.approx(0.0, abs=1e-9)
    assert em.roll_half_width(lambda p: trunk_lean(p), points, float("nan")) == 0.0


@settings(deadline=None)
@given(st.floats(-80, 80), st.floats(-1.5, 1.5))
def test_rotation_is_forward(angle: float, turn: float) -> None:
    turned = em.rotated(leg(angle), turn)
    assert thigh_angle(turned, "left") == pytest.approx(angle - turn, abs=1e-9)


def test_many_strides_are_the_plain_student_t() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(10, 2, 4000)
    plain = stats.t.ppf(0.975, 3999) * values.std(ddof=1) / 4000**0.5
    assert em.stride_half_width(values, 2.0) == pytest.approx(plain, rel=0.01)


def test_one_stride_is_the_typical_spread_alone() -> None:
    expected = stats.t.ppf(0.975, em.PRIOR_STRIDES) * 1.5
    assert em.stride_half_width(np.array([7.0]), 1.5) == pytest.approx(expected)
    with pytest.raises(ValueError, match="no values"):
        em.stride_half_width(np.array([]), 1.0)


@pytest.mark.parametrize("n", [2, 4, 9])
def test_stride_interval_holds_the_mean_in_95_of_100(n: int) -> None:
    # Athletes whose own SD scatters about the typical one as the pooled variance assumes.
    rng = np.random.default_rng(n)
    hit = []
    for _ in range(4000):
        sd = 2.0 * (em.PRIOR_STRIDES / rng.chisquare(em.PRIOR_STRIDES)) ** 0.5
        values = rng.normal(0.0, sd, n)
        hit.append(abs(values.mean()) <= em.stride_half_width(values, 2.0))
    assert np.mean(hit) == pytest.approx(0.95, abs=0.012)


def test_derivatives_of_band_limited_noise() -> None:
    # White noise up to f: SD of the first derivative 2 pi f / sqrt(3), of the second (2 pi f)^2 / sqrt(5).
    rng = np.random.default_rng(5)
    rate, cutoff, n = 2000.0, 20.0, 800_000
    spectrum = np.fft.rfft(rng.normal(0, 1, n))
    frequency = np.fft.rfftfreq(n, 1 / rate)
    spectrum[frequency > cutoff] = 0
    x = np.fft.irfft(spectrum)
    first = np.gradient(x, 1 / rate)
    second = np.gradient(first, 1 / rate)
    assert em.rate_noise_sd(1.0, cutoff) == pytest.approx(2 * np.pi * cutoff / 3**0.5, rel=0.005)
    assert em.rate_noise_sd(x.std(), cutoff) == pytest.approx(first.std(), rel=0.02)
    windowed = slope(x, rate, 0.08)
    assert em.rate_noise_sd(x.std(), cutoff, 0.08) == pytest.approx(np.nanstd(windowed), rel=0.03)
    assert em.acceleration_noise_sd(x.std(), cutoff) == pytest.approx(second.std(), rel=0.03)


def test_elbow_out_of_the_plane() -> None:
    assert em.elbow_seen(0.0, 0.0) == pytest.approx(90.0)
    # tan a tan b: 15 deg out and 25 deg in show a right angle as 97.2, 10 and 22 as 94.1.
    assert em.elbow_seen(15, 25) == pytest.approx(
        90 + np.degrees(np.arcsin(np.tan(np.radians(15)) * np.tan(np.radians(25))))
    )
    assert 4.0 < em.elbow_seen(10, 22) - 90.0 < em.elbow_seen(15, 25) - 90.0 < 7.3
    # The same from vectors in space: both segments lead from the elbow towards the midline.
    a, b = np.radians(12), np.radians(20)
    to_shoulder = np.array([0, np.cos(a), -np.sin(a)])
    seen = np.radians(em.elbow_seen(12, 20, 100))
    to_wrist = np.array([np.cos(b) * np.sin(seen), np.cos(b) * np.cos(seen), -np.sin(b)])
    assert np.degrees(np.arccos(to_shoulder @ to_wrist)) == pytest.approx(100.0)
    assert np.isnan(em.elbow_seen(89, 89, 170))


@settings(deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["strides", "model", "scale", "bias not taken out", "view angle"]), st.floats(0, 50)
    )
)
def test_parts_add_up_as_stated(parts: dict[str, float]) -> None:
    squares = sum(v**2 for k, v in parts.items() if k in ("strides", "model", "scale"))
    linear = sum(v for k, v in parts.items() if k in ("bias not taken out", "view angle"))
    half = em.combined(parts)
    assert half == pytest.approx(squares**0.5 + linear)
    assert all(half >= v - 1e-12 for v in parts.values())


def test_every_measure_has_rows_in_the_table() -> None:
    table = em.error_table()
    for key, kind in MEASURES.items():
        if key in SPRING_KEYS:
            continue  # their error is propagated from times and speed
        for distance in ("near", "far"):
            row = table.error(key, distance)
            assert row.unit == kind.unit and row.sd + abs(row.bias) > 0 and len(row.source) > 10
        assert table.typical(key) > 0
    assert all(row.key in MEASURES for row in (*table.model_error, *table.typical_sd, *table.out_of_plane))


def test_a_table_survives_writing_and_reading(tmp_path: Path) -> None:
    em.write_error_table(em.error_table(), tmp_path / "table.json")
    assert em.load_error_table(tmp_path / "table.json") == em.error_table()


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        '{"schema": "laneside/error-table/2", "made": "x", "model_error": [], "typical_sd": [], "out_of_plane": []}',
    ],
)
def test_a_wrong_table_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "t.json").write_text(text)
    with pytest.raises(ValidationError):
        em.load_error_table(tmp_path / "t.json")


def test_a_row_from_known_truth_takes_out_what_other_parts_explain() -> None:
    rng = np.random.default_rng(9)
    errors = 1.5 + rng.normal(0, 3.0, 4000) + rng.normal(0, 4.0, 4000)
    row = em.error_row("knee_flexion_td", "deg", "near", errors, np.full(4000, em.Z95 * 4.0), "simulated")
    assert row.bias == pytest.approx(1.5, abs=0.25)
    assert row.sd == pytest.approx(3.0, abs=0.3)
    assert em.error_row("knee_flexion_td", "deg", "near", [1, 2], [50, 50], "simulated").sd == 0.0
    with pytest.raises(ValueError, match="at least 2"):
        em.error_row("knee_flexion_td", "deg", "near", [1.0], [1.0], "simulated")


def rows_table(*rows: em.ErrorRow) -> em.ErrorTable:
    return em.error_table().model_copy(update={"model_error": rows})


def an_error_row(distance: em.Distance, view: em.View, sd: float, relative: bool = False) -> em.ErrorRow:
    return em.ErrorRow(
        key="speed", unit="m/s", distance=distance, view=view, bias=-0.1, sd=sd, n=9, source="made up",
        relative=relative, correction=-0.1,
    )  # fmt: skip


def test_the_row_of_the_view_then_of_any_view_then_of_the_near_side() -> None:
    rows = [
        an_error_row("near", "good", 1.0),
        an_error_row("near", "any", 2.0),
        an_error_row("far", "poor", 3.0),
    ]
    table = rows_table(*rows)
    assert table.error("speed", "near", "good").sd == 1.0
    assert table.error("speed", "near", "poor").sd == table.error("speed", "near").sd == 2.0
    assert table.error("speed", "far", "poor").sd == table.error("speed", "far").sd == 3.0
    assert table.error("speed", "far", "good").sd == 1.0
    with pytest.raises(KeyError):
        table.error("contact_time", "near")


def test_a_relative_row_grows_with_the_value() -> None:
    row = an_error_row("near", "any", 0.02, relative=True)
    assert row.half_widths(-8.0) == {
        "model": pytest.approx(em.Z95 * 0.16), "bias not taken out": pytest.approx(0.8),
    }  # fmt: skip
    assert an_error_row("near", "any", 0.02).half_widths(8.0) == {
        "model": pytest.approx(em.Z95 * 0.02), "bias not taken out": 0.1,
    }  # fmt: skip


def test_events_are_widened_by_kind_and_distance() -> None:
    row = em.EventRow(kind="touchdown", distance="far", bias=-0.002, sd=0.004, n=30, source="made up")
    table = em.error_table().model_copy(update={"event_error": (row,)})
    found = [
        Event("touchdown", "left", 1.0, 0.997, 1.003, 120),
        Event("touchdown", "right", 1.2, 1.19, 1.21, 144),
        Event("toe_off", "left", 1.3, 1.29, 1.31, 156),
    ]
    far, *others = widened(found, "right", table)
    assert others == found[1:]
    assert far.time_s == 1.0
    # The mean error is within the spread.
    assert 1.0 - far.low_s == pytest.approx(np.hypot(0.003, em.Z95 * 0.004))
    assert far.high_s - 1.0 == pytest.approx(np.hypot(0.003, em.Z95 * 0.004))
    table = table.model_copy(update={"event_error": (row.model_copy(update={"share": 0.5, "sd": 0.0}),)})
    assert 1.0 - widened(found, "right", table)[0].low_s == pytest.approx(0.5 * 0.003)


def test_widened_intervals_hold_95_of_100_by_simulation() -> None:
    rng = np.random.default_rng(8)
    row = em.EventRow(kind="touchdown", distance="near", bias=0.0, sd=0.004, n=30, source="made up")
    table = em.error_table().model_copy(update={"event_error": (row,)})
    own = 0.003
    errors = rng.normal(0, own, 4000) + rng.normal(0, row.sd, 4000)
    found = [Event("touchdown", "left", 1 + e, 1 + e - em.Z95 * own, 1 + e + em.Z95 * own, 0) for e in errors]
    inside = [e.low_s <= 1.0 <= e.high_s for e in widened(found, "left", table)]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.012)
