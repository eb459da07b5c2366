"""What is exactly true of a clip: landmarks, events, angles, measures; no pixels needed."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sample_clips import camera as cam
from sample_clips.gait import SIDES, Gait, touchdown_phase_s
from sample_clips.motion import Pose, centre_of_mass, cycle_time, pose, solved
from sample_clips.runner import Runner
from sample_clips.spec import ClipSpec
from sample_clips.true_measures import sagittal_angles, true_measures
from shared.errors import ClipError
from shared.landmarks import Side

FloatArray = NDArray[np.float64]
VERSION: Final[int] = 1


@dataclass(frozen=True)
class TrueEvent:
    """A touchdown or toe-off at its exact time (real s from the first frame)."""

    kind: str
    side: Side
    time_s: float


@dataclass(frozen=True)
class RunnerTruth:
    """Truth of one runner.

    Attributes
    ----------
    metres : (T, 33, 3) array
        Landmarks in the athlete's own axes: x forward in the direction of travel, y up from the
        ground, z to the athlete's right.
    px : (T, 33, 2) array
        The same in the upright picture, px, x right, y down, origin at the picture's corner.
    visible : (T, 33) bool array
        Inside the picture (not whether another limb hides it).
    centre_of_mass : (T, 3) array
        m, same axes as `metres`.
    angles : dict of str to (T,) array
        Degrees, names of `shared.catalogue.ANGLES` with ``_left`` / ``_right``; ``trunk`` alone.
    contact : dict of str to (T,) bool array
        Foot on the ground, per side.
    events : tuple of TrueEvent
        All events inside the clip, in order of time.
    measures : dict of str to float
        ``key_left``, ``key_right``, or ``key`` for one value of the body; every stride is alike.
    direction, near_side : {"left", "right"}
    metres_per_px : (T,) array
        At the runner's mid-hip.
    standing : bool
    """

    metres: FloatArray
    px: FloatArray
    visible: NDArray[np.bool_]
    centre_of_mass: FloatArray
    angles: dict[str, FloatArray]
    contact: dict[str, NDArray[np.bool_]]
    events: tuple[TrueEvent, ...]
    measures: dict[str, float]
    direction: Side
    near_side: Side
    metres_per_px: FloatArray
    standing: bool

    def event_times(self, kind: str, side: Side) -> FloatArray:
        """Times (s) of one kind of event ("touchdown", "toe_off") of one side."""
        return np.array([e.time_s for e in self.events if e.kind == kind and e.side == side])


@dataclass(frozen=True)
class Truth:
    """Truth of a clip; `runners[0]` is the athlete.

    Attributes
    ----------
    name : str
    time_s : (T,) array
        Real seconds from the first frame (middle of each exposure).
    runners : tuple of RunnerTruth
    width, height : int
        Upright px.
    capture_rate_hz, container_rate_hz : float
    camera : {"still", "panning", "treadmill"}
    belt_speed_mps : float or None
    off_perpendicular_deg, roll_deg : float
        Of the camera; for a panning camera the angle at the closest point.
    camera_angles : (T, 3) array
        Pan, tilt, roll, rad.
    focal_px : float
    camera_position : (3,) array
        Scene, m.
    spec : dict
        All parameters the clip was made from.
    """

    name: str
    time_s: FloatArray
    runners: tuple[RunnerTruth, ...]
    width: int
    height: int
    capture_rate_hz: float
    container_rate_hz: float
    camera: str
    belt_speed_mps: float | None
    off_perpendicular_deg: float
    roll_deg: float
    camera_angles: FloatArray
    focal_px: float
    camera_position: FloatArray
    spec: dict[str, Any]

    @property
    def athlete(self) -> RunnerTruth:
        """The athlete of the clip."""
        return self.runners[0]


def scene_points(runner: Runner, points: FloatArray) -> FloatArray:
    """Runner's own axes to scene axes (X right in the picture, Y up, Z to the camera), m."""
    sign = 1.0 if runner.direction == "right" else -1.0
    placed: FloatArray = points * np.array([sign, 1.0, sign]) + np.array([0.0, 0.0, runner.lane_z_m])
    return placed


def camera_angles(spec: ClipSpec, gait: Gait, time_s: FloatArray) -> FloatArray:
    """Pan, tilt and roll of the clip's camera at given times, (T, 3) rad."""
    at = pose(gait, time_s).points["pelvis"]
    return cam.angles(spec.camera, time_s, scene_points(gait.runner, at)[:, 0])


def events_of(runner: Runner, duration_s: float) -> tuple[TrueEvent, ...]:
    """All events in [0, duration], exact."""
    if runner.standing:
        return ()
    stride = runner.stride_time_s
    begin = float(cycle_time(runner, np.array(0.0)))
    found = []
    for side in SIDES:
        for kind, at in (("touchdown", 0.0), ("toe_off", runner.of(side).contact_time_s)):
            first = (touchdown_phase_s(runner, side) + at - begin) % stride
            for t in np.arange(first, duration_s, stride):
                found.append(TrueEvent(kind, side, float(t)))
    return tuple(sorted(found, key=lambda e: e.time_s))


