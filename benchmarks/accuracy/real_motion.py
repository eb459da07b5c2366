"""The technique stage alone on measured running of real people, against force and full data.

Markers of eight runners at three speeds on a force-measuring treadmill (Fukuchi, Fukuchi and
Duarte 2017, PeerJ 5:e3298; 150 Hz, read from beside the checkout, never copied). Each trial is cut
into short clips as a phone would see them; the truth is the whole ten seconds: force above 50 N for
times, and angles read from the unfiltered markers at the force plate's events. So here, other than
with rendered runners, strides vary and the interval must cover that too. Events are told by models
fitted without the runner.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.events_data import FOLDER, PX_PER_M, Trial, track_at, trials
from benchmarks.events_fit import held_out_models, rows_of, samples, with_extra
from shared import landmarks as lm
from shared.analysis import Event, EventKind
from shared.landmarks import Side
from shared.track import Scale, Track
from technique.curves import curves
from technique.error_model import ErrorTable
from technique.events import events
from technique.events_model import Model, fitted_model
from technique.measures import measured
from technique.measures_motion import Athlete, Motion, motion
from technique.smoothed import Smoothed
from technique.smoothing import smooth

FloatArray = NDArray[np.float64]
KINDS: Final[tuple[EventKind, EventKind]] = ("touchdown", "toe_off")
CLIP_S: Final = 2.2
"""Length of each clip: two or three strides."""
STARTS_S: Final = (0.4, 5.2)
NOISE: Final = 0.01
CORRELATION_S: Final = 0.02
"""Landmark noise of the noisy clips: 1 % of the leg (8 mm), with a memory of 20 ms."""
CONDITIONS: Final = ((150.0, 0.0), (240.0, NOISE), (120.0, NOISE), (60.0, NOISE))
"""Frames per second, noise in leg lengths. 240 is interpolated from 150."""
TRUE_KEYS: Final = (
    "contact_time",
    "flight_time",
    "step_time",
    "step_frequency",
    "stride_time",
    "duty_factor",
    "step_length",
    "thigh_angle_max",
    "thigh_angle_min",
    "knee_flexion_td",
    "knee_flexion_to",
    "knee_flexion_stance_max",
    "knee_flexion_swing_max",
    "thigh_angular_velocity_forward",
    "thigh_angular_velocity_back",
    "shank_angle_td",
    "foot_angle_td",
    "td_distance",
)


@dataclass(frozen=True)
class RealClip:
    """One short clip of a trial: its motion, its events, and the truth of the whole trial."""

    trial: Trial
    rate_hz: float
    noise: float
    start_s: float
    motion: Motion
    events: tuple[Event, ...]
    true: dict[str, float]


def there() -> bool:
    """True where the data lie beside the checkout."""
    return FOLDER.is_dir()


def held_out() -> list[Model]:
    """Event models, each fitted without one of the eight runners, in the order of the runners."""
    extra = {(k[0], k[1], k[2]): m.extra for k, m in fitted_model().items() if k[3] == "fine"}
    return [with_extra(m, extra) for m in held_out_models(rows_of(samples()))]


def whole_trial(trial: Trial) -> Motion:
    """The whole trial as it was measured, with the force plate's events; nothing filtered."""
    track = _scaled(track_at(trial, 150.0))
    none = np.zeros((lm.COUNT, 2))
    smoothed = Smoothed(
        time_s=track.time_s,
        rate_hz=150.0,
        frame=track.frame,
        world_px=track.world_px,
        light_px=track.world_px,
        valid=np.isfinite(track.world_px).all(axis=-1),
        cutoff_hz=np.full((lm.COUNT, 2), 15.0),
        noise_px=none,
        noise_left_px=none,
    )
    found = [
        Event(kind, side, float(t), float(t), float(t), int(np.argmin(np.abs(track.time_s - t))))
        for side, contacts in trial.contacts.items()
        for contact in contacts
        for kind, t in zip(KINDS, contact)
    ]
    return motion(track, smoothed, found, Athlete())


def _scaled(track: Track) -> Track:
    return replace(track, scale=Scale(1.0 / PX_PER_M, 0.0, "marked distance"))


