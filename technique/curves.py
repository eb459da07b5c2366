"""Joint angles over the gait cycle: 0 to 100 %, touchdown to touchdown of the same foot."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.interpolate import CubicSpline

from shared.analysis import Curve
from shared.catalogue import CURVES
from shared.landmarks import Side, SideOrBoth
from technique import error_model as em
from technique.angles import ANGLE_OF, SIDES, AngleOf, elbow_angle
from technique.error_model import ErrorTable
from technique.measures import LARGEST_YAW_DEG
from technique.measures_motion import Motion, arm_hidden, leg_hidden

FloatArray = NDArray[np.float64]

PERCENT: Final[FloatArray] = np.linspace(0.0, 100.0, 101)
ARM_CURVES: Final[tuple[str, ...]] = ("elbow", "upper_arm")
ERROR_KEY: Final[dict[str, str]] = {
    "trunk": "trunk_lean",
    "thigh": "thigh_angle_max",
    "hip": "thigh_angle_max",
    "knee": "knee_flexion_td",
    "ankle": "foot_angle_td",
    "elbow": "elbow_angle_mean",
    "upper_arm": "arm_swing_front",
}
"""Measure whose row of the error table stands for the whole curve."""
TYPICAL_SD_DEG: Final[float] = 2.0
"""Typical SD of single strides along a curve (own reading of treadmill running: 1 to 3)."""
POSES: Final[int] = 11
"""Points of the cycle at which noise, roll and view are reckoned; between them a straight line."""


def stride_curve(time_s: FloatArray, series: FloatArray, start_s: float, end_s: float) -> FloatArray | None:
    """One stride on 101 points, or None where any of it is missing.

    Parameters
    ----------
    time_s, series : (N,) array
    start_s, end_s : float
        Touchdown and the next touchdown of the same foot.

    Returns
    -------
    (101,) array or None
        Cubic spline through the samples of the stride and two beyond each end.
    """
    step = float(time_s[1] - time_s[0])
    if start_s < time_s[0] - step / 2 or end_s > time_s[-1] + step / 2:
        return None
    first = max(int(np.searchsorted(time_s, start_s)) - 3, 0)
    last = min(int(np.searchsorted(time_s, end_s)) + 3, len(time_s))
    must = (time_s >= start_s - step) & (time_s <= end_s + step)
    if not np.isfinite(series[must]).all():
        return None
    t, y = time_s[first:last], series[first:last]
    seen = np.isfinite(y)
    if seen.sum() < 4:
        return None
    out: FloatArray = CubicSpline(t[seen], y[seen])(start_s + PERCENT / 100.0 * (end_s - start_s))
    return out


def curves(m: Motion, table: ErrorTable | None = None) -> tuple[Curve, ...]:
    """Mean curve of every angle and side that the clip shows for at least one whole stride.

    Parameters
    ----------
    m : Motion
    table : ErrorTable, optional
        Default: the one that comes with the program.

    Returns
    -------
    tuple of Curve
        In the order of `shared.catalogue.CURVES`, left before right. The trunk's is "both", from
        the strides of the near foot. Angles that can't be measured are left out.
    """
    if np.isfinite(m.yaw_deg) and m.yaw_deg > LARGEST_YAW_DEG:
        return ()
    table = table or em.error_table()
    out = []
    for key in CURVES:
        sides: tuple[SideOrBoth, ...] = ("both",) if key == "trunk" else SIDES
        for side in sides:
            own: Side = m.near if side == "both" else side
            if key in ARM_CURVES and arm_hidden(m, own):
                continue
            if key not in ARM_CURVES and side != "both" and leg_hidden(m, own):
                continue
            made = _curve(m, key, side, own, table)
            if made:
                out.append(made)
    return tuple(out)


def _angle(m: Motion, key: str) -> AngleOf:
    if key == "elbow":
        return lambda points, side: elbow_angle(points, side, m.arm_out_deg)
    return ANGLE_OF[key]


def _curve(m: Motion, key: str, side: SideOrBoth, own: Side, table: ErrorTable) -> Curve | None:
    series = _angle(m, key)(m.points, own)
    spans = [(s.touchdown.time_s, s.next_same.time_s) for s in m.of_side(own) if s.next_same]
    found = [(span, stride_curve(m.time_s, series, *span)) for span in spans]
    kept = [(span, c) for span, c in found if c is not None]
    if not kept:
        return None
    strides = np.stack([c for _, c in kept])
    n = len(strides)
    mean = strides.mean(axis=0)
    sd = strides.std(axis=0, ddof=1) if n > 1 else np.zeros(101)
    freedom = em.PRIOR_STRIDES + n - 1
    pooled = (em.PRIOR_STRIDES * TYPICAL_SD_DEG**2 + (n - 1) * sd**2) / freedom
    spread = float(stats.t.ppf(0.975, freedom)) * np.sqrt(pooled / n)
    kind = em.view_class(m.yaw_deg, m.leg_px)
    row = table.error(ERROR_KEY[key], "far" if side == m.far else "near", kind)
    plane = table.plane(ERROR_KEY[key])
    noise, roll, view = _pose_errors(m, key, own, kept[0][0])
    squares = spread**2 + noise**2 / n + roll**2 + (em.Z95 * row.sd) ** 2 + plane**2
    half = np.sqrt(squares) + abs(row.correction) + view
    return Curve(key, side, mean, sd, half, strides, n)


def _pose_errors(
    m: Motion, key: str, own: Side, span: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Landmark noise, roll and view half-widths along the curve, each (101,)."""

    def of(points: FloatArray) -> FloatArray:
        return _angle(m, key)(points, own)

    marks = np.linspace(0.0, 100.0, POSES)
    rows = []
    for t in np.linspace(*span, POSES):
        pose = m.points[int(np.argmin(np.abs(m.time_s - t)))]
        rows.append(
            (
                em.propagated_half_width(of, pose, m.noise),
                em.roll_half_width(of, pose, m.roll_sd_deg),
                em.view_half_width(of, pose, m.yaw_95_deg, m.lateral_px()),
            )
        )
    noise, roll, view = (np.interp(PERCENT, marks, np.nan_to_num(c)) for c in np.array(rows).T)
    return noise, roll, view
