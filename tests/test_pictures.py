"""Drawing and plots: the geometry of what is drawn, and nothing that rests on colour alone."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from shared import landmarks as lm
from shared.analysis import Measure
from tests import builders
from ui import draw, look, plots
from ui.annotated import contacts
from ui.in_units import shown, target_text
from ui.pictures import crop_box, drawn_points, subjects, value_text
from ui.report import areas, content, symmetry_rows
from ui.tables import angles_table, measures_table, safe_cell


@given(st.floats(-25, 25), st.sampled_from([1.0, -1.0]), st.floats(0.2, 5.0))
def test_forward_and_down_are_found_from_the_points(roll_deg: float, sign: float, zoom: float) -> None:
    rng = np.random.default_rng(3)
    world = rng.uniform(-100, 100, (lm.COUNT, 2))
    r = math.radians(roll_deg)
    # Closed form: level lines rise to the right by the roll; picture y points down.
    forward = np.array([sign * math.cos(r), -sign * math.sin(r)])
    down = np.array([math.sin(r), math.cos(r)])
    xy = 500 + zoom * (world[:, :1] * forward - world[:, 1:] * down)
    xy[4] = np.nan
    found_forward, found_down = draw.local_axes(xy, world)
    assert found_forward == pytest.approx(tuple(forward), abs=1e-6)
    assert found_down == pytest.approx(tuple(down), abs=1e-6)


def _contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours, WCAG 2.1, relative luminance formula."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(
    "colour", [look.INK, look.QUIET, look.NEAR, look.FAR, look.TRUNK, look.TARGET, *look.VERDICT_INK.values()]
)
def test_text_colours_are_legible_on_white(colour: str) -> None:
    assert _contrast(colour, look.PAPER) >= 4.5  # WCAG 2.1, success criterion 1.4.3


def test_contrast_formula_against_its_published_ends() -> None:
    assert _contrast("#000000", "#FFFFFF") == pytest.approx(21.0)  # WCAG 2.1 definition


def test_every_verdict_has_its_own_sign_and_word() -> None:
    assert len(set(look.VERDICT_SIGN.values())) == len(look.VERDICT_SIGN) == 4
    assert len(set(look.VERDICT_WORD.values())) == 4


@pytest.mark.parametrize(
    "key",
    [
        "thigh_angle_max",
        "trunk_lean",
        "knee_flexion_td",
        "shank_angle_td",
        "foot_angle_td",
        "elbow_angle_front",
        "arm_swing_back",
        "td_distance",
        "hand_height_front",
        "hand_past_hip_back",
    ],
)
def test_each_position_measure_leaves_a_mark(key: str) -> None:
    grey = Image.new("RGB", (640, 640), (128, 128, 128))
    canvas = draw.Canvas(grey)
    xy = np.random.default_rng(1).uniform(100, 500, (lm.COUNT, 2))
    assert draw.draw_measure(canvas, key, xy, "left", ((1.0, 0.0), (0.0, 1.0)), "12 ± 3°")
    changed = np.any(np.asarray(canvas.finished()) != 128, axis=2)
    assert changed.sum() > 500


def test_a_time_has_no_drawing() -> None:
    canvas = draw.Canvas(Image.new("RGB", (64, 64)))
    xy = np.random.default_rng(1).uniform(0, 60, (lm.COUNT, 2))
    assert not draw.draw_measure(canvas, "contact_time", xy, "left", ((1.0, 0.0), (0.0, 1.0)), "")


@given(
    st.integers(64, 4000), st.integers(64, 4000), st.floats(0, 4000), st.floats(0, 4000), st.floats(5, 900)
)
def test_crops_stay_inside_the_picture(width: int, height: int, x: float, y: float, size: float) -> None:
    xy = np.array([[x, y], [x + size / 2, y + size]])
    left, top, right, bottom = crop_box(xy, width, height)
    assert 0 <= left < right <= width and 0 <= top < bottom <= height


def test_points_missing_for_a_moment_are_bridged_for_drawing_only() -> None:
    steps = np.arange(30.0)
    xy = np.stack([steps[:, None] + np.arange(lm.COUNT), 2 * steps[:, None] + np.zeros(lm.COUNT)], axis=2)
    holed = xy.copy()
    holed[10:13, 5] = np.nan
    holed[10:30, 6] = np.nan
    # Closed form: on a straight line the bridge is the line itself.
    assert drawn_points(holed, 11)[5] == pytest.approx(xy[11, 5])
    assert np.isnan(drawn_points(holed, 11)[6]).all()
    assert np.isnan(holed[11, 5]).all()


def test_contacts_lie_between_touchdown_and_toe_off() -> None:
    from shared.analysis import Event

    events = tuple(
        Event(kind, side, t, t, t, 0)  # type: ignore[arg-type]
        for kind, side, t in (
            ("toe_off", "left", 0.05),
            ("touchdown", "left", 0.30),
            ("toe_off", "left", 0.50),
            ("touchdown", "left", 0.90),
        )
    )
    time_s = np.round(np.arange(0, 1, 0.1), 3)
    down = contacts(replace(builders.analysis(), events=events), time_s)
    assert time_s[down["left"]].tolist() == [0.3, 0.4, 0.5]
    assert not down["right"].any()


def test_strip_places_value_interval_and_target_in_proportion() -> None:
    measure = Measure("thigh_angle_max", "left", 50.0, "deg", 40.0, 60.0, 3, "measured")
    svg = plots.target_strip(measure, (55.0, 75.0), width=212)
    numbers = [
        float(v) for v in re.findall(r'<line x1="([\d.]+)" y1="13" x2="[\d.]+" y2="13" stroke="#16', svg)
    ]
    diamond = float(re.findall(r'd="M([\d.]+) 13', svg)[0]) + 5
    band = [float(v) for v in re.findall(r'<rect x="([\d.]+)" y="4" width="([\d.]+)"', svg)[0]]
    # Closed form: the strip runs from 40 - 18 % to 75 + 18 % of the 35 degrees that matter.
    low, high = 40 - 0.18 * 35, 75 + 0.18 * 35

    def x(v: float) -> float:
        return 6 + (v - low) / (high - low) * 200

    assert numbers[0] == pytest.approx(x(40), abs=0.1)
    assert diamond == pytest.approx(x(50), abs=0.1)
    assert band == pytest.approx([x(55), x(75) - x(55)], abs=0.2)
    assert "interval 40 to 60" in svg


def test_numbers_are_written_with_the_digits_worth_showing() -> None:
    assert shown(-0.2, "trunk_lean") == "0"
    assert shown(-3.6, "trunk_lean") == "\N{MINUS SIGN}4"
    assert shown(0.12345, "contact_time") == "0.123"
    assert target_text(None, 0.25, "contact_time", "s") == "at most 0.250 s"
    assert target_text(1.0, None, "trunk_lean", "deg") == "at least 1°"


def test_report_says_what_is_missing_and_never_invents_a_value() -> None:
    blocks = {block.title: block for block in areas(builders.analysis())}
    assert blocks["Rhythm"].rows[0].interval == "0.190 to 0.210"
    assert blocks["Arms"].rows == ()
    assert "the far arm is hidden" in blocks["Arms"].missing[0][0]


def test_symmetry_counts_only_above_its_own_error() -> None:
    def difference(low: float, high: float) -> Measure:
        return Measure("symmetry_thigh_angle_max", "both", (low + high) / 2, "deg", low, high, 3, "measured")

    made = replace(builders.analysis(), measures=(difference(-1.0, 5.0), difference(1.0, 5.0)))
    assert [row["word"] for row in symmetry_rows(made)] == [
        "no difference beyond error",
        "differs by more than its error",
    ]


def test_stills_are_only_of_measured_positions_and_of_cues() -> None:
    names = [s.name for s in subjects(builders.analysis())]
    assert names == ["cue_1"]
    assert value_text(builders.analysis(), "contact_time", "right", 4) == "0.200 ± 0.010 s"


def test_a_number_on_a_still_has_a_true_minus_sign_and_a_zero_none() -> None:
    def still(value: float) -> str:
        lean = Measure("trunk_lean_to", "both", value, "deg", value - 5, value + 5, 3, "measured", None, 4)
        return value_text(replace(builders.analysis(), measures=(lean,)), "trunk_lean_to", "right", 4)

    assert still(-6.0) == "\N{MINUS SIGN}6 ± 5°"
    assert still(-0.3) == "0 ± 5°"


def test_report_content_survives_hostile_names(tmp_path: object) -> None:
    from pathlib import Path

    from ui.report import html_report

    evil = "<script>=cmd.mp4"
    made = replace(
        builders.analysis(), clip=replace(builders.analysis().clip, path=evil), notes=("<b>bold</b>",)
    )
    page = html_report(content(made, (), video=False), "", Path(str(tmp_path)))
    assert "<script>" not in page and "<b>bold" not in page
    assert "&lt;script&gt;" in page


@pytest.mark.parametrize("text", ["=1+1", "+1", "-cmd", "@x", "\tx"])
def test_cells_are_never_formulas(text: str) -> None:
    assert safe_cell(text).startswith("'")


def test_tables_keep_empty_what_is_not_measurable() -> None:
    rows = measures_table(builders.analysis()).splitlines()
    assert rows[2].startswith("elbow_angle_mean,left,,,,deg,0,not_measurable")
    angles = angles_table(builders.analysis()).splitlines()
    assert angles[0] == "time_s,thigh_right"
    assert angles[5] == "0.033333,"
