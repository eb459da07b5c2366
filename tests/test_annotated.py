"""The annotated video: points on pictures between looks, and the plate of readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.builders import track
from ui.annotated import _plate
from ui.draw import BRIDGE_S, points_at


def test_a_picture_between_two_looks_gets_the_straight_line_between() -> None:
    whole = track(12)
    rate = whole.clip.capture_rate_hz
    wide = max(2, int(BRIDGE_S * rate))
    first = int(whole.frame[3])
    sparse = replace(whole, frame=np.concatenate([whole.frame[:4], whole.frame[4:] + wide - 1]))
    np.testing.assert_array_equal(points_at(sparse, first), whole.xy_px[3])
    for step in range(1, wide):
        share = step / wide
        found = points_at(sparse, first + step)
        assert found is not None
        np.testing.assert_allclose(found, (1 - share) * whole.xy_px[3] + share * whole.xy_px[4])


def test_nothing_is_drawn_over_a_long_gap_or_beyond_the_track() -> None:
    whole = track(12)
    gap = max(2, int(BRIDGE_S * whole.clip.capture_rate_hz)) + 1
    broken = replace(whole, frame=np.concatenate([whole.frame[:4], whole.frame[4:] + gap]))
    assert points_at(broken, int(whole.frame[3]) + 1) is None
    assert points_at(whole, int(whole.frame[0]) - 1) is None
    assert points_at(whole, int(whole.frame[-1]) + 1) is None


@pytest.mark.parametrize("width", [404, 640, 1280])
def test_the_longest_readings_fit_into_a_narrow_picture(width: int) -> None:
    text = "12.000 s   thigh −104°   knee 133°   trunk −17°"
    assert 8 + _plate(text, max(10, min(720 // 40, width // 28))).shape[1] <= width
