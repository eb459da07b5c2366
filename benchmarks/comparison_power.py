"""How often a comparison calls a change that was made, and one that was not, by passes and own repeats.

Takes of invented runners (`benchmarks.comparison_takes`): pairs without a change, and pairs in which the
largest thigh angle of both legs was raised by 6 degrees. A measure is called wrongly when it is called though
its true value did not change by what the table shows (half a unit of its last digit), or is called in the other
direction. Hip moments and power, of which the motion's truth says nothing, are left out of that count.

Run with ``python -m benchmarks.comparison_power OUT.json [--runners N] [--pairs N] [--kind KIND] [--seed N]
[--takes FILE]``; the file keeps the takes, so that comparing can be tried again without measuring again.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from benchmarks.comparison_takes import DAY, PASSES_A_DAY, RAISED_DEG, Kind, Scene, kept_scenes
from shared.catalogue import SYMMETRY_PREFIX
from technique.comparison import Change, Comparison, compare
from technique.pooling import pooled_passes
from technique.rulers import measure_decimals
from technique.symmetry import difference_key, symmetry_index
from technique.takes import Pass, Take

CHANGED: Final = "thigh_angle_max"
OTHER_DAY: Final = "2026-05-08"
NO_TRUTH: Final = frozenset(
    ("hip_moment_swing_flexion", "hip_moment_swing_extension", "hip_power_swing_peak")
)
FROM_TIMES: Final = frozenset(("leg_stiffness", "vertical_stiffness", "vertical_force_peak"))
"""Made of contact, flight, speed and body alone, which a higher thigh leaves as they are."""


@dataclass(frozen=True)
class Way:
    """How a pair is filmed and compared.

    Attributes
    ----------
    passes : int
        In each take.
    repeats : int
        Further takes of the unchanged condition, of as many passes each.
    aim : bool
        Knee lift was named as what somebody set out to change.
    other_day : bool
    """

    passes: int
    repeats: int = 0
    aim: bool = False
    other_day: bool = False

    @property
    def name(self) -> str:
        """In words."""
        parts = [f"{self.passes} pass{'es' if self.passes > 1 else ''} a take", f"{self.repeats} own repeats"]
        parts += ["knee lift named as aim"] * self.aim
        return ", ".join((*parts, "another day" if self.other_day else "same day"))


WAYS: Final = (
    *(Way(n) for n in (3, 2, 1)),
    *(Way(n, 5) for n in (1, 2)),
    *(Way(n, k, aim=True) for n, k in ((1, 5), (2, 0), (1, 0))),
    Way(4),
    *(Way(n, 5) for n in (3, 4)),
)
"""What is asked for first stands first: a run that is stopped keeps what it has."""
DAY_WAYS: Final = tuple(Way(n, k, other_day=True) for k in (0, 5) for n in (1, 3))


@dataclass
class Count:
    """Verdicts over pairs; `any_*` count pairs, the others rows."""

    pairs: int = 0
    judged: int = 0
    looks: int = 0
    changed: int = 0
    any_looks: int = 0
    any_changed: int = 0
    power: int = 0
    power_looks: int = 0
    exactly: int = 0
    exactly_looks: int = 0
    rows: dict[str, list[int]] = field(default_factory=dict)
    wrong: Counter[str] = field(default_factory=Counter)


def true_change(scene: Scene, key: str, side: str) -> float | None:
    """What the raised knee lift truly does to a measure, in its unit; None where truth says nothing."""
    own = key.removeprefix(SYMMETRY_PREFIX)
    if own in NO_TRUTH:
        return None
    if own in FROM_TIMES:
        return 0.0
    a, b = scene.true_base, scene.true_raised
    if own == key:
        name = own if side == "both" else f"{own}_{side}"
        return b[name] - a[name] if name in a else None
    left, right = f"{own}_left", f"{own}_right"
    if left not in a:
        return None
    if difference_key(own):
        return (b[left] - b[right]) - (a[left] - a[right])
    return symmetry_index(b[left], b[right]) - symmetry_index(a[left], a[right])


def wrongly_called(scene: Scene, c: Change, raised: bool) -> bool | None:
    """Whether calling this row would be wrong; None where that is not known."""
    if not raised:
        return True
    true = true_change(scene, c.key, c.side)
    if true is None or c.difference is None:
        return None
    shown = abs(true) > 0.5 * 10.0 ** -measure_decimals(c.key)
    return not shown or (c.difference > 0) != (true > 0)


def counted(count: Count, seen: Comparison, scene: Scene, raised: bool) -> None:
    """Add one pair."""
    count.pairs += 1
    looks = changed = 0
    for c in seen.changes:
        if c.p is None or (wrong := wrongly_called(scene, c, raised)) is None or not wrong:
            continue
        called = c.verdict in ("changed", "looks changed")
        name = f"{c.key} {'' if c.side == 'both' else 'near' if c.side == scene.near else 'far'}".strip()
        row = count.rows.setdefault(name, [0, 0])
        row[0] += 1
        row[1] += called
        looks += called
        changed += c.verdict == "changed"
        count.judged += 1
        if c.verdict == "changed":
            count.wrong[name] += 1
    count.looks += looks
    count.changed += changed
    count.any_looks += bool(looks)
    count.any_changed += bool(changed)
    thigh = seen.change(CHANGED, scene.near)  # type: ignore[arg-type]
    hit = thigh is not None and thigh.verdict == "changed"
    hit_looks = thigh is not None and thigh.verdict in ("changed", "looks changed")
    count.power += hit
    count.power_looks += hit_looks
    count.exactly += hit and not changed
    count.exactly_looks += hit_looks and not looks


def report(count: Count, raised: bool) -> dict[str, Any]:
    """Rates of a way."""
    n = max(count.pairs, 1)
    rates = {k: v[1] / v[0] for k, v in count.rows.items() if v[0] >= 50}
    out: dict[str, Any] = {
        "pairs": count.pairs,
        "rows wrongly called: looks changed or changed": round(count.looks / max(count.judged, 1), 4),
        "pairs with any wrong changed": round(count.any_changed / n, 3),
        "pairs with any wrong looks changed": round(count.any_looks / n, 3),
        "measures above 5 %": {
            k: round(v, 3) for k, v in sorted(rates.items(), key=lambda kv: -kv[1]) if v > 0.05
        },
        "wrongly changed": dict(count.wrong.most_common(6)),
    }
    if raised:
        out |= {
            "knee lift, near: changed": round(count.power / n, 3),
            "knee lift, near: changed or looks changed": round(count.power_looks / n, 3),
            "changed, and nothing wrong changed": round(count.exactly / n, 3),
            "at least looks changed, and nothing wrong looks changed": round(count.exactly_looks / n, 3),
        }
    return out


def together(passes: Sequence[Take], label: str, date: str = DAY) -> Take:
    """Several passes as one take."""
    near = [next(iter(t.near_sides)) for t in passes]
    clips = frozenset(c for t in passes for c in t.clips)
    first = replace(passes[0], label=label, date=date, clips=clips)
    if len(passes) == 1:
        return first
    measures = pooled_passes([t.measures for t in passes], near)
    own = tuple(Pass(side, t.measures) for side, t in zip(near, passes))
    return replace(first, measures=measures, passes=own)


def drawn(scene: Scene, way: Way, rng: np.random.Generator) -> tuple[Take, Take, Take, list[Take]] | None:
    """A take, the same unchanged, the same raised, and repeats; None where there are too few passes."""
    n, needed = way.passes, way.repeats + 2
    if way.other_day:
        base, ups = _days(scene.base), _days(scene.raised)
        if len(base) < needed or not ups:
            return None
        picked = [base[i][:n] for i in rng.permutation(len(base))[:needed]]
        up = ups[int(rng.integers(len(ups)))][:n]
    else:
        if len(scene.base) < needed * n or len(scene.raised) < n:
            return None
        order = rng.permutation(len(scene.base))[: needed * n]
        picked = [[scene.base[i] for i in order[k * n : (k + 1) * n]] for k in range(needed)]
        up = [scene.raised[i] for i in rng.permutation(len(scene.raised))[:n]]
    later = OTHER_DAY if way.other_day else DAY
    repeats = [
        together(p, f"repeat {i}", f"2026-04-{i + 1:02d}" if way.other_day else DAY)
        for i, p in enumerate(picked[2:])
    ]
    return (
        together(picked[0], "before"),
        together(picked[1], "again", later),
        together(up, "raised", later),
        repeats,
    )


def _days(passes: Sequence[Take]) -> list[list[Take]]:
    return [
        list(passes[i : i + PASSES_A_DAY]) for i in range(0, len(passes) - PASSES_A_DAY + 1, PASSES_A_DAY)
    ]


def evaluated(
    of: Sequence[Scene], ways: Sequence[Way], pairs: int, file: Path | None = None, seed: int = 1
) -> dict[str, Any]:
    """Rates of every way, `pairs` pairs drawn of each runner; written to `file` after each way."""
    out: dict[str, Any] = {"kind": of[0].kind, "runners": len(of), "pairs of each": pairs}
    for way in ways:
        rng = np.random.default_rng(seed)
        still, moved = Count(), Count()
        for scene in of:
            for _ in range(pairs):
                found = drawn(scene, way, rng)
                if found is None:
                    continue
                a, b, up, own = found
                aims = (CHANGED,) if way.aim else ()
                repeats = (own,) if own else ()
                counted(still, compare(a, b, repeats, aims=aims), scene, False)
                counted(moved, compare(a, up, repeats, aims=aims), scene, True)
        out[way.name] = {"no change": report(still, False), f"+{RAISED_DEG:g} deg": report(moved, True)}
        short = out[way.name][f"+{RAISED_DEG:g} deg"]
        print(
            way.name,
            short["knee lift, near: changed"],
            short["changed, and nothing wrong changed"],
            flush=True,
        )
        if file is not None:
            file.write_text(json.dumps(out, indent=1) + "\n", encoding="utf-8")
    return out


def main() -> int:
    """Run and write the figures."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("out", type=Path)
    parser.add_argument("--runners", type=int, default=20)
    parser.add_argument("--pairs", type=int, default=10)
    parser.add_argument("--kind", default="same motion", choices=("same motion", "wandering", "days"))
    parser.add_argument("--seed", type=int, default=400)
    parser.add_argument("--takes", type=Path)
    told = parser.parse_args()
    kind: Kind = told.kind
    base, ups = (7 * PASSES_A_DAY, 2 * PASSES_A_DAY) if kind == "days" else (40, 12)
    of = kept_scenes(told.takes, kind, told.runners, base, ups, told.seed)
    evaluated(of, DAY_WAYS if kind == "days" else WAYS, told.pairs, told.out)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
