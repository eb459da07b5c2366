"""Motion blur against edges smeared by a known number of px."""

from __future__ import annotations

import numpy as np
import pytest

from shared import landmarks as lm
from vision.blur import FootBlur, edge_width
from vision.scale import CHAIN_SHARE


@pytest.mark.parametrize("smear", [2.0, 5.0, 12.0])
def test_edge_width_of_a_ramp(smear: float) -> None:
    """A step of 100 grey levels smeared over n px is a ramp of slope 100 / n."""
    x = np.arange(40) - 20.0
    patch = np.tile(100 * np.clip(x / smear + 0.5, 0, 1), (30, 1)) + 50
    assert edge_width(patch) == pytest.approx(smear, rel=0.05)


def test_no_edge_no_width() -> None:
    assert np.isnan(edge_width(np.full((20, 20), 80.0)))
    assert np.isnan(edge_width(np.zeros((3, 3))))


def skeleton(foot_x: float, y: float) -> np.ndarray:
    """Landmarks of a body of 400 px stature whose left foot is at `foot_x`."""
    xy = np.full((33, 2), np.nan)
    for joint, height in (("shoulder", 0.818), ("hip", 0.530), ("knee", 0.285), ("ankle", 0.039)):
        for side in ("left", "right"):
            xy[lm.index(joint, side)] = [300.0, y - 400 * height]  # type: ignore[arg-type]
    for side, x in (("left", foot_x), ("right", 1e4)):
        xy[lm.index("heel", side)] = xy[lm.index("foot_index", side)] = [x, y]  # type: ignore[arg-type]
    return xy


def blur_of(open_share: float, seed: int = 0) -> float:
    """A shoe that stands 40 frames, then moves 16 px a frame; shutter open for a share of a frame."""
    rng = np.random.default_rng(seed)
    ground = np.repeat(rng.uniform(100, 115, (300, 1)), 1100, axis=1) + rng.uniform(0, 10, (300, 1100))
    blur = FootBlur()
    xs = np.concatenate([np.full(40, 150.0), 150 + 16.0 * np.arange(1, 45)])
    for i, x in enumerate(xs):
        v = 0.0 if i < 40 else 16.0
        picture = np.zeros_like(ground)
        offsets = np.linspace(-0.5, 0.5, 17) * open_share * v
        col = np.arange(1100)
        cover = np.mean([np.clip(18.5 - np.abs(col - x - o), 0, 1) for o in offsets], axis=0)
        mask = np.zeros((300, 1))
        mask[240:258] = 1
        picture = ground * (1 - mask * cover) + 220 * mask * cover
        picture = picture + rng.normal(0, 1.5, picture.shape)
        blur.add(i, np.clip(picture, 0, 255).astype(np.uint8), skeleton(x, 249.0))
    return blur.blur_px()


def test_blur_of_a_moving_shoe() -> None:
    """Shutter open for 0, 40 and 80 % of a frame at 16 px a frame: 0, 6.4 and 12.8 px.

    Reads 10 to 20 % low (30 % with the shutter open all the time), so the tolerance is a quarter.
    """
    assert skeleton(0, 300)[lm.index("ankle", "left"), 1] == pytest.approx(300 - 400 * (0.818 - CHAIN_SHARE))
    assert blur_of(0.0) < 2.0
    assert blur_of(0.4) == pytest.approx(6.4, rel=0.25)
    assert blur_of(0.8) == pytest.approx(12.8, rel=0.25)


def test_pictures_are_asked_for_only_when_their_edges_are_looked_at() -> None:
    asked: set[int] = set()
    blur = FootBlur()
    for i in range(180):
        blur.add(i, lambda i=i: asked.add(i) or np.zeros((300, 1100), np.uint8), skeleton(150.0 + i, 249.0))  # type: ignore[misc]
    # The first 120, then one of six and the one before it.
    assert asked == {*range(120), *(i for i in range(120, 180) if (i + 1) % 6 in (0, 5))}


def test_unknown_blur_is_not_a_number() -> None:
    assert np.isnan(FootBlur().blur_px())
    still = FootBlur()
    for i in range(30):
        still.add(i, np.full((300, 600), 100, np.uint8), skeleton(150, 249))
    assert np.isnan(still.blur_px())
    still.add(31, np.full((300, 600), 100, np.uint8), None)
    assert np.isnan(still.blur_px())
