"""Combined and expanded uncertainties."""

import math

import pytest
from scipy import stats

from doe.numerics import uncertainty


def certain(*deviations):
    return [(one, math.inf) for one in deviations]


def test_gum_effective_degrees_of_freedom():
    # JCGM 100:2008, G.4.1, example (from memory): relative standard uncertainties 0.25, 0.57 and 0.82 % of 10, 5 and 15
    # observations have 19.0 effective degrees of freedom
    found = uncertainty.combined([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert found.standard == pytest.approx(1.03, abs=5e-3)
    assert found.dof == pytest.approx(19.0, abs=0.05)


@pytest.mark.parametrize(
    ("dof", "factor"), [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (math.inf, 2.00)]
)
def test_gum_coverage_factors(dof, factor):
    # JCGM 100:2008, table G.2, column 95.45 % (from memory)
    assert uncertainty.combined([(1.0, dof)]).factor == pytest.approx(factor, abs=5e-3)


@pytest.mark.parametrize(
    ("contact", "scatter", "standard", "expanded"), [(5.0, 2.0, 3.71, 7.4), (2.5, 1.0, 2.12, 4.2)]
)
def test_budget_of_a_nozzle(contact, scatter, standard, expanded):
    # by hand: class 1 probe 1.5, contact, readout 1 and control 1 as half-widths, and a standard deviation of the printer
    halves = [1.5, contact, 1.0, 1.0]
    by_hand = math.sqrt(sum(half**2 / 3 for half in halves) + scatter**2)
    assert by_hand == pytest.approx(standard, abs=5e-3)
    known = uncertainty.combined(certain(*(uncertainty.even_spread(half) for half in halves), scatter))
    assert (known.standard, known.dof) == (pytest.approx(by_hand), math.inf)
    assert known.expanded == pytest.approx(expanded, abs=0.05)


def test_an_even_spread_has_this_standard_deviation():
    # JCGM 100:2008, 4.3.7, eq. 7; against the distribution itself
    assert uncertainty.even_spread(5) == pytest.approx(float(stats.uniform(-5, 10).std()))
