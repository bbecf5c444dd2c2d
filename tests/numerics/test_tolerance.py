"""Tolerance limits against the conformance, a normal distribution and the noncentral t."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from doe.numerics import conformance, posterior, tolerance
from doe.numerics.terms import model_matrix, standard_terms
from tests.numerics.test_conformance import known, several
from tests.reference_data import expected_of


class TestTolerance:
    @given(
        seed=st.integers(0, 10_000), limit=st.floats(-3, 3), share=st.floats(0.05, 0.99), level=st.floats(0.01, 0.5),
        scatter=st.sampled_from([0.0, 0.2]),
    )
    @settings(max_examples=60, deadline=None)
    def test_a_requirement_passes_by_both_bounds_or_by_neither(self, seed, limit, share, level, scatter):
        drawn = several(size=101, columns=6, seed=seed)
        sd = conformance.future_sd(drawn, 1)
        x = np.array([[0.3, -0.5]])
        nodes = conformance.setpoint_nodes(np.array([scatter, scatter]))
        rows = np.array([model_matrix(x + node, standard_terms("quadratic", (0, 0)), (0, 0)) for node in nodes])
        lower, upper = tolerance.tolerance_limits([drawn], [rows], sd, share, level)[0]
        means = (rows @ drawn.beta.T)[:, 0]
        for side, found in ((1, lower), (-1, upper)):
            assume(abs(found - limit) > 1e-9)
            shares = stats.norm.cdf(side * (means - limit) / sd).mean(axis=0)
            bound = np.quantile(shares, level, method="inverted_cdf")
            assert (bound >= share) == (side * found >= side * limit)
            one = conformance.margins(drawn, sd, *((limit, None) if side == 1 else (None, limit)))
            fast = np.quantile(conformance.conformance([rows], [one])[0], level, method="inverted_cdf")
            assert fast == pytest.approx(bound, abs=2e-4)

    def test_one_known_normal_distribution(self):
        found = tolerance.tolerance_limits([known([10.0])], [np.ones((1, 1, 1))], np.array([2.0]), 0.9, 0.05)
        np.testing.assert_allclose(found, [stats.norm.ppf([0.1, 0.9], 10, 2)])

    def test_one_stratum_gives_the_factor_of_the_noncentral_t(self):
        # Owen (1968), from memory: with a flat prior on mean and log sd the Bayesian one-sided tolerance limit of a
        # normal sample is mean - k sd, k sqrt(n) the 0.95 quantile of a noncentral t with shift z sqrt(n).
        values = np.random.default_rng(3).normal(20, 2, 12)
        drawn = posterior.draws(
            posterior.PrintMeans(values, np.ones((12, 1)), None, 0, 0, np.ones(12, int)), 100_000, np.random.default_rng(1)
        )
        found = tolerance.tolerance_limits([drawn], [np.ones((1, 1, 1))], conformance.future_sd(drawn, 1), 0.9, 0.05)[0, 0]
        k = stats.nct.ppf(0.95, 11, stats.norm.ppf(0.9) * np.sqrt(12)) / np.sqrt(12)
        assert found == pytest.approx(values.mean() - k * values.std(ddof=1), abs=0.03)

    def test_factor_of_owen(self):
        # Owen, Factors for One-Sided Tolerance Limits, SCR-607 (1963), p. 47, by the same identity: both sides, in units of s.
        published = expected_of("G_tolerance_factors")["published"]["owen_1963"]
        n, share, level = published["n"], published["P"], 1 - published["gamma"]
        values = np.random.default_rng(5).normal(size=n)
        values = (values - values.mean()) / values.std(ddof=1)
        means = posterior.PrintMeans(values, np.ones((n, 1)), None, 0, 0, np.ones(n, int))
        drawn = posterior.draws(means, 100_000, np.random.default_rng(2))
        rows, sd = np.ones((1, 1, 1)), conformance.future_sd(drawn, 1)
        found = tolerance.tolerance_limits([drawn], [rows], sd, share, level)[0]
        np.testing.assert_allclose(found, [-published["k1"], published["k1"]], atol=0.01)
