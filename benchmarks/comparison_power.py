"""How often a comparison calls a change that was made, and one that was not.

Invented runners, their motion known exactly, seen by landmarks with seeded noise (no pictures, no pose
model: its error enters only through the intervals). Two situations:

- *noise only*: takes differ by landmark noise alone;
- *wandering*: from take to take the runner also wanders, by the SDs in `WANDER` (invented, about what
  repeated runs show), and where in the stride the clip begins.

For each, pairs without a change and pairs in which the largest thigh angle of both legs was raised by
6 degrees. Measures that truly follow from that (thigh speed, hip effort ...) are set apart by their true
difference. Run with ``python -m benchmarks.comparison_power OUT.json [RUNNERS [PAIRS [TAKES [WANDERING [SEED]]]]]``;
the file TAKES keeps the takes, so that comparing can be tried again without measuring again.
"""

from __future__ import annotations

import json
import pickle
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sample_clips.motion import solved
from sample_clips.runner import Runner
from sample_clips.spec import ClipSpec
from sample_clips.track import track_from_truth
from sample_clips.true_measures import true_measures
from sample_clips.truth import Truth, truth
from sample_clips.variety import varied_spec
from shared.catalogue import SYMMETRY_PREFIX
from shared.errors import LanesideError
from technique.comparison import Comparison, compare
from technique.events import events
from technique.measures import measured
from technique.measures_motion import Athlete, motion
from technique.pooling import pooled_passes
from technique.smoothing import smooth
from technique.symmetry import symmetries
from technique.takes import Take

RAISED_DEG = 6.0
NOISE_PX = 2.0
REPEATS = 5
PASSES = 3
CORE = (
    "step_frequency",
    "contact_time",
    "trunk_lean",
    "thigh_angle_max",
    "thigh_angle_min",
    "knee_flexion_td",
    "knee_flexion_swing_max",
    "td_distance_leg",
    "elbow_angle_mean",
)
"""A table of what somebody might set out to change, in place of every measure and symmetry."""
DAY = "2026-05-01"
FOLLOWS = 0.25
"""A measure follows from the change when its true difference is more than this share of what error
alone brings."""
WANDER: dict[str, float] = {
    "thigh_max_deg": 1.0,
    "knee_td_deg": 1.0,
    "knee_swing_max_deg": 1.5,
    "td_distance_m": 0.006,
    "foot_td_deg": 1.0,
    "arm_front_deg": 2.0,
    "arm_back_deg": 2.0,
    "elbow_mean_deg": 2.0,
}
WANDER_SHARE: dict[str, float] = {"speed_mps": 0.01, "step_frequency_hz": 0.007}
WANDER_LEAN_DEG = 0.7


@dataclass
class Count:
    """Verdicts over pairs."""

    pairs: int = 0
    judged: int = 0
    changed: int = 0
    any_changed: int = 0
    any_holds: int = 0
    thigh_near: int = 0
    thigh_far: int = 0
    thigh_holds: int = 0
    exactly: int = 0
    exactly_holds: int = 0


