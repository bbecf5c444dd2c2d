"""Parts of a model: which there are, their likelihood, AICc and weights, and their weighted mean."""

import itertools

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from doe.numerics import reductions, terms

NUMERIC3 = (0, 0, 0)
LOADS = np.repeat(np.arange(6), 5)


def plan(levels, family="quadratic", n=30, seed=3):
    """Return a model and the coded settings of prints at random, the last factor fixed within each load of five."""
    generator = np.random.default_rng(seed)
    coded = np.column_stack(
        [generator.integers(0, count, n) if count else generator.choice([-1.0, 0.0, 1.0], n) for count in levels]
    )
    coded[:, -1] = np.tile([-1.0, 0.0, 1.0], 2)[LOADS[:n]]
    return terms.standard_terms(family, levels), coded


def study(seed=1, levels=NUMERIC3, load_sd=1.0, family="quadratic"):
    model, coded = plan(levels, family)
    X = terms.model_matrix(coded, model, levels)
    generator = np.random.default_rng(seed)
    y = 50 + 1.5 * coded[:, -1] + generator.normal(size=30) + load_sd * generator.normal(size=6)[LOADS]
    return y, X, model, levels


def log_density(y, X, load, ratio):
    """-2 log likelihood at a ratio, coefficients and residual variance at their maximum, by the density itself."""
    spread = np.eye(len(y)) + ratio * (load[:, None] == load)
    weight = np.linalg.inv(spread)
    beta = np.linalg.solve(X.T @ weight @ X, X.T @ weight @ y)
    free = y - X @ beta
    variance = free @ weight @ free / len(y)
    return -2 * stats.multivariate_normal(X @ beta, variance * spread).logpdf(y)


