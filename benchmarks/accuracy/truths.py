"""What is true of a case, measure by measure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_clips.camera import Camera
from sample_clips.gait import SIDES
from sample_clips.motion import pose, solved
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.true_measures import sagittal_angles
from sample_clips.truth import Truth, truth
from shared import landmarks as lm
from shared.analysis import Event
from technique.measures import measured
from technique.measures_motion import Athlete, motion
from technique.smoothed import Smoothed

FloatArray = NDArray[np.float64]
RECKONED: Final = (
    "vertical_force_peak",
    "vertical_stiffness",
    "leg_stiffness",
    "hip_moment_swing_flexion",
    "hip_moment_swing_extension",
    "hip_power_swing_peak",
)
"""Estimates: held against the same reckoning on exact points and events, since a rendered runner
has no forces. The error of the reckoning itself is not in these rows."""
EXACT_RATE_HZ: Final = 480.0


@dataclass(frozen=True)
class Known:
    """True values by ``key_side`` (``key_both`` for the body)."""

    values: dict[str, float]


def elbow_in_space(metres: FloatArray, side: str) -> FloatArray:
    """Angle shoulder-elbow-wrist in space, (T,) deg; from the side only its projection is seen.

    Parameters
    ----------
    metres : (T, 33, 3) array
    side : {"left", "right"}
    """
    shoulder, elbow, wrist = (metres[:, lm.INDEX[f"{side}_{j}"]] for j in ("shoulder", "elbow", "wrist"))
    a, b = shoulder - elbow, wrist - elbow
    cos = (a * b).sum(axis=1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    out: FloatArray = np.degrees(np.arccos(np.clip(cos, -1, 1)))
    return out


def known_values(known: Truth, spec: ClipSpec, athlete: Athlete) -> Known:
    """All true values of a clip's athlete.

    Elbow angles are those in space: what the side view shows of them is the program's problem.
    """
    values = {}
    for key, value in known.athlete.measures.items():
        sided = key.endswith(("_left", "_right"))
        values[key if sided else f"{key}_both"] = value
    runner = spec.runners[0]
    gait = solved(runner)
    t = np.linspace(0.0, runner.stride_time_s, 800, endpoint=False)
    metres = pose(gait, t).landmarks()
    angles = sagittal_angles(metres)
    for side in SIDES:
        elbow, arm = elbow_in_space(metres, side), angles[f"upper_arm_{side}"]
        values[f"elbow_angle_front_{side}"] = float(elbow[int(np.argmax(arm))])
        values[f"elbow_angle_back_{side}"] = float(elbow[int(np.argmin(arm))])
        values[f"elbow_angle_mean_{side}"] = float(elbow.mean())
        values[f"strike_pattern_{side}"] = values[f"foot_angle_td_{side}"]
    return Known(values | _reckoned(spec, athlete))


def _reckoned(spec: ClipSpec, athlete: Athlete) -> dict[str, float]:
    runner = replace(spec.runners[0], start_x_m=0.0)
    exact = truth(
        ClipSpec(
            (runner,),
            Camera(),
            place=spec.place,
            capture_rate_hz=EXACT_RATE_HZ,
            duration_s=3.4 * runner.stride_time_s,
        )
    )
    track = track_from_truth(exact)
    world = track.world_px
    none = np.zeros((lm.COUNT, 2))
    smoothed = Smoothed(
        time_s=exact.time_s,
        rate_hz=EXACT_RATE_HZ,
        frame=track.frame,
        world_px=world,
        light_px=world,
        valid=np.isfinite(world).all(axis=-1),
        cutoff_hz=np.full((lm.COUNT, 2), 15.0),
        noise_px=none,
        noise_left_px=none,
    )
    events = [
        Event(e.kind, e.side, e.time_s, e.time_s, e.time_s, round(e.time_s * EXACT_RATE_HZ))  # type: ignore[arg-type]
        for e in exact.athlete.events
    ]
    found = measured(motion(track, smoothed, events, athlete)).measures
    return {f"{m.key}_{m.side}": m.value for m in found if m.key in RECKONED and m.value is not None}
