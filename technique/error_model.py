"""The one place where the error of a number is added up.

A measure's 95 % half-width has these named parts:

========================  ====================================================================
strides                   spread over strides: Student t times SD / sqrt(n), without the share
                          of that spread which the next three parts explain
frame rate                events fall between frames: 0.776 frame intervals per interval between
                          two events (closed form), divided by sqrt(n)
events                    what else single events are uncertain by, / sqrt(n)
event method              what all events of one kind and foot are early or late by alike: leaves the
                          time to the same event of the same foot alone, stays in all others
landmark noise            jitter of the landmarks left after filtering, propagated, / sqrt(n)
model                     1.96 times the clip-to-clip spread of the pose model's error
model bias                what a real runner's bias may differ by from the mean error taken out of the value
bias not taken out        instead: its whole size, for points of another pose model
scale                     metres per pixel
camera roll               roll that may be left, on angles against the vertical and distances
view angle                camera off a true side view, at the far end of what it may be
out of plane              limbs that leave the plane of travel
others                    parts that one measure alone has, under its own name
========================  ====================================================================

Independent parts are combined as the root of the sum of squares. The mean error of the pose model on
drawn runners is taken out of values that come from its points (`ErrorRow.correction`); since this
runner's bias need not be theirs, half of it (1 SD) stays in the interval. Where it is not taken out
(points of another model) its size is added on top, linearly, and so is the view angle's, whose sign
is known and whose size is only bounded. Parts over strides shrink with sqrt(n), all others do not.

Few strides give a poor SD, so it is pooled with the typical within-clip SD of the measure, which
counts as `PRIOR_STRIDES` strides: s^2 = (nu0 s0^2 + (n - 1) s^2) / (nu0 + n - 1) with
nu0 + n - 1 degrees of freedom (a moderated t). One stride is then the typical SD alone, and many
strides are the plain Student t.

References
----------
Smyth GK (2004) Linear models and empirical Bayes methods. Stat Appl Genet Mol Biol 3:3 (the
pooled variance; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from technique.error_rows import Z95 as Z95
from technique.error_rows import Distance as Distance
from technique.error_rows import ErrorRow as ErrorRow
from technique.error_rows import ErrorTable as ErrorTable
from technique.error_rows import EventRow as EventRow
from technique.error_rows import PlaneRow as PlaneRow
from technique.error_rows import TypicalRow as TypicalRow
from technique.error_rows import View as View
from technique.error_rows import error_table as error_table
from technique.error_rows import load_error_table as load_error_table
from technique.error_rows import view_class as view_class
from technique.error_rows import write_error_table as write_error_table

FloatArray = NDArray[np.float64]

PRIOR_STRIDES: Final[float] = 4.0
"""Weight of the typical SD, in strides (a judgement: half of the 7 steps that are advised)."""
LINEAR_PARTS: Final[tuple[str, ...]] = ("bias not taken out", "view angle")
"""Parts that are added linearly; all others by root of the sum of squares."""
TESTED_PARTS: Final[tuple[str, ...]] = (
    "event method",
    "landmark noise",
    "flat foot",
    "camera roll",
    "view angle",
)
"""Parts that clips with known truth have as real ones do, so that truth can tell them too wide. The single
events' own part is fitted as it stands (`EventRow.own_sd`)."""
QUANTISATION_95: Final[float] = 1.0 - 0.05**0.5
"""95 % of the error of an interval between two events on frames, in frame intervals (0.776)."""


def error_row(
    key: str,
    unit: str,
    distance: Distance,
    errors: Sequence[float],
    other_half_widths: Sequence[float],
    source: str,
) -> ErrorRow:
    """A table row from clips with known truth.

    Parameters
    ----------
    errors : sequence of float
        Measured minus true, one per clip (2 or more).
    other_half_widths : sequence of float
        For the same clips, the 95 % half-width of all parts but those of the pose model. Leave out
        "strides" too where the truth is that of the very strides that were measured.

    Returns
    -------
    ErrorRow
        The spread is what the other parts do not explain, not less than 0.
    """
    e = np.asarray(errors, dtype=float)
    if len(e) < 2 or len(e) != len(other_half_widths):
        raise ValueError("give at least 2 errors and one half-width for each")
    others = float(np.mean((np.asarray(other_half_widths) / Z95) ** 2))
    spread = max(float(e.var(ddof=1)) - others, 0.0) ** 0.5
    return ErrorRow(
        key=key, unit=unit, distance=distance, bias=float(e.mean()), sd=spread, n=len(e), source=source
    )


def combined(parts: Mapping[str, float]) -> float:
    """95 % half-width of all parts: root of the sum of squares, then the linear parts on top."""
    squares = sum(v * v for k, v in parts.items() if k not in LINEAR_PARTS)
    return float(squares**0.5 + sum(abs(parts.get(k, 0.0)) for k in LINEAR_PARTS))


def stride_half_width(values: FloatArray, typical_sd: float) -> float:
    """95 % half-width of the mean over strides by the moderated t.

    Parameters
    ----------
    values : (n,) array
        One value per stride, n >= 1.
    typical_sd : float
        Typical SD of single strides, same unit.
    """
    n = len(values)
    if n < 1:
        raise ValueError("no values")
    own = float(np.var(values, ddof=1)) if n > 1 else 0.0
    freedom = PRIOR_STRIDES + n - 1
    pooled = (PRIOR_STRIDES * typical_sd**2 + (n - 1) * own) / freedom
    return float(stats.t.ppf(0.975, freedom) * (pooled / n) ** 0.5)


