"""Trunk lean, and how far the body rises and falls."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from technique import error_model as em
from technique.angles import trunk_lean
from technique.body import centre_of_mass
from technique.measures_motion import Motion, points_at
from technique.measures_readings import Reading, moment_parts, pose_parts, reading_at_event, window_mean

FloatArray = NDArray[np.float64]


def lean(points: FloatArray) -> FloatArray:
    """Trunk lean, deg."""
    return trunk_lean(points)


def trunk(m: Motion) -> list[Reading]:
    """Trunk lean over each step, and at touchdown, mid-stance and toe-off."""
    out: list[Reading | None] = []
    series = lean(m.points)
    for s in m.steps:
        t0 = s.touchdown.time_s
        out.append(reading_at_event(m, "trunk_lean_td", s.side, s.stride, s.touchdown, lean))
        if s.toe_off:
            t1 = s.toe_off.time_s
            out.append(reading_at_event(m, "trunk_lean_to", s.side, s.stride, s.toe_off, lean))
            middle_s = (t0 + t1) / 2.0
            pose = points_at(m.points, m.time_s, middle_s)
            value = float(lean(pose))
            if np.isfinite(value):
                parts = pose_parts(m, lean, pose, value) | moment_parts(m, s.touchdown, lean, m.points)
                frame = m.frame_at(middle_s)
                out.append(Reading("trunk_lean_midstance", s.side, s.stride, value, middle_s, frame, parts))
        if s.next_other:
            t1 = s.next_other.time_s
            value = window_mean(m.time_s, series, t0, t1)
            pose = points_at(m.points, m.time_s, t0)
            if np.isfinite(value) and np.isfinite(lean(pose)):
                # The frame whose lean is nearest to the mean shows it best.
                inside = np.nonzero((m.time_s >= t0) & (m.time_s < t1) & np.isfinite(series))[0]
                best = int(inside[np.argmin(np.abs(series[inside] - value))])
                parts = pose_parts(m, lean, pose, value)
                frame = int(m.smoothed.frame[best])
                out.append(
                    Reading("trunk_lean", "both", s.stride, value, float(m.time_s[best]), frame, parts)
                )
    return [r for r in out if r]


def oscillation(m: Motion) -> list[Reading]:
    """Range of the centre of mass's height over each step, m, without its trend over the step."""
    if m.metres_per_px is None:
        return []
    metres = m.metres_per_px
    height = centre_of_mass(m.mass_points, m.table)[:, 1]
    if np.isfinite(height).mean() < 0.1:
        return []

    def of(p: FloatArray) -> FloatArray:
        return centre_of_mass(p, m.table)[..., 1] * metres

    out = []
    for s in m.steps:
        if not s.next_other:
            continue
        t0, t1 = s.touchdown.time_s, s.next_other.time_s
        at = np.linspace(t0, t1, max(9, int(2 * (t1 - t0) * m.smoothed.rate_hz) + 1))
        y = np.array([float(points_at(height, m.time_s, t)) for t in at])
        if not np.isfinite(y).all():
            continue
        y = y - np.interp(at, at[[0, -1]], y[[0, -1]])
        value = float(np.ptp(y)) * metres
        low = float(at[int(np.argmin(y))])
        noise = em.propagated_half_width(of, points_at(m.mass_points, m.time_s, low), m.noise)
        parts = {
            "landmark noise": noise * 2.0**0.5,
            "scale": em.Z95 * m.scale_sd * value,
            "far arm": m.far_arm_px * metres,
        }
        out.append(Reading("vertical_oscillation", "both", s.stride, value, low, m.frame_at(low), parts))
    return out
