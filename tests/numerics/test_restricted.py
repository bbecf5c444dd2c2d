from itertools import product

import numpy as np
import pytest

from doe.numerics import restricted
from doe.numerics.reml import fit_reml
from doe.numerics.restricted import criteria_at, error_contrasts, most_likely_ratios, nested, reduce_to_contrasts

# Twelve values, crossed and very unequal in their groups, whose likelihood has a second, lower maximum with columns at zero.
ROWS = np.array([1, 1, 0, 2, 2, 2, 2, 2, 0, 2, 2, 2])
COLUMNS = np.array([1, 1, 3, 3, 0, 0, 0, 3, 2, 1, 1, 1])
TWO_MAXIMA = np.array([-1.9, -2.5, 13.1, -18.8, -21.0, -23.3, -19.9, -18.8, 24.7, -20.6, -20.1, -19.7])


def criterion(y, X, groups, ratios):
    """Return -2 log restricted likelihood from its definition (Harville 1977), residual variance profiled out."""
    n, p = X.shape
    V = np.eye(n) + sum(g * np.equal.outer(group, group) for g, group in zip(ratios, groups, strict=True))
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    residuals = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    variance = residuals @ inverse @ residuals / (n - p)
    determinants = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1]
    return (n - p) * (np.log(2 * np.pi * variance) + 1) + determinants


def test_finds_the_higher_of_two_maxima():
    fit = fit_reml(TWO_MAXIMA, np.ones((12, 1)), [ROWS, COLUMNS])
    assert fit.converged
    assert not any(fit.at_zero)
    ratios = fit.variances[:-1] / fit.variances[-1]
    assert fit.criterion == pytest.approx(criterion(TWO_MAXIMA, np.ones((12, 1)), [ROWS, COLUMNS], ratios), rel=1e-10)
    for first in np.geomspace(0.1, 1e4, 40):
        for second in (0, *np.geomspace(0.1, 1e4, 40)):
            assert criterion(TWO_MAXIMA, np.ones((12, 1)), [ROWS, COLUMNS], [first, second]) >= fit.criterion - 1e-9


def test_takes_the_highest_of_the_maxima_that_its_starts_lead_to():
    # Twelve values, crossed, whose lattice has two lowest points; from these the search ends at different maxima.
    groups = [np.array([2, 2, 1, 2, 1, 0, 0, 2, 0, 2, 1, 2]), np.array([1, 1, 1, 2, 0, 0, 0, 0, 3, 2, 2, 2])]
    y, X = np.array([5.2, 4.2, -8.6, 4.0, -4.3, 1.8, -0.4, 5.0, 7.5, 2.9, -7.8, 4.0]), np.ones((12, 1))
    contrasts = error_contrasts(y, X, groups)
    ends = [restricted._climb(start, contrasts) for start in restricted._starts(contrasts)]
    assert np.ptp([criterion(y, X, groups, end) for end in ends]) > 1
    ratios, converged = most_likely_ratios(contrasts)
    assert converged
    lowest = criterion(y, X, groups, ratios)
    for first in (0, *np.geomspace(0.1, 1e4, 25)):
        for second in (0, *np.geomspace(0.1, 1e4, 25)):
            assert criterion(y, X, groups, [first, second]) >= lowest - 1e-9


