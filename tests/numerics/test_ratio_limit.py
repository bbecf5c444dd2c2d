"""The upper limit of a variance ratio against exact distributions and its promise against simulation."""

import numpy as np
import pytest
from scipy import stats

from doe.numerics.ratio_limit import upper_limit, zero_probability
from doe.numerics.reml import fit_reml, upper_ratio_limit
from doe.numerics.restricted import ErrorContrasts, most_likely_ratios


@pytest.mark.parametrize("ratio", [0.0, 0.5, 3.0, 100.0])
@pytest.mark.parametrize(("moved", "rest", "size"), [(1, 12, 6.0), (3, 24, 5.0), (9, 30, 4.0)])
def test_zero_of_equal_groups_follows_f(moved, rest, size, ratio):
    # The estimate is zero where the mean square between is at most the one within; their ratio is (1 + m g) F.
    wanted = stats.f.cdf(1 / (1 + size * ratio), moved, rest)
    assert zero_probability(np.full(moved, size), moved + rest, ratio) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("ratio", [0.0, 1.0, 10.0])
def test_zero_of_unequal_groups_agrees_with_simulation(ratio):
    # The condition of Crainiceanu and Ruppert (2004) counted among simulated squares.
    sizes, count, studies = np.array([0.3, 1.2, 2.8, 4.9]), 15, 200_000
    generator = np.random.default_rng(11)
    squares = generator.chisquare(1, (studies, 4)) * (1 + ratio * sizes)
    rest = generator.chisquare(count - 4, studies)
    falls = squares @ sizes / (squares.sum(axis=1) + rest) < sizes.sum() / count
    wanted = zero_probability(sizes, count, ratio)
    assert falls.mean() == pytest.approx(wanted, abs=4 * np.sqrt(wanted * (1 - wanted) / studies))


def contrasts_of(sizes, squares, residual_ss, rest):
    """Return error contrasts that are independent from the start."""
    count = len(sizes) + rest
    return ErrorContrasts(np.sqrt(squares), (np.diag(sizes),), residual_ss, count, (len(sizes), rest))


@pytest.mark.parametrize("sizes", [[0.5, 3.0, 5.0], [2.0, 4.0, 5.0, 5.0]], ids=["3 dof", "4 dof"])
def test_limit_given_zero_holds_wherever_zero_is_not_rare(sizes):
    sizes, rest = np.array(sizes), 12
    generator = np.random.default_rng(5)
    held, seen = {}, 0
    for ratio in (0.3, 1.0, 2.5):
        if zero_probability(sizes, len(sizes) + rest, ratio) < 0.05:
            continue
        limits = []
        while len(limits) < 8:
            squares = generator.chisquare(1, len(sizes)) * (1 + ratio * sizes)
            contrasts = contrasts_of(sizes, squares, float(generator.chisquare(rest)), rest)
            if squares @ sizes / (squares.sum() + contrasts.residual_ss) < sizes.sum() / contrasts.count:
                assert most_likely_ratios(contrasts)[0][0] == 0
                limits.append(upper_limit(contrasts, np.zeros(1), 0))
        held[ratio], seen = np.min(limits) > ratio, seen + 1
    assert seen >= 2
    assert all(held.values())


def test_limit_of_one_of_three_components_rises_with_the_level():
    generator = np.random.default_rng(4)
    prints = np.repeat(np.arange(24), 3)
    loads, printers = prints // 4, np.arange(24)[prints] % 3
    y = generator.normal(size=24)[prints] + generator.normal(size=72)
    fit = fit_reml(y, np.ones((72, 1)), [printers, loads, prints])
    zero = fit.at_zero.index(True)
    limits = [upper_ratio_limit(fit, zero, level) for level in (0.8, 0.9, 0.95)]
    assert 0 < limits[0] < limits[1] < limits[2]
