"""Repeat error against published worked examples and a reference library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin as pg
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from technique import reliability as r

# Shrout and Fleiss 1979, Psychol Bull 86:420, Table 2: six subjects, four judges.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)
# Bland and Altman 1986, Lancet 1:307: peak expiratory flow of 17 people, two meters, twice each.
WRIGHT_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
WRIGHT_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]
# Weir 2005, J Strength Cond Res 19:231 (data from memory): the same error, other people.
WEIR_A = [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]]
WEIR_B = [[166, 160], [168, 172], [160, 142], [150, 159], [147, 135], [146, 143], [156, 147], [155, 168]]


def test_six_forms_of_shrout_and_fleiss() -> None:
    """Published: .17 .29 .71 .44 .62 .91; more digits by the same data in the literature list."""
    found = r.icc(SHROUT_FLEISS)
    assert found.one_single == pytest.approx(0.1657, abs=5e-5)
    assert found.two_single == pytest.approx(0.2898, abs=5e-5)
    assert found.three_single == pytest.approx(0.7148, abs=5e-5)
    assert found.one_mean == pytest.approx(0.4428, abs=5e-5)
    assert found.two_mean == pytest.approx(0.6201, abs=5e-5)
    assert found.three_mean == pytest.approx(0.9093, abs=5e-5)


def test_mean_squares_of_shrout_and_fleiss() -> None:
    found = r.mean_squares(SHROUT_FLEISS)
    assert found.between == pytest.approx(11.2417, abs=5e-5)
    assert found.occasions == pytest.approx(32.4861, abs=5e-5)
    assert found.error == pytest.approx(1.01944, abs=5e-6)
    assert found.within == pytest.approx(6.26389, abs=5e-6)


def test_standard_error_and_smallest_change_of_shrout_and_fleiss() -> None:
    consistency, agreement = r.standard_error(SHROUT_FLEISS), r.standard_error(SHROUT_FLEISS, agreement=True)
    assert consistency.sem == pytest.approx(1.00968, abs=5e-6)
    assert consistency.freedom == 15
    assert agreement.sem == pytest.approx(2.50278, abs=5e-6)
    assert r.minimal_detectable_change(consistency.sem) == pytest.approx(2.79868, abs=2e-4)
    # Few repeats: Student's t in place of 1.96.
    assert consistency.detectable == pytest.approx(2.79868 * stats.t.ppf(0.975, 15) / 1.96, rel=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_icc_as_the_reference_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    table = rng.normal(size=(9, 1)) * 3 + rng.normal(size=(9, 4)) + rng.normal(size=4)
    long = pd.DataFrame(
        [(i, j, table[i, j]) for i in range(9) for j in range(4)], columns=["subject", "judge", "value"]
    )
    theirs = pg.intraclass_corr(long, targets="subject", raters="judge", ratings="value")["ICC"].to_numpy()
    ours = r.icc(table)
    mine = [
        ours.one_single,
        ours.two_single,
        ours.three_single,
        ours.one_mean,
        ours.two_mean,
        ours.three_mean,
    ]
    assert mine == pytest.approx(list(theirs), abs=1e-9)


def test_same_error_other_icc() -> None:
    """Weir 2005, worked example: the same SEM in both tables, whatever the people are like.

    Literature list, O5: SEM 7.557, minimal difference 20.95, ICC(2,1) .950 and .553. (The 53.75 that stands
    there is the mean square *within* subjects; the SEM is the root of the *error* mean square, 57.107.)
    """
    for table, single in ((WEIR_A, 0.950), (WEIR_B, 0.553)):
        squares, found = r.mean_squares(table), r.standard_error(table)
        assert squares.within == pytest.approx(53.75, abs=5e-13)
        assert squares.error == pytest.approx(57.1071, abs=5e-5)
        assert found.sem == pytest.approx(7.557, abs=5e-4)
        assert found.freedom == 7
        assert r.minimal_detectable_change(found.sem) == pytest.approx(20.95, abs=5e-3)
        assert r.icc(table).two_single == pytest.approx(single, abs=5e-4)
        # A shift between the occasions counted as error too: root of 53.75.
        assert r.standard_error(table, agreement=True).sem == pytest.approx(7.3314, abs=5e-5)


def test_squat_example_as_printed() -> None:
    """The first of these tables as a printed lecture example of a one-repetition squat of 8 people on two days.

    S. Crofton, "Test-retest reliability (ICC) and day to day variation" (slides): F(1,7) = .530, p = .49,
    ICC of the mean, consistency, = .973.
    """
    squares = r.mean_squares(WEIR_A)
    f = squares.occasions / squares.error
    assert f == pytest.approx(0.530, abs=5e-4)
    assert stats.f.sf(f, 1, 7) == pytest.approx(0.49, abs=5e-3)
    assert r.icc(WEIR_A).three_mean == pytest.approx(0.973, abs=5e-4)


def test_forms_of_the_same_error_with_other_people() -> None:
    """Weir 2005, printed to two digits (from memory): .95 .95 .95 .97 .97 .97 and .56 .55 .54 .72 .71 .70."""
    printed = {
        "A": (WEIR_A, (0.95, 0.95, 0.95, 0.97, 0.97, 0.97)),
        "B": (WEIR_B, (0.56, 0.55, 0.54, 0.72, 0.71, 0.70)),
    }
    for table, told in printed.values():
        i = r.icc(table)
        ours = (i.one_single, i.two_single, i.three_single, i.one_mean, i.two_mean, i.three_mean)
        assert [round(x, 2) for x in ours] == list(told)


def test_limits_of_agreement_of_bland_and_altman() -> None:
    """Lancet 1986: mean -2.1, SD 38.8, limits -79.7 and 75.5 (2 SD, rounded), SE of a limit 16.3."""
    found = r.limits_of_agreement(WRIGHT_1, MINI_1, factor=2.0)
    assert found.bias == pytest.approx(-2.1176, abs=5e-5)
    assert found.sd == pytest.approx(38.7651, abs=5e-5)
    assert (found.lower, found.upper) == pytest.approx((-79.648, 75.413), abs=5e-3)
    assert (found.bias_low, found.bias_high) == pytest.approx((-22.05, 17.81), abs=5e-3)
    assert (found.lower_high - found.lower) / stats.t.ppf(0.975, 16) == pytest.approx(16.285, abs=5e-3)
    ordinary = r.limits_of_agreement(WRIGHT_1, MINI_1)
    assert (ordinary.lower, ordinary.upper) == pytest.approx((-78.097, 73.862), abs=5e-3)


def test_repeatability_coefficient_of_bland_and_altman() -> None:
    """Lancet 1986: 43.2 and 56.4 l/min (from rounded numbers), factor 2."""
    assert r.repeatability_coefficient(WRIGHT_1, WRIGHT_2, 2.0) == pytest.approx(43.29, abs=0.01)
    assert r.repeatability_coefficient(MINI_1, MINI_2, 2.0) == pytest.approx(56.32, abs=0.01)


def test_paired_differences_of_textbook_tables() -> None:
    """Three worked examples collected with the statistics library spm1d (data/uv0d)."""
    a = [210, 205, 193, 182, 259, 239, 164, 197, 222, 211, 187, 175, 186, 243, 246]
    b = [197, 195, 191, 174, 236, 226, 157, 196, 201, 196, 181, 164, 181, 229, 231]
    found = r.paired_difference(a, b)
    assert (found.t, found.freedom) == (pytest.approx(6.6896995, abs=1e-6), 14)
    assert found.p == pytest.approx(1.028e-5, rel=1e-3)
    c = [19, 22, 24, 24, 25, 25, 26, 26, 28, 32]
    d = [16, 20, 21, 22, 23, 22, 27, 25, 27, 28]
    found = r.paired_difference(c, d)
    assert found.t == pytest.approx(4.4721, abs=1e-4)
    assert found.p / 2 == pytest.approx(0.000775, abs=1e-6)
    e = [141, 119, 122, 127, 125, 123, 113, 106, 131, 142, 131, 135, 119, 130, 121]
    f = [168, 111, 139, 127, 155, 115, 125, 123, 130, 137, 130, 129, 112, 141, 122]
    found = r.paired_difference(e, f)
    assert (found.low, found.high) == pytest.approx((-12.360, 1.827), abs=1e-3)


def test_typical_error_is_the_consistency_standard_error() -> None:
    assert r.typical_error(WRIGHT_1, WRIGHT_2) == pytest.approx(
        r.standard_error(np.column_stack([WRIGHT_1, WRIGHT_2])).sem, rel=1e-12
    )


def test_pooled_repeats_of_unequal_groups() -> None:
    """Closed form: squares 2 and 2 over 1 + 2 degrees of freedom."""
    found = r.pooled_repeatability([[1.0, 3.0], [4.0, 5.0, 6.0], [9.0]])
    assert found is not None
    assert (found.sem, found.freedom) == (pytest.approx((4.0 / 3.0) ** 0.5), 3)
    assert r.pooled_repeatability([[1.0], []]) is None


def test_holm_as_the_reference_library() -> None:
    p = [0.01, 0.04, 0.03, 0.005, 0.8]
    assert r.holm(p) == pytest.approx(list(pg.multicomp(p, method="holm")[1]))
    assert r.holm([]) == ()


@given(
    st.lists(st.lists(st.floats(-50, 50), min_size=2, max_size=2), min_size=3, max_size=12),
    st.floats(-100, 100),
    st.floats(0.1, 10),
)
def test_error_moves_with_the_unit_and_not_with_the_level(
    table: list[list[float]], level: float, unit: float
) -> None:
    x = np.array(table)
    assert r.standard_error(x * unit + level).sem == pytest.approx(unit * r.standard_error(x).sem, abs=1e-6)


@pytest.mark.parametrize("table", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, np.nan], [2.0, 3.0]], [1.0, 2.0]])
def test_too_little_is_refused(table: object) -> None:
    with pytest.raises(ValueError, match="at least 2 subjects"):
        r.mean_squares(table)  # type: ignore[arg-type]
    with pytest.raises(ValueError):
        r.paired_difference([1.0, 2.0], [1.0])
