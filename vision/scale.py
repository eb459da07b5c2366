"""Metres per pixel at the athlete's distance, and how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from shared import landmarks as lm
from shared.errors import OptionError
from shared.landmarks import Side
from shared.track import Scale

FloatArray = NDArray[np.float64]

STATURE_SHARES: dict[str, float] = {
    "trunk": 0.818 - 0.530,
    "thigh": 0.245,
    "shank": 0.246,
}
"""Shares of stature between joint centres: shoulder height .818, hip height .530, thigh .245,
shank .246. Drillis and Contini (1966) as drawn in Winter, Biomechanics and Motor Control of
Human Movement, fig. 4.1."""
CHAIN_SHARE: float = sum(STATURE_SHARES.values())
"""Shoulder to ankle along trunk, thigh and shank, over stature: 0.779."""
MODEL_CHAIN = 0.967
"""Chain of the pose model's landmarks over the true one, with the weights that come with the
program, on nine rendered runners (0.952 to 0.996, more the larger the runner is in the picture): the
trunk comes out 5 % long, the shank 10 % short. A real runner's trunk, thigh and shank came out in the same proportion."""
BODY_SD = 0.02
"""Relative SD of that share between people (from memory)."""
LANDMARK_SD = 0.03
"""Relative SD of that bias on real runners (joint centres of pose models sit
30-50 mm off at hip and knee: Needham et al. 2021, J Biomech 127:110665; part cancels along the
chain)."""
BELT_SD = 0.02
"""Relative SD of a treadmill's shown speed (common practice, no source)."""
MODEL_FOOT, MODEL_FOOT_SD = 0.95, 0.04
"""Speed of the standing foot as the pose model gives it, over the true one, with the weights that
come with the program, on five rendered runners (0.90 to 0.99): the model draws the feet in."""
STANCE_SMOOTHING_S, LEAST_STANCE_S = 0.012, 0.04
CLICK_SD_PX = 2.0
PLANE_SD = 0.02
"""Relative SD because a mark on the ground is seldom exactly below the athlete's mid-line."""

LIMITS: dict[str, tuple[float, float, str, str]] = {
    "stature": (0.8, 2.4, "m", "give the runner's height in metres, for example 1.75"),
    "mass": (20.0, 250.0, "kg", "give the runner's mass in kilograms, for example 68"),
    "belt speed": (0.3, 13.0, "m/s", "give the treadmill's speed in metres per second (km/h divided by 3.6)"),
    "marked distance": (0.05, 400.0, "m", "give the true distance between the two marks in metres"),
}


def checked(name: str, value: float) -> float:
    """The value of an option, when it makes sense.

    Parameters
    ----------
    name : {"stature", "mass", "belt speed", "marked distance"}
    value : float
        In the unit of `LIMITS`.

    Raises
    ------
    OptionError
        If the value is not a number or lies outside `LIMITS`.
    """
    low, high, unit, mend = LIMITS[name]
    if not (np.isfinite(value) and low <= value <= high):
        raise OptionError(name, f"{value:g} {unit} is outside {low:g} to {high:g} {unit}", mend)
    return float(value)


@dataclass(frozen=True)
class BodySize:
    """Size of the athlete in the picture, from segment lengths and not from a momentary box.

    Attributes
    ----------
    chain_px : (T,) array
        Trunk + thigh + shank of each frame, px; NaN where a joint is missing.
    median_px : float
        Median of `chain_px`; NaN when there is none.
    spread : float
        Relative SD of `chain_px` within the clip (robust).
    """

    chain_px: FloatArray
    median_px: float
    spread: float

    @property
    def stature_px(self) -> float:
        """Standing height in px by the published proportions and the model's own bias."""
        return self.median_px / (CHAIN_SHARE * MODEL_CHAIN)


