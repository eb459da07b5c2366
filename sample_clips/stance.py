"""One side's cycle, and what its foot does while it is on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BPoly

FloatArray = NDArray[np.float64]
GIVE_M: Final[tuple[float, float]] = (0.010, 0.014)
"""Heel pad and shoe under load: ankle forward and down against the sole. Common size, no source."""
GIVE_S: Final[float] = 0.035
"""Time from touchdown to full give."""


@dataclass(frozen=True)
class SideGait:
    """One side's solved cycle; times from its own touchdown.

    Attributes
    ----------
    contact_s : float
    pitch_td, pitch_to : float
        Rear foot pitch at touchdown and toe-off, rad.
    flat_s, rise_s : float
        Foot flat until `rise_s`, from `flat_s`.
    rise_slope : float
        How fast the heel still rises at toe-off (0: it has come to rest).
    ankle_td_x : float
        Ankle ahead of its flat-foot position at touchdown, m.
    give : float
        Share of `GIVE_M` that this runner's heel and shoe give: 1 running, 0 walking.
    thigh, knee, foot, toe : BPoly
        Swing curves, rad: thigh angle, knee flexion, ankle angle, toe against rear foot.
    """

    contact_s: float
    pitch_td: float
    pitch_to: float
    flat_s: float
    rise_s: float
    rise_slope: float
    ankle_td_x: float
    give: float
    thigh: BPoly
    knee: BPoly
    foot: BPoly
    toe: BPoly


def _rise(u: FloatArray, slope: float) -> FloatArray:
    """0 to 1 over u = 0..1, at rest at the beginning, with `slope` at the end."""
    v = np.minimum(np.maximum(u, 0.0), 1.0)
    curve: FloatArray = v * v * (3.0 - 2.0 * v) + slope * v * v * (v - 1.0)
    return curve


def stance_pitch(g: SideGait, tau: FloatArray) -> FloatArray:
    """Rear foot pitch (rad) in contact, `tau` s after touchdown."""
    landing = np.square(np.clip(1.0 - tau / g.flat_s, 0.0, 1.0))
    rise = _rise((tau - g.rise_s) / (g.contact_s - g.rise_s), g.rise_slope)
    pitch: FloatArray = g.pitch_td * landing * (1 - rise) + g.pitch_to * rise
    return pitch


def stance_toe_pitch(g: SideGait, tau: FloatArray) -> FloatArray:
    """Pitch of the front part of the foot about the toe tip late in contact, rad, 0 or negative."""
    begin = 0.5 * g.contact_s
    late: FloatArray = _rise((tau - begin) / (g.contact_s - begin), g.rise_slope)
    toe: FloatArray = 0.45 * g.pitch_to * late
    return toe


def ankle_give(g: SideGait, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ankle (forward, up) against the unloaded shoe in contact, m; 0 at touchdown and toe-off."""
    pressed = 1.0 - np.square(np.clip(1.0 - tau / min(GIVE_S, 0.3 * g.contact_s), 0.0, 1.0))
    eased = np.clip((tau / g.contact_s - 0.5) / 0.5, 0.0, 1.0)
    share = g.give * pressed * (1.0 - eased * eased * (3.0 - 2.0 * eased))
    return GIVE_M[0] * share, -GIVE_M[1] * share
