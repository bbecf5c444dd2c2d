"""Fold-over: which words stay, which effects come free, what both halves are together."""

from itertools import combinations

import numpy as np
import pytest

from doe.numerics import catalogue, fractions
from doe.numerics.terms import alias_groups, standard_terms

SATURATED = catalogue.fractional_factorial(7, resolution=3)


def projected_resolution(points):
    """The shortest product of factors that does not add up to 0, from the runs alone."""
    factors = points.shape[1]
    for size in range(1, factors + 1):
        for word in combinations(range(factors), size):
            if points[:, word].prod(axis=1).sum():
                return size
    return None


def both(points, made):
    return np.vstack([points, made.points])


def words_of(points):
    """The defining relation from the runs alone: products of factors that are the same in every run, shortest first."""
    factors = range(points.shape[1])
    words = (word for size in range(1, len(factors) + 1) for word in combinations(factors, size))
    return tuple(word for word in words if np.ptp(points[:, word].prod(axis=1)) == 0)


def chain_of(effect, points):
    """The main effects and two-factor interactions that these runs cannot tell from one, itself included."""
    levels = (0,) * points.shape[1]
    groups = alias_groups(points, standard_terms("interactions", levels), levels)
    return next((group for group in groups if effect in group), {effect})


def test_full_fold_over_of_the_saturated_fraction():
    # Montgomery, Design and Analysis of Experiments, section 8.5: 2^(7-4) with I = ABD = ACE = BCF = ABCG; of its 15 words
    # the seven of four letters are left, and resolution IV is reached.
    made = fractions.fold_over(SATURATED.points)
    assert (made.points == -SATURATED.points).all()
    together = both(SATURATED.points, made)
    assert words_of(together) == tuple(word for word in SATURATED.words if len(word) % 2 == 0)
    assert [len(word) for word in words_of(together)] == [4] * 7
    assert made.resolution == 4
    assert len(np.unique(together, axis=0)) == 16


@pytest.mark.parametrize(("factors", "runs"), [(3, 4), (5, 8), (6, 8), (7, 8), (9, 16), (10, 16), (11, 16), (12, 16)])
def test_full_fold_over_turns_three_into_four(factors, runs):
    # Box and Hunter, Technometrics 3 (1961) 311: words of odd length are lost.
    fraction = catalogue.fractional_factorial(factors, runs=runs)
    assert fraction.resolution == 3
    made = fractions.fold_over(fraction.points)
    assert words_of(both(fraction.points, made)) == tuple(word for word in fraction.words if len(word) % 2 == 0)
    assert made.resolution == projected_resolution(both(fraction.points, made))
    assert made.resolution is None or made.resolution >= 4


@pytest.mark.parametrize("factor", range(7))
def test_fold_over_of_one_factor_frees_it_and_its_interactions(factor):
    # Montgomery, Design and Analysis of Experiments, ch. 8: a fold-over on one factor frees its main effect and all its
    # interactions of two factors.
    made = fractions.fold_over(SATURATED.points, [factor])
    together = both(SATURATED.points, made)
    assert all(factor not in word for word in words_of(together))
    assert made.resolution == 3
    assert chain_of((factor,), together) == {(factor,)}
    for other in set(range(7)) - {factor}:
        pair = tuple(sorted((factor, other)))
        assert chain_of(pair, together) == {pair}
    reversed_ = np.flatnonzero((made.points != SATURATED.points).any(axis=0))
    assert reversed_.tolist() == [factor]


def test_words_stay_where_an_even_number_of_factors_is_reversed():
    fraction = catalogue.fractional_factorial(9, runs=32)
    for columns in ([0], [0, 1], [2, 5, 8], [0, 1, 2, 3]):
        made = fractions.fold_over(fraction.points, columns)
        kept = tuple(word for word in fraction.words if len(set(word) & set(columns)) % 2 == 0)
        assert words_of(both(fraction.points, made)) == kept
        assert made.resolution == projected_resolution(both(fraction.points, made))


def test_fold_over_of_even_words_only_repeats_the_runs():
    # Montgomery, ch. 8: a full fold-over of a resolution IV design with words of even length gives the same runs again.
    fraction = catalogue.fractional_factorial(6, runs=16)
    made = fractions.fold_over(fraction.points)
    assert sorted(map(tuple, made.points.tolist())) == sorted(map(tuple, fraction.points.tolist()))
    assert (words_of(both(fraction.points, made)), made.resolution) == (fraction.words, 4)


@pytest.mark.parametrize("runs", [12, 20])
def test_fold_over_of_a_burman_design_clears_main_effects_of_interactions(runs):
    # Box and Wilson, J. R. Stat. Soc. B 13 (1951) 1: any two-level design of resolution III with its mirror image is of
    # resolution IV, regular or not.
    points = catalogue.plackett_burman(min(runs - 1, 12), runs)
    assert projected_resolution(points) == 3
    made = fractions.fold_over(points)
    assert made.resolution == projected_resolution(both(points, made)) == 4
    assert words_of(both(points, made)) == ()


def test_a_half_fraction_and_its_other_half_are_the_whole_factorial():
    half = catalogue.fractional_factorial(4, resolution=4)
    made = fractions.fold_over(half.points, [3])
    assert made.resolution is None
    assert len(np.unique(both(half.points, made), axis=0)) == 16


@pytest.mark.parametrize(
    ("points", "columns", "words"),
    [
        (np.vstack([SATURATED.points, np.zeros((1, 7))]), None, "two-level runs only: leave out centre and axial runs"),
        (SATURATED.points, [], "reverses one or more of the design's own factors"),
        (SATURATED.points, [7], "reverses one or more of the design's own factors"),
        (SATURATED.points, [-1], "reverses one or more of the design's own factors"),
    ],
    ids=["centre run", "none", "too high", "negative"],
)
def test_fold_overs_that_there_are_not(points, columns, words):
    with pytest.raises(ValueError, match=words):
        fractions.fold_over(points, columns)
