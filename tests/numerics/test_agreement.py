"""Agreement of grades: against an exact identity, a general-purpose library, and the jackknife."""

import numpy as np
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from doe.numerics.agreement import agreement, word_for

SCALE = (0, 1, 2, 3, 4, 5)


def drawn(seed, n, scatter):
    generator = np.random.default_rng(seed)
    true = generator.uniform(0, 5, n)
    return [np.clip(np.round(true + generator.normal(0, scatter, n)), 0, 5) for _ in range(2)]


def concordance(one, other):
    """Return the concordance correlation with moments over n: 2 cov / (var + var + (difference of means)^2)."""
    covariance = np.mean((one - one.mean()) * (other - other.mean()))
    return 2 * covariance / (one.var() + other.var() + (one.mean() - other.mean()) ** 2)


@pytest.mark.parametrize("seed", range(8))
def test_quadratic_kappa_is_the_concordance_correlation(seed):
    # Fleiss and Cohen (1973) show it for the intraclass correlation; with moments over n it holds exactly.
    one, other = drawn(seed, 25, 0.8)
    assert agreement(one, other, SCALE, 0.95).kappa == pytest.approx(concordance(one, other), abs=1e-12)


def test_distances_are_those_of_the_grades_numbers():
    one, other = np.array([1.0, 1, 2, 10, 10]), np.array([1.0, 2, 2, 10, 2])
    assert agreement(one, other, (1, 2, 10), 0.95).kappa == pytest.approx(concordance(one, other), abs=1e-12)


def test_with_two_grades_it_is_the_simple_kappa():
    # Observed agreement 0.95, expected by chance 0.9 * 0.85 + 0.1 * 0.15 (Cohen 1960, definition of kappa).
    table = np.array([[85, 5], [0, 10]])
    pairs = [(a, b) for a in (0, 1) for b in (0, 1) for _ in range(table[a, b])]
    one, other = zip(*pairs, strict=True)
    found = agreement(one, other, (0, 1), 0.95)
    assert found.kappa == pytest.approx((0.95 - (0.9 * 0.85 + 0.1 * 0.15)) / (1 - (0.9 * 0.85 + 0.1 * 0.15)), abs=1e-12)
    simple = cohens_kappa(table)
    assert (found.low, found.high) == pytest.approx((simple.kappa_low, simple.kappa_upp), abs=1e-9)


def test_the_interval_has_the_jackknifes_width():
    one, other = drawn(3, 200, 0.7)
    left = np.array([concordance(np.delete(one, at), np.delete(other, at)) for at in range(200)])
    spread = np.sqrt(199 / 200 * np.sum((left - left.mean()) ** 2))
    found = agreement(one, other, SCALE, 0.95)
    assert found.high - found.low == pytest.approx(2 * 1.959964 * spread, rel=0.1)


def test_shares_are_counted_on_the_scale():
    found = agreement([1, 1, 2, 10], [1, 2, 10, 1], (1, 2, 10), 0.95)
    assert (found.pieces, found.equal, found.within_one) == (4, 0.25, 0.75)  # 2 and 10 are neighbours here


def test_full_agreement_and_its_opposite():
    same = agreement([0, 1, 4, 5], [0, 1, 4, 5], SCALE, 0.95)
    assert (same.kappa, same.low, same.high) == (1, 1, 1)
    swapped = agreement([0, 5], [5, 0], SCALE, 0.95)
    assert swapped.kappa == pytest.approx(-1) and swapped.low >= -1


def test_one_grade_for_everything_has_no_kappa():
    found = agreement([4, 4, 4], [4, 4, 4], SCALE, 0.95)
    assert (found.equal, found.kappa, found.low, found.high) == (1, None, None, None)


def test_always_one_grade_apart_is_chance():
    found = agreement([3, 3, 3], [4, 4, 4], SCALE, 0.95)
    assert found.kappa == pytest.approx(0) and found.within_one == 1 and found.low is None


def test_the_words_of_landis_and_koch():
    # Landis and Koch (1977), p. 165.
    words = {-0.1: "poor", 0.1: "slight", 0.3: "fair", 0.5: "moderate", 0.7: "substantial", 0.9: "almost perfect"}
    assert {kappa: word_for(kappa) for kappa in words} == words


@pytest.mark.parametrize(
    ("one", "other", "words"), [([], [], "at least one piece"), ([1], [1, 2], "at least one"), ([7], [1], "7 is none")]
)
def test_what_cannot_be_compared_is_refused(one, other, words):
    with pytest.raises(ValueError, match=words):
        agreement(one, other, SCALE, 0.95)
