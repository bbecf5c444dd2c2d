"""Predictions of new prints at one setting, against the fits that they are taken from, closed forms and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.numerics.confirming import (
    NewPrints,
    chance_of_misses,
    chance_to_catch,
    choice_factor,
    each_ahead,
    mean_ahead,
    new_print_sd,
    prospect,
)
from doe.numerics.intervals import prediction_interval
from doe.numerics.mixture import mixture, mixture_interval
from doe.numerics.reml import fit_reml, prediction


@pytest.fixture(scope="module")
def coupons():
    """Return values, model, loads and prints of 18 prints in 6 loads, 3 coupons each, two printers."""
    generator = np.random.default_rng(5)
    load = np.repeat(np.arange(6), 3)
    X = np.column_stack([np.ones(18), generator.uniform(-1, 1, 18), np.tile([1.0, -1.0], 9)])
    means = X @ [30, 2, 0.5] + generator.normal(0, 0.7, 6)[load] + generator.normal(0, 0.6, 18)
    of_print = np.repeat(np.arange(18), 3)
    return means[of_print] + generator.normal(0, 0.8, 54), X, load, of_print


ROWS = np.array([[1.0, 0.4, 1.0], [1.0, 0.4, -1.0]])


@pytest.fixture(scope="module")
def known(coupons):
    y, X, load, of_print = coupons
    return prospect(fit_reml(y, X[of_print], [load[of_print], of_print]), ROWS, of_coupons=True)


def test_one_print_is_the_prediction_of_the_fit(coupons, known):
    y, X, load, of_print = coupons
    fit = fit_reml(y, X[of_print], [load[of_print], of_print])
    for place in (0, 1):
        ahead = mean_ahead(known, NewPrints((place,), (3,)), 0.9, chosen=False)
        wanted = prediction(fit, ROWS[place], [1, 1, 1 / 3])
        assert (ahead.estimate, ahead.se, ahead.dof) == pytest.approx(
            (wanted.estimates[0], wanted.se[0], wanted.dof[0])
        )
        limits = prediction_interval(wanted.estimates, wanted.se, wanted.dof, 0.9)[0]
        assert (ahead.low, ahead.high) == pytest.approx(tuple(limits))


def test_several_prints_share_printers_and_have_their_own_coupons(coupons, known):
    # The mean of prints on both printers is a linear function of the coefficients; their own variances are averaged.
    y, X, load, of_print = coupons
    fit = fit_reml(y, X[of_print], [load[of_print], of_print])
    ahead = mean_ahead(known, NewPrints((0, 1, 0, 0), (3, 1, 2, 3)), 0.95, chosen=False)
    row = (3 * ROWS[0] + ROWS[1]) / 4
    wanted = prediction(fit, row, [1 / 4, 1 / 4, (1 / 3 + 1 + 1 / 2 + 1 / 3) / 16])
    assert (ahead.estimate, ahead.se, ahead.dof) == pytest.approx((wanted.estimates[0], wanted.se[0], wanted.dof[0]))


def test_the_allowance_widens_the_predictions_own_part_only(known):
    new = NewPrints((0, 1), (3, 3))
    plain, wide = (mean_ahead(known, new, 0.95, chosen=chosen) for chosen in (False, True))
    own = np.array([0.5, 0.5]) @ known.adjusted @ np.array([0.5, 0.5])
    t = stats.t.ppf(0.975, plain.dof)
    added = plain.se**2 - own
    assert wide.high - wide.estimate == pytest.approx(t * np.sqrt(choice_factor(3, 0.95) * own + added))
    assert choice_factor(3, 0.95) == pytest.approx((stats.norm.ppf(1 - 0.025 / 18) / stats.norm.ppf(0.975)) ** 2)


def test_prints_together_are_bonferronis(known):
    new = NewPrints((0, 1, 0), (3, 3, 3))
    singles = each_ahead(known, new, 0.94)
    assert singles[1] == mean_ahead(known, NewPrints((1,), (3,)), 0.98)
    assert singles[0] == singles[2]


def test_few_loads_are_those_of_the_posterior(coupons):
    y, X, load, of_print = coupons
    means = np.bincount(of_print, y) / 3
    found = mixture(means, X, [load], 2.0)
    mixed = fit_reml(y, X[of_print], [load[of_print], of_print])
    known = prospect(mixed, ROWS, of_coupons=True, posterior=found)
    ahead = mean_ahead(known, NewPrints((0, 0, 1), (3, 3, 3)), 0.95, chosen=False)
    wanted = mixture_interval(found, (2 * ROWS[0] + ROWS[1]) / 3, [1 / 3, 1 / 3])[0]
    assert (ahead.low, ahead.high) == pytest.approx(tuple(wanted))
    wide = mean_ahead(known, NewPrints((0, 0, 1), (3, 3, 3)), 0.95)
    assert wide.low < ahead.low and ahead.high < wide.high


def test_new_print_has_every_component(known):
    load, of_print, coupon = known.variances
    assert new_print_sd(known, 4) == pytest.approx(np.sqrt(load + of_print + coupon / 4))


def test_chance_to_catch_agrees_with_simulation():
    # Ordinary least squares, where the noncentral t is exact: 20 prints, a mean, 5 new ones that are 1.2 lower.
    generator = np.random.default_rng(8)
    studies = generator.normal(size=(40_000, 20))
    centre, spread = studies.mean(axis=1), studies.std(axis=1, ddof=1)
    wide = np.sqrt(choice_factor(1, 0.95) / 20 + 1 / 5) * spread * stats.t.ppf(0.975, 19)
    caught = np.mean(generator.normal(-1.2, np.sqrt(1 / 5), 40_000) < centre - wide)
    values = generator.normal(size=20)
    values = (values - values.mean()) / values.std(ddof=1)  # a study whose estimates are the truth
    known = prospect(fit_reml(values, np.ones((20, 1))), np.ones((1, 1)), of_coupons=False)
    assert chance_to_catch(known, NewPrints((0,) * 5, (1,) * 5), 0.95, 1.2) == pytest.approx(caught, abs=0.01)
    assert chance_to_catch(known, NewPrints((0,) * 5, (1,) * 5), 0.95, 0.0) < 0.025


def test_no_print_and_odd_rows_are_refused(known, coupons):
    y, X, load, of_print = coupons
    with pytest.raises(ValueError, match="at least one print"):
        mean_ahead(known, NewPrints((), ()), 0.95)
    with pytest.raises(ValueError, match="rows need 3 columns"):
        prospect(fit_reml(y, X[of_print], [load[of_print], of_print]), np.ones((1, 2)), of_coupons=True)


class TestMisses:
    @pytest.fixture
    def with_parts(self, known):
        def made(load, within, coupon):
            return replace(known, variances=np.array([load, within, coupon]))

        return made

    def test_values_that_are_not_alike_are_binomial(self, with_parts):
        for missed in (1, 3, 5):
            found = chance_of_misses(with_parts(0, 0, 1), missed, [5] * 6, 0.9)
            assert found == pytest.approx(stats.binom.sf(missed - 1, 30, 0.1), abs=1e-12)

    def test_values_that_are_all_alike_miss_together(self, with_parts):
        found = chance_of_misses(with_parts(0.5, 0.5, 1e-10), 5, [5] * 6, 0.9)
        assert found == pytest.approx(1 - 0.9**6, abs=0.005)

    @pytest.mark.parametrize(("parts", "each"), [((0.2, 0.1, 0.7), 5), ((0.4, 0.3, 0.3), 10)])
    def test_a_sound_material_is_seldom_in_doubt(self, with_parts, parts, each):
        """Simulated: of 20,000 confirmations of six prints as the study asks for, the counts with 5 % chance at most."""
        generator = np.random.default_rng(3)
        load, within, coupon = parts
        prints = generator.normal(0, np.sqrt(load + within), (20_000, 6, 1))
        missing = (prints + generator.normal(0, np.sqrt(coupon), (20_000, 6, each)) < stats.norm.ppf(0.1)).sum(axis=(1, 2))
        chance = np.array([chance_of_misses(with_parts(*parts), missed, [each] * 6, 0.9) for missed in range(6 * each + 1)])
        assert np.mean(chance[missing] <= 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 20_000)
        seen = np.array([np.mean(missing >= missed) for missed in range(6 * each + 1)])
        assert np.abs(seen - chance).max() < 0.015
