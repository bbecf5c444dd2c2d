"""Proportional odds: a published sensory experiment, statsmodels, closed forms, and what grades cannot support."""

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doe.numerics import graded
from doe.numerics.load_allowance import FEWEST_LOADS
from doe.numerics.proportionality import proportionality
from tests.numerics.published import digits, table
from tests.reference_data import expected_of

ML = np.inf
# Randall, "The analysis of sensory data by generalised linear model", Biometrical J. 31 (1989) 781, fitted by the R
# package ordinal; the article on that package prints four digits, the file has fifteen from R and from 30-digit arithmetic.
WINE = expected_of("F_wine_clm")


def wine(columns=("temp", "contact")):
    data = table("F_wine_clm")
    high = {"temp": "warm", "contact": "yes"}
    X = np.column_stack([np.ones(72), *[data[name] == high[name] for name in columns]]).astype(float)
    return data["rating"].astype(int) - 1, X


def plan(n=30, columns=14, loads=6, seed=1):
    generator = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), generator.uniform(-1, 1, (n, columns))])
    return X, np.arange(n) % loads, generator


def drawn(X, generator, thresholds=(-2.5, -1.2, 0.0, 1.5)):
    eta = X[:, 1] + generator.logistic(size=len(X))
    return (eta[:, None] > np.array(thresholds)).sum(axis=1)


def parameters(fit):
    return np.concatenate([fit.thresholds, fit.slopes])


class TestPublished:
    @pytest.mark.parametrize("reference", ["reference_R", "reference_multiprecision"])
    def test_coefficients_and_standard_errors(self, reference):
        fit = graded.fit_graded(*wine(), 5, slope_sd=ML)
        assert digits(parameters(fit), list(WINE[reference]["coef"].values())) >= 12
        assert digits(np.sqrt(np.diag(fit.covariance)), list(WINE[reference]["se"].values())) >= 12
        assert digits(fit.log_likelihood, WINE[reference]["logLik"]) >= 13

    def test_interaction(self):
        grades, X = wine()
        fit = graded.fit_graded(grades, np.column_stack([X, X[:, 1] * X[:, 2]]), 5, slope_sd=ML)
        reference = WINE["reference_multiprecision_with_interaction"]
        assert digits(parameters(fit), list(reference["coef"].values())) >= 12
        assert digits(np.sqrt(np.diag(fit.covariance)), list(reference["se"].values())) >= 12

    def test_likelihood_ratio(self):
        whole, part = (graded.fit_graded(*wine(names), 5, slope_sd=ML) for names in (("temp", "contact"), ("temp",)))
        assert digits(2 * (whole.log_likelihood - part.log_likelihood), WINE["LR_test_contact"]["LR"]) >= 11

    def test_probabilities(self):
        fit = graded.fit_graded(*wine(), 5, slope_sd=ML)
        rows = np.array([[1, 0, 0], [1, 1, 0], [1, 0, 1], [1, 1, 1]])
        expected = np.array(WINE["predicted_probabilities"]["prob"])
        for grade in range(1, 5):
            assert digits(graded.at_least(fit, rows, grade).estimates, expected[:, grade:].sum(axis=1)) >= 11

    def test_a_wide_prior_is_nearly_none(self):
        fit = graded.fit_graded(*wine(), 5, slope_sd=1e4)
        np.testing.assert_allclose(parameters(fit), list(WINE["reference_R"]["coef"].values()), rtol=1e-6)


class TestAgainstAnotherLibrary:
    def test_estimates_errors_and_likelihood(self):
        X, _, generator = plan(60, 3, seed=5)
        grades = drawn(X, generator)
        fit = graded.fit_graded(grades, X, 5, slope_sd=ML)
        other = OrderedModel(grades, X[:, 1:], distr="logit").fit(method="newton", disp=False)
        # its standard errors come from differences
        cuts = other.model.transform_threshold_params(other.params)[1:-1]
        np.testing.assert_allclose(fit.slopes, other.params[:3], atol=1e-6)
        np.testing.assert_allclose(fit.thresholds, cuts, atol=1e-6)
        np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance))[4:], other.bse[:3], rtol=1e-5)
        assert fit.log_likelihood == pytest.approx(other.llf, rel=1e-10)


