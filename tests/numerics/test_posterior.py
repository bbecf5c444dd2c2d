"""Draws of one response: closed forms, numerical integration, and a published one-way layout."""

import csv

import numpy as np
import pytest
from scipy import integrate, stats

from doe.numerics import posterior
from doe.numerics.posterior import PrintMeans
from tests.conftest import REFERENCE

SIZE = 40_000


def share_error(size, p):
    """Return four standard errors of a share among independent draws."""
    return 4 * np.sqrt(p * (1 - p) / size)


def assert_distributed(values, distribution, points=(0.02, 0.2, 0.5, 0.8, 0.98)):
    for p in points:
        assert np.mean(values < distribution.ppf(p)) == pytest.approx(p, abs=share_error(len(values), p))


@pytest.fixture
def plain():
    """Twelve prints of a straight line, no loads, three coupons each."""
    generator = np.random.default_rng(3)
    X = np.column_stack([np.ones(12), np.linspace(-1, 1, 12)])
    means = X @ [50.0, 2.0] + generator.normal(0, 1, 12)
    return PrintMeans(means, X, None, 7.5, 24, np.full(12, 3))


def split_plot():
    """Six loads of four prints, one factor between loads and one within; the load variance is about the print's."""
    generator = np.random.default_rng(8)
    load = np.repeat(np.arange(6), 4)
    X = np.column_stack([np.ones(24), np.repeat([-1.0, 0, 1, -1, 0, 1], 4), np.tile([-1.0, -1, 1, 1], 6)])
    means = X @ [10.0, 1, -1] + generator.normal(0, 1, 6)[load] + generator.normal(0, 1, 24)
    return PrintMeans(means, X, load, 0.0, 0, np.ones(24, dtype=int))


class TestWithoutLoads:
    def test_coefficients_are_student_t_about_least_squares(self, plain):
        # Box and Tiao (1973), sec. 2.7, from memory: flat prior on b and log s.
        wide = PrintMeans(plain.means, plain.X, None, 0.0, 0, np.ones(12, dtype=int))
        beta = posterior.draws(wide, SIZE, np.random.default_rng(1)).beta
        centre, rss = np.linalg.lstsq(plain.X, plain.means, rcond=None)[:2]
        se = np.sqrt(np.diag(np.linalg.inv(plain.X.T @ plain.X)) * rss[0] / 10)
        for column in range(2):
            assert_distributed((beta[:, column] - centre[column]) / se[column], stats.t(10))

    def test_print_variance_is_inverse_chi_square(self, plain):
        wide = PrintMeans(plain.means, plain.X, None, 0.0, 0, np.ones(12, dtype=int))
        drawn = posterior.draws(wide, SIZE, np.random.default_rng(1))
        rss = np.linalg.lstsq(plain.X, plain.means, rcond=None)[1][0]
        assert_distributed(rss / drawn.print_var, stats.chi2(10))
        assert (drawn.load_var == 0).all()
        assert (drawn.coupon_var == 0).all()

    def test_coupon_variance_is_inverse_chi_square_and_is_in_the_print_means(self, plain):
        drawn = posterior.draws(plain, SIZE, np.random.default_rng(1))
        assert_distributed(7.5 / drawn.coupon_var, stats.chi2(24))
        assert (drawn.print_var >= 0).all()

    def test_print_means_never_vary_less_than_their_coupons(self, plain):
        noisy = PrintMeans(plain.means, plain.X, None, 7500.0, 24, plain.coupons)
        drawn = posterior.draws(noisy, 2000, np.random.default_rng(1))
        assert np.mean(drawn.print_var == 0) > 0.99

    def test_unequal_counts_enter_by_their_harmonic_mean(self, plain):
        counts = np.array([1, 3] * 6)  # harmonic mean 1.5
        drawn = posterior.draws(PrintMeans(plain.means, plain.X, None, 7500.0, 12, counts), 2000, np.random.default_rng(1))
        floor = PrintMeans(plain.means, plain.X, None, 7500.0, 12, np.full(12, 1.5))
        same = posterior.draws(floor, 2000, np.random.default_rng(1))
        np.testing.assert_allclose(drawn.beta, same.beta)
        np.testing.assert_allclose(drawn.print_var, same.print_var)

    def test_one_print_a_load_is_the_same_as_no_loads(self, plain):
        own = PrintMeans(plain.means, plain.X, np.arange(12), 7.5, 24, plain.coupons)
        assert not own.has_loads
        one, other = (posterior.draws(data, 500, np.random.default_rng(1)) for data in (own, plain))
        np.testing.assert_allclose(one.beta, other.beta, rtol=1e-9)

    def test_a_large_mean_costs_no_digits(self, plain):
        shifted = PrintMeans(plain.means + 1e6, plain.X, None, 7.5, 24, plain.coupons)
        one, other = (posterior.draws(data, 500, np.random.default_rng(1)) for data in (shifted, plain))
        np.testing.assert_allclose(one.beta - [1e6, 0], other.beta, atol=1e-7)


