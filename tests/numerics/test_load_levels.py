"""Levels of loads: against the analysis of covariance of a general-purpose library, and by simulated coverage."""

import numpy as np
import pytest
import statsmodels.api as sm

from doe.numerics.load_levels import load_levels

LOADS, EACH = 5, 6
LOAD = np.repeat(np.arange(LOADS), EACH)


def case(generator):
    """Return a model matrix: two factors of the prints, one of the loads with its square, and a product of both kinds."""
    a, b = generator.choice([-1.0, 0.0, 1.0], (2, LOADS * EACH))
    dry = np.array([-1.0, -1.0, 0.0, 1.0, 1.0])[LOAD]
    return np.column_stack([np.ones(len(a)), a, b, dry, a**2, dry**2, a * dry])


def test_levels_are_those_of_least_squares_with_a_mean_for_each_load():
    generator = np.random.default_rng(4)
    X, y = case(generator), generator.normal(size=LOADS * EACH)
    centre, interval = load_levels(X, LOAD, y, 0.9)
    A = np.column_stack([np.eye(LOADS)[LOAD], X[:, [1, 2, 4, 6]]])
    tested = sm.OLS(y, A).fit().t_test(np.hstack([np.eye(LOADS) - 1 / LOADS, np.zeros((LOADS, 4))]))
    np.testing.assert_allclose(centre, tested.effect, atol=1e-12)
    np.testing.assert_allclose(interval, tested.conf_int(0.1), atol=1e-12)


@pytest.mark.parametrize("load_sd", [0.0, 2.0])
def test_intervals_hold_the_loads_as_they_are_in_as_many_studies_as_they_say(load_sd):
    # 2,000 studies of 5 loads, three degrees of freedom of whose levels go to coefficients; standard error at most .005.
    generator = np.random.default_rng(9)
    X = case(generator)
    held = []
    for _ in range(2000):
        of_load = X[::EACH, 3] * 1.5 + generator.normal(0, load_sd, LOADS)
        y = of_load[LOAD] + X[:, 1] - 2 * X[:, 4] + X[:, 6] + generator.normal(0, 1, len(LOAD))
        _, interval = load_levels(X, LOAD, y, 0.95)
        true = of_load - of_load.mean()
        held.append((interval[:, 0] <= true) & (true <= interval[:, 1]))
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)


def test_prints_that_do_not_tell_loads_apart_give_none():
    X = np.column_stack([np.ones(4), [-1.0, 1, -1, 1]])
    assert load_levels(X, np.array([0, 0, 1, 1]), np.arange(4.0), 0.95) is not None
    assert load_levels(X, np.arange(4), np.arange(4.0), 0.95) is None
    assert load_levels(X, np.zeros(4, dtype=int), np.arange(4.0), 0.95) is None
