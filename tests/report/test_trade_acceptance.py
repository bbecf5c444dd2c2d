"""Acceptance figures of the trade sheet, §10, to the digits given: factors of tolerance bounds, and runs without a failure."""

import numpy as np
import pytest
from scipy import stats

from doe.numerics import conformance, posterior, tolerance
from doe.report.views import share_interval

FACTORS = [  # prints, share, k for a confidence of 95 %: trade sheet, §10
    (5, 0.90, 3.407), (5, 0.95, 4.203), (5, 0.99, 5.741), (10, 0.90, 2.355), (10, 0.95, 2.911), (10, 0.99, 3.981),
    (20, 0.90, 1.926), (20, 0.95, 2.396), (20, 0.99, 3.295), (30, 0.90, 1.777), (30, 0.95, 2.220), (30, 0.99, 3.064),
]
DRAWS = 200_000


def lower_limit(n, mean, sd, share):
    """What a share of prints lies above, with 95 % confidence, from the posterior draws of n prints at one setting."""
    values = np.random.default_rng(n).normal(size=n)
    values = mean + sd * (values - values.mean()) / values.std(ddof=1)
    prints = posterior.PrintMeans(values, np.ones((n, 1)), None, 0, 0, np.ones(n, int))
    drawn = posterior.draws(prints, DRAWS, np.random.default_rng(2))
    return tolerance.tolerance_limits([drawn], [np.ones((1, 1, 1))], conformance.future_sd(drawn, 1), share, 0.05)[0, 0]


def exact(n, share):
    """Return the factor k and the standard error that draws leave it: both from the noncentral t distribution."""
    spread = stats.nct(n - 1, stats.norm.ppf(share) * np.sqrt(n), scale=1 / np.sqrt(n))
    k = spread.ppf(0.95)
    return k, np.sqrt(0.05 * 0.95 / DRAWS) / spread.pdf(k)


@pytest.mark.parametrize(("n", "share", "k"), FACTORS)
def test_factors_of_one_sided_bounds(n, share, k):
    by_theory, error = exact(n, share)
    assert by_theory == pytest.approx(k, abs=5e-4)
    assert lower_limit(n, 0.0, 1.0, share) == pytest.approx(-by_theory, abs=4 * error)


@pytest.mark.parametrize(("share", "limit"), [(0.90, 18.35), (0.95, 17.01), (0.99, 14.45)])
def test_bounds_of_ten_prints(share, limit):
    # trade sheet, §10: mean 24.0, standard deviation 2.4, ten prints
    k, error = exact(10, share)
    assert 24.0 - 2.4 * k == pytest.approx(limit, abs=5e-3)
    assert lower_limit(10, 24.0, 2.4, share) == pytest.approx(limit, abs=5e-3 + 4 * 2.4 * error)


@pytest.mark.parametrize(("prints", "share"), [(59, 0.95), (29, 0.90)])
def test_prints_without_a_failure_that_show_a_share(prints, share):
    # trade sheet, §10: 59 for 95/95, 29 for 90/95; a one-sided confidence of 95 % is a two-sided one of 90 %
    assert share_interval(prints, prints, 0.90)[0] >= share > share_interval(prints - 1, prints - 1, 0.90)[0]


def test_ten_of_ten_show_no_more_than_this():
    # trade sheet, §10: at least 74.1 %
    assert share_interval(10, 10, 0.90)[0] == pytest.approx(0.741, abs=5e-4)
    assert share_interval(10, 10, 0.90)[0] == pytest.approx(0.05**0.1, rel=1e-12)
