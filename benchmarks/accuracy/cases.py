"""The designed sample: which invented runner is filmed how, case by case.

A scrambled Sobol sequence over the factors, so that every beginning of the list is a balanced
sample of the whole. Body, clothes and technique of each case are drawn by `sample_clips.variety`
from the case's number: no two cases share a body, so that a split by case is a split by body and
motion.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from scipy.stats import qmc

from sample_clips.camera import Camera
from sample_clips.runner import Runner
from sample_clips.spec import ClipSpec, Picture
from sample_clips.variety import varied_runner

DESIGN_SEED: Final = 20
LONGEST: Final = 128
"""Cases in the design; a run takes the first of them."""
SPEED_MPS: Final = (3.0, 10.0)
BELT_MPS: Final = (3.0, 6.5)
RATES_HZ: Final = ((0.26, 60.0), (0.74, 120.0), (1.0, 240.0))
"""Upper end of the share, frames per second."""
STRIDES: Final = {60.0: 2.9, 120.0: 2.15, 240.0: 1.75}
"""Strides in view: what one or two whole strides and their margins need."""
Kind = Literal["still", "panning", "treadmill"]
CAMERAS: Final[tuple[tuple[float, Kind], ...]] = ((0.45, "still"), (0.75, "panning"), (1.0, "treadmill"))
SQUARE_SHARE: Final = 0.4
SQUARE_DEG: Final = 5.0
LARGEST_YAW_DEG: Final = 30.0
"""A share of the cases is filmed within `SQUARE_DEG` of a side view, the rest up to 30 degrees off."""
LEVEL_SHARE: Final = 0.6
LARGEST_ROLL_DEG: Final = 4.0


@dataclass(frozen=True)
class Case:
    """One case of the design.

    Attributes
    ----------
    number : int
    speed_mps, rate_hz : float
    camera : {"still", "panning", "treadmill"}
    yaw_deg, roll_deg : float
        Camera off a true side view (signed), and rolled.
    size : float
        0..1, small to large runner in the picture.
    light : float
        0..1, good to poor: darker, flatter, noisier, more compressed.
    shutter_s : float
    """

    number: int
    speed_mps: float
    rate_hz: float
    camera: Kind
    yaw_deg: float
    roll_deg: float
    size: float
    light: float
    shutter_s: float

    @property
    def name(self) -> str:
        """File name stem."""
        return f"case_{self.number:03d}"


def _pick(table: tuple[tuple[float, Any], ...], share: float) -> Any:
    return next(value for end, value in table if share < end or end == 1.0)


def cases(count: int = LONGEST) -> list[Case]:
    """The first `count` cases of the design (at most `LONGEST`).

    Raises
    ------
    ValueError
        If more are asked for than there are.
    """
    if not 0 < count <= LONGEST:
        raise ValueError(f"`count` must be 1 to {LONGEST}")
    u = qmc.Sobol(8, scramble=True, rng=np.random.default_rng(DESIGN_SEED)).random(LONGEST)
    return [_case(i, row) for i, row in enumerate(u[:count])]


def _case(number: int, u: np.ndarray[Any, Any]) -> Case:
    kind: Kind = _pick(CAMERAS, u[2])
    low, high = BELT_MPS if kind == "treadmill" else SPEED_MPS
    if u[3] < SQUARE_SHARE:
        yaw = SQUARE_DEG * u[3] / SQUARE_SHARE
    else:
        yaw = SQUARE_DEG + (LARGEST_YAW_DEG - SQUARE_DEG) * (u[3] - SQUARE_SHARE) / (1 - SQUARE_SHARE)
    signs = np.random.default_rng(9000 + number).choice([-1.0, 1.0], 2)
    roll = max(0.0, (u[4] - LEVEL_SHARE) / (1 - LEVEL_SHARE)) * LARGEST_ROLL_DEG
    return Case(
        number=number,
        speed_mps=float(low + (high - low) * u[0]),
        rate_hz=_pick(RATES_HZ, u[1]),
        camera=kind,
        yaw_deg=float(signs[0] * yaw),
        roll_deg=float(signs[1] * roll),
        size=float(u[5]),
        light=float(u[6]),
        shutter_s=float(1 / 2000 * (2000 / 200) ** u[7]),
    )


def spec_of(case: Case) -> ClipSpec:
    """The clip of a case."""
    runner = varied_runner(50_000 + case.number, case.speed_mps)
    strides = STRIDES[case.rate_hz]
    travel = strides * runner.stride_time_s * case.speed_mps
    camera = _camera(case, runner, travel)
    if case.camera == "treadmill":
        runner = replace(runner, treadmill=True)
    else:
        runner = replace(runner, start_x_m=-travel / 2)
    return ClipSpec(
        (runner,),
        camera=camera,
        place="treadmill room" if case.camera == "treadmill" else "track",
        picture=_picture(case, runner, camera),
        capture_rate_hz=case.rate_hz,
        duration_s=travel / case.speed_mps,
        crf=round(18 + 8 * case.light),
        name=case.name,
        note="Accuracy benchmark.",
    )


def _camera(case: Case, runner: Runner, travel: float) -> Camera:
    rng = np.random.default_rng(7000 + case.number)
    height = float(rng.uniform(0.8, 1.5))
    common = Camera(
        height_m=height, off_perpendicular_deg=case.yaw_deg, roll_deg=case.roll_deg, seed=case.number
    )
    if case.camera == "still":
        wide, tall = (1920, 1080) if case.size > 0.5 else (1280, 720)
        distance = float(rng.uniform(0.9, 1.5)) * max(travel, 4.0)
        half = travel / 2 + 1.0 + 0.25 * travel * abs(np.sin(np.radians(case.yaw_deg)))
        view = 2 * float(np.degrees(np.arctan(half / distance)))
        return replace(common, width=wide, height=tall, distance_m=distance, view_deg=view)
    treadmill = case.camera == "treadmill"
    distance = float(rng.uniform(3.0, 5.5) if treadmill else rng.uniform(9.0, 17.0))
    share = (0.45 if treadmill else 0.28) + 0.3 * case.size
    half_w = 0.5 * 1280 / 720 * runner.body.stature_m / share
    view = 2 * float(np.degrees(np.arctan(half_w / distance)))
    if treadmill:
        return replace(common, distance_m=distance, view_deg=view)
    return replace(
        common, distance_m=distance, view_deg=view, pan="follow", pan_error_deg=0.5, shake_deg=0.07
    )


def _picture(case: Case, runner: Runner, camera: Camera) -> Picture:
    rng = np.random.default_rng(8000 + case.number)
    smear_px = 2 * runner.speed_mps * case.shutter_s * camera.focal_px / camera.distance_m
    return Picture(
        shutter_s=case.shutter_s,
        blur_samples=int(np.clip(np.ceil(smear_px / 4), 1, 3)),
        noise=float(0.8 + 5.2 * case.light**2),
        brightness=float(1.15 - 0.5 * case.light * rng.uniform(0.3, 1.0)),
        contrast=float(1.05 - 0.3 * case.light * rng.uniform(0.3, 1.0)),
        sun_deg=float(rng.uniform(20, 160)),
        sun_height_deg=float(rng.uniform(25, 70)),
        seed=case.number,
    )


def factors(case: Case) -> dict[str, Any]:
    """All factors of a case as plain values."""
    return asdict(case)