class TestWithLoads:
    def test_ratio_follows_the_restricted_likelihood_times_the_prior(self):
        # Harville (1974): the likelihood of the error contrasts, here with dense matrices and adaptive quadrature.
        data = split_plot()
        Z = np.eye(6)[data.load]

        def density(root):  # of the square root of g, whose prior is a half-Cauchy of scale 1
            V = np.eye(24) + root**2 * Z @ Z.T
            W = np.linalg.inv(V)
            M = data.X.T @ W @ data.X
            P = W - W @ data.X @ np.linalg.solve(M, data.X.T @ W)
            log = -0.5 * (np.linalg.slogdet(V)[1] + np.linalg.slogdet(M)[1] + 21 * np.log(data.means @ P @ data.means))
            return np.exp(log + 40) / (1 + root**2)

        drawn = posterior.draws(data, SIZE, np.random.default_rng(5))
        root = np.sqrt(drawn.load_var / drawn.print_var)
        whole = integrate.quad(density, 0, 60, points=[0.5, 2, 8], limit=200)[0]
        for limit in (0.3, 0.7, 1.2, 2.0, 4.0):
            expected = integrate.quad(density, 0, limit)[0] / whole
            # The grid puts the mass of a cell of about 7 % at its middle.
            assert np.mean(root < limit) == pytest.approx(expected, abs=0.04)

    def test_coefficients_are_conditionally_generalised_least_squares(self):
        data = split_plot()
        drawn = posterior.draws(data, SIZE, np.random.default_rng(5))
        ratio = drawn.load_var / drawn.print_var
        Z = np.eye(6)[data.load]
        for one in (np.quantile(ratio, 0.3, method="nearest"), np.quantile(ratio, 0.7, method="nearest")):
            mine = np.isclose(ratio, one)
            W = np.linalg.inv(np.eye(24) + one * Z @ Z.T)
            M = data.X.T @ W @ data.X
            centre = np.linalg.solve(M, data.X.T @ W @ data.means)
            rest = data.means - data.X @ centre
            se = np.sqrt(np.diag(np.linalg.inv(M)) * (rest @ W @ rest) / 21)
            for column in range(3):
                assert_distributed((drawn.beta[mine, column] - centre[column]) / se[column], stats.t(21), (0.1, 0.5, 0.9))

    def test_dyestuff_agrees_with_the_closed_form_under_another_prior(self):
        # Data: Davies and Goldsmith (1972), Table 6.3. Closed form: Box and Tiao (1973), ch. 5 (from memory): under
        # their prior the two mean squares give independent inverse chi-squares, restricted to within <= between.
        with (REFERENCE / "E_dyestuff.csv").open(encoding="utf-8") as file:
            rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
        batch = np.array(["ABCDEF".index(row["Batch"]) for row in rows])
        values = np.array([float(row["Yield"]) for row in rows])
        data = PrintMeans(values, np.ones((30, 1)), batch, 0.0, 0, np.ones(30, dtype=int))
        drawn = posterior.draws(data, 200_000, np.random.default_rng(2))
        ratio = drawn.load_var / drawn.print_var
        weight = np.sqrt(ratio) * (1 + ratio) / (1 + 5 * ratio)  # their prior of g over ours
        weight /= weight.sum()
        generator = np.random.default_rng(4)
        within = 24 * 2451.25 / generator.chisquare(24, 400_000)  # mean squares within and between: tests/reference
        between = 5 * (2451.25 + 5 * 1764.05) / generator.chisquare(5, 400_000)
        kept = within <= between
        order = np.argsort(drawn.print_var)
        for p in (0.05, 0.5, 0.95):
            ours = drawn.print_var[order][np.searchsorted(np.cumsum(weight[order]), p)]
            assert ours == pytest.approx(np.quantile(within[kept], p), rel=0.01)
        order = np.argsort(ratio)
        for p in (0.25, 0.5, 0.75):
            ours = ratio[order][np.searchsorted(np.cumsum(weight[order]), p)]
            assert ours == pytest.approx(np.quantile((between / within - 1)[kept] / 5, p), rel=0.15)  # grid steps of 25 %
        mean = float(weight @ drawn.beta[:, 0])
        sd = float(np.sqrt(weight @ (drawn.beta[:, 0] - mean) ** 2))
        assert mean == pytest.approx(1527.5, abs=0.3)
        assert sd == pytest.approx(np.sqrt(np.mean(between[kept]) / 30), rel=0.03)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        pytest.param(PrintMeans(np.array([1.0, 2]), np.eye(2), None, 0, 0, np.ones(2, int)), "2 prints leave no", id="no dof"),
        pytest.param(
            PrintMeans(np.arange(6.0), np.column_stack([np.ones(6), np.repeat([0.0, 1], 3)]), np.repeat([0, 1], 3), 0, 0,
                       np.ones(6, int)),
            "all used up", id="no load dof",
        ),
        pytest.param(PrintMeans(np.full(4, 3.3), np.ones((4, 1)), None, 0, 0, np.ones(4, int)), "do not vary", id="no variation"),
    ],
)
def test_what_no_variance_can_come_from_is_refused(data, words):
    with pytest.raises(ValueError, match=words):
        posterior.draws(data, 10, np.random.default_rng(0))
