"""How far the view is off perpendicular to the path: yaw, positive when the runner comes nearer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side
from vision.pan import Focal
from vision.roll import robust_slope
from vision.scale import CHAIN_SHARE, body_size, mid_point

FloatArray = NDArray[np.float64]
Pair = Literal["hip", "shoulder"]
PAIRS: tuple[Pair, ...] = ("hip", "shoulder")

WIDTH_SHARE: dict[str, float] = {"hip": 0.100, "shoulder": 0.200}
"""Distance between the left and right joint over stature: hip joint centres about 0.10 (from
memory), shoulder joint centres about 0.20 (0.259 across the outside of the shoulders: Drillis and
Contini as in Winter fig. 4.1, less the width of the upper arms)."""
WIDTH_SD_DEG: dict[str, float] = {"hip": 8.0, "shoulder": 6.0}
"""SD of the yaw read from those widths in a side view, where the pose model hardly sees them."""
WIDTH_GAIN_SD = 0.3
"""Relative SD of that width, between bodies and as the pose model sees it."""
SIZE_DRIFT_SD = 0.02
"""Relative SD of a false change of size from one end of the path to the other."""
PRIOR_SD_DEG = 15.0
"""SD of the yaw of a view filmed from the side by eye (common practice, no source)."""


@dataclass(frozen=True)
class YawEvidence:
    """One estimate of yaw, degrees."""

    source: str
    yaw_deg: float
    sd_deg: float


def squared(xy: FloatArray, yaw_deg: float, focal_px: float) -> FloatArray:
    """Points of the plane of travel as a camera square on to it would show them.

    Seen at a yaw a, a point of that plane s ahead and h up shows at
    x = f s cos(a) / (Z0 - s sin(a)), y = f h / (Z0 - s sin(a)); this is undone.

    Parameters
    ----------
    xy : (..., 2) array
        x forward, from the centre of the picture, px; y either way up.
    yaw_deg : float
        Positive when the runner comes nearer.
    focal_px : float

    Returns
    -------
    (..., 2) array
        px at the distance of the path on the optical axis.
    """
    a = np.radians(yaw_deg)
    grown = 1 + np.asarray(xy)[..., :1] * np.tan(a) / focal_px
    return np.asarray(xy / np.where(grown > 0.05, grown, np.nan) * np.array([1 / np.cos(a), 1.0]))


def unsquared(xy: FloatArray, yaw_deg: float, focal_px: float) -> FloatArray:
    """The inverse of `squared`."""
    a = np.radians(yaw_deg)
    flat = np.asarray(xy)[..., :1] * np.cos(a)
    x = flat / (1 - flat * np.tan(a) / focal_px)
    return np.concatenate([x, np.asarray(xy)[..., 1:] * (1 + x * np.tan(a) / focal_px)], axis=-1)


def yaw_from_growth(forward_xy: FloatArray, focal: Focal) -> YawEvidence | None:
    """Yaw from how the runner's size changes along a straight path.

    On a straight path seen by a still camera 1/distance is exactly linear in the picture's x:
    upright lengths are a (1 + x tan(yaw) / f), whatever the distance. Lengths along the path grow
    with the square of that, so the yaw is sought at which the squared-up body keeps its size.

    Parameters
    ----------
    forward_xy : (T, 33, 2) array
        x forward, from the centre of the picture, px; camera shake taken out.
    focal : Focal

    Returns
    -------
    YawEvidence or None
        None where the path is shorter than 1.5 body chains.
    """
    x = mid_point(forward_xy, "hip")[:, 0]
    size = body_size(forward_xy)
    ok = np.isfinite(x) & np.isfinite(size.chain_px)
    if ok.sum() < 12:
        return None
    reach = float(np.percentile(x[ok], 98) - np.percentile(x[ok], 2))
    if reach < 1.5 * size.median_px:
        return None
    steps = reach / (0.65 * size.stature_px)
    tangent, slope_sd = 0.0, np.inf
    for _ in range(8):
        s = body_size(squared(forward_xy, float(np.degrees(np.arctan(tangent))), focal.px)).chain_px
        both = ok & np.isfinite(s)
        if both.sum() < 12:
            return None
        typical = float(np.median(s[both]))
        slope, slope_sd = robust_slope(x[both], s[both] / typical, steps)
        tangent = float(np.clip(tangent + focal.px * slope, -1.7, 1.7))
    sd = np.sqrt(
        (focal.px * slope_sd) ** 2
        + (focal.px * SIZE_DRIFT_SD / reach) ** 2
        + (tangent * focal.sd_px / focal.px) ** 2
    )
    yaw = np.arctan(tangent)
    return YawEvidence("change of size", float(np.degrees(yaw)), float(np.degrees(sd * np.cos(yaw) ** 2)))


def yaw_from_width(forward_xy: FloatArray, near_side: Side, joint: Pair, focal: Focal) -> YawEvidence | None:
    """Yaw from how far the near joint lies behind the far one on average.

    A pair of joints a width w apart, square to the path, shows in the picture as
    -w (sin(yaw) + (x / f) cos(yaw)); the swing of pelvis and shoulders averages out over strides.

    Parameters
    ----------
    forward_xy : (T, 33, 2) array
        x forward, from the centre of the picture, px.
    near_side : {"left", "right"}
    joint : {"hip", "shoulder"}
    focal : Focal

    Returns
    -------
    YawEvidence or None
        None where the joints were seen together in fewer than 12 frames.
    """
    far_side: Side = "left" if near_side == "right" else "right"
    apart = forward_xy[:, lm.index(joint, near_side), 0] - forward_xy[:, lm.index(joint, far_side), 0]
    beside = mid_point(forward_xy, joint)[:, 0] / focal.px
    stature = body_size(forward_xy).chain_px / CHAIN_SHARE
    ok = np.isfinite(apart) & np.isfinite(beside) & (stature > 0)
    if ok.sum() < 12:
        return None
    seen = -float(np.mean(apart[ok] / stature[ok])) / WIDTH_SHARE[joint]
    aside = float(np.mean(beside[ok]))
    sine = np.clip(seen / np.hypot(1.0, aside), -0.97, 0.97)
    yaw = float(np.degrees(np.arcsin(sine) - np.arctan(aside)))
    return YawEvidence(f"{joint} width", yaw, float(np.hypot(WIDTH_SD_DEG[joint], WIDTH_GAIN_SD * yaw)))


def combined_yaw(evidence: list[YawEvidence]) -> tuple[float, float]:
    """Yaw and its SD, degrees, from all evidence and the usual care of people filming."""
    if not evidence:
        return float("nan"), float("nan")
    w = np.array([1 / e.sd_deg**2 for e in evidence])
    v = np.array([e.yaw_deg for e in evidence])
    among = float(np.sum(w * (v - np.sum(w * v) / w.sum()) ** 2)) / max(len(v) - 1, 1)
    w = w / max(among, 1.0)
    total = w.sum() + 1 / PRIOR_SD_DEG**2
    return float(np.sum(w * v) / total), float(1 / np.sqrt(total))
