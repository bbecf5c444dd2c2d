import numpy as np
import pytest
from scipy import special, stats

from doe.numerics.propagation import Sites, integrate


def right(limits, counts):
    """Return sites with as many right limits each, all the same within a site."""
    site = np.repeat(np.arange(len(counts)), counts)
    lower = np.asarray(limits, dtype=float)[site]
    return Sites(lower, np.full(len(site), np.inf), site)


def dense(variance, scale, limit, count):
    """Return log of the integral over one mean, by the trapezoidal rule on 200 001 points."""
    h = np.sqrt(variance) * np.linspace(-14, 14, 200_001)
    values = stats.norm.pdf(h, scale=np.sqrt(variance)) * np.exp(count * special.log_ndtr((h - limit) / scale))
    return np.log(np.trapezoid(values, h))


@pytest.mark.parametrize("variance", [0.01, 1.0, 9.0, 100.0])
@pytest.mark.parametrize("limit", [-2.0, 0.0, 3.0])
@pytest.mark.parametrize("count", [1, 5])
def test_a_single_site_is_exact(variance, limit, count):
    place = limit * np.sqrt(variance)
    found = integrate(np.zeros(1), np.array([[variance]]), 1.0, right([place], [count]))
    assert found.converged
    assert found.log_value == pytest.approx(dense(variance, 1.0, place, count), abs=3e-4 if variance == 100 else 1e-6)


def test_without_sites_the_integral_is_one():
    found = integrate(np.zeros(0), np.zeros((0, 0)), 1.0, right([], []))
    assert (found.log_value, found.stretch, found.converged) == (0.0, 0.0, True)


def test_limits_of_all_kinds_multiply_for_independent_means():
    # P(l < h + e < u) with h + e of variance 2 about the mean.
    mean, spread = np.array([1.0, -1.0, 0.5]), np.sqrt(2)
    lower, upper = np.array([-np.inf, 0.3, -1.0]), np.array([0.2, np.inf, 2.0])
    found = integrate(mean, np.eye(3), 1.0, Sites(lower, upper, np.arange(3)))
    wanted = np.log(stats.norm.cdf((upper - mean) / spread) - stats.norm.cdf((lower - mean) / spread))
    assert found.log_value == pytest.approx(wanted.sum(), abs=1e-12)


@pytest.mark.parametrize(("between", "allowed"), [(0.1, 1e-4), (0.5, 1e-3), (2.0, 0.01)])
def test_correlated_means_agree_with_the_multivariate_normal(between, allowed):
    # With one value a site it is the probability of a quadrant, by the integration of Genz (1992) in scipy.
    mean, limits = np.array([0.0, 0.5, -0.5, 1.0]), np.array([0.2, 0.1, -0.3, 1.5])
    covariance = between + 0.5 * np.eye(4)
    found = integrate(mean, covariance, 1.0, right(limits, [1] * 4))
    wanted = stats.multivariate_normal.cdf(
        mean - limits, cov=covariance + np.eye(4), abseps=1e-6, maxpts=400_000, rng=1
    )
    assert found.converged
    assert found.log_value == pytest.approx(np.log(wanted), abs=allowed)


def test_prints_of_one_load_that_are_all_lost():
    # Five prints of five coupons in one load, all above their limit: load effect outside, print effects inside.
    load, print_, limit = 1.0, 1.0, 1.0
    u, v = np.linspace(-9, 9, 401), np.linspace(-9, 9, 2001)
    chances = np.exp(5 * special.log_ndtr(np.sqrt(load) * u[:, None] + np.sqrt(print_) * v - limit))
    inner = np.trapezoid(stats.norm.pdf(v) * chances, v, axis=1)
    wanted = np.log(np.trapezoid(stats.norm.pdf(u) * inner**5, u))
    found = integrate(np.zeros(5), load + print_ * np.eye(5), 1.0, right([limit] * 5, [5] * 5))
    assert found.log_value == pytest.approx(wanted, abs=3e-3)


def test_slope_by_the_scale_and_a_start_from_elsewhere():
    mean, covariance, sites = np.array([0.3, -0.2, 1.0]), 0.5 + np.eye(3), right([0.5, 0.0, 2.0], [3, 1, 5])
    found = integrate(mean, covariance, 1.2, sites)
    step = 1e-4
    ends = [integrate(mean, covariance, 1.2 * np.exp(sign * step), sites).log_value for sign in (1, -1)]
    assert found.stretch == pytest.approx((ends[0] - ends[1]) / (2 * step), abs=1e-6)
    elsewhere = integrate(mean + 2, 3 * covariance, 0.4, sites)
    again = integrate(mean, covariance, 1.2, sites, elsewhere)
    assert again.log_value == pytest.approx(found.log_value, abs=1e-9)
    assert again.precision == pytest.approx(found.precision, rel=1e-6)
