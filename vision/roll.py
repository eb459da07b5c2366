"""How far the camera was tilted sideways, from lines in the background and from the path."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PRIOR_SD_DEG = 2.0
"""SD of the roll of a hand-held phone or a tripod set by eye (common practice, no source)."""
TAKEN_OUT_SD_DEG = 1.0
"""Roll is taken out of the world points only when it is known better than this."""
GROUND_SD_DEG = 0.7
"""SD of the slope of ground taken to be level (common practice, no source)."""
LINE_CHANGE_SD_DEG = 4.0
"""SD of how much the angle of parallel lines changes from the centre of the picture to its edge:
tan(yaw) or tan(pitch) times the half picture over the focal length (10 degrees: 4 to 6)."""
CAMERA_ABOVE_HIP = (0.15, 0.18)
"""Mean and SD of the camera's height above the runner's hip, over stature: from hip-high on a
tripod to chest-high in the hand (common practice, no source)."""


@dataclass(frozen=True)
class RollEvidence:
    """One estimate of roll, degrees; positive = level lines rise to the right in the picture."""

    source: str
    roll_deg: float
    sd_deg: float


@dataclass(frozen=True)
class Roll:
    """Roll to take out (0 when the evidence is weak) and one SD of what is left, degrees."""

    roll_deg: float
    sd_deg: float
    evidence: tuple[RollEvidence, ...] = ()


def roll_from_lines(grey: NDArray[np.uint8], outside: NDArray[np.bool_] | None = None) -> list[RollEvidence]:
    """Roll from near-vertical and near-level straight lines of the background.

    Lines that are plumb in the world lean by the roll plus a part that grows across the picture
    when the camera looks up or down; level lines likewise when it is not square on. A straight
    line fitted across the picture separates the two, and is read off at the centre.

    Parameters
    ----------
    grey : (H, W) uint8 array
    outside : (H, W) bool array, optional
        False where lines are left out (the athlete).

    Returns
    -------
    list of RollEvidence
        None, one or two entries: "upright lines", "level lines".
    """
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if found is None:
        return []
    seg = np.asarray(found, float)[:, 0]
    height, width = grey.shape
    mid = (seg[:, :2] + seg[:, 2:]) / 2
    if outside is not None:
        col = np.clip(mid[:, 0].astype(int), 0, width - 1)
        row = np.clip(mid[:, 1].astype(int), 0, height - 1)
        seg, mid = seg[outside[row, col]], mid[outside[row, col]]
    d = seg[:, 2:] - seg[:, :2]
    length = np.hypot(d[:, 0], d[:, 1])
    long = length > 0.05 * height
    d, mid, length = d[long], mid[long], length[long]
    out = []
    down = np.where(d[:, 1:] < 0, -d, d)
    lean = np.degrees(np.arctan2(down[:, 0], down[:, 1]))
    right = np.where(d[:, :1] < 0, -d, d)
    rise = np.degrees(np.arctan2(-right[:, 1], right[:, 0]))
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    along = (mid - centre) / centre
    for name, angle, across, floor in (
        ("upright lines", lean, along[:, 0], 0.4),
        ("level lines", rise, along[:, 1], 1.0),
    ):
        fit = _common_angle(angle, across, length, height)
        if fit is not None:
            roll, sd, change = fit
            extra = 0.15 * abs(change) if name == "level lines" else 0.03 * abs(change)
            out.append(RollEvidence(name, roll, float(np.sqrt(sd**2 + floor**2 + extra**2))))
    return out


def _common_angle(
    angle: FloatArray, across: FloatArray, length: FloatArray, height: int
) -> tuple[float, float, float] | None:
    """Angle at the centre that most lines share, its SD, and its change to the edge, degrees.

    The angle may change linearly across the picture, by `LINE_CHANGE_SD_DEG` or so from the centre
    to the edge; lines that lie all on one side of the centre therefore say little.
    """
    near = np.abs(angle) < 10
    angle, across, length = angle[near], across[near], length[near]
    if len(angle) < 4 or length.sum() < 1.5 * height:
        return None
    best: tuple[float, FloatArray] = (-1.0, np.zeros(2))
    for a in np.arange(-8, 8.01, 0.5):
        for k in np.arange(-8, 8.01, 1.0):
            e = angle - a - k * across
            score = float(np.sum(length * np.exp(-0.5 * (e / 0.8) ** 2)))
            score *= float(np.exp(-0.5 * (k / LINE_CHANGE_SD_DEG) ** 2 / 4))
            if score > best[0]:
                best = (score, np.array([a, k]))
    coef, cov = best[1], np.eye(2)
    design = np.column_stack([np.ones_like(across), across])
    for _ in range(5):
        e = angle - design @ coef
        w = length * np.exp(-0.5 * (e / 0.8) ** 2)
        spread = max(float(np.sqrt(np.average(e**2, weights=w))), 0.3)
        effective = float(w.sum() ** 2 / np.sum(w**2))
        w *= effective / w.sum() / spread**2
        cov = np.linalg.inv(design.T @ (w[:, None] * design) + np.diag([0.0, LINE_CHANGE_SD_DEG**-2]))
        coef = cov @ design.T @ (w * angle)
    agree = np.abs(angle - design @ coef) < 1.5
    if length[agree].sum() < max(1.5 * height, 0.45 * length.sum()) or agree.sum() < 4:
        return None
    return float(coef[0]), float(np.sqrt(cov[0, 0])) + 0.1, float(coef[1])


def roll_from_path(hip: FloatArray, size_px: FloatArray, stature_px: float) -> RollEvidence | None:
    """Roll from the course of the hips over level ground.

    The hips of somebody running over level ground stay at one height. In the picture their
    course slopes by the roll, and by perspective when the path comes nearer: at a height z the
    slope is -tan(roll) + s' (z_camera - z), s' being the change of size along the path. The
    camera's height above the hips is not known, which is part of the error.

    Parameters
    ----------
    hip : (T, 2) array
        Mid-hip, px of the reference frame, x right, y down.
    size_px : (T,) array
        Size of the body (any fixed part of it) in each frame.
    stature_px : float
        Stature in px.

    Returns
    -------
    RollEvidence or None
        None where the path is shorter than 1.5 statures.
    """
    ok = np.isfinite(hip).all(axis=1) & np.isfinite(size_px)
    if ok.sum() < 12 or not stature_px > 0:
        return None
    x, y, s = hip[ok, 0], hip[ok, 1], size_px[ok]
    reach = float(np.percentile(x, 98) - np.percentile(x, 2))
    if reach < 1.5 * stature_px:
        return None
    slope, slope_sd = robust_slope(x, y, reach / (0.65 * stature_px))
    growth, growth_sd = robust_slope(x, s / np.median(s) * stature_px, reach / (0.65 * stature_px))
    above, above_sd = CAMERA_ABOVE_HIP
    roll = -np.degrees(np.arctan(slope - growth * above))
    sd = np.degrees(np.sqrt(slope_sd**2 + (growth * above_sd) ** 2 + (growth_sd * above) ** 2))
    return RollEvidence("course of the hips", float(roll), float(np.hypot(sd, GROUND_SD_DEG)))


def robust_slope(x: FloatArray, y: FloatArray, independent: float) -> tuple[float, float]:
    """Slope of y on x without outliers, and its SD counting `independent` samples."""
    keep = np.ones(len(x), bool)
    slope = 0.0
    for _ in range(4):
        slope, offset = np.polyfit(x[keep], y[keep], 1)
        e = y - slope * x - offset
        spread = 1.4826 * float(np.median(np.abs(e[keep]))) + 1e-9
        keep = np.abs(e) < 3 * spread
    sd = spread / (np.std(x[keep]) * np.sqrt(max(independent, 1.5)))
    return float(slope), float(sd)


def combined_roll(evidence: list[RollEvidence]) -> Roll:
    """Roll from all evidence and the usual care of people holding a phone.

    Evidence that disagrees makes the error larger by the square root of its misfit.
    """
    if not evidence:
        return Roll(0.0, PRIOR_SD_DEG, ())
    w = np.array([1 / e.sd_deg**2 for e in evidence])
    r = np.array([e.roll_deg for e in evidence])
    among = float(np.sum(w * (r - np.sum(w * r) / w.sum()) ** 2)) / max(len(r) - 1, 1)
    w = w / max(among, 1.0)
    total = w.sum() + 1 / PRIOR_SD_DEG**2
    mean, sd = float(np.sum(w * r) / total), float(1 / np.sqrt(total))
    if sd <= TAKEN_OUT_SD_DEG:
        return Roll(mean, sd, tuple(evidence))
    return Roll(0.0, float(np.hypot(mean, sd)), tuple(evidence))