class TestIntervals:
    def test_without_loads_they_are_walds_on_the_logit(self):
        grades, X = wine()
        fit = graded.fit_graded(grades, X, 5, slope_sd=ML)
        reference = WINE["reference_R"]
        z = stats.norm.ppf(0.975)
        se = np.array([reference["se"]["tempwarm"], reference["se"]["contactyes"]])
        np.testing.assert_allclose(graded.slope_limits(fit)[:, 1], fit.slopes + z * se, rtol=1e-9)
        found = graded.at_least(fit, [[1, 0, 0]], 4).limits[0]  # at the reference setting only the threshold enters
        theta, error = reference["coef"]["4|5"], reference["se"]["4|5"]
        np.testing.assert_allclose(found, special.expit([-theta - z * error, -theta + z * error]), rtol=1e-9)

    def test_far_outside_the_region_nothing_overflows(self):
        fit = graded.fit_graded(*wine(), 5)
        found = graded.at_least(fit, [[1, 400, 0], [1, -400, 0]], 2)
        assert np.isfinite(found.estimates).all() and np.isfinite(found.limits).all()

    def test_every_print_a_load_of_its_own_is_no_load(self):
        X, _, generator = plan(columns=3)
        grades = drawn(X, generator)
        plain, own = graded.fit_graded(grades, X, 5), graded.fit_graded(grades, X, 5, np.arange(30))
        np.testing.assert_array_equal(graded.at_least(plain, X, 3).limits, graded.at_least(own, X, 3).limits)

    def test_loads_that_differ_widen_and_the_names_of_loads_do_not_matter(self):
        X, load, generator = plan(columns=3)
        shift = np.array([-4.0, 4, -3, 3, -2, 2])[load]
        grades = ((shift + generator.logistic(size=30))[:, None] > np.array([-2.0, 0, 2])).sum(axis=1)
        plain, fit = graded.fit_graded(grades, X, 4), graded.fit_graded(grades, X, 4, load)
        other = graded.fit_graded(grades, X, 4, 10 - load)
        rows = X.mean(axis=0, keepdims=True)
        width = [
            float(np.diff(special.logit(graded.at_least(one, rows, 2).limits[0])).item()) for one in (plain, fit, other)
        ]
        assert width[1] > 2 * width[0]
        assert width[2] == pytest.approx(width[1], rel=1e-9)
        assert fit.loads.load_var > 1


class TestTooLittle:
    @pytest.mark.parametrize("value", [0, 3, 5])
    def test_one_grade_only(self, value):
        X, load, _ = plan()
        fit = graded.fit_graded(np.full(30, value), X, 6, load)
        shares = [graded.at_least(fit, X, grade) for grade in range(1, 6)]
        assert all(np.isfinite(one.estimates).all() and np.isfinite(one.limits).all() for one in shares)
        assert "no print got grade" in fit.reasons[0]
        met = shares[value - 1] if value else shares[0]
        assert (met.estimates > 0.5).all() if value else (met.estimates < 0.5).all()

    def test_one_grade_only_without_slopes_is_the_half_success_of_a_proportion(self):
        # Half a print on the other side: the odds are n : 1/2, and the logit's variance is 1/n + 2.
        fit = graded.fit_graded(np.full(10, 1), np.ones((10, 1)), 2)
        assert fit.thresholds[0] == pytest.approx(-np.log(20))
        assert fit.covariance[0, 0] == pytest.approx(1 / 10 + 2)

    def test_perfect_separation_is_finite_with_the_prior_and_refused_without(self):
        X, load, _ = plan()
        grades = np.where(X[:, 1] > 0, 5, 0)
        fit = graded.fit_graded(grades, X, 6, load)
        assert np.abs(fit.slopes).max() < 4 * graded.SLOPE_SD
        assert fit.groups == ((0, 1, 2, 3, 4), (5,))
        with pytest.raises(ValueError, match="tell the grades apart perfectly"):
            graded.fit_graded(grades, X[:, :3], 6, slope_sd=ML)

    def test_without_a_prior_one_grade_or_dependent_columns_are_refused(self):
        grades, X = wine()
        for given, columns in ((np.full(72, 2), X), (grades, np.column_stack([X, X[:, 1]]))):
            with pytest.raises(ValueError, match="the grades must differ, and the columns of X be independent"):
                graded.fit_graded(given, columns, 5, slope_sd=ML)

    def test_an_empty_grade_between_joins_the_one_below(self):
        grades, X = np.array([0, 0, 2, 2, 3, 3, 0, 3]), np.column_stack([np.ones(8), np.tile([-1.0, 1], 4)])
        fit = graded.fit_graded(grades, X, 4)
        assert fit.groups == ((0, 1), (2,), (3,))
        one, two = (graded.at_least(fit, X, grade).estimates for grade in (1, 2))
        np.testing.assert_array_equal(one, two)
        joined = graded.fit_graded(np.maximum(grades - 1, 0), X, 3)
        np.testing.assert_allclose(joined.slopes, fit.slopes)

    def test_without_a_prior_what_was_never_seen_has_the_widest_limits(self):
        grades, X = wine()
        fit = graded.fit_graded(grades + 1, X, 7, slope_sd=ML)
        never, always = graded.at_least(fit, X[:1], 6), graded.at_least(fit, X[:1], 1)
        assert (never.estimates[0], always.estimates[0]) == (0, 1)
        assert never.limits[0].tolist() == always.limits[0].tolist() == [0, 1]
        assert graded.at_least(fit, X[:1], 0).limits[0].tolist() == [1, 1]

    def test_more_columns_than_prints(self):
        X, load, generator = plan(10, 14, loads=5)
        fit = graded.fit_graded(generator.integers(0, 6, 10), X, 6, load)
        assert np.isfinite(graded.at_least(fit, X, 4).limits).all()
        assert fit.loads.contrasts == 0
        assert "no comparison of loads is left" in fit.reasons[-1]

    def test_few_loads_are_said(self):
        X, _, generator = plan(columns=2)
        grades = drawn(X, generator)
        few = graded.fit_graded(grades, X, 5, np.arange(30) % (FEWEST_LOADS - 1))
        enough = graded.fit_graded(grades, X, 5, np.arange(30) % FEWEST_LOADS)
        assert "4 loads leave 3 comparisons of loads" in few.reasons[0]
        assert enough.reasons == ()


