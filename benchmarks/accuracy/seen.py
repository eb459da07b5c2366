"""The costly stage, kept on disk: render a case, look at it, keep what was seen.

For each case the cache holds ``NAME.mp4`` and ``NAME.truth.npz`` (clip and truth, until the case
itself changes), ``NAME.seen.pkl`` (all that the passes over the pixels left behind), and
``NAME.track.npz`` with ``NAME.raw.npz`` (the finished track and the pose model's own points, for
others to read). The stages after the pixels (sides, world, scale, quality) run again from
``NAME.seen.pkl`` in a moment, so a change there costs no new look.
"""

from __future__ import annotations

import hashlib
import json
import pickle
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final
from unittest import mock

import numpy as np

from benchmarks.accuracy.cases import Case, factors, spec_of
from sample_clips.clip import render_clip, truth_path
from sample_clips.truth import Truth, load_truth
from shared.errors import LanesideError
from shared.track import Track
from shared.track_file import write_track
from vision import track_clip as vision
from vision.raw import RawTrack

PIXEL_MODULES: Final = (
    "pose",
    "views",
    "heat",
    "athlete",
    "athlete_follow",
    "athlete_links",
    "athlete_people",
    "person_detector",
    "camera",
    "camera_motion",
    "blur",
    "clip",
    "clip_repeats",
    "weights",
)
"""Modules of `vision` that look at pixels: a change here needs a new look."""


@dataclass(frozen=True)
class SeenCase:
    """One case with its truth and its track; `track` is None where the clip was refused."""

    case: Case
    truth: Truth
    track: Track | None
    raw: RawTrack | None
    why: str
    stature_m: float


def pixel_version() -> str:
    """Short hash of the modules that look at pixels."""
    folder = Path(vision.__file__).parent
    digest = hashlib.sha256()
    for name in PIXEL_MODULES:
        digest.update((folder / f"{name}.py").read_bytes())
    return digest.hexdigest()[:12]


PIXELS: Final = pixel_version()
"""Of the code that was loaded, not of what lies on disk by the time a case is looked at."""


def given_stature(case: Case, truth_stature_m: float) -> float:
    """What the user says about the stature: to the centimetre, and 1 cm (1 SD) off."""
    rng = np.random.default_rng(6000 + case.number)
    return float(round(truth_stature_m + rng.normal(0.0, 0.01), 2))


def request_of(case: Case) -> vision.TrackRequest:
    """What the user says about the clip."""
    runner = spec_of(case).runners[0]
    return vision.TrackRequest(
        stature_m=given_stature(case, runner.body.stature_m),
        belt_speed_mps=case.speed_mps if case.camera == "treadmill" else None,
    )


def _spec_hash(case: Case) -> str:
    return hashlib.sha256(json.dumps(asdict(spec_of(case)), sort_keys=True).encode()).hexdigest()[:12]


def look(case: Case, folder: Path, again: bool = False, any_version: bool = False) -> str:
    """Render and look at a case unless the cache has it; returns a line on what was done."""
    folder.mkdir(parents=True, exist_ok=True)
    clip, kept = folder / f"{case.name}.mp4", folder / f"{case.name}.seen.pkl"
    note = folder / f"{case.name}.json"
    old = json.loads(note.read_text()) if note.exists() else {}
    spec_hash, version = _spec_hash(case), PIXELS
    start = time.perf_counter()
    if old.get("spec") != spec_hash or not clip.exists() or not truth_path(clip).exists():
        render_clip(spec_of(case), clip)
        old = {}
        note.write_text(json.dumps({"spec": spec_hash}))
    rendered = time.perf_counter() - start
    same = old.get("pixels") == version or (any_version and "pixels" in old)
    if same and kept.exists() and not again:
        return f"{case.name}: in the cache"
    start = time.perf_counter()
    found: dict[str, Any] = {"args": None, "why": ""}
    finish = vision._track

    def keep(*args: Any) -> Track:
        found["args"] = args  # written down on the way to the same end
        return finish(*args)

    track: Track | None = None
    with mock.patch.object(vision, "_track", keep):
        try:
            track = vision.track_clip(clip, request_of(case))
        except LanesideError as error:
            found["why"] = str(error)
    kept.write_bytes(pickle.dumps(found))
    if track is not None:
        write_track(track, folder / f"{case.name}.track.npz")
        raw = found["args"][0].raw
        with (folder / f"{case.name}.raw.npz").open("wb") as out:
            np.savez_compressed(out, **{k: v for k, v in vars(raw).items() if k != "model"})
    seconds = time.perf_counter() - start
    facts = {"spec": spec_hash, "pixels": version, "case": factors(case), "frames": spec_of(case).frames}
    note.write_text(json.dumps(facts | {"render_s": round(rendered, 1), "look_s": round(seconds, 1)}))
    return (
        f"{case.name}: {facts['frames']} frames, render {rendered:.0f} s, look {seconds:.0f} s {found['why']}"
    )


def seen_case(case: Case, folder: Path) -> SeenCase | None:
    """A case from the cache, its track made again by today's code; None if it is not there."""
    kept = folder / f"{case.name}.seen.pkl"
    if not kept.exists():
        return None
    known = load_truth(truth_path(folder / f"{case.name}.mp4"))
    found = pickle.loads(kept.read_bytes())  # our own file, written by `look`
    stature = request_of(case).stature_m or 0.0
    if found["args"] is None:
        return SeenCase(case, known, None, None, found["why"], stature)
    try:
        track = vision._track(*found["args"])
    except LanesideError as error:
        return SeenCase(case, known, None, found["args"][0].raw, str(error), stature)
    return SeenCase(case, known, track, found["args"][0].raw, "", stature)


def seen_cases(chosen: list[Case], folder: Path) -> Iterator[SeenCase]:
    """Those of the chosen cases that the cache holds."""
    for case in chosen:
        one = seen_case(case, folder)
        if one is not None:
            yield one