def frame_half_width(frame_interval_s: float, timed_between: int = 2) -> float:
    """95 % half-width, s, of one time that is read off frames.

    With both ends on frames (`timed_between` = 2) the error is triangular with SD T / sqrt(6) and
    95 % within 0.776 T; with one end on a frame it is even within T / 2.
    """
    return frame_interval_s * (QUANTISATION_95 if timed_between == 2 else 0.475)


def propagated_half_width(
    of: Callable[[FloatArray], FloatArray], points: FloatArray, sd: FloatArray
) -> float:
    """95 % half-width of a number from independent noise on the landmarks.

    Parameters
    ----------
    of : callable
        Number from points, (..., 33, 2) -> (...).
    points : (33, 2) array
    sd : (33, 2) array
        Noise, 1 SD, same unit as `points`; NaN counts as none.

    Returns
    -------
    float
        First-order propagation with central differences; exact for small noise.
    """
    sd = np.nan_to_num(sd)
    which = np.argwhere(sd > 0)
    if not len(which):
        return 0.0
    step = np.zeros((len(which), *points.shape))
    step[np.arange(len(which)), which[:, 0], which[:, 1]] = sd[which[:, 0], which[:, 1]]
    change = (of(points + step) - of(points - step)) / 2.0
    return Z95 * float(np.sqrt(np.nansum(change**2)))


def rotated(points: FloatArray, degrees: float) -> FloatArray:
    """Points (..., 2) turned forward about the origin: what a rolled camera does."""
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    out: FloatArray = points @ turn.T
    return out


def roll_half_width(of: Callable[[FloatArray], FloatArray], points: FloatArray, roll_sd: float) -> float:
    """95 % half-width from camera roll (1 SD in deg) that may be left; 0 for joint angles."""
    if not np.isfinite(roll_sd) or roll_sd <= 0:
        return 0.0
    r = Z95 * roll_sd
    return abs(float(of(rotated(points, r)) - of(rotated(points, -r)))) / 2.0


def view_half_width(
    of: Callable[[FloatArray], FloatArray],
    points: FloatArray,
    yaw_deg: float,
    lateral: FloatArray | None = None,
) -> float:
    """How far a number may be off when the camera stands `yaw_deg` off a true side view.

    Forward distances shrink by cos(yaw), tan(seen) = tan(true) cos(yaw), and a point that lies z
    beside the midline is seen z sin(yaw) too far forward or back. Both are undone, for a camera
    ahead and a camera behind, and the number is taken again. The value itself is not corrected.

    Parameters
    ----------
    lateral : (33,) array, optional
        Each landmark beside the midline, same unit as `points`; default: all on it.
    """
    turn = np.radians(yaw_deg)
    aside = np.zeros(points.shape[-2]) if lateral is None else lateral
    seen = float(of(points))
    changes = []
    for sign in (1.0, -1.0):
        undone = points.copy()
        undone[..., 0] = (points[..., 0] - sign * aside * np.sin(turn)) / np.cos(turn)
        changes.append(abs(float(of(undone)) - seen))
    return max(changes)


def rate_noise_sd(angle_sd: float, cutoff_hz: float, window_s: float = 0.0) -> float:
    """SD of a rate (per s) from the SD of the filtered quantity.

    Noise that is white up to the cut-off f has a derivative with SD 2 pi f / sqrt(3) times its own.
    A rate taken as the slope of a straight line over a window W passes less of it: at each
    frequency the share 3 (sin x - x cos x) / x^3 with x = pi f W.
    """
    f = np.linspace(0.0, cutoff_hz, 201)[1:]
    x = np.pi * f * window_s
    passed = np.ones_like(x)
    np.divide(3.0 * (np.sin(x) - x * np.cos(x)), x**3, out=passed, where=x > 1e-3)
    return float(angle_sd * np.sqrt(np.mean((2.0 * np.pi * f * passed) ** 2)))


def acceleration_noise_sd(sd: float, cutoff_hz: float) -> float:
    """SD of a second derivative (per s^2) of white noise up to the cut-off: (2 pi f)^2 / sqrt(5)."""
    return float(sd * (2.0 * np.pi * cutoff_hz) ** 2 / 5.0**0.5)


def elbow_seen(abduction_deg: float, inward_deg: float, true_deg: float = 90.0) -> float:
    """Elbow angle seen from the side when the arm is not in the plane of travel.

    Parameters
    ----------
    abduction_deg : float
        Upper arm away from the body, out of the plane.
    inward_deg : float
        Forearm turned towards the midline, out of the plane.
    true_deg : float
        True angle shoulder-elbow-wrist.

    Returns
    -------
    float
        deg; NaN where the three angles can't go together. In the plane the two segments have the
        lengths cos(abduction) and cos(inward); out of it both lead from the elbow towards the
        midline: cos(true) = cos(a) cos(b) cos(seen) + sin(a) sin(b).
    """
    a, b = np.radians(abduction_deg), np.radians(inward_deg)
    c = (np.cos(np.radians(true_deg)) - np.sin(a) * np.sin(b)) / (np.cos(a) * np.cos(b))
    return float(np.degrees(np.arccos(c))) if abs(c) <= 1 else float("nan")
