"""A pair in which one measure was changed by a known amount; the full study is benchmarks/comparison_power.py."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchmarks.comparison_power import following, raised, take_of
from sample_clips.motion import solved
from sample_clips.true_measures import true_measures
from sample_clips.truth import truth
from sample_clips.variety import varied_spec
from technique.comparison import Comparison, compare
from technique.takes import Take


@pytest.fixture(scope="module")
def takes() -> tuple[Take, Take, Take, dict[str, float], dict[str, float]]:
    """Twice the same invented runner and once with 6 degrees more knee lift, seen with seeded noise."""
    spec = varied_spec(3, 4.0)
    base = spec.runners[0]
    up = raised(base)
    known = truth(spec)
    return (
        take_of(known, base, 1, "before"),
        take_of(known, base, 2, "again"),
        take_of(truth(replace(spec, runners=(up,))), up, 3, "knee lift + 6"),
        true_measures(solved(base), samples=800),
        true_measures(solved(up), samples=800),
    )


def _changed(seen: Comparison) -> set[tuple[str, str]]:
    return {(c.key, c.side) for c in seen.changed}


def test_truth_says_six_degrees(takes: tuple[Take, Take, Take, dict[str, float], dict[str, float]]) -> None:
    _, _, _, a, b = takes
    for side in ("left", "right"):
        assert b[f"thigh_angle_max_{side}"] - a[f"thigh_angle_max_{side}"] == pytest.approx(6.0, abs=0.1)


def test_the_changed_measure_is_called_changed_and_no_other(
    takes: tuple[Take, Take, Take, dict[str, float], dict[str, float]],
) -> None:
    before, _, after, a, b = takes
    seen = compare(before, after)
    thigh = {("thigh_angle_max", "left"), ("thigh_angle_max", "right")}
    assert thigh <= _changed(seen)
    # Measures that truly follow from it (thigh speed, hip effort) may be called changed too.
    assert _changed(seen) - thigh <= following(a, b, seen)
    for key, side in thigh:
        row = seen.change(key, side)  # type: ignore[arg-type]
        assert row is not None and row.difference == pytest.approx(6.0, abs=2.0)


def test_without_a_change_nothing_is_called_changed(
    takes: tuple[Take, Take, Take, dict[str, float], dict[str, float]],
) -> None:
    assert _changed(compare(takes[0], takes[1])) == set()
