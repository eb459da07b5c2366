"""A turning camera: focal length, rotation of each frame, and the plane the athlete runs in.

Turning a camera on the spot maps one picture to another by K R K^-1. A chain of shift-turn-zoom
transforms cannot follow that over a wide angle; a chain of rotations can, and it also shows the
focal length, because the edges of the picture stretch as the camera turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.spatial.transform import Rotation

FloatArray = NDArray[np.float64]

FOCAL_SHARE = 0.80
"""Focal length over the longer picture side where nothing better is known: a phone's main camera
(26-30 mm equivalent on 36 mm width gives 0.72-0.83; from memory, cropped for video)."""
FOCAL_SHARE_SD = 0.25
"""Relative SD of that guess: the longer lens of a phone is two or three times as long."""


@dataclass(frozen=True)
class Focal:
    """Focal length in px with one standard deviation; `measured` is False for the usual phone value."""

    px: float
    sd_px: float
    measured: bool


def usual_focal(width: int, height: int) -> Focal:
    """Focal length of a phone's main camera, px, with a wide standard deviation."""
    px = FOCAL_SHARE * max(width, height)
    return Focal(px, FOCAL_SHARE_SD * px, measured=False)


def rays(xy: FloatArray, focal_px: float, centre: FloatArray) -> FloatArray:
    """Unit directions of picture points.

    Parameters
    ----------
    xy : (..., 2) array
        Picture points, px, y down.
    focal_px : float
        Focal length, px.
    centre : (2,) array
        Principal point, px.

    Returns
    -------
    (..., 3) array
        x right, y down, z forward.
    """
    flat = (np.asarray(xy, float) - centre) / focal_px
    r = np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)
    return np.asarray(r / np.linalg.norm(r, axis=-1, keepdims=True))


def rotation_between(source: FloatArray, target: FloatArray) -> FloatArray:
    """Rotation vector (3,) rad that best turns unit directions `source` (N, 3) into `target` (N, 3).

    References
    ----------
    Kabsch W (1976), Acta Crystallographica A32:922.
    """
    u, _, vt = np.linalg.svd(target.T @ source)
    d = np.sign(np.linalg.det(u @ vt))
    return np.asarray(Rotation.from_matrix(u @ np.diag([1.0, 1.0, d]) @ vt).as_rotvec())


def turned(xy: FloatArray, rotvec: FloatArray, focal_px: float, centre: FloatArray) -> FloatArray:
    """Picture points (N, 2) after the rotation `rotvec` (3,) rad of their directions."""
    r = Rotation.from_rotvec(rotvec).apply(rays(xy, focal_px, centre))
    return np.asarray(centre + focal_px * r[:, :2] / r[:, 2:3])


def _misfit(
    log_focal: float, pairs: Sequence[tuple[FloatArray, FloatArray]], centre: FloatArray
) -> FloatArray:
    f = float(np.exp(log_focal))
    out = []
    for a, b in pairs:
        w = rotation_between(rays(a, f, centre), rays(b, f, centre))
        out.append(turned(a, w, f, centre) - b)
    return np.concatenate(out)


def focal_from_pan(pairs: Sequence[tuple[FloatArray, FloatArray]], width: int, height: int) -> Focal | None:
    """Focal length from matched points of pictures taken by a camera that turned on the spot.

    Parameters
    ----------
    pairs : sequence of ((N, 2), (N, 2)) arrays
        Matched picture points of two frames each, px; the wider the turn the better.
    width, height : int
        Picture size, px.

    Returns
    -------
    Focal or None
        None where the turn is too small or the fit runs into the edge of the search range
        (0.4 to 5 times the longer side).

    Notes
    -----
    The standard deviation is from the curvature of the misfit, counting every eighth point as
    independent, and never below 3 %: walking along while turning, lens distortion and rolling
    shutter are not in the model.
    """
    usable = [(a, b) for a, b in pairs if len(a) >= 8 and _median_shift(a, b) > 0.06 * width]
    if not usable:
        return None
    centre = picture_centre(width, height)
    low, high = np.log(0.4 * max(width, height)), np.log(5.0 * max(width, height))

    def cost(log_focal: float) -> float:
        e = np.linalg.norm(_misfit(log_focal, usable, centre), axis=1)
        return float(np.sum(np.minimum(e, 6.0) ** 2))

    grid = np.linspace(low, high, 25)
    start = int(np.argmin([cost(g) for g in grid]))
    if start in (0, len(grid) - 1):
        return None
    best = minimize_scalar(cost, bounds=(grid[start - 1], grid[start + 1]), method="bounded")
    log_f, step = float(best.x), 0.05
    curvature = (cost(log_f + step) - 2 * cost(log_f) + cost(log_f - step)) / step**2
    n = sum(len(a) for a, _ in usable) / 8
    if curvature <= 0:
        return None
    variance = cost(log_f) / max(2 * 8 * n - 1, 1)
    relative = max(float(np.sqrt(2 * 8 * variance / curvature)), 0.03)
    f = float(np.exp(log_f))
    return Focal(f, relative * f, measured=True) if relative < FOCAL_SHARE_SD else None


