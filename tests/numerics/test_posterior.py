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


def lost_coupons(loads=6):
    """Five coupons a print of which many were lost; coupons vary more than prints do."""
    generator = np.random.default_rng(21)
    load = np.repeat(np.arange(loads), 24 // loads)
    X = np.column_stack([np.ones(24), np.linspace(-1, 1, loads)[load], np.tile([-1.0, -1, 1, 1], 6)])
    counts = np.where(np.arange(24) % 3 == 0, 1, 5)
    means = X @ [10.0, 1, -1] + generator.normal(0, 0.7, loads)[load] + generator.normal(0, 0.5, 24)
    means += generator.normal(0, np.sqrt(4 / counts))
    dof = int((counts - 1).sum())
    return PrintMeans(means, X, load, 4.0 * dof, dof, counts)


def dense_posterior(data, roots, shares):
    """
    Return weights (G, K), means, covariances for s = 1, and sums of squares by definition, the scale integrated out.

    The density is that of (root of g, r), 0 < r < 1, where s has the prior 1 / s and r the prior 1 / r.
    """
    n, p = data.X.shape
    h = np.mean(1 / data.coupons)
    together = np.equal.outer(data.load, data.load)
    log, centre, covariance, total = [], [], [], []
    for root in roots:
        for r in shares:
            V = np.diag(1 + r * (1 / (data.coupons * h) - 1)) + root**2 * together
            W = np.linalg.inv(V)
            M = data.X.T @ W @ data.X
            b = np.linalg.solve(M, data.X.T @ W @ data.means)
            rest = data.means - data.X @ b
            q = rest @ W @ rest + data.within_ss * h / r
            log.append(
                -0.5 * (np.linalg.slogdet(V)[1] + np.linalg.slogdet(M)[1] + (n - p + data.within_dof) * np.log(q))
                - (data.within_dof / 2 + 1) * np.log(r) - np.log1p(root**2)
            )
            centre.append(b)
            covariance.append(np.linalg.inv(M))
            total.append(q)
    weight = np.exp(np.array(log) - max(log))
    return weight.reshape(len(roots), len(shares)), np.array(centre), np.array(covariance), np.array(total)


class TestUnequalCounts:
    def test_variances_and_coefficients_agree_with_dense_quadrature(self, monkeypatch):
        monkeypatch.setattr(posterior, "_POINTS", 6000)  # the error of the grid of g is another matter
        data = lost_coupons()
        angle = (np.arange(60) + 0.5) / 60 * np.pi / 2
        shares = (np.arange(50) + 0.5) / 50
        weight, centre, covariance, total = dense_posterior(data, np.tan(angle), shares)
        weight = weight * (1 + np.tan(angle) ** 2)[:, None]  # from the angle to the root
        weight /= weight.sum()
        drawn = posterior.draws(data, 80_000, np.random.default_rng(5))
        kept = drawn.print_var > 0  # r < 1, where the reference is
        h = np.mean(1 / data.coupons)
        mean_var = drawn.print_var + h * drawn.coupon_var
        share, root = h * drawn.coupon_var / mean_var, np.sqrt(drawn.load_var / mean_var)
        for limit in (0.4, 0.6, 0.8):
            expected = weight[:, shares < limit].sum()
            assert np.mean(share[kept] < limit) == pytest.approx(expected, abs=0.01)
        for edge in (12, 24, 36, 48):
            expected = weight[:edge].sum()
            assert np.mean(root[kept] < np.tan(edge / 60 * np.pi / 2)) == pytest.approx(expected, abs=0.01)
        dof = 24 - 3 + data.within_dof
        flat = weight.ravel()
        for column in range(3):
            mean = flat @ centre[:, column]
            variance = flat @ (covariance[:, column, column] * total / (dof - 2) + (centre[:, column] - mean) ** 2)
            assert drawn.beta[kept, column].mean() == pytest.approx(mean, abs=0.02)
            assert drawn.beta[kept, column].std() == pytest.approx(np.sqrt(variance), rel=0.03)
        for values, expected in ((mean_var, total / (dof - 2)), (drawn.coupon_var, total / (dof - 2) * np.tile(shares, 60) / h)):
            assert values[kept].mean() == pytest.approx(flat @ expected, rel=0.02)

    def test_the_chance_that_prints_do_not_vary_is_that_of_an_f_ratio(self):
        # Without loads and with nearly equal counts s and s_c are independent: s < h s_c where the ratio of their
        # chi-squares, an F distribution, allows it.
        generator = np.random.default_rng(2)
        means, counts = generator.normal(size=10), 2 + 1e-6 * np.arange(10)
        q = float(np.sum((means - means.mean()) ** 2))
        drawn = posterior.draws(PrintMeans(means, np.ones((10, 1)), None, 40.0, 20, counts), SIZE, generator)
        # q / chi2(9) < h SS / chi2(20)  <=>  F(9, 20) > (q / 9) / (h SS / 20)
        expected = stats.f.sf((q / 9) / (40.0 / 2 / 20), 9, 20)
        assert 0.1 < expected < 0.9
        assert np.mean(drawn.print_var == 0) == pytest.approx(expected, abs=share_error(SIZE, expected))

    @pytest.mark.parametrize("load", [None, np.repeat(np.arange(6), 4)], ids=["no loads", "loads"])
    def test_nearly_equal_counts_give_what_equal_ones_give(self, load):
        equal = PrintMeans(split_plot().means, split_plot().X, load, 60.0, 24, np.full(24, 3.0))
        counts = equal.coupons + 1e-6 * np.arange(24)
        nearly = PrintMeans(equal.means, equal.X, load, 60.0, 24, counts)
        one, other = (posterior.draws(data, SIZE, np.random.default_rng(k)) for k, data in enumerate((equal, nearly)))
        for name in ("load_var", "print_var", "coupon_var"):
            for p in (0.1, 0.5, 0.9):
                limit = np.quantile(getattr(one, name), p)
                if limit > 0:
                    ours, theirs = (np.mean(getattr(each, name) <= limit) for each in (other, one))
                    assert ours == pytest.approx(theirs, abs=2 * share_error(SIZE, p))
        for column in range(3):
            for p in (0.05, 0.5, 0.95):
                limit = np.quantile(one.beta[:, column], p)
                assert np.mean(other.beta[:, column] < limit) == pytest.approx(p, abs=2 * share_error(SIZE, p))

    def test_known_ratio_of_variances_is_weighted_least_squares(self):
        # Single values, a half of one among them: variance s / m, Student's t about weighted least squares.
        generator = np.random.default_rng(3)
        X = np.column_stack([np.ones(12), np.linspace(-1, 1, 12)])
        counts = np.where(np.arange(12) % 4 == 0, 0.5, 1.0)
        means = X @ [50.0, 2.0] + generator.normal(0, 1, 12) / np.sqrt(counts)
        drawn = posterior.draws(PrintMeans(means, X, None, 0.0, 0, counts), SIZE, generator)
        M = X.T @ (counts[:, None] * X)
        centre = np.linalg.solve(M, X.T @ (counts * means))
        rss = float(counts @ (means - X @ centre) ** 2)
        se = np.sqrt(np.diag(np.linalg.inv(M)) * rss / 10)
        for column in range(2):
            assert_distributed((drawn.beta[:, column] - centre[column]) / se[column], stats.t(10))
        assert_distributed(rss / drawn.print_var, stats.chi2(10))
        assert (drawn.coupon_var == 0).all()

    def test_where_coupons_are_all_the_variance_means_weigh_by_their_counts(self):
        data = lost_coupons()
        noisy = PrintMeans(data.means, data.X, None, 1e6 * data.within_dof, data.within_dof, data.coupons)
        drawn = posterior.draws(noisy, SIZE, np.random.default_rng(1))
        assert (drawn.print_var == 0).all()
        centre = np.linalg.lstsq(data.X * np.sqrt(data.coupons)[:, None], data.means * np.sqrt(data.coupons), rcond=None)[0]
        cov = np.linalg.inv(data.X.T @ (data.coupons[:, None] * data.X)) * 1e6
        for column in range(3):
            z = (drawn.beta[:, column] - centre[column]) / np.sqrt(cov[column, column])
            assert_distributed(z, stats.t(data.within_dof))

    def test_where_coupons_are_alike_all_means_weigh_the_same(self):
        data = lost_coupons()
        alike = PrintMeans(data.means, data.X, data.load, 0.0, data.within_dof, data.coupons)
        plain_ = PrintMeans(data.means, data.X, data.load, 0.0, 0, np.ones(24, dtype=int))
        one, other = (posterior.draws(each, 500, np.random.default_rng(1)) for each in (alike, plain_))
        assert (one.coupon_var == 0).all()
        np.testing.assert_allclose(one.beta.mean(axis=0), other.beta.mean(axis=0), atol=0.2)

    def test_one_print_a_load_and_a_mean_of_half_a_value_work(self):
        data = lost_coupons()
        counts = data.coupons.astype(float)
        counts[0] = 0.5
        own = PrintMeans(data.means, data.X, np.arange(24), data.within_ss, data.within_dof, counts)
        drawn = posterior.draws(own, 500, np.random.default_rng(1))
        assert (drawn.load_var == 0).all()
        assert np.isfinite(drawn.beta).all() and (drawn.print_var >= 0).all() and (drawn.coupon_var > 0).all()

    def test_a_large_mean_costs_no_digits(self):
        data = lost_coupons()
        shifted = PrintMeans(data.means + 1e6, data.X, data.load, data.within_ss, data.within_dof, data.coupons)
        one, other = (posterior.draws(each, 500, np.random.default_rng(1)) for each in (shifted, data))
        np.testing.assert_allclose(one.beta - [1e6, 0, 0], other.beta, atol=1e-6)


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
        pytest.param(PrintMeans(np.arange(4.0), np.ones((4, 1)), None, 0, 0, np.zeros(4, int)), "no coupon", id="no coupons"),
    ],
)
def test_what_no_variance_can_come_from_is_refused(data, words):
    with pytest.raises(ValueError, match=words):
        posterior.draws(data, 10, np.random.default_rng(0))
