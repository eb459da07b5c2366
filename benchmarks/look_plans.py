"""How many looks a second are enough: plans of looking on rendered cases, through the whole program.

Each case of the accuracy benchmark is followed with several plans (`vision.views.ViewPlan`); what the
measures are read from afterwards (smoothed angles, events) is held against the truth. A look that one
plan has taken serves the next.

    python -m benchmarks.look_plans --cases 3 5 8 14 16 --plans both turns half
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from benchmarks.accuracy.cases import Case, cases, spec_of
from benchmarks.accuracy.judged import angle_errors, event_rows, exchanged, held
from benchmarks.accuracy.seen import SeenCase, request_of
from sample_clips.clip import render_clip, truth_path
from sample_clips.truth import load_truth
from shared.errors import LanesideError
from vision import track_clip as vision
from vision.pose import PoseEngine, Window
from vision.views import MIRRORED, PLAIN, View, ViewPlan

LARGER: Final = View(1.08)
PLANS: Final[dict[str, ViewPlan]] = {
    "plain": ViewPlan(((PLAIN,),)),
    "two sizes": ViewPlan(((PLAIN, LARGER),), (MIRRORED,)),
    "both": ViewPlan(((PLAIN, MIRRORED),), (LARGER,)),
    "sizes in turns": ViewPlan(((PLAIN,), (LARGER,))),
    "turns": ViewPlan(((PLAIN,), (MIRRORED,))),
    "half": ViewPlan(((PLAIN,), (MIRRORED,)), every=2),
    "quarter": ViewPlan(((PLAIN,), (MIRRORED,)), every=4),
}
SHOWN: Final = ("trunk_body", "thigh_near", "knee_near", "shank_near", "foot_near", "elbow_near", "knee_far")


class Remembering(PoseEngine):
    """An engine that takes each look once, however many plans ask for it."""

    def __init__(self, seen: dict[object, Any]) -> None:
        super().__init__()
        self.seen, self.looks = seen, 0

    def _look(self, rgb: NDArray[np.uint8], window: Window, view: View) -> tuple[NDArray[np.float64], float]:
        self.looks += 1
        picture = hashlib.blake2b(np.ascontiguousarray(rgb[::23, ::17]).tobytes()).digest()
        key = (picture, window, view)
        if key not in self.seen:
            self.seen[key] = super()._look(rgb, window, view)
        points, score = self.seen[key]
        return points.copy(), score


@dataclass(frozen=True)
class Figures:
    """One case with one plan: mean absolute errors (deg), event errors (ms), legs exchanged, looks a frame."""

    angles: dict[str, float]
    touchdown_ms: list[float]
    toe_off_ms: list[float]
    exchanged: int
    told: int
    looks: float


def figures(case: Case, clip: Path, plan: ViewPlan, seen: dict[object, Any]) -> Figures | None:
    """None where the clip was refused."""
    truth = load_truth(truth_path(clip))
    engine = Remembering(seen)
    engine.plan = plan
    request = request_of(case)
    with mock.patch.object(vision, "PoseEngine", lambda *_, **__: engine):
        try:
            track = vision.track_clip(clip, request, threads=1)
        except LanesideError:
            return None
    one = held(SeenCase(case, truth, track, None, "", request.stature_m or 0.0))
    if one.motion is None:
        return None
    errors = [e for e in event_rows(one) if "error_ms" in e and e["side"] == "near"]
    bad, told = exchanged(track, truth)
    return Figures(
        {name: float(np.mean(np.abs(e))) for name, e in angle_errors(one).items() if len(e)},
        [e["error_ms"] for e in errors if e["kind"] == "touchdown"],
        [e["error_ms"] for e in errors if e["kind"] == "toe_off"],
        bad,
        told,
        engine.looks / len(truth.time_s),
    )


def row(name: str, found: list[Figures]) -> str:
    """A line of the table: means over cases, events over all cases together."""
    angles = [f"{np.mean([f.angles[a] for f in found]):.2f}" for a in SHOWN]
    events = [
        f"{np.mean(np.abs([e for f in found for e in getattr(f, kind)])):.1f}"
        for kind in ("touchdown_ms", "toe_off_ms")
    ]
    swaps = f"{sum(f.exchanged for f in found)} of {sum(f.told for f in found)}"
    looks = f"{np.mean([f.looks for f in found]):.2f}"
    return "| " + " | ".join([name, str(len(found)), looks, *angles, *events, swaps]) + " |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cases", type=int, nargs="+", default=[3, 5, 8, 14, 16])
    parser.add_argument("--plans", nargs="+", choices=list(PLANS), default=list(PLANS))
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "accuracy_cache")
    options = parser.parse_args()
    options.cache.mkdir(parents=True, exist_ok=True)
    found: dict[str, list[Figures]] = {plan: [] for plan in options.plans}
    for number in options.cases:
        case = cases(number + 1)[number]
        clip = options.cache / f"{case.name}.mp4"
        if not clip.exists():
            render_clip(spec_of(case), clip)
        seen: dict[object, Any] = {}
        start = time.process_time()
        for plan in options.plans:
            one = figures(case, clip, PLANS[plan], seen)
            if one is not None:
                found[plan].append(one)
        print(f"{case.name}: {case.rate_hz:.0f}/s, {time.process_time() - start:.0f} s", flush=True)
    print("| plan | clips | looks a frame |", " | ".join(SHOWN), "| touchdown ms | toe-off ms | exchanged |")
    print("|" + "---|" * (len(SHOWN) + 6))
    for plan, all_of in found.items():
        if all_of:
            print(row(plan, all_of))


if __name__ == "__main__":
    main()
