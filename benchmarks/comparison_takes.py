"""Takes of invented runners whose change is known exactly, for `benchmarks.comparison_power`.

Landmarks come from the known motion with seeded noise: no pictures, no pose model (its error enters only
through the intervals). Each clip begins anywhere in the stride. Three kinds of repeating:

- *same motion*: passes differ by landmark noise and by where in the stride the clip begins;
- *wandering*: from pass to pass the runner also wanders, by the SDs in `WANDER` (invented, about what
  repeated runs show);
- *days*: each day wanders by `WANDER`, and its passes about it by half of that.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from sample_clips.motion import solved
from sample_clips.runner import Runner
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.true_measures import true_measures
from sample_clips.truth import Truth, truth
from sample_clips.variety import varied_spec
from shared.errors import LanesideError
from shared.track import Track
from technique.events import events
from technique.measures import measured
from technique.measures_motion import Athlete, motion
from technique.smoothing import smooth
from technique.symmetry import symmetries
from technique.takes import Take
from vision.views import view_plan

Kind = Literal["same motion", "wandering", "days"]
RAISED_DEG: Final = 6.0
NOISE_PX: Final = 1.35
"""Landmark noise of a look, 1 SD. It leaves what is left in rendered clips at 120 frames a second, of which every
second one is looked at: 1.8 degrees (95 %) in the largest thigh angle (median of 45; 10th and 90th percentile 1.3
and 2.6)."""
DAY: Final = "2026-05-01"
MASS_KG: Final = 70.0
WANDER: Final[dict[str, float]] = {
    "thigh_max_deg": 1.0,
    "knee_td_deg": 1.0,
    "knee_swing_max_deg": 1.5,
    "td_distance_m": 0.006,
    "foot_td_deg": 1.0,
    "arm_front_deg": 2.0,
    "arm_back_deg": 2.0,
    "elbow_mean_deg": 2.0,
}
WANDER_SHARE: Final[dict[str, float]] = {"speed_mps": 0.01, "step_frequency_hz": 0.007}
WANDER_LEAN_DEG: Final = 0.7
WANDER_CONTACT_SHARE: Final = 0.015
PASSES_A_DAY: Final = 3


@dataclass
class Scene:
    """Passes of one runner.

    Attributes
    ----------
    kind : str
    near : str
        Side towards the camera.
    base, raised : list of Take
        One of each pass, as it was and with the higher knee lift. Of kind "days" each `PASSES_A_DAY`
        in turn are of one day.
    true_base, true_raised : dict of str to float
        True values of both, as `sample_clips.true_measures`.
    """

    kind: Kind
    near: str
    base: list[Take]
    raised: list[Take]
    true_base: dict[str, float]
    true_raised: dict[str, float]


def looked_at(track: Track) -> Track:
    """The samples of a track that the program looks at, in a clip of 120 frames a second every second one."""
    every = view_plan("standard", track.clip.capture_rate_hz).every
    arrays = ("frame", "time_s", "xy_px", "confidence", "world_px")
    sides = replace(track.labelling, legs_confidence=track.labelling.legs_confidence[::every])
    return replace(track, labelling=sides, **{name: getattr(track, name)[::every] for name in arrays})


def take_of(known: Truth, runner: Runner, seed: int, label: str) -> Take:
    """What a noisy track of this clip gives, as a take."""
    track = looked_at(track_from_truth(known, NOISE_PX, seed))
    smoothed = smooth(track)
    found = measured(
        motion(track, smoothed, events(smoothed), Athlete(stature_m=runner.body.stature_m, mass_kg=MASS_KG))
    ).measures
    speed = next((m.value for m in found if m.key == "speed"), None)
    return Take(
        label,
        DAY,
        (*found, *symmetries(found)),
        frozenset((track.labelling.near_side,)),
        frozenset(("still",)),
        (track.clip.capture_rate_hz, track.clip.capture_rate_hz),
        abs(track.quality.off_perpendicular_deg),
        frozenset(("truth",)),
        frozenset(("0",)),
        frozenset(("file",)),
        speed,
        (),
        frozenset(("marked distance",)),
        frozenset((f"{label}-{seed}",)),
    )


def wandered(runner: Runner, rng: np.random.Generator, share: float = 1.0) -> Runner:
    """The same runner on another take, `share` of the usual wandering away."""
    for _ in range(30):
        changes: dict[str, Any] = {
            name: getattr(runner, name) * (1 + share * sd * rng.normal()) for name, sd in WANDER_SHARE.items()
        }
        changes["trunk_lean_deg"] = runner.trunk_lean_deg + share * WANDER_LEAN_DEG * rng.normal()
        for side in ("left", "right"):
            own = runner.of(side)
            moved = {n: getattr(own, n) + share * sd * rng.normal() for n, sd in WANDER.items()}
            moved["contact_time_s"] = own.contact_time_s * (1 + share * WANDER_CONTACT_SHARE * rng.normal())
            changes[side] = replace(own, **moved)
        made = replace(runner, **changes)
        try:
            solved(made)
        except LanesideError:
            continue
        return made
    raise RuntimeError("this runner can't wander")


def raised(runner: Runner) -> Runner:
    """The same runner with a higher knee lift on both legs."""
    up = {
        side: replace(own, thigh_max_deg=own.thigh_max_deg + RAISED_DEG)
        for side, own in (("left", runner.left), ("right", runner.right))
    }
    return replace(runner, **up)


def scene(seed: int, kind: Kind, base: int, ups: int) -> Scene:
    """A runner drawn from the seed, with that many passes; LanesideError where none can be made."""
    rng = np.random.default_rng(seed)
    spec = varied_spec(seed, float(rng.uniform(3.0, 7.0)))
    usual = spec.runners[0]
    up = raised(usual)
    true = [true_measures(solved(r), samples=800) for r in (usual, up)]
    takes = [_passes(spec, r, kind, n, word, rng) for r, n, word in ((usual, base, "a"), (up, ups, "b"))]
    return Scene(kind, next(iter(takes[0][0].near_sides)), *takes, *true)


def _passes(
    spec: ClipSpec, runner: Runner, kind: Kind, count: int, word: str, rng: np.random.Generator
) -> list[Take]:
    out = []
    day = runner
    for i in range(count):
        if kind == "days" and i % PASSES_A_DAY == 0:
            day = wandered(runner, rng)
        own = day if kind == "same motion" else wandered(day, rng, 0.5 if kind == "days" else 1.0)
        own = replace(own, phase=float(rng.random()))
        known = truth(replace(spec, runners=(own,)))
        out.append(take_of(known, own, int(rng.integers(1 << 30)), f"{word}{i}"))
    return out


def scenes(kind: Kind, runners: int, base: int, ups: int, first_seed: int) -> list[Scene]:
    """Scenes of that many runners; a runner who can't be made or measured is left out and named."""
    out: list[Scene] = []
    seed = first_seed
    while len(out) < runners:
        seed += 1
        try:
            out.append(scene(seed, kind, base, ups))
        except (LanesideError, RuntimeError) as error:
            print("left out:", seed, error, flush=True)
            continue
        print(kind, len(out), "of", runners, flush=True)
    return out


def kept_scenes(
    file: Path | None, kind: Kind, runners: int, base: int, ups: int, first_seed: int
) -> list[Scene]:
    """The scenes of a file where it exists, else made and kept there."""
    if file is not None and file.exists():
        found: list[Scene] = pickle.loads(file.read_bytes())
        return found
    made = scenes(kind, runners, base, ups, first_seed)
    if file is not None:
        file.write_bytes(pickle.dumps(made))
    return made