def truth(spec: ClipSpec) -> Truth:
    """The truth of a clip, without rendering it.

    Parameters
    ----------
    spec : ClipSpec

    Returns
    -------
    Truth
    """
    time_s = np.arange(spec.frames) / spec.capture_rate_hz
    gaits = [solved(r) for r in spec.runners]
    turn = camera_angles(spec, gaits[0], time_s)
    rotation = cam.axes(turn)
    runners = tuple(_runner_truth(spec, g, pose(g, time_s), rotation) for g in gaits)
    first = spec.runners[0]
    kind = "treadmill" if first.treadmill else ("panning" if spec.camera.pan == "follow" else "still")
    return Truth(
        name=spec.name,
        time_s=time_s,
        runners=runners,
        width=spec.camera.width,
        height=spec.camera.height,
        capture_rate_hz=spec.capture_rate_hz,
        container_rate_hz=spec.container_rate_hz or spec.capture_rate_hz,
        camera=kind,
        belt_speed_mps=first.speed_mps if first.treadmill else None,
        off_perpendicular_deg=spec.camera.off_perpendicular_deg,
        roll_deg=spec.camera.roll_deg,
        camera_angles=turn,
        focal_px=spec.camera.focal_px,
        camera_position=spec.camera.position,
        spec=asdict(spec),
    )


def _runner_truth(spec: ClipSpec, gait: Gait, body_pose: Pose, rotation: FloatArray) -> RunnerTruth:
    r, c = gait.runner, spec.camera
    metres = body_pose.landmarks()
    px = cam.projected(c, rotation, scene_points(r, metres))
    inside = (px[..., 0] >= 0) & (px[..., 0] < c.width) & (px[..., 1] >= 0) & (px[..., 1] < c.height)
    hip = scene_points(r, body_pose.points["pelvis"])
    depth = np.einsum("tj,tj->t", rotation[:, 2], hip - c.position)
    return RunnerTruth(
        metres=metres,
        px=px,
        visible=inside,
        centre_of_mass=centre_of_mass(body_pose),
        angles=sagittal_angles(metres),
        contact=body_pose.contact,
        events=events_of(r, (spec.frames - 1) / spec.capture_rate_hz),
        measures={} if r.standing else true_measures(gait),
        direction=r.direction,
        near_side="right" if r.direction == "right" else "left",
        metres_per_px=depth / c.focal_px,
        standing=r.standing,
    )


def save_truth(known: Truth, path: Path) -> None:
    """Write a truth file (compressed numpy archive with one JSON text in it)."""
    arrays: dict[str, Any] = {
        "time_s": known.time_s,
        "camera_angles": known.camera_angles,
        "camera_position": known.camera_position,
    }
    people = []
    for i, r in enumerate(known.runners):
        arrays[f"{i}_metres"] = np.round(r.metres, 5).astype(np.float32)
        arrays[f"{i}_px"] = np.round(r.px, 3).astype(np.float32)
        arrays[f"{i}_visible"] = r.visible
        arrays[f"{i}_com"] = np.round(r.centre_of_mass, 5).astype(np.float32)
        arrays[f"{i}_scale"] = r.metres_per_px
        arrays[f"{i}_contact"] = np.stack([r.contact[s] for s in SIDES])
        people.append(
            {
                "events": [asdict(e) for e in r.events],
                "measures": r.measures,
                "direction": r.direction,
                "near_side": r.near_side,
                "standing": r.standing,
            }
        )
    meta = {
        "version": VERSION,
        "people": people,
        **{
            k: getattr(known, k)
            for k in (
                "name",
                "width",
                "height",
                "capture_rate_hz",
                "container_rate_hz",
                "camera",
                "belt_speed_mps",
                "off_perpendicular_deg",
                "roll_deg",
                "focal_px",
                "spec",
            )
        },
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        np.savez_compressed(file, meta=np.array(json.dumps(meta)), **arrays)


def load_truth(path: str | Path) -> Truth:
    """Read a truth file.

    Raises
    ------
    ClipError
        If the file is not a truth file of this version.
    """
    try:
        with np.load(Path(path), allow_pickle=False) as data:
            meta = json.loads(str(data["meta"]))
            if meta["version"] != VERSION:
                raise ClipError(str(path), "it is of another version", "render the clip again")
            people = tuple(_person(data, meta["people"][i], i) for i in range(len(meta["people"])))
            rest = {k: v for k, v in meta.items() if k not in ("version", "people")}
            return Truth(
                time_s=data["time_s"],
                runners=people,
                camera_angles=data["camera_angles"],
                camera_position=data["camera_position"],
                **rest,
            )
    except (OSError, KeyError, ValueError) as error:
        raise ClipError(str(path), f"not a truth file ({error})", "render the clip again") from error


def _person(data: Any, kept: dict[str, Any], i: int) -> RunnerTruth:
    metres = data[f"{i}_metres"].astype(np.float64)
    on = data[f"{i}_contact"]
    return RunnerTruth(
        metres=metres,
        px=data[f"{i}_px"].astype(np.float64),
        visible=data[f"{i}_visible"],
        centre_of_mass=data[f"{i}_com"].astype(np.float64),
        angles=sagittal_angles(metres),
        contact={s: on[j] for j, s in enumerate(SIDES)},
        events=tuple(TrueEvent(**e) for e in kept["events"]),
        measures=kept["measures"],
        direction=kept["direction"],
        near_side=kept["near_side"],
        metres_per_px=data[f"{i}_scale"],
        standing=kept["standing"],
    )