def take_of(known: Truth, runner: Runner, seed: int, label: str) -> Take:
    """What a noisy track of this clip gives, as a take."""
    track = track_from_truth(known, NOISE_PX, seed)
    smoothed = smooth(track)
    found = measured(
        motion(track, smoothed, events(smoothed), Athlete(stature_m=runner.body.stature_m, mass_kg=70.0))
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


def wandered(runner: Runner, rng: np.random.Generator) -> Runner:
    """The same runner on another take."""
    for _ in range(30):
        changes: dict[str, Any] = {
            name: getattr(runner, name) * (1 + sd * rng.normal()) for name, sd in WANDER_SHARE.items()
        }
        changes["trunk_lean_deg"] = runner.trunk_lean_deg + WANDER_LEAN_DEG * rng.normal()
        changes["phase"] = float(rng.random())
        for side in ("left", "right"):
            own = runner.of(side)
            moved = {n: getattr(own, n) + sd * rng.normal() for n, sd in WANDER.items()}
            moved["contact_time_s"] = own.contact_time_s * (1 + 0.015 * rng.normal())
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


def following(a: dict[str, float], b: dict[str, float], seen: Comparison) -> set[tuple[str, str]]:
    """Measures whose true values `a` and `b` differ because of the thigh, and what is made of them."""
    out: set[tuple[str, str]] = set()
    for c in seen.changes:
        own = c.key.removeprefix(SYMMETRY_PREFIX)
        if own == "thigh_angle_max":
            out.add((c.key, c.side))
            continue
        names = (
            [f"{own}_{s}" for s in ("left", "right")]
            if own != c.key
            else [own if c.side == "both" else f"{own}_{c.side}"]
        )
        known = [n for n in names if n in a and n in b]
        # What truth does not list (forces) is counted as following: nothing is claimed of it.
        if not known or c.detectable is None:
            out.add((c.key, c.side))
            continue
        true = max(abs(b[n] - a[n]) for n in known)
        if own != c.key and c.unit == "%":
            true = 100.0 * true / max(abs(a[known[0]]), 1e-9)
        if true > FOLLOWS * c.detectable:
            out.add((c.key, c.side))
    return out


def counted(
    count: Count, seen: Comparison, near: str, aside: set[tuple[str, str]], per_key: dict[str, list[int]]
) -> None:
    """Add one pair; `aside` measures are not counted as false."""
    count.pairs += 1
    others = [c for c in seen.changes if c.p is not None and (c.key, c.side) not in aside]
    false = [c for c in others if c.verdict == "changed"]
    count.judged += len(others)
    count.changed += len(false)
    count.any_changed += bool(false)
    count.any_holds += any(c.holds for c in false)
    for c in others:
        row = per_key.setdefault(
            f"{c.key} {'' if c.side == 'both' else 'near' if c.side == near else 'far'}".strip(), [0, 0]
        )
        row[0] += 1
        row[1] += c.verdict == "changed"
    far = "left" if near == "right" else "right"
    thigh = {s: seen.change("thigh_angle_max", s) for s in ("left", "right")}  # type: ignore[arg-type]
    hit = {s: c is not None and c.verdict == "changed" for s, c in thigh.items()}
    holds = {s: c is not None and c.holds for s, c in thigh.items()}
    count.thigh_near += hit[near]
    count.thigh_far += hit[far]
    count.thigh_holds += holds[near]
    count.exactly += hit[near] and not false
    count.exactly_holds += holds[near] and not any(c.holds for c in false)


def report(count: Count, per_key: dict[str, list[int]], change: bool) -> dict[str, Any]:
    """Rates of a situation."""
    n = count.pairs
    rates = {k: v[1] / v[0] for k, v in per_key.items() if v[0] >= 20}
    worst = sorted(rates, key=lambda k: -rates[k])[:5]
    out: dict[str, Any] = {
        "pairs": n,
        "false changes per measure": round(count.changed / max(count.judged, 1), 4),
        "pairs with any false change": round(count.any_changed / n, 3),
        "pairs with any false change that holds among all": round(count.any_holds / n, 3),
        "worst measures": {k: round(rates[k], 3) for k in worst},
    }
    if change:
        out |= {
            "thigh near called changed": round(count.thigh_near / n, 3),
            "thigh far called changed": round(count.thigh_far / n, 3),
            "thigh near holds among all": round(count.thigh_holds / n, 3),
            "thigh near changed and no other": round(count.exactly / n, 3),
            "thigh near holds and no other holds": round(count.exactly_holds / n, 3),
        }
    return out


@dataclass
class Scene:
    """Takes of one runner."""

    wander: bool
    near: str
    takes: list[Take]
    ups: list[Take]
    repeats: list[Take]
    true_base: dict[str, float]
    true_up: dict[str, float]


def scenes(runners: int, pairs: int, wandering: int, first_seed: int) -> list[Scene]:
    """Takes of all runners with noise only, and of the first `wandering` of them wandering."""
    out: list[Scene] = []
    seed = first_seed
    made = 0
    while made < runners:
        seed += 1
        rng = np.random.default_rng(seed)
        spec = varied_spec(seed, float(rng.uniform(3.0, 7.0)))
        base = spec.runners[0]
        try:
            up = raised(base)
            true = [true_measures(solved(r), samples=800) for r in (base, up)]
            kinds = (False, True) if made < wandering else (False,)
            both = [_scene(spec, base, up, wander, pairs, rng, true) for wander in kinds]
        except LanesideError as error:
            print("left out:", seed, error, flush=True)
            continue
        out += both
        made += 1
        print(made, "of", runners, flush=True)
    return out


def _scene(
    spec: ClipSpec,
    base: Runner,
    up: Runner,
    wander: bool,
    pairs: int,
    rng: np.random.Generator,
    true: list[dict[str, float]],
) -> Scene:
    exact = {id(r): truth(replace(spec, runners=(r,))) for r in (base, up)}

    def one(runner: Runner, label: str) -> Take:
        known, own = exact[id(runner)], runner
        if wander:
            own = wandered(runner, rng)
            known = truth(replace(spec, runners=(own,)))
        return take_of(known, own, int(rng.integers(1 << 30)), label)

    takes = [one(base, f"a{i}") for i in range(2 * pairs)]
    ups = [one(up, f"b{i}") for i in range(pairs)]
    repeats = [one(base, f"r{i}") for i in range(REPEATS)] if wander else []
    return Scene(wander, next(iter(takes[0].near_sides)), takes, ups, repeats, true[0], true[1])


def evaluated(of: list[Scene]) -> dict[str, Any]:
    """Every situation, each pair compared in every way."""
    counts: dict[str, tuple[Count, dict[str, list[int]]]] = {}
    aside_names: dict[str, int] = {}
    for scene in of:
        _scene_counted(scene, counts, aside_names)
    return {
        "runners": sum(not s.wander for s in of),
        "noise_px": NOISE_PX,
        "raised_deg": RAISED_DEG,
        "wander": WANDER | WANDER_SHARE | {"trunk_lean_deg": WANDER_LEAN_DEG},
        "follows the thigh (rows)": dict(sorted(aside_names.items(), key=lambda kv: -kv[1])),
        "results": {
            name: report(count, per_key, "raised" in name) for name, (count, per_key) in counts.items()
        },
    }


def _scene_counted(
    scene: Scene, counts: dict[str, tuple[Count, dict[str, list[int]]]], aside_names: dict[str, int]
) -> None:
    """Every pair of a runner, in every way."""
    word = "wandering" if scene.wander else "noise only"
    apart = [replace(t, date=f"2026-04-0{i + 1}") for i, t in enumerate(scene.repeats)]
    n = len(scene.ups)

    def both(name: str, a: Take, b: Take, up: Take, repeats: tuple[list[Take], ...] = ()) -> None:
        still = counts.setdefault(f"{word}, {name}: no change", (Count(), {}))
        moved = counts.setdefault(f"{word}, {name}: raised", (Count(), {}))
        keys = CORE if "core table" in name else None
        counted(still[0], compare(a, b, repeats, keys), scene.near, set(), still[1])
        seen = compare(a, up, repeats, keys)
        aside = following(scene.true_base, scene.true_up, seen)
        for key, _ in aside:
            aside_names[key] = aside_names.get(key, 0) + 1
        counted(moved[0], seen, scene.near, aside, moved[1])

    for i, up in enumerate(scene.ups):
        a, b = scene.takes[2 * i : 2 * i + 2]
        later, up_later = (replace(t, date="2026-05-08") for t in (b, up))
        # With noise only, takes of other pairs serve as the repeats of this one.
        own = scene.repeats or [scene.takes[(2 * i + 2 + k) % (2 * n)] for k in range(REPEATS)]
        both("same day, no repeats", a, b, up)
        both("other day, no repeats", a, later, up_later)
        both(f"same day, {REPEATS} own repeats", a, b, up, (own,))
        both("same day, no repeats, core table", a, b, up)
        both(f"same day, {REPEATS} own repeats, core table", a, b, up, (own,))
        if not scene.wander:
            many = [t for k, t in enumerate(scene.takes) if k // 2 != i]
            both(f"same day, {len(many)} own repeats", a, b, up, (many,))
        if scene.wander:
            both(f"other day, {REPEATS} own repeats on as many days", a, later, up_later, (apart,))
    joined = [_together(scene.takes[PASSES * k : PASSES * (k + 1)]) for k in range(2 * n // PASSES)]
    for i in range(n // PASSES):
        a, b = joined[2 * i : 2 * i + 2]
        up = _together(scene.ups[PASSES * i : PASSES * (i + 1)])
        others = [t for k, t in enumerate(joined) if k // 2 != i]
        both(f"same day, no repeats, {PASSES} passes a take", a, b, up)
        both(f"same day, {len(others)} own repeats, {PASSES} passes a take", a, b, up, (others,))
        both(f"same day, {len(others)} own repeats, {PASSES} passes a take, core table", a, b, up, (others,))


def _together(passes: list[Take]) -> Take:
    """Several passes as one take."""
    measures = pooled_passes([t.measures for t in passes], [next(iter(t.near_sides)) for t in passes])
    return replace(passes[0], measures=measures, clips=frozenset(c for t in passes for c in t.clips))


def main(arguments: list[str]) -> int:
    """Run and write the figures."""
    out = Path(arguments[0])
    runners = int(arguments[1]) if len(arguments) > 1 else 20
    pairs = int(arguments[2]) if len(arguments) > 2 else 10
    kept = Path(arguments[3]) if len(arguments) > 3 else None
    if kept is not None and kept.exists():
        of = pickle.loads(kept.read_bytes())
    else:
        wandering = int(arguments[4]) if len(arguments) > 4 else (runners + 1) // 2
        of = scenes(runners, pairs, wandering, int(arguments[5]) if len(arguments) > 5 else 400)
        if kept is not None:
            kept.write_bytes(pickle.dumps(of))
    figures = evaluated(of)
    out.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(figures["results"], indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
