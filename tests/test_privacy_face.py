"""The face: covered in every frame in which the truth has a head, the worst ones too."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sample_clips.truth import RunnerTruth, Truth, load_truth
from shared import landmarks as lm
from shared.track import ClipInfo, SideLabelling, Track, ViewQuality
from vision.head import HeadCover, cover_mask, head_cover, without_face

CLIPS = Path(__file__).resolve().parents[1] / "sample_clips" / "clips"
NAMES = ("track_side_120", "oblique_30", "panning_120", "portrait_rotated", "two_runners", "treadmill_120")
HEAD_RADIUS_M = 0.125
"""Chin to crown is 13 % of body height (Drillis and Contini 1966): 0.115 m half of it, and the hair."""
LEAST = 0.95
FloatArray = NDArray[np.float64]


def true_track(truth: Truth, who: RunnerTruth, noise_px: float = 2.0) -> Track:
    """The true landmarks with a little noise, where the whole body is in the picture."""
    inside = np.flatnonzero(who.visible.all(axis=1))
    noise = np.random.default_rng(4).normal(0, noise_px, (len(inside), lm.COUNT, 2))
    xy = who.px[inside] + noise
    tall = float(np.median(np.ptp(xy[..., 1], axis=1)))
    return Track(
        clip=ClipInfo(
            f"{truth.name}.mp4",
            "0" * 64,
            len(truth.time_s),
            truth.width,
            truth.height,
            truth.capture_rate_hz,
            truth.container_rate_hz,
            "file",
        ),
        frame=inside.astype(np.int64),
        time_s=truth.time_s[inside],
        xy_px=xy,
        confidence=np.ones((len(inside), lm.COUNT)),
        world_px=xy * [1.0, -1.0],
        direction=who.direction,
        camera="still",
        belt_speed_mps=None,
        scale=None,
        labelling=SideLabelling(who.near_side, 1.0, 0, 0, np.ones(len(inside))),
        quality=ViewQuality(0.0, 1.0, 0.0, 0.5, tall, 1.0),
        model="truth",
    )


def share_covered(cover: HeadCover, truth: Truth, who: RunnerTruth) -> FloatArray:
    """Share of the true head circle that is covered, in each frame that shows some of it."""
    out = []
    for i in range(len(truth.time_s)):
        middle = who.px[i, [lm.INDEX["left_ear"], lm.INDEX["right_ear"]]].mean(axis=0)
        head = np.zeros((truth.height, truth.width), np.uint8)
        radius = HEAD_RADIUS_M / who.metres_per_px[i]
        if not (-radius < middle[0] < truth.width + radius and -radius < middle[1] < truth.height + radius):
            continue
        cv2.circle(head, (round(middle[0]), round(middle[1])), round(radius), (1,), -1)
        if head.any():
            mask = cover_mask(cover, i, truth.height, truth.width)
            out.append((head & mask).sum() / head.sum())
    return np.array(out)


@pytest.fixture(scope="module", params=NAMES)
def known(request: pytest.FixtureRequest) -> Truth:
    return load_truth(CLIPS / f"{request.param}.truth.npz")


def _without(track: Track, keep: NDArray[np.bool_]) -> Track:
    return replace(
        track,
        frame=track.frame[keep],
        time_s=track.time_s[keep],
        xy_px=track.xy_px[keep],
        confidence=track.confidence[keep],
        world_px=track.world_px[keep],
        labelling=replace(track.labelling, legs_confidence=track.labelling.legs_confidence[keep]),
    )


def _damaged(track: Track, how: str) -> Track:
    """What a pose model does to a track on a bad day."""
    t, rate = len(track.frame), track.clip.capture_rate_hz
    xy = track.xy_px.copy()
    at = np.arange(t)
    rng = np.random.default_rng(7)
    part = slice(t // 3, t // 3 + max(2, round(0.2 * rate)))
    if how == "face missing for a fifth of a second":
        xy[part, :11] = np.nan
    elif how == "face never found":
        xy[:, :11] = np.nan
    elif how == "shoulders never found":
        xy[:, [lm.index("shoulder", "left"), lm.index("shoulder", "right")]] = np.nan
    elif how == "face placed on the hand":
        xy[part, :11] = xy[part, lm.index("wrist", "left")][:, None]
    elif how == "whole body somewhere else":
        xy[part] += [3.0 * track.quality.runner_height_px, 40.0]
    elif how == "single frames wild":
        hit = rng.random(t) < 0.15
        xy[hit, :11] += rng.normal(0, 0.3 * track.quality.runner_height_px, (int(hit.sum()), 1, 2))
    elif how == "gaps":
        return _without(track, rng.random(t) > 0.3)
    elif how == "a gap of a third of a second":
        return _without(track, (at < t // 2) | (at >= t // 2 + round(0.33 * rate)))
    elif how == "found late and lost early":
        cut = round(0.4 * rate)
        return _without(track, (at >= cut) & (at < t - cut))
    return replace(track, xy_px=xy)


@pytest.mark.parametrize(
    "how",
    [
        "nothing",
        "face missing for a fifth of a second",
        "face never found",
        "shoulders never found",
        "face placed on the hand",
        "whole body somewhere else",
        "single frames wild",
        "gaps",
        "a gap of a third of a second",
        "found late and lost early",
    ],
)
def test_the_head_is_covered_in_every_frame(known: Truth, how: str) -> None:
    """Of every runner of the clip, in all frames that show the head, found or not."""
    for who in known.runners:
        if who.standing or who.visible.all(axis=1).sum() < 0.9 * known.capture_rate_hz:
            continue
        cover = head_cover(_damaged(true_track(known, who), how))
        covered = share_covered(cover, known, who)
        assert len(covered) > 20
        assert covered.min() >= LEAST, (how, int(covered.argmin()), float(covered.min()))


def test_most_of_the_picture_stays(known: Truth) -> None:
    """A cover that hides everything would be easy: an ordinary frame loses less than 4 %."""
    track = true_track(known, known.athlete)
    cover = head_cover(track)
    shares = [cover_mask(cover, int(i), known.height, known.width).mean() for i in track.frame]
    assert np.median(shares) < 0.04


def test_nothing_found_covers_the_whole_picture(known: Truth) -> None:
    track = true_track(known, known.athlete)
    cover = head_cover(replace(track, xy_px=np.full_like(track.xy_px, np.nan)))
    assert cover_mask(cover, 5, known.height, known.width).all()


def _one_circle(x: float, y: float, radius: float) -> HeadCover:
    centres, radii = np.full((1, 3, 2), np.nan), np.full((1, 3), np.nan)
    centres[0, 0], radii[0, 0] = (x, y), radius
    return HeadCover(centres, radii, np.full((1, 2), np.nan), np.array([radius / 2]))


@settings(max_examples=40, deadline=None)
@given(st.floats(-50, 250), st.floats(-50, 170), st.floats(3, 90), st.sampled_from([0.5, 1.0]))
def test_a_hidden_face_keeps_only_a_few_colours(x: float, y: float, radius: float, factor: float) -> None:
    """Whatever detail was there, each square is one colour, the same for many faces of one mean."""
    rng = np.random.default_rng(1)
    rgb = rng.integers(0, 256, (120, 200, 3)).astype(np.uint8)
    cover = _one_circle(x, y, radius)
    out = without_face(rgb, cover, 0, factor)
    mask = cover_mask(cover, 0, 120, 200, factor).astype(bool)
    assert (out[~mask] == rgb[~mask]).all()
    colours = len(np.unique(out[mask].reshape(-1, 3), axis=0))
    assert colours <= 36
    if mask.sum() > 400:
        assert colours < 0.1 * mask.sum()


def test_detail_finer_than_a_square_leaves_no_trace() -> None:
    """Two faces that differ only inside the squares come out the same, so nothing can bring them back."""
    tile = np.array([[0, 200], [200, 0]], np.uint8)
    one = np.repeat(np.tile(tile, (60, 60))[..., None], 3, axis=2)
    other = 200 - one
    cover = _one_circle(60, 60, 24)
    mask = cover_mask(cover, 0, 120, 120).astype(bool)
    a, b = (without_face(p, cover, 0).astype(int) for p in (one, other))
    inner = cv2.erode(mask.astype(np.uint8), np.ones((25, 25), np.uint8)).astype(bool)
    assert (one[inner] != other[inner]).any()
    assert np.abs(a - b)[inner].max() <= 12  # a border square may hold one odd row
    assert np.abs(one.astype(int) - other)[inner].min() == 200


def test_the_picture_that_was_given_stays_as_it_is() -> None:
    rgb = np.random.default_rng(2).integers(0, 256, (80, 80, 3)).astype(np.uint8)
    before = rgb.copy()
    without_face(rgb, _one_circle(40, 40, 20), 0)
    assert (rgb == before).all()