def segment_length(xy: FloatArray, upper: str, lower: str, side: Side | None) -> FloatArray:
    """Length (T,) px of a segment; the mean of both sides where `side` is None."""
    sides: tuple[Side, ...] = ("left", "right") if side is None else (side,)
    each = np.stack(
        [np.linalg.norm(xy[:, lm.index(upper, s)] - xy[:, lm.index(lower, s)], axis=1) for s in sides]
    )
    known = np.isfinite(each)
    total = np.where(known, each, 0.0).sum(axis=0)
    return np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan)


def mid_point(xy: FloatArray, joint: str) -> FloatArray:
    """Mid-point (T, 2) of the left and right joint."""
    return np.asarray((xy[:, lm.index(joint, "left")] + xy[:, lm.index(joint, "right")]) / 2)


def body_size(xy: FloatArray, near_side: Side | None = None) -> BodySize:
    """Size of the athlete from trunk, thigh and shank.

    Parameters
    ----------
    xy : (T, 33, 2) array
        Landmarks in picture or world px; NaN where missing.
    near_side : {"left", "right"}, optional
        Use this leg only; both, averaged, when None.
    """
    trunk = np.linalg.norm(mid_point(xy, "shoulder") - mid_point(xy, "hip"), axis=1)
    chain = (
        trunk + segment_length(xy, "hip", "knee", near_side) + segment_length(xy, "knee", "ankle", near_side)
    )
    ok = np.isfinite(chain)
    if not ok.any():
        return BodySize(chain, np.nan, np.nan)
    median = float(np.median(chain[ok]))
    spread = 1.4826 * float(np.median(np.abs(chain[ok] - median))) / median
    return BodySize(chain, median, spread)


@dataclass(frozen=True)
class NoScale:
    """Why no metres can be given."""

    why: str

    def __bool__(self) -> bool:
        return False


def scale_from_stature(
    size: BodySize, stature_m: float, view_relative_sd: float = 0.0, model_chain: float = MODEL_CHAIN
) -> Scale | NoScale:
    """Scale from the runner's height.

    Parameters
    ----------
    size : BodySize
        In world px.
    stature_m : float
    view_relative_sd : float
        What an oblique path or a pan adds, relative SD.
    model_chain : float
        Length of trunk, thigh and shank as the pose model gives it, over the true one.

    Raises
    ------
    OptionError
        If the stature is absurd.

    References
    ----------
    Drillis R, Contini R (1966), Body segment parameters, as in Winter fig. 4.1.
    """
    stature_m = checked("stature", stature_m)
    if not np.isfinite(size.median_px) or size.median_px <= 0:
        return NoScale("the runner's trunk and legs were not seen together in any frame")
    known = int(np.isfinite(size.chain_px).sum())
    random = size.spread / np.sqrt(max(known / 10, 1.0))
    sd = np.sqrt(BODY_SD**2 + LANDMARK_SD**2 + random**2 + view_relative_sd**2)
    return Scale(stature_m * CHAIN_SHARE * model_chain / size.median_px, float(sd), "stature")


def scale_from_marks(
    first: FloatArray,
    second: FloatArray,
    metres: float,
    click_sd_px: float = CLICK_SD_PX,
    view_relative_sd: float = 0.0,
) -> Scale:
    """Scale from two marked points a known distance apart, in the plane the athlete runs in.

    Parameters
    ----------
    first, second : (2,) arrays
        World px (see `vision.world.world_marks`).
    metres : float
        True distance.
    click_sd_px : float
        SD of one marked coordinate, px.
    view_relative_sd : float
        What an oblique path or a pan adds, relative SD.

    Raises
    ------
    OptionError
        If the distance is not positive or the points coincide.
    """
    metres = checked("marked distance", metres)
    px = float(np.hypot(*(np.asarray(second, float) - np.asarray(first, float))))
    if not px > 10 * click_sd_px:
        raise OptionError(
            "marked distance",
            f"the two marks are only {px:.0f} px apart in the picture",
            "mark two points further apart, or use the runner's height instead",
        )
    click = np.sqrt(2.0) * click_sd_px / px
    return Scale(metres / px, float(np.sqrt(click**2 + PLANE_SD**2 + view_relative_sd**2)), "marked distance")


