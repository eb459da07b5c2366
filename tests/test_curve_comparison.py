"""Parts of the gait cycle that differ, against the mapping library's own examples."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest
import spm1d

from shared.analysis import Curve
from technique.curve_comparison import compare_all_curves, compare_curves, differing_parts


def _arch_angle() -> tuple[np.ndarray, np.ndarray]:
    """Plantar arch angle, 10 walkers at two speeds (Caravaggi et al. 2010), comes with spm1d."""
    a, b = spm1d.data.uv1d.tpaired.PlantarArchAngle().get_data()
    return np.asarray(a), np.asarray(b)


def test_paired_example() -> None:
    """Threshold, largest t and cluster of spm1d 0.4.55 on its own data."""
    found = differing_parts(*_arch_angle(), paired=True)
    assert found.threshold == pytest.approx(3.93947, abs=1e-5)
    assert np.abs(found.t).max() == pytest.approx(6.55176, abs=1e-5)
    assert int(np.abs(found.t).argmax()) == 100
    ((start, end, p),) = found.parts
    assert (start, end) == pytest.approx((95.566, 100.0), abs=1e-3)
    assert p == pytest.approx(0.0373, abs=1e-4)


def test_two_sample_example() -> None:
    found = differing_parts(*_arch_angle(), equal_spread=True)
    assert found.threshold == pytest.approx(3.29469, abs=1e-5)
    ((start, end, p),) = found.parts
    assert (start, end) == pytest.approx((93.275, 100.0), abs=1e-3)
    assert p == pytest.approx(0.0312, abs=1e-4)


def test_t_is_the_textbook_t_at_every_point() -> None:
    from scipy import stats

    a, b = _arch_angle()
    assert differing_parts(a, b).t == pytest.approx(stats.ttest_ind(a, b).statistic, rel=1e-9)
    assert differing_parts(a, b, paired=True).t == pytest.approx(stats.ttest_rel(a, b).statistic, rel=1e-9)


def test_permutation_form_agrees_on_the_example() -> None:
    """The two forms rest on other theory; on these data they find the same part."""
    found = differing_parts(*_arch_angle(), permutation=True)
    assert found.threshold == pytest.approx(3.29469, abs=0.25)
    assert found.parts and found.parts[0][0] == pytest.approx(93.275, abs=1.0)


def test_permutation_form_gives_the_same_answer_twice_and_leaves_the_global_state_alone() -> None:
    np.random.seed(5)  # noqa: NPY002
    before = np.random.get_state()[1].copy()  # type: ignore[index, union-attr]  # noqa: NPY002
    first, second = (differing_parts(*_arch_angle(), permutation=True) for _ in range(2))
    assert first.parts == second.parts
    assert (np.random.get_state()[1] == before).all()  # type: ignore[index]  # noqa: NPY002


def _curve(strides: np.ndarray, key: str = "thigh") -> Curve:
    sd = strides.std(axis=0, ddof=1) if len(strides) > 1 else np.zeros(101)
    return Curve(key, "left", strides.mean(axis=0), sd, np.ones(101), strides, len(strides))


def _strides(n: int, seed: int, bump: float = 0.0) -> np.ndarray:
    """Smooth invented strides; a bump of that height at 60-80 % of the cycle."""
    rng = np.random.default_rng(seed)
    x = np.arange(101)
    wander = np.array([np.convolve(rng.normal(size=181), np.hanning(60), "valid")[:101] for _ in range(n)])
    wander /= wander.std()
    shape = 40.0 * np.sin(2 * np.pi * x / 100) + bump * np.exp(-(((x - 70) / 6.0) ** 2))
    return shape + wander


@pytest.mark.parametrize("n, method", [(10, "parametric"), (5, "permutation")])
def test_known_part_is_found_where_it_is(n: int, method: str) -> None:
    found = compare_curves(_curve(_strides(n, 1)), _curve(_strides(n, 2, 12.0)), same_day=True)
    assert found.method == method
    assert len(found.parts) == 1
    part = found.parts[0]
    assert 55 < part.start < 70 < part.end < 85
    assert 4.0 < part.difference < 12.0
    assert part.beyond_repeat
    assert "differs at" in found.sentence and "−" not in found.sentence


def test_small_but_steady_difference_is_not_beyond_the_repeat_error() -> None:
    found = compare_curves(_curve(_strides(20, 3)), _curve(_strides(20, 4, 4.0)), same_day=False)
    assert found.parts and not any(p.beyond_repeat for p in found.parts)
    assert "repeating the take alone" in found.sentence


@pytest.mark.parametrize("bump", [4.0, 7.0, 9.0, 12.0])
def test_what_is_beyond_the_repeat_error_is_the_number_that_is_told(bump: float) -> None:
    """A part's largest point passes the limit of a point long before the part's mean does."""
    found = compare_curves(_curve(_strides(10, 1)), _curve(_strides(10, 2, bump)), same_day=True)
    assert found.parts
    for part in found.parts:
        assert part.beyond_repeat == (abs(part.difference) > found.detectable)
    assert ("more than the" in found.sentence and "no more" not in found.sentence) == any(
        part.beyond_repeat for part in found.parts
    )


def test_no_difference_is_called_in_at_most_one_of_twenty() -> None:
    hits = sum(
        bool(compare_curves(_curve(_strides(8, 2 * i)), _curve(_strides(8, 2 * i + 1)), True).parts)
        for i in range(100, 200)
    )
    # 5 % of 100 is 5; 11 or more would come up in about 1 of 100 such counts.
    assert hits < 11


@pytest.mark.parametrize("n, m", [(1, 9), (3, 3), (2, 5)])
def test_too_few_strides_are_shown_and_not_tested(n: int, m: int) -> None:
    assert m == 9 or 2 / comb(n + m, n) > 0.05
    found = compare_curves(_curve(_strides(n, 1)), _curve(_strides(m, 2, 30.0)), same_day=True)
    assert found.method == "none" and found.parts == ()
    assert "too few" in found.sentence
    assert found.before_mean.shape == found.after_mean.shape == (101,)


def test_strides_that_do_not_vary_are_not_tested() -> None:
    flat = np.zeros((8, 101))
    found = compare_curves(_curve(flat), _curve(flat + 1), same_day=True)
    assert found.method == "none" and "do not vary" in found.sentence
    with pytest.raises(ValueError, match="do not vary"):
        differing_parts(flat, flat + 1)


def test_only_the_same_joint_and_side() -> None:
    with pytest.raises(ValueError, match="same joint"):
        compare_curves(_curve(_strides(5, 1)), _curve(_strides(5, 2), "knee"), same_day=True)
    both = compare_all_curves(
        [_curve(_strides(5, 1)), _curve(_strides(5, 1), "knee")], [_curve(_strides(5, 2))], same_day=True
    )
    assert [c.key for c in both] == ["thigh"]