# From 36 on a step would take a component at zero below it although its own slope does not; from 93 on the curvature points
# the other way somewhere on the search.
@pytest.mark.parametrize("seed", [*range(6), 36, 43, 64, 93, 161])
def test_no_neighbour_is_more_likely(seed):
    generator = np.random.default_rng(seed)
    prints = np.repeat(np.arange(15), generator.integers(1, 4, size=15))
    groups = [generator.integers(0, 3, size=15)[prints], (np.arange(15) // 3)[prints], prints]
    X = np.column_stack([np.ones(len(prints)), generator.normal(size=15)[prints]])
    y = generator.normal(size=15)[prints] + generator.normal(size=len(prints))
    fit = fit_reml(y, X, groups)
    ratios = fit.variances[:-1] / fit.variances[-1]
    assert fit.converged
    assert fit.at_zero == tuple(ratios == 0)
    for step in np.vstack([np.eye(3), -np.eye(3)]) * 1e-3:
        assert criterion(y, X, groups, np.maximum(ratios + step, 0)) >= fit.criterion - 1e-9


def test_four_components_are_searched_as_three_are():
    generator, number = np.random.default_rng(2), np.arange(48)
    groups, X = [number // 8, number // 2, number % 3, number // 2 % 4], np.ones((48, 1))
    y = generator.normal(size=48) + sum(2 * generator.normal(size=24)[group] for group in groups)
    fit = fit_reml(y, X, groups)
    ratios = fit.variances[:-1] / fit.variances[-1]
    assert fit.converged
    assert (ratios > 0).sum() >= 3
    for step in np.vstack([np.eye(4), -np.eye(4)]) * 1e-3:
        assert criterion(y, X, groups, np.maximum(ratios + step, 0)) >= fit.criterion - 1e-9


def test_criteria_at_many_ratios_agree_with_the_definition():
    X = np.column_stack([np.ones(12), np.linspace(-1, 1, 12)])
    contrasts = error_contrasts(TWO_MAXIMA, X, [ROWS, COLUMNS])
    ratios = np.array([[0.0, 0.0], [0.3, 0.0], [2.0, 50.0], [1e4, 1e-3]])
    wanted = np.array([criterion(TWO_MAXIMA, X, [ROWS, COLUMNS], one) for one in ratios])
    assert np.diff(criteria_at(ratios, contrasts)) == pytest.approx(np.diff(wanted), rel=1e-9)


def test_contrasts_are_free_of_the_fixed_part_and_of_each_other():
    X = np.column_stack([np.ones(12), np.linspace(-1, 1, 12)])
    contrasts, directions = reduce_to_contrasts(TWO_MAXIMA, X, [ROWS, COLUMNS])
    assert np.abs(X.T @ directions).max() < 1e-12
    assert directions.T @ directions == pytest.approx(np.eye(directions.shape[1]), abs=1e-12)
    assert contrasts.values == pytest.approx(directions.T @ TWO_MAXIMA, rel=1e-9)
    residuals = TWO_MAXIMA - X @ np.linalg.lstsq(X, TWO_MAXIMA, rcond=None)[0]
    total = contrasts.values @ contrasts.values + contrasts.residual_ss
    assert total == pytest.approx(residuals @ residuals, rel=1e-12)


def test_ratios_without_components():
    contrasts = error_contrasts(np.arange(4.0) ** 2, np.ones((4, 1)), [])
    ratios, converged = most_likely_ratios(contrasts)
    assert ratios.shape == (0,)
    assert converged
    assert contrasts.residual_variance(ratios) == pytest.approx(np.var(np.arange(4.0) ** 2, ddof=1), rel=1e-12)


@pytest.mark.parametrize(
    ("groups", "dof"),
    [
        # 24 values in 6 loads of 2 prints of 2 coupons; the model has one column of the load and one of the print.
        (["load"], (4, 17)),
        (["print"], (9, 12)),
        (["load", "print"], (4, 5, 12)),
        (["print", "load"], (5, 4, 12)),
        (["printer", "load", "print"], (2, 2, 5, 12)),
        (["load", "day"], (4, 2, 15)),
    ],
    ids=lambda value: ", ".join(value) if isinstance(value, list) else None,
)
def test_error_dof_by_ranks(groups, dof):
    number = np.arange(24)
    levels = {"load": number // 4, "print": number // 2, "printer": number // 8, "day": number % 4}
    X = np.column_stack([np.ones(24), np.where(number // 4 % 2, 1.0, -1.0), np.where(number // 2 % 2, 1.0, -1.0)])
    assert error_contrasts(np.zeros(24), X, [levels[name] for name in groups]).dof == dof


@pytest.mark.parametrize("times", [1, 100])
def test_refuses_components_that_the_layout_does_not_tell_apart(times):
    # Two by two, crossed; the model takes the sum of both contrasts, so a single direction is left for two components.
    rows, columns = np.tile([0, 0, 1, 1, 0, 0, 1, 1], times), np.tile([0, 1, 0, 1, 0, 1, 0, 1], times)
    signs = np.where(rows, 1.0, -1.0), np.where(columns, 1.0, -1.0)
    X = np.column_stack([np.ones(8 * times), signs[0] + signs[1], signs[0] * signs[1]])
    with pytest.raises(ValueError, match="does not tell them apart"):
        fit_reml(np.arange(8.0 * times) ** 2, X, [rows, columns])


@pytest.mark.parametrize("tie", [False, True])
def test_nested_groups_are_those_of_the_definition_in_every_layout_of_four_values(tie):
    numbered = [np.array(one) for one in product(range(4), repeat=4) if set(one) == set(range(max(one) + 1))]
    for finer, coarser in product(numbered, repeat=2):
        inside = all(len(set(coarser[finer == group])) == 1 for group in finer)
        wanted = inside and (coarser.max() < finer.max() or (tie and coarser.max() == finer.max()))
        assert (nested(finer, coarser, True) if tie else nested(finer, coarser)) == wanted


def test_one_error_degree_of_freedom_of_many_pairs_is_enough():
    # Twelve loads of two prints; the model takes all but one of the eleven contrasts between loads.
    load = np.repeat(np.arange(12), 2)
    X = np.eye(12)[load][:, 1:]
    contrasts = error_contrasts(np.random.default_rng(1).normal(size=24), X, [load])
    assert contrasts.dof == (1, 12)
    assert contrasts.count == 13
    # With a second component beside it, two sides of every load.
    sided = np.column_stack([np.ones(24), X[:, 1:]])
    assert error_contrasts(np.random.default_rng(1).normal(size=24), sided, [load, np.tile([0, 1], 12)]).dof == (1, 1, 11)


@pytest.mark.parametrize("f", [0.99, 1.0001, 1.01, 1.02, 1.2])
def test_a_component_close_to_zero_is_that_of_the_mean_squares(f):
    # Equal groups (Harville 1977): s_a = (between - within) / n where that is positive, and zero otherwise.
    generator, group = np.random.default_rng(3), np.repeat(np.arange(5), 4)
    within = generator.normal(size=20)
    within -= np.bincount(group, within)[group] / 4
    means = generator.normal(size=5)
    means -= means.mean()
    means *= np.sqrt(f * (within @ within / 15) / (means @ means))  # mean square between: 4 means'means / 4
    fit = fit_reml((within + means[group]) + 7.0, np.ones((20, 1)), [group])
    error = within @ within / 15 if f > 1 else (within @ within + 4 * means @ means) / 19
    assert fit.converged
    assert fit.variances == pytest.approx([max(f - 1, 0) * error / 4, error], rel=1e-6)
    assert fit.at_zero == (f < 1,)


def test_a_ratio_beyond_what_arithmetic_holds_is_never_more_likely():
    contrasts = error_contrasts(TWO_MAXIMA, np.ones((12, 1)), [ROWS, COLUMNS])
    assert restricted._criterion(np.array([1e25, 0.0]), contrasts) == np.inf


def test_only_a_maximum_is_called_one():
    # Two components of which the first is estimated at zero: away from the estimates the likelihood still rises somewhere.
    generator, prints = np.random.default_rng(6), np.repeat(np.arange(12), 3)
    y = 2 * generator.normal(size=12)[prints] + generator.normal(size=36)
    y -= np.bincount(prints // 3, y)[prints // 3] / 9 * 0.9  # loads that differ less than their prints
    contrasts = error_contrasts(y, np.ones((36, 1)), [prints // 3, prints])
    ratios, converged = most_likely_ratios(contrasts)
    assert converged and ratios[0] == 0 < ratios[1]
    far = [0, 1e5 * ratios[1]]  # its slope is small, but not that per relative change
    for other in ([0, 2 * ratios[1]], [0, ratios[1] / 2], [0, 0], [1, ratios[1]], [1e-3, ratios[1]], far):
        assert not restricted._is_minimum(np.array(other, dtype=float), contrasts)
    assert restricted._is_minimum(ratios * (1 + 1e-7), contrasts)  # as near as any search comes
    assert not restricted._is_minimum(ratios * (1 + 1e-4), contrasts)
