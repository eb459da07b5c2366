"""How the ways of looking compare on rendered clips whose truth is known.

Run as ``python -m benchmarks.pose_modes FOLDER [--only NAME ...]``: FOLDER holds pairs of a clip and
its truth file. Prints one table of errors over all clips, and one row per clip with ``--each``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_clips.true_measures import sagittal_angles
from sample_clips.truth import Truth, load_truth
from shared import landmarks as lm
from vision.athlete import Person, choose_athlete, find_people, follow
from vision.athlete_follow import Look
from vision.clip import Frame, frames, probe
from vision.heat import AS_THE_LIBRARY
from vision.pose import PoseEngine

FloatArray = NDArray[np.float64]
Way = Callable[[list[Frame], list[Person]], FloatArray]
ANGLES = ("thigh", "knee", "elbow", "foot")
LEGS = [
    lm.index(joint, side) for side in ("left", "right") for joint in ("knee", "ankle", "heel", "foot_index")
]


@dataclass(frozen=True)
class Figures:
    """Errors of one way of looking at one clip.

    Attributes
    ----------
    mae : dict of str to float
        Mean absolute error: near-side angles and trunk in degrees, near ankle and toe in percent of
        body height; legs put on the right sides by the truth first.
    jitter : float
        SD of the near knee angle's error about its own running median, deg.
    found : float
        Share of frames with landmarks that are the athlete's (mid-hip within a quarter of the body's
        height), of those in which the whole body is in the picture. Errors are over these frames.
    exchanged : float
        Share of found frames with the legs on the wrong sides.
    ms : float
        Processor time per frame, decoding left out.
    """

    mae: dict[str, float]
    jitter: float
    found: float
    exchanged: float
    ms: float


def library_way(static: bool, smooth: bool) -> Way:
    """The reference library's own graph."""

    def run(clip: list[Frame], people: list[Person]) -> FloatArray:
        from mediapipe.python.solutions.pose import Pose

        out = np.full((len(clip), lm.COUNT, 2), np.nan)
        with Pose(static_image_mode=static, smooth_landmarks=smooth, model_complexity=1) as library:
            for i, frame in enumerate(clip):
                found = library.process(frame.rgb).pose_landmarks
                if found is not None:
                    height, width = frame.rgb.shape[:2]
                    out[i] = [[p.x * width, p.y * height] for p in found.landmark]
        return out

    return run


def our_way(look: Look | None = None, **engine: Any) -> Way:
    """Ours: every frame of the athlete whom the coarse pass found (which is not timed)."""
    eye = PoseEngine(**engine)

    def run(clip: list[Frame], people: list[Person]) -> FloatArray:
        out = np.full((len(clip), lm.COUNT, 2), np.nan)
        if people:
            raw = follow(clip, choose_athlete(people), eye, others=people, look=look)
            out[raw.frame] = raw.xy_px
        return out

    return run


def figures(xy: FloatArray, known: Truth, ms: float) -> Figures:
    """Errors of picture positions (T, 33, 2) px against the truth."""
    athlete = known.athlete
    truth = athlete.px[: len(xy)]
    whole = athlete.visible[: len(xy)].all(axis=1)
    height = float(np.median(np.ptp(truth[..., 1], axis=1)))
    hips = [lm.index("hip", "left"), lm.index("hip", "right")]
    off_hip = np.linalg.norm((xy - truth)[:, hips].mean(axis=1), axis=-1)
    there = np.isfinite(xy).all(axis=(1, 2)) & (off_hip < 0.25 * height)
    found = there & whole
    near = athlete.near_side
    other = xy.copy()
    for joint in lm.LEG_JOINTS:
        left, right = lm.index(joint, "left"), lm.index(joint, "right")
        other[:, [left, right]] = xy[:, [right, left]]
    error = np.linalg.norm(xy - truth, axis=-1)[:, LEGS].sum(axis=1)
    error_other = np.linalg.norm(other - truth, axis=-1)[:, LEGS].sum(axis=1)
    swapped = found & (error_other < 0.8 * error)
    mended = np.where(swapped[:, None, None], other, xy)
    sign = 1.0 if athlete.direction == "right" else -1.0
    measured = sagittal_angles(mended * [sign, -1.0])
    wanted = sagittal_angles(truth * [sign, -1.0])
    mae: dict[str, float] = {}
    for name in (*ANGLES, "trunk"):
        key = name if name == "trunk" else f"{name}_{near}"
        off = (measured[key] - wanted[key] + 180) % 360 - 180
        mae[name] = float(np.mean(np.abs(off[found]))) if found.any() else np.nan
    for joint in ("ankle", "foot_index"):
        off = np.linalg.norm(mended - truth, axis=-1)[:, lm.index(joint, near)] / height * 100
        mae[joint] = float(np.mean(off[found])) if found.any() else np.nan
    knee = (measured[f"knee_{near}"] - wanted[f"knee_{near}"])[found]
    step = np.diff(knee, n=2) / np.sqrt(6) if len(knee) > 3 else np.array([np.nan])
    return Figures(
        mae,
        float(1.4826 * np.median(np.abs(step))),
        float(found.sum() / max(whole.sum(), 1)),
        float(swapped.sum() / max(found.sum(), 1)),
        ms,
    )


