"""The share with correlated responses against the bivariate and trivariate normal distribution, and simulation."""

import numpy as np
import pytest
from scipy import stats

from doe.numerics import conformance, correlated
from doe.numerics.conformance import Margins
from doe.numerics.posterior import Draws

ROW = np.ones((1, 1, 1))


def at(*distances, width=None):
    """Return one response whose distances from its limit, draw by draw, are given."""
    coefficients = np.array(distances, dtype=np.float32)[:, None]
    return Margins(coefficients, None if width is None else np.full(len(distances), width, dtype=np.float32), False)


def matrix(*off):
    count = 2 if len(off) == 1 else 3
    result = np.eye(count)
    result[np.triu_indices(count, 1)] = off
    return np.maximum(result, result.T) if min(off) >= 0 else result + np.triu(result, 1).T


@pytest.mark.parametrize("rho", [-0.9, -0.4, 0.0, 0.4, 0.8, 0.95])
def test_two_responses_follow_the_bivariate_normal_distribution(rho):
    one, two = np.array([-1.0, 0.5, 1.5, 2.5, 3.0]), np.array([0.3, 0.5, 2.0, -0.5, 3.0])
    ours = correlated.with_correlation([ROW, ROW], [at(*one), at(*two)], matrix(rho))
    expected = [stats.multivariate_normal.cdf(pair, cov=matrix(rho)) for pair in zip(one, two, strict=True)]
    np.testing.assert_allclose(ours, expected, atol=3e-4)


def test_two_limits_are_a_rectangle():
    ours = correlated.with_correlation([ROW, ROW], [at(1.0, width=2.5), at(0.7)], matrix(0.5))[0]
    law = stats.multivariate_normal(cov=matrix(0.5))
    # Both standardised values exceed minus their distances; the first stays below 1.5 as well.
    assert ours == pytest.approx(law.cdf([1.0, 0.7]) - law.cdf([-1.5, 0.7]), abs=3e-4)


@pytest.mark.parametrize(
    ("first", "second"),
    [((1.0, None), (None, 4.0)), ((None, 3.0), (None, 4.0)), ((1.0, 5.0), (None, 4.0)), ((1.0, 5.0), (2.0, None))],
)
def test_limits_from_above_count_the_correlation_of_the_values_themselves(first, second):
    # Two values with means 2 and 3, standard deviations 1 and 2, correlated by 0.6: the probability of a rectangle.
    rho, means, sds = 0.6, (2.0, 3.0), (1.0, 2.0)
    drawn = [Draws(np.array([[mean]]), *np.ones((3, 1))) for mean in means]
    wanted = [
        conformance.margins(one, np.array([sd]), *limits) for one, sd, limits in zip(drawn, sds, (first, second), strict=True)
    ]
    ours = correlated.with_correlation([ROW, ROW], wanted, matrix(rho))[0]
    low, high = (
        [end if limit is None else (limit - mean) / sd for limit, mean, sd in zip(limits, means, sds, strict=True)]
        for end, limits in zip((-9.0, 9.0), zip(first, second, strict=True), strict=True)
    )
    expected = stats.multivariate_normal(cov=matrix(rho)).cdf(high, lower_limit=low)
    assert ours == pytest.approx(expected, abs=4e-4)


def test_three_responses_follow_the_trivariate_normal_distribution():
    correlation = matrix(0.4, -0.2, 0.3)
    ours = correlated.with_correlation([ROW] * 3, [at(1.0, 2.0), at(0.5, 1.5), at(1.2, 1.7)], correlation)
    expected = [stats.multivariate_normal.cdf(z, cov=correlation) for z in ([1, 0.5, 1.2], [2, 1.5, 1.7])]
    np.testing.assert_allclose(ours, expected, atol=1e-3)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 6])
def test_equally_correlated_values_that_all_stand_at_their_limit_meet_it_together_in_one_case_of_one_more(count):
    # With a correlation of 1/2 each value is its own part less a shared one of the same law: all are above zero where the
    # shared part is the least of count + 1.
    correlation = (np.eye(count) + 1) / 2
    ours = correlated.with_correlation([ROW] * count, [at(0.0)] * count, correlation)
    assert ours == pytest.approx([1 / (count + 1)], abs=2e-3)


def test_without_correlation_it_is_the_product():
    generator = np.random.default_rng(2)
    wanted = [Margins(generator.normal(1, 1, (40, 3)).astype(np.float32), None, False) for _ in range(3)]
    rows = [generator.normal(size=(4, 1, 3)) for _ in range(3)]
    ours = correlated.with_correlation(rows, wanted, np.eye(3))
    np.testing.assert_allclose(ours, conformance.conformance(rows, wanted)[0], atol=1e-3)


def test_positive_correlation_raises_and_negative_lowers_the_share():
    wanted = [at(1.3), at(1.3)]
    by_rho = [correlated.with_correlation([ROW, ROW], wanted, matrix(rho))[0] for rho in (-0.4, 0.0, 0.4)]
    assert by_rho[0] < by_rho[1] < by_rho[2]
    assert by_rho[1] - by_rho[0] < stats.norm.sf(1.3) ** 2  # at most the product of the failures
    assert 0.01 < by_rho[2] - by_rho[1] < 0.08