class TestParts:
    @pytest.mark.parametrize("levels", [(0, 0), (0, 0, 0), (0, 3, 0)])
    def test_are_those_that_enumeration_of_all_subsets_finds(self, levels):
        model = terms.standard_terms("quadratic", levels)
        every = [{(), *some} for size in range(len(model)) for some in itertools.combinations(model[1:], size)]
        closed = [one for one in every if all({(), *((i,) for i in term)} <= one for term in one)]
        rows = reductions.hierarchical(model)
        found = [{term for term, stays in zip(model, row, strict=True) if stays} for row in rows]
        assert sorted(map(sorted, found)) == sorted(map(sorted, closed))
        assert found[0] == set(model) and found[-1] == {()}

    def test_counts_of_a_full_quadratic_follow_from_choosing_the_main_effects(self):
        # With s main effects, each of s squares and s (s - 1) / 2 products is free.
        for k, count in ((2, 13), (3, 95), (4, 1337)):
            by_hand = sum(
                len(list(itertools.combinations(range(k), s))) * 2 ** (s + s * (s - 1) // 2) for s in range(k + 1)
            )
            assert by_hand == count == len(reductions.hierarchical(terms.standard_terms("quadratic", (0,) * k)))

    def test_a_product_of_three_needs_its_products_of_two(self):
        model = terms.with_hierarchy([(0, 0, 1)])
        rows = reductions.hierarchical(model)
        place = {term: index for index, term in enumerate(model)}
        with_it = rows[rows[:, place[(0, 0, 1)]]]
        assert with_it.shape == (1, len(model)) and with_it.all()

    def test_too_many_are_none(self):
        assert reductions.hierarchical(terms.standard_terms("quadratic", (0,) * 4), 1336) is None

    def test_model_that_is_not_hierarchical_is_refused(self):
        with pytest.raises(ValueError, match="hierarchical model that begins with its intercept"):
            reductions.hierarchical([(), (0,), (0, 1)])


class TestOneStratum:
    def test_aicc_is_that_of_least_squares_by_statsmodels(self):
        y, X, model, levels = study(levels=(0, 3, 0))
        found = reductions.reductions(y, X, model, levels)
        column = [model.index(term) for term, _ in terms.column_terms(model, levels)]
        for row in range(0, len(found.kept), 7):
            fit = sm.OLS(y, X[:, found.kept[row][column]]).fit()
            k = len(fit.params) + 1
            assert found.parameters[row] == k
            assert found.deviance[row] == pytest.approx(-2 * fit.llf, abs=1e-8)
            assert found.aicc[row] == pytest.approx(-2 * fit.llf + 2 * k + 2 * k * (k + 1) / (30 - k - 1), abs=1e-8)
            assert found.estimates[row][found.kept[row][column]] == pytest.approx(fit.params, abs=1e-9)
            inside = np.ix_(found.kept[row][column], found.kept[row][column])
            assert found.covariances[row][inside] == pytest.approx(fit.cov_params(), abs=1e-10)
            assert not found.estimates[row][~found.kept[row][column]].any()

    def test_blocks_stay_in_every_part(self):
        y, X, model, levels = study()
        block = np.where(np.arange(30) % 2, 1.0, -1.0)
        found = reductions.reductions(y, np.column_stack([X, block]), model, levels)
        smallest = sm.OLS(y, np.column_stack([np.ones(30), block])).fit()
        assert found.deviance[-1] == pytest.approx(-2 * smallest.llf, abs=1e-8)
        assert found.estimates[-1, [0, -1]] == pytest.approx(smallest.params)

    def test_a_shift_and_a_scale_of_the_values_change_no_difference(self):
        y, X, model, levels = study()
        one = reductions.reductions(y, X, model, levels, LOADS)
        other = reductions.reductions(1e4 + 1e-3 * y, X, model, levels, LOADS)
        assert other.weights == pytest.approx(one.weights, rel=1e-3, abs=1e-9)
        assert other.deviance - one.deviance == pytest.approx(30 * np.log(1e-6), abs=1e-4)


class TestLoads:
    def test_likelihood_is_the_highest_of_the_normal_density(self):
        y, X, model, levels = study(seed=5)
        found = reductions.reductions(y, X, model, levels, LOADS)
        inside = 0
        for row in range(0, len(found.kept), 6):
            part = X[:, found.kept[row]]
            assert found.deviance[row] == pytest.approx(log_density(y, part, LOADS, found.ratios[row]), abs=1e-8)
            best = optimize.minimize_scalar(
                lambda t, part=part: log_density(y, part, LOADS, np.expm1(t)),
                bounds=(0, 8),
                method="bounded",
                options={"xatol": 1e-9},
            )
            lowest = min(best.fun, log_density(y, part, LOADS, 0.0))
            assert found.deviance[row] == pytest.approx(lowest, abs=1e-6)
            inside += found.ratios[row] > 0
        assert inside >= 5

    def test_likelihood_is_that_of_a_mixed_model_by_statsmodels(self):
        y, X, model, levels = study(seed=5)
        found = reductions.reductions(y, X, model, levels, LOADS)
        part = X[:, :4]  # intercept and main effects
        row = int(np.flatnonzero((found.kept == np.isin(np.arange(len(model)), range(4))).all(axis=1))[0])
        fit = sm.MixedLM(y, part, groups=LOADS).fit(reml=False)
        assert found.ratios[row] > 0.1
        assert found.parameters[row] == 6
        assert found.deviance[row] == pytest.approx(-2 * fit.llf, abs=1e-5)
        assert found.ratios[row] == pytest.approx(fit.cov_re[0, 0] / fit.scale, rel=1e-3)
        assert found.estimates[row, :4] == pytest.approx(fit.fe_params, abs=1e-4)


class TestWeights:
    def test_published_evidence_ratios(self):
        # Burnham and Anderson (2002), table of evidence ratios in sec. 2.10: differences of 2, 4, 8 and 10 make the best
        # model 2.7, 7.4, 54.6 and 148.4 times as likely (from memory; they are exp(difference / 2)).
        weights = reductions.akaike_weights(np.array([100.0, 102, 104, 108, 110]))
        assert (weights[0] / weights[1:]).round(1).tolist() == [2.7, 7.4, 54.6, 148.4]
        assert weights.sum() == pytest.approx(1.0)

    def test_aicc_by_hand(self):
        # n = 10, k = 3: 20 + 6 + 24 / 6; with k = 8 the divisor is 1; with k = 9 it is 0.
        found = reductions.aicc_of(np.array([20.0, 20, 20]), np.array([3, 8, 9]), 10)
        assert found[:2].tolist() == [30.0, 180.0]
        assert np.isnan(found[2])

    def test_part_without_an_aicc_has_no_weight(self):
        generator, model = np.random.default_rng(2), terms.standard_terms("quadratic", NUMERIC3)
        coded = generator.normal(size=(12, 3))
        y = 3 * coded[:, 0] + generator.normal(size=12)
        found = reductions.reductions(y, terms.model_matrix(coded, model, NUMERIC3), model, NUMERIC3)
        assert np.isnan(found.aicc[0])  # 11 parameters, 12 prints
        assert found.weights[0] == 0
        assert found.weights.sum() == pytest.approx(1.0)
        assert found.kept[found.best].sum() < len(model)

    def test_importance_is_the_sum_of_weights(self):
        y, X, model, levels = study()
        found = reductions.reductions(y + 3 * X[:, 1], X, model, levels, LOADS)
        assert found.importance[0] == pytest.approx(1.0)
        for term in range(len(model)):
            assert found.importance[term] == pytest.approx(sum(found.weights[found.kept[:, term]]))
        assert found.importance[1] > 0.99  # three standard deviations of a print, within loads


class TestAverage:
    def test_is_the_weighted_mean_of_predictions_and_their_spread(self):
        y, X, model, levels = study()
        found = reductions.reductions(y, X, model, levels)
        means, se = reductions.averaged(found, X[:3])
        for place in range(3):
            fits = [sm.OLS(y, X[:, kept]).fit() for kept in found.kept]
            each = np.array([X[place, kept] @ fit.params for kept, fit in zip(found.kept, fits, strict=True)])
            scatter = [
                X[place, kept] @ fit.cov_params() @ X[place, kept] for kept, fit in zip(found.kept, fits, strict=True)
            ]
            mean = found.weights @ each
            assert means[place] == pytest.approx(mean)
            assert se[place] == pytest.approx(found.weights @ np.sqrt(np.array(scatter) + (each - mean) ** 2), rel=1e-4)


class TestWalk:
    def test_finds_the_best_of_all(self):
        for seed in range(5):
            y, X, model, levels = study(seed)
            every = reductions.reductions(y, X, model, levels, LOADS)
            walked = reductions.reductions(y, X, model, levels, LOADS, most=20)
            assert not walked.complete and every.complete
            assert len(walked.kept) < len(every.kept)
            assert len(np.unique(walked.kept, axis=0)) == len(walked.kept)
            assert walked.kept[0].all()
            assert walked.aicc[walked.best] == pytest.approx(every.aicc[every.best])


class TestRefused:
    def test_values_on_the_model(self):
        _, X, model, levels = study()
        with pytest.raises(ValueError, match="do not vary about the model"):
            reductions.reductions(X @ np.arange(1.0, 11), X, model, levels)

    def test_no_more_prints_than_coefficients(self):
        _, _, model, levels = study()
        square = np.random.default_rng(1).normal(size=(10, 10))
        with pytest.raises(ValueError, match="10 prints leave no error degree of freedom beside 10 coefficients"):
            reductions.reductions(square[:, 1], square, model, levels)

    def test_too_few_for_any_part(self):
        with pytest.raises(ValueError, match="too few for the AICc of any part"):
            reductions.reductions(
                [1.0, 2.0, 4.0], np.column_stack([np.ones(3), [-1.0, 0, 1]]), [(), (0,)], [0], [0, 0, 1]
            )

    def test_a_matrix_with_fewer_columns_than_the_model(self):
        y, X, model, levels = study()
        with pytest.raises(ValueError, match="the model has 10 columns, and its matrix 9"):
            reductions.reductions(y, X[:, :-1], model, levels)

    def test_loads_of_another_length(self):
        y, X, model, levels = study()
        with pytest.raises(ValueError, match="code of its load"):
            reductions.reductions(y, X, model, levels, LOADS[:-1])