def compare(ways: dict[str, Way], clip: list[Frame], known: Truth) -> dict[str, Figures]:
    """Figures of each way on one clip."""
    people = find_people(clip, PoseEngine(effort="quick"))
    out = {}
    for name, way in ways.items():
        begin = time.process_time()
        xy = way(clip, people)
        out[name] = figures(xy, known, (time.process_time() - begin) / len(clip) * 1e3)
    return out


HEAD = ("thigh", "knee", "trunk", "elbow", "foot", "ankle", "foot_index")


def row(name: str, parts: list[Figures]) -> str:
    """One line of the table: means over clips."""
    errors = [f"{np.nanmean([p.mae[k] for p in parts]):.2f}" for k in HEAD]
    rest = [
        f"{np.nanmean([p.jitter for p in parts]):.2f}",
        f"{100 * np.mean([p.found for p in parts]):.1f}",
        f"{100 * np.mean([p.exchanged for p in parts]):.1f}",
        f"{np.mean([p.ms for p in parts]):.1f}",
    ]
    return "| " + " | ".join([name, *errors, *rest]) + " |"


def ways(kind: str) -> dict[str, Way]:
    """The ways of looking to compare: "modes" (for the documents) or "windows" (for tuning)."""
    if kind == "modes":
        return {
            "library, following": library_way(False, False),
            "library, picture by picture": library_way(True, False),
            "library, following, smoothed": library_way(False, True),
            "ours, the library's heat": our_way(effort="quick", heat=AS_THE_LIBRARY),
            "ours, quick (sharp heat)": our_way(effort="quick"),
            "ours, standard": our_way(),
            "ours, high": our_way(effort="high"),
        }
    return {
        "standard": our_way(),
        "previous": our_way(Look(source="previous")),
        "margin 1.0": our_way(Look(margin=1.0)),
        "margin 1.1": our_way(Look(margin=1.1)),
        "margin 1.4": our_way(Look(margin=1.4)),
        "upright": our_way(Look(turned=False)),
        "area": our_way(area=True),
        "replicate": our_way(border="replicate"),
        "no heat": our_way(heat=None),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=())
    parser.add_argument("--kind", choices=("modes", "windows"), default="modes")
    parser.add_argument("--each", action="store_true")
    parser.add_argument("--frames", type=int, default=None, help="at most so many frames of each clip")
    args = parser.parse_args()
    compared = ways(args.kind)
    all_parts: dict[str, list[Figures]] = {name: [] for name in compared}
    head = "| way | " + " | ".join(HEAD) + " | jitter | found % | exchanged % | ms |"
    print(head, "|" + "---|" * (len(HEAD) + 5), sep="\n")
    for file in sorted(args.folder.glob("*.mp4")):
        truth_file = file.with_suffix(".truth.npz")
        if not truth_file.exists() or (args.only and file.stem not in args.only):
            continue
        clip = list(frames(probe(file), stop=args.frames))
        for name, part in compare(compared, clip, load_truth(truth_file)).items():
            all_parts[name].append(part)
            if args.each:
                print(row(f"{file.stem}: {name}", [part]), flush=True)
    for name, parts in all_parts.items():
        print(row(name, parts))


if __name__ == "__main__":
    main()