def stance_foot_speeds(world_xy: FloatArray, time_s: FloatArray) -> FloatArray:
    """Backward speed of the foot in each stance on a treadmill, px/s.

    The foot that stands on the belt moves back at the belt's speed. A stance is a run of at least
    `LEAST_STANCE_S` in which the middle of heel and toe moves backward and is low (lowest 10 % of
    its own range of height); a line is fitted to the middle 70 % of it.

    Parameters
    ----------
    world_xy : (T, 33, 2) array
        World px, x forward, y up.
    time_s : (T,) array

    Returns
    -------
    (n,) array
        One speed per stance, both feet together.
    """
    speeds: list[float] = []
    if len(time_s) < 6:
        return np.zeros(0)
    interval = float(np.median(np.diff(time_s)))
    for heel, toe in (("left_heel", "left_foot_index"), ("right_heel", "right_foot_index")):
        foot = (world_xy[:, lm.INDEX[heel]] + world_xy[:, lm.INDEX[toe]]) / 2
        ok = np.isfinite(foot).all(axis=1)
        if ok.sum() < 6:
            continue
        x = np.interp(time_s, time_s[ok], foot[ok, 0])
        smooth = gaussian_filter1d(x, STANCE_SMOOTHING_S / interval)
        y = gaussian_filter1d(np.interp(time_s, time_s[ok], foot[ok, 1]), STANCE_SMOOTHING_S / interval)
        low = y < np.percentile(y, 2) + 0.10 * (np.percentile(y, 98) - np.percentile(y, 2))
        for run in _runs(low & (np.gradient(smooth, time_s) < 0) & ok):
            trim = int(0.15 * len(run))
            middle = run[trim : len(run) - trim]
            if len(middle) >= 3 and len(run) * interval >= LEAST_STANCE_S:
                speeds.append(-float(np.polyfit(time_s[middle], x[middle], 1)[0]))
    return np.array(speeds)


def _runs(mask: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Runs of consecutive true entries, as index arrays."""
    where = np.flatnonzero(mask)
    return [r for r in np.split(where, np.flatnonzero(np.diff(where) > 1) + 1) if len(r)]


def scale_from_belt(
    world_xy: FloatArray, time_s: FloatArray, belt_speed_mps: float, model_foot: float = MODEL_FOOT
) -> Scale | NoScale:
    """Scale from the treadmill's speed and the speed of the standing foot in the picture.

    Parameters
    ----------
    world_xy : (T, 33, 2) array
        World px, x forward, y up.
    time_s : (T,) array
    belt_speed_mps : float
    model_foot : float
        Speed of the standing foot as the pose model gives it, over the true one.

    Raises
    ------
    OptionError
        If the speed is absurd.
    """
    belt = checked("belt speed", belt_speed_mps)
    speeds = stance_foot_speeds(world_xy, time_s)
    if len(speeds) < 3:
        return NoScale("fewer than three stances were seen on the belt")
    middle = float(np.median(speeds))
    spread = 1.4826 * float(np.median(np.abs(speeds - middle))) / middle
    random = 1.25 * spread / np.sqrt(len(speeds))
    if spread > 0.25:
        return NoScale("the standing foot's speed differs too much from stance to stance")
    sd = np.sqrt(BELT_SD**2 + random**2 + MODEL_FOOT_SD**2)
    return Scale(belt * model_foot / middle, float(sd), "belt speed")


def best_scale(scales: list[Scale]) -> tuple[Scale | None, tuple[str, ...]]:
    """The scale with the smallest error, and a sentence where two disagree by more than 3 SD."""
    if not scales:
        return None, ()
    ordered = sorted(scales, key=lambda s: s.relative_sd)
    best, notes = ordered[0], []
    for other in ordered[1:]:
        apart = abs(np.log(other.metres_per_px / best.metres_per_px))
        if apart > 3 * np.hypot(best.relative_sd, other.relative_sd):
            notes.append(
                f"The scale from the {best.source} and the one from the {other.source} differ by "
                f"{100 * apart:.0f} %: check what was entered."
            )
    return best, tuple(notes)
