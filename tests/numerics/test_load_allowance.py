"""What loads add to intervals: the mixture that the limits take, and its weights against a normal one-way layout."""

import numpy as np
import pytest
from scipy import optimize, stats

from doe.numerics.load_allowance import (
    LoadAllowance,
    LoadScores,
    allow_for_loads,
    checked_load,
    half_widths,
    load_contrasts,
    no_allowance,
)


@pytest.mark.parametrize("dof", [3.0, np.inf])
def test_half_widths_hold_the_level_of_the_mixture(dof):
    variances, weights = np.array([0.1, 1.0, 50.0]), np.array([0.5, 0.3, 0.2])
    allowance = LoadAllowance(np.diag([2.0, 0.0]), variances, weights, 4, "")
    direction, covariance = np.array([1.0, -1.0]), np.array([[0.5, 0.1], [0.1, 0.4]])
    sd = np.sqrt(0.7 + 2 * variances)
    law = stats.t(dof) if np.isfinite(dof) else stats.norm()
    half = optimize.brentq(lambda h: weights @ (2 * law.sf(h / sd)) - 0.1, 0.01, 500)
    assert half_widths(direction[None], covariance, allowance, 0.90, dof)[0] == pytest.approx(half, rel=1e-8)


def test_without_loads_they_are_the_normals():
    half = half_widths(np.eye(2), np.diag([4.0, 9.0]), no_allowance(2), 0.95)
    np.testing.assert_allclose(half, stats.norm.ppf(0.975) * np.array([2, 3]))


def test_a_direction_without_variance_has_no_width():
    assert half_widths(np.zeros((1, 2)), np.eye(2), no_allowance(2), 0.95)[0] < 1e-100


def test_a_level_outside_is_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        half_widths(np.eye(1), np.eye(1), no_allowance(1), 0.0)


def test_weights_and_covariance_of_a_normal_one_way_layout():
    # Linear model with error variance one, a mean and L loads of k prints. The likelihood of the load variance v is that
    # of the load means about their mean: normal, variance v + 1/k, L - 1 contrasts; prior half-Cauchy(1) on its root.
    L, k = 6, 5
    generator = np.random.default_rng(2)
    values = generator.normal(0, 1.5, L)[np.repeat(np.arange(L), k)] + generator.normal(size=L * k)
    load = np.repeat(np.arange(L), k)
    X = np.ones((L * k, 1))
    Z = np.eye(L)[load]
    scores = LoadScores(np.eye(1) / (L * k), X.T @ Z, Z.sum(axis=0), (values - values.mean()) @ Z)
    found = allow_for_loads(scores, load_contrasts(X, load))
    about = Z.T @ (values - values.mean()) / k
    log_likelihood = stats.norm(0, np.sqrt(found.variances + 1 / k)).logpdf(0) * (L - 1) - 0.5 * (about @ about) / (
        found.variances + 1 / k
    )
    expected = np.exp(log_likelihood - log_likelihood.max())
    np.testing.assert_allclose(found.weights, expected / expected.sum(), rtol=1e-9)
    assert found.contrasts == L - 1
    assert found.covariance[0, 0] == pytest.approx(1 / L)  # of the mean, for each unit of load variance
    shares = stats.halfcauchy.cdf(np.sqrt(found.variances))
    np.testing.assert_allclose(np.diff(shares), 1 / len(shares))  # equal prior mass at each point of the grid
    assert found.reason == ""


def test_loads_within_a_factors_levels_leave_fewer_contrasts():
    load = np.repeat(np.arange(6), 2)
    held = np.repeat([-1.0, 0, 1, -1, 0, 1], 2)
    assert load_contrasts(np.column_stack([np.ones(12), held, held**2]), load) == 3


def test_codes_are_numbered_afresh_and_single_prints_are_no_loads():
    assert checked_load([7, 3, 7], 3).tolist() == [1, 0, 1]
    assert checked_load([2, 0, 1], 3) is None
    with pytest.raises(ValueError, match="one whole number from 0 for each print"):
        checked_load([0, -1, 0], 3)
