"""Measured runners compared with themselves: the same speed twice, and another speed.

Data: Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298 (see tests/treadmill_motion.py).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from technique.comparison import Comparison, compare
from technique.comparison_repeats import own_repeatability
from technique.measures import measured
from technique.measures_motion import Motion
from technique.speed_relations import speed_share
from technique.symmetry import symmetries
from technique.takes import Take
from tests.treadmill_motion import RUNNERS, need_treadmill, treadmill_motion

HALF_S = 5.0


@cache
def _motion(runner: str, speed: int) -> Motion:
    return treadmill_motion(runner, speed)


@cache
def _halves(runner: str, speed: int, parts: int = 2) -> list[Take]:
    """Takes of equal length cut from one trial; a stride belongs to the one it begins in."""
    need_treadmill()
    whole = _motion(runner, speed)
    out = []
    for i in range(parts):
        low, high = 2 * HALF_S * i / parts, 2 * HALF_S * (i + 1) / parts
        steps = tuple(s for s in whole.steps if low <= s.touchdown.time_s < high)
        own = measured(replace(whole, steps=steps)).measures
        out.append(
            Take(
                f"{runner} {speed} {i}",
                "2026-05-01",
                (*own, *symmetries(own)),
                frozenset(("left", "right")),
                frozenset(("treadmill",)),
                (150.0, 150.0),
                0.0,
                frozenset(("markers",)),
                frozenset(("0.1",)),
                frozenset(("file",)),
                speed / 10.0,
                (),
                frozenset(("marked distance",)),
                frozenset((f"{runner}{speed}{i}",)),
            )
        )
    return out


@pytest.fixture(scope="module")
def pairs() -> list[Comparison]:
    need_treadmill()
    return [compare(*_halves(r, 35)) for r in RUNNERS]


def test_a_runner_does_not_change_from_one_half_of_a_trial_to_the_other(pairs: list[Comparison]) -> None:
    judged = [c for p in pairs for c in p.changes if c.p is not None]
    false = [c for c in judged if c.verdict == "changed"]
    assert len(judged) > 300
    assert len(false) <= 0.05 * len(judged)
    assert sum(any(c.holds for c in p.changes) for p in pairs) <= 0.05 * len(pairs) + 1


def test_own_repeats_keep_the_share_of_false_changes() -> None:
    """Six takes of one trial: four to learn the error from, two to compare."""
    judged = false = 0
    for runner in RUNNERS:
        takes = _halves(runner, 35, 6)
        seen = compare(takes[1], takes[4], [[takes[0], takes[2], takes[3], takes[5]]])
        rows = [c for c in seen.changes if c.error_source == "own repeats" and c.p is not None]
        judged += len(rows)
        false += sum(c.verdict == "changed" for c in rows)
    assert judged > 150
    # The rows of a runner go together, so the share of 8 runners scatters about 5 %.
    assert false <= 0.08 * judged


def test_repeats_within_a_trial_are_closer_than_the_table_allows() -> None:
    """Takes of one trial share camera, day and shoes, so they must not wander more than the table says."""
    knee = [own_repeatability([_halves(r, 35, 6)], "knee_flexion_td", "left", True) for r in RUNNERS]
    sems = [k.sem for k in knee if k is not None]
    assert len(sems) == len(RUNNERS)
    # Damsted et al. 2015: 3-8 deg within a day as a 95 % interval of a difference, SEM 1.1-2.9.
    assert np.median(sems) < 2.9


def test_a_metre_per_second_more_is_not_comparable_and_is_what_speed_brings() -> None:
    inside = total = 0
    for runner in RUNNERS[:5]:
        for before, after in ((25, 35), (35, 45)):
            seen = compare(_halves(runner, before)[0], _halves(runner, after)[0])
            row = seen.change("contact_time", "left")
            assert (
                row is not None and row.verdict == "not comparable" and "speed differs" in (row.reason or "")
            )
            for key in ("contact_time", "thigh_angle_max", "thigh_angle_min", "knee_flexion_swing_max"):
                c = seen.change(key, "left")
                assert c is not None and c.before is not None
                assert c.difference is not None and c.detectable is not None
                share = speed_share(key, c.before, before / 10, after / 10)
                assert share is not None
                total += 1
                inside += abs(c.difference - share.expected) <= np.hypot(share.half_width, c.detectable)
    # The relations were read off these runners, so this shows that they are applied the right way
    # round and that their spread is honest, no more.
    assert inside >= 0.9 * total
