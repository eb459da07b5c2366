"""Invented runners, cameras and light at random, to check against known truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from sample_clips.body import body_of
from sample_clips.camera import Camera
from sample_clips.motion import solved
from sample_clips.runner import Look, Runner, runner_at
from sample_clips.spec import ClipSpec, Picture
from sample_clips.true_measures import true_measures
from shared.errors import OptionError
from shared.landmarks import Side


def varied_runner(seed: int, speed_mps: float | None = None) -> Runner:
    """A running (never walking) person drawn at random about the values usual at the speed.

    Parameters
    ----------
    seed : int
        The same seed gives the same runner.
    speed_mps : float, optional
        Default: 2.5 to 9.5 m/s, drawn.

    Returns
    -------
    Runner
        One that can be solved and stays within what a body does.
    """
    rng = np.random.default_rng(seed)
    speed = float(rng.uniform(2.5, 9.5)) if speed_mps is None else speed_mps
    for _ in range(50):
        runner = _drawn(rng, speed)
        try:
            known = true_measures(solved(runner), samples=400)
        except OptionError:
            continue
        bent = max(known[f"knee_flexion_stance_max_{s}"] for s in ("left", "right"))
        behind = min(known[f"thigh_angle_min_{s}"] for s in ("left", "right"))
        if bent < 66.0 and behind > -52.0:
            return runner
    raise OptionError("speed_mps", f"no runner could be made at {speed:.1f} m/s", "use 2.5 to 10 m/s")


def _drawn(rng: np.random.Generator, speed: float) -> Runner:
    usual = runner_at(speed)
    n = rng.normal
    left, right = usual.left, usual.right
    contact = left.contact_time_s * (1 + 0.06 * n())
    both: dict[str, float] = {
        "thigh_max_deg": left.thigh_max_deg + 6 * n(),
        "knee_td_deg": max(8.0, left.knee_td_deg + 3 * n()),
        "knee_swing_max_deg": left.knee_swing_max_deg + 8 * n(),
        "td_distance_m": max(0.12, left.td_distance_m + 0.025 * n()),
        "foot_td_deg": left.foot_td_deg + 6 * n(),
        "arm_front_deg": left.arm_front_deg + 8 * n(),
        "arm_back_deg": left.arm_back_deg + 8 * n(),
        "elbow_mean_deg": left.elbow_mean_deg + 12 * n(),
        "elbow_range_deg": max(6.0, left.elbow_range_deg + 10 * n()),
    }
    left = replace(left, contact_time_s=contact * (1 + 0.015 * n()), **both)
    uneven = {k: v + (2.0 * n() if k.endswith("deg") else 0.005 * n()) for k, v in both.items()}
    right = replace(right, contact_time_s=contact * (1 + 0.015 * n()), **uneven)
    shade = rng.uniform(0.35, 1.0)
    skin = (int(225 * shade), int(178 * shade), int(148 * shade))
    dark = rng.uniform(0.2, 1.0)
    hair = (int(120 * dark), int(90 * dark), int(60 * dark))
    direction: Side = "right" if rng.random() < 0.5 else "left"
    return replace(
        usual,
        step_frequency_hz=usual.step_frequency_hz * (1 + 0.03 * n()),
        left=left,
        right=right,
        trunk_lean_deg=usual.trunk_lean_deg + 4 * n(),
        arm_abduction_deg=float(np.clip(14 + 5 * n(), 4, 28)),
        hand_inward_deg=float(np.clip(22 + 8 * n(), 5, 40)),
        foot_half_width_m=float(np.clip(0.04 + 0.025 * n(), -0.02, 0.1)),
        pelvis_turn_deg=float(np.clip(9 + 2 * n(), 4, 14)),
        shoulder_turn_deg=float(np.clip(9 + 3 * n(), 3, 16)),
        body=body_of(
            float(rng.uniform(1.58, 1.93)),
            leg_share=float(rng.uniform(0.97, 1.03)),
            width_share=float(rng.uniform(0.9, 1.1)),
        ),
        look=Look(skin, hair, _colour(rng), _colour(rng), _colour(rng)),
        direction=direction,
        phase=float(rng.random()),
    )


def _colour(rng: np.random.Generator) -> tuple[int, int, int]:
    r, g, b = (int(v) for v in rng.integers(25, 235, 3))
    return r, g, b


def varied_spec(seed: int, speed_mps: float | None = None, **changes: Any) -> ClipSpec:
    """A whole clip at random: runner, still side-view camera, light; 120 frames per second.

    Parameters
    ----------
    seed : int
    speed_mps : float, optional
        Default: drawn.
    **changes
        Fields of `ClipSpec` to set, for instance ``capture_rate_hz=60``.

    Returns
    -------
    ClipSpec
        About three strides in view, the runner 25 to 45 % of the picture's height.
    """
    runner = varied_runner(seed, speed_mps)
    rng = np.random.default_rng(seed + 1_000_003)
    travel = float(np.clip(3.2 * runner.speed_mps * runner.stride_time_s, 5.0, 13.0))
    distance = float(rng.uniform(0.9, 1.4)) * travel
    camera = Camera(
        width=1280,
        height=720,
        distance_m=distance,
        view_deg=2 * float(np.degrees(np.arctan((travel / 2 + 0.9) / distance))),
        height_m=float(rng.uniform(0.8, 1.5)),
        off_perpendicular_deg=float(rng.normal(0, 3.0)),
        roll_deg=float(rng.normal(0, 1.0)),
    )
    picture = Picture(
        shutter_s=float(rng.choice([1 / 250, 1 / 500, 1 / 1000])),
        blur_samples=2,
        noise=float(rng.uniform(0.8, 3.0)),
        brightness=float(rng.uniform(0.75, 1.2)),
        contrast=float(rng.uniform(0.8, 1.1)),
        sun_deg=float(rng.uniform(20, 160)),
        sun_height_deg=float(rng.uniform(25, 70)),
        seed=seed,
    )
    spec = ClipSpec(
        (replace(runner, start_x_m=-travel / 2),),
        camera=camera,
        picture=picture,
        duration_s=travel / runner.speed_mps,
        name=f"varied_{seed}",
        note="A runner drawn at random.",
    )
    return replace(spec, **changes)