def _median_shift(a: FloatArray, b: FloatArray) -> float:
    return float(np.median(np.linalg.norm(b - a, axis=1)))


def picture_centre(width: int, height: int) -> FloatArray:
    """Centre of the picture (2,), px."""
    return np.array([(width - 1) / 2, (height - 1) / 2])


@dataclass(frozen=True)
class PanAxis:
    """The axis a camera turned about, in the reference frame.

    Attributes
    ----------
    upright : (3, 3) array
        Turns reference-frame directions so that the axis points straight down (+y).
    roll_deg : float
        Camera roll that the axis implies if the camera turned about the vertical; positive = the
        level line rises to the right in the picture.
    range_deg : float
        Angle turned through.
    wobble_deg : float
        RMS of the turning that is not about the axis.
    """

    upright: FloatArray
    roll_deg: float
    range_deg: float
    wobble_deg: float


def pan_axis(rotvec: FloatArray) -> PanAxis:
    """Axis of a pan from the rotation of each frame to the reference.

    Parameters
    ----------
    rotvec : (T, 3) array
        Rotation vectors frame to reference, rad; the first is about zero.
    """
    centred = rotvec - rotvec.mean(axis=0)
    axis = np.linalg.svd(centred, full_matrices=False)[2][0]
    axis = axis if axis[1] > 0 else -axis
    along = centred @ axis
    rest = centred - along[:, None] * axis
    down = np.array([0.0, 1.0, 0.0])
    cross = np.cross(axis, down)
    angle = np.arctan2(np.linalg.norm(cross), axis @ down)
    norm = np.linalg.norm(cross)
    w = cross / norm * angle if norm > 1e-12 else np.zeros(3)
    return PanAxis(
        Rotation.from_rotvec(w).as_matrix(),
        float(np.degrees(np.arctan2(axis[0], axis[1]))),
        float(np.degrees(np.ptp(along))),
        float(np.degrees(np.sqrt(np.mean(np.sum(rest**2, axis=1))))),
    )


def azimuth_and_fall(
    xy: FloatArray, rotvec: FloatArray, focal_px: float, centre: FloatArray, upright: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Azimuth (rad, right positive) and fall (tangent of the angle below the horizon) of points.

    Parameters
    ----------
    xy : (T, N, 2) array
        Picture points, px, y down.
    rotvec : (T, 3) array
        Rotation of each frame to the reference, rad.
    upright : (3, 3) array
        As in `PanAxis`.

    Returns
    -------
    (T, N) array, (T, N) array
    """
    r = rays(xy, focal_px, centre)
    turn = upright @ Rotation.from_rotvec(rotvec).as_matrix()
    r = np.einsum("tij,tnj->tni", turn, r)
    return np.arctan2(r[..., 0], r[..., 2]), r[..., 1] / np.hypot(r[..., 0], r[..., 2])


def square_on_azimuth(azimuth: FloatArray, size: FloatArray) -> tuple[float, float]:
    """Azimuth at which a straight path is nearest, from the size of the athlete.

    A straight path at distance D is D / cos(a - a0) away, so the size seen is A cos a + B sin a.

    Parameters
    ----------
    azimuth : (T,) array
        Where the athlete is, rad.
    size : (T,) array
        Size of the athlete in the unrolled picture, any unit; NaN allowed.

    Returns
    -------
    a0, sd : float
        rad; the middle of the path with SD 10 degrees is taken in as prior knowledge, because
        people stand about square to the middle of what they film.
    """
    ok = np.isfinite(azimuth) & np.isfinite(size)
    prior, prior_sd = 0.0, np.radians(10.0)
    if ok.sum() < 8:
        middle = float(np.nanmean(azimuth)) if np.isfinite(azimuth).any() else 0.0
        return middle, prior_sd
    a, s = azimuth[ok], size[ok]
    middle = float((a.min() + a.max()) / 2)
    design = np.column_stack([np.cos(a - middle), np.sin(a - middle)])
    keep = np.ones(len(s), bool)
    for _ in range(3):
        coef = np.linalg.lstsq(design[keep], s[keep], rcond=None)[0]
        e = s - design @ coef
        spread = 1.4826 * np.median(np.abs(e[keep])) + 1e-12
        keep = np.abs(e) < 3 * spread
    independent = max(keep.sum() / 8, 1.0)
    cov = np.linalg.inv(design[keep].T @ design[keep]) * spread**2 * (keep.sum() / independent)
    seen = float(np.arctan2(coef[1], coef[0]))
    seen_sd = float(np.sqrt(cov[1, 1])) / max(abs(float(coef[0])), 1e-9)
    w_seen, w_prior = 1 / max(seen_sd, 1e-6) ** 2, 1 / prior_sd**2
    return (
        middle + (w_seen * seen + w_prior * prior) / (w_seen + w_prior),
        float(1 / np.sqrt(w_seen + w_prior)),
    )