def clips(
    models: list[Model], conditions: tuple[tuple[float, float], ...] = CONDITIONS
) -> Iterator[RealClip]:
    """All clips of all trials under each condition."""
    runners: list[str] = []
    for number, trial in enumerate(trials()):
        if trial.runner not in runners:
            runners.append(trial.runner)
        model = models[runners.index(trial.runner)]
        true = {
            f"{m.key}_{m.side}": m.value
            for m in measured(whole_trial(trial)).measures
            if m.key in TRUE_KEYS and m.value is not None
        }
        for rate, noise in conditions:
            for k, start in enumerate(STARTS_S):
                rng = np.random.default_rng(1000 * number + 10 * k + round(rate))
                track = track_at(
                    trial,
                    rate,
                    phase=float(rng.uniform()),
                    noise=noise,
                    correlation_s=CORRELATION_S if noise else 0.0,
                    rng=rng,
                    window_s=(start, start + CLIP_S),
                )
                track = _scaled(track)
                smoothed = smooth(track)
                found = events(smoothed, model)
                yield RealClip(
                    trial, rate, noise, start, motion(track, smoothed, found, Athlete()), found, true
                )


def measure_rows(clip: RealClip, table: ErrorTable | None = None) -> list[dict[str, Any]]:
    """One row per measure, as `judged.measure_rows`; the side is "near" (right) or "far"."""
    rows = []
    for x in measured(clip.motion, table).measures:
        true = clip.true.get(f"{x.key}_{x.side}")
        if true is None:
            continue
        row: dict[str, Any] = {
            "case": f"{clip.trial.runner} {clip.trial.speed_mps}",
            "runner": clip.trial.runner,
            "rate_hz": clip.rate_hz,
            "noise": clip.noise,
            "start": clip.start_s,
            "key": x.key,
            "unit": x.unit,
            "side": "body" if x.side == "both" else ("near" if x.side == clip.motion.near else "far"),
            "true": true,
            "value": x.value,
            "n": x.n,
            "why": x.why,
        }
        if x.value is not None and x.low is not None and x.high is not None:
            row |= {"error": x.value - true, "low": x.low, "high": x.high, "parts": dict(x.error_parts)}
        rows.append(row)
    return rows


def event_rows(clip: RealClip) -> list[dict[str, Any]]:
    """Errors of events against force, ms, and of each contact time; contacts cut by the clip left out."""
    rows: list[dict[str, Any]] = []
    t0, t1 = clip.motion.time_s[0] + 0.05, clip.motion.time_s[-1] - 0.05
    base = {
        "runner": clip.trial.runner,
        "speed_mps": clip.trial.speed_mps,
        "rate_hz": clip.rate_hz,
        "noise": clip.noise,
    }
    for side, contacts in clip.trial.contacts.items():
        for contact in contacts:
            errors = []
            for kind, true in zip(KINDS, contact):
                if not t0 < true < t1:
                    continue
                mine = [e for e in clip.events if e.kind == kind and e.side == side]
                near = min(mine, key=lambda e: abs(e.time_s - true), default=None)
                if near is None or abs(near.time_s - true) > 0.1:
                    rows.append(base | {"kind": kind, "missed": True})
                    continue
                errors.append(near.time_s - true)
                inside = near.low_s <= true <= near.high_s
                rows.append(
                    base | {"kind": kind, "missed": False, "error_ms": 1000 * errors[-1], "inside": inside}
                )
            if len(errors) == 2:
                rows.append(
                    base | {"kind": "contact", "missed": False, "error_ms": 1000 * (errors[1] - errors[0])}
                )
    return rows


def published_curves() -> list[dict[str, Any]]:
    """Our knee and ankle curves of runner 002 against the authors' own, per speed and side.

    The authors' are three-dimensional (joint coordinate system), ours lie in the sagittal plane.
    """
    lines = (FOLDER / "rbds002_published_curves.txt").read_text().splitlines()
    names = lines[0].split("\t")
    data = np.array([[float(v) if v.strip() else np.nan for v in line.split("\t")] for line in lines[1:102]])
    rows: list[dict[str, Any]] = []
    for trial in trials():
        if trial.runner != "rbds002":
            continue
        speed = f"{10 * trial.speed_mps:.0f}"
        mine = {(c.key, c.side): c.mean for c in curves(whole_trial(trial))}
        for side in ("left", "right"):
            for key, joint in (("knee", "knee"), ("ankle", "ankle")):
                column = f"{side[0].upper()}{joint}AngZ{speed}"
                if column not in names or (key, side) not in mine:
                    continue
                theirs, ours = data[:, names.index(column)], mine[key, _side(side)]
                gap = ours - theirs
                rows.append(
                    {
                        "speed": trial.speed_mps,
                        "side": side,
                        "joint": joint,
                        "rms": float(np.sqrt(np.mean(gap**2))),
                        "offset": float(gap.mean()),
                        "rms_without_offset": float(gap.std()),
                        "r": float(np.corrcoef(ours, theirs)[0, 1]),
                    }
                )
    return rows


def _side(name: str) -> Side:
    return "left" if name == "left" else "right"
