"""A pair in which one measure was changed by a known amount; the full study is benchmarks/comparison_power.py."""

from __future__ import annotations

import pytest

from benchmarks.comparison_power import together, wrongly_called
from benchmarks.comparison_takes import RAISED_DEG, Scene, scene
from technique.comparison import Comparison, compare


@pytest.fixture(scope="module")
def runner() -> Scene:
    """An invented runner: 6 passes as usual and 3 with 6 degrees more knee lift, seen with seeded noise."""
    return scene(8001, "same motion", 6, 3)


def _called(seen: Comparison) -> set[tuple[str, str]]:
    return {(c.key, c.side) for c in seen.changed}


def test_truth_says_six_degrees(runner: Scene) -> None:
    for side in ("left", "right"):
        name = f"thigh_angle_max_{side}"
        assert runner.true_raised[name] - runner.true_base[name] == pytest.approx(RAISED_DEG, abs=0.1)


def test_three_passes_a_take_find_the_changed_measure_and_no_other(runner: Scene) -> None:
    before = together(runner.base[:3], "before")
    seen = compare(before, together(runner.raised, "knee lift + 6"))
    assert ("thigh_angle_max", runner.near) in _called(seen)
    # Measures that truly follow from it (thigh speed, hip effort) may be called changed too.
    assert not [c for c in seen.changed if wrongly_called(runner, c, True)]
    row = seen.change("thigh_angle_max", runner.near)  # type: ignore[arg-type]
    assert row is not None and row.difference == pytest.approx(RAISED_DEG, abs=1.5)
    assert row.error_source == "own repeats" and row.leading


def test_without_a_change_nothing_is_called_changed(runner: Scene) -> None:
    seen = compare(together(runner.base[:3], "before"), together(runner.base[3:], "again"))
    assert _called(seen) == set()


def test_one_pass_says_how_many_would_do(runner: Scene) -> None:
    seen = compare(together(runner.base[:1], "before"), together(runner.raised[:1], "after"))
    assert seen.outlook is not None and seen.outlook.passes == 1
    least = dict(seen.outlook.found)
    assert least[1] > RAISED_DEG > least[4]
    needed = min(n for n, found in seen.outlook.found if found <= RAISED_DEG)
    assert 1 < needed <= 4
    assert any("with more passes in each" in n for n in seen.notes)
    named = compare(
        together(runner.base[:1], "before"), together(runner.raised[:1], "after"), aims=("thigh_angle_max",)
    )
    assert named.outlook is not None and dict(named.outlook.found)[1] < least[1]