class TestRefused:
    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"grades": [0, 1]}, "one entry for each print"),
            ({"grades": [0, 1, 7]}, "whole numbers 0 to 2"),
            ({"X": [[1, 0], [1, np.nan], [1, 2]]}, "finite numbers"),
            ({"X": [[0, 1], [1, 1], [1, 2]]}, "first column is the intercept"),
            ({"load": [0.5, 1, 1]}, "load needs one whole number"),
            ({"slope_sd": 0.0}, "standard deviation of the prior"),
        ],
    )
    def test_arguments(self, changes, message):
        given = {"grades": [0, 1, 2], "X": [[1, 0], [1, 1], [1, 2]], "count": 3}
        with pytest.raises(ValueError, match=message):
            graded.fit_graded(**(given | changes))

    def test_rows_grades_and_levels(self):
        fit = graded.fit_graded(*wine(), 5)
        with pytest.raises(ValueError, match="3 columns"):
            graded.at_least(fit, [[1, 0]], 4)
        with pytest.raises(ValueError, match="grade 5 does not exist"):
            graded.at_least(fit, [[1, 0, 0]], 5)
        with pytest.raises(ValueError, match="between 0 and 1"):
            graded.at_least(fit, [[1, 0, 0]], 4, level=1.0)


class TestProportionality:
    def test_score_and_expected_information_from_the_probabilities_alone(self):
        # Multinomial score test by complex-step derivatives of F(a) - F(b), each threshold with slopes of its own.
        grades, X = wine()
        fit = graded.fit_graded(grades, X, 5, slope_sd=ML)
        null = np.concatenate([fit.thresholds, np.tile(fit.slopes, 4)])

        def shares(p):
            a = p[:4] - np.einsum("ik,jk->ij", X[:, 1:], p[4:].reshape(4, 2))
            above = 1 / (1 + np.exp(a))
            return -np.diff(np.hstack([np.ones((72, 1)), above, np.zeros((72, 1))]), axis=1)

        P = shares(null)
        D = np.stack([shares(null + 1e-30j * e).imag / 1e-30 for e in np.eye(12)], axis=2)
        score = (D / P[..., None])[np.arange(72), grades].sum(axis=0)
        information = np.einsum("irk,irl,ir->kl", D, D, 1 / P)
        found = proportionality(grades, X, 5)
        assert found.statistic == pytest.approx(score @ np.linalg.solve(information, score), rel=1e-9)
        assert found.dof == 6
        assert found.p == pytest.approx(stats.chi2.sf(found.statistic, 6))

    def test_its_size_and_that_it_sees_a_departure(self):
        generator = np.random.default_rng(4)
        x = np.tile([-1.0, 1.0], 30)
        X = np.column_stack([np.ones(60), x])
        same = [proportionality(drawn(X, generator, (-1.0, 1.0)), X, 3).p for _ in range(250)]
        assert np.mean(np.array(same) < 0.05) == pytest.approx(0.05, abs=4 * np.sqrt(0.0475 / 250))
        wider = np.where(x > 0, 6.0, 1.0)
        spread = [
            proportionality(((wider * generator.logistic(size=60))[:, None] > np.array([-1.0, 1])).sum(axis=1), X, 3).p
            for _ in range(50)
        ]
        assert np.mean(np.array(spread) < 0.05) > 0.7

    @pytest.mark.parametrize(
        ("grades", "columns", "reason"),
        [
            (np.arange(30) % 2, 2, "nothing that could differ"),
            (np.arange(30) % 3, 0, "nothing that could differ"),
            (np.arange(30) % 5, 14, "too few to judge 60"),
        ],
    )
    def test_reasons(self, grades, columns, reason):
        X = plan(columns=columns)[0]
        found = proportionality(grades, X, 6)
        assert reason in found.reason
        assert np.isnan(found.p)

    def test_perfect_separation_is_a_reason(self):
        X = np.column_stack([np.ones(30), np.linspace(-1, 1, 30)])
        assert "perfectly" in proportionality(np.repeat([0, 1, 2], 10), X, 3).reason

    def test_dependent_columns_are_a_reason(self):
        grades, X = wine()
        assert "linearly dependent" in proportionality(grades, np.column_stack([X, X[:, 1]]), 5).reason