def test_each_draw_may_have_a_correlation_of_its_own():
    wanted = [at(1.0, 1.0), at(1.0, 1.0)]
    both = correlated.with_correlation([ROW, ROW], wanted, np.stack([matrix(0.1), matrix(0.7)]))
    apart = [correlated.with_correlation([ROW, ROW], wanted, matrix(rho))[0] for rho in (0.1, 0.7)]
    np.testing.assert_allclose(both, apart)


@pytest.mark.parametrize(
    ("correlation", "words"), [(np.eye(3), "that of 3 responses"), (np.array([[1, 1.2], [1.2, 1]]), "not positive definite")]
)
def test_a_correlation_that_does_not_fit_is_refused(correlation, words):
    with pytest.raises(ValueError, match=words):
        correlated.with_correlation([ROW, ROW], [at(1.0), at(1.0)], correlation)


class TestResidualCorrelation:
    X = np.column_stack([np.ones(24), np.tile([-1.0, 0, 1], 8)])
    load = np.repeat(np.arange(6), 4)

    def means(self, rho, seed=1):
        generator = np.random.default_rng(seed)
        loads = 3 * generator.normal(size=(6, 2))[self.load]  # takes no part
        return self.X @ generator.normal(size=(2, 2)) + loads + generator.multivariate_normal([0, 0], matrix(rho), 24)

    def test_it_is_the_partial_correlation_given_model_and_loads(self):
        means = self.means(0.5)
        found = correlated.residual_correlation(means, self.X, self.load)
        fixed = np.column_stack([self.X, np.eye(6)[self.load]])
        rest = means - fixed @ np.linalg.lstsq(fixed, means, rcond=None)[0]
        assert found.dof == 17  # 24 less 6 loads and a slope
        assert found.raw[0, 1] == pytest.approx(np.corrcoef(rest.T)[0, 1])
        assert found.shrunken[0, 1] == pytest.approx(found.raw[0, 1] * 17 / 21)

    @pytest.mark.parametrize("rho", [0.0, 0.4])
    def test_its_interval_holds_the_truth_about_as_often_as_it_says(self, rho):
        held = 0
        for seed in range(300):
            found = correlated.residual_correlation(self.means(rho, seed), self.X, self.load)
            low, high = np.quantile(
                correlated.correlation_draws(found, 400, np.random.default_rng(seed))[:, 0, 1], [0.05, 0.95]
            )
            held += low <= rho <= high
        assert 0.87 <= held / 300 <= 0.97  # nominally 0.90, standard error 0.017; a prior towards zero holds more there

    def test_draws_are_correlations(self):
        found = correlated.residual_correlation(np.column_stack([self.means(0.9), self.means(0.2, 7)]), self.X, self.load)
        drawn = correlated.correlation_draws(found, 500, np.random.default_rng(1))
        np.testing.assert_allclose(np.diagonal(drawn, axis1=1, axis2=2), 1)
        assert (np.linalg.eigvalsh(drawn) > 0).all()

    def test_what_cannot_be_correlated_is_refused(self):
        with pytest.raises(ValueError, match="no error degree of freedom"):
            correlated.residual_correlation(np.ones((3, 2)), np.eye(3), None)
        still = np.column_stack([self.X[:, 1], self.means(0.1)[:, 0]])
        with pytest.raises(ValueError, match="does not vary"):
            correlated.residual_correlation(still, self.X, self.load)


def test_the_correlation_of_future_coupons_is_that_of_simulated_prints():
    load_var, print_var, coupon_var, rho = (1.0, 0.5), (2.0, 1.0), (1.5, 0.8), 0.4
    drawn = [Draws(np.zeros((1, 1)), *(np.array([part[r]]) for part in (load_var, print_var, coupon_var))) for r in (0, 1)]
    sd = [conformance.future_sd(one, 1) for one in drawn]
    found = correlated.future_correlation(matrix(rho), drawn, [0.2, 0.2], sd)[0]
    generator, n = np.random.default_rng(3), 400_000
    mean_var = np.array([p + 0.2 * c for p, c in zip(print_var, coupon_var, strict=True)])
    shared = rho * np.sqrt(mean_var.prod())  # all of the means' covariance is the prints'
    prints = generator.multivariate_normal([0, 0], [[print_var[0], shared], [shared, print_var[1]]], n)
    of_loads = rho * np.sqrt(np.prod(load_var))
    loads = generator.multivariate_normal([0, 0], [[load_var[0], of_loads], [of_loads, load_var[1]]], n)
    coupons = generator.normal(size=(n, 2)) * np.sqrt(coupon_var)
    assert found[0, 1] == pytest.approx(np.corrcoef((prints + loads + coupons).T)[0, 1], abs=0.006)
    assert found[0, 0] == found[1, 1] == 1
