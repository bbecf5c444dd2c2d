from itertools import product

import numpy as np
import pytest
from scipy import stats

from doe.numerics.intervals import (
    chosen_interval,
    mean_interval,
    prediction_interval,
    simultaneous_interval,
)
from tests.numerics.published import table
from tests.reference_data import expected_of

# Tables of t and F (NIST/SEMATECH e-Handbook 1.3.6.7), recomputed in 25-digit arithmetic, 12 digits.
QUANTILES = table("G_quantiles")


def quantiles_of(distribution):
    chosen = QUANTILES["dist"] == distribution
    return [
        tuple(float(QUANTILES[key][row]) for key in ("p", "df1", "df2", "quantile") if QUANTILES[key][row])
        for row in np.flatnonzero(chosen)
    ]


@pytest.mark.parametrize(("p", "dof", "quantile"), quantiles_of("t"))
def test_half_width_is_the_tabled_t(p, dof, quantile):
    low, high = mean_interval([10.0], [2.0], [dof], level=2 * p - 1)[0]
    assert [10 - low, high - 10] == pytest.approx([2 * quantile] * 2, rel=1e-11)


def test_quantiles_quoted_in_tables():
    # NIST/SEMATECH e-Handbook 1.3.6.7 (t and F from memory); t squared is F with one degree of freedom.
    published = expected_of("G_quantiles")["published"]
    assert mean_interval([0], [1], [10])[0, 1] == pytest.approx(published["t_0p975_df10"], abs=5e-4)
    assert mean_interval([0], [1], [8])[0, 1] ** 2 == pytest.approx(published["F_0p95_1_8"], abs=5e-4)


def test_rows_keep_their_own_dof():
    limits = mean_interval([1.0, 2.0, 3.0], [0.1, 0.2, 0.3], [3, 7.5, 100])
    assert limits.shape == (3, 2)
    alone = np.vstack([mean_interval([row], [row / 10], [dof]) for row, dof in ((1.0, 3), (2.0, 7.5), (3.0, 100))])
    assert limits == pytest.approx(alone, rel=1e-12)
    twice = mean_interval([[1.0, 2.0, 3.0]] * 2, [[0.1, 0.2, 0.3]] * 2, [[3, 7.5, 100]] * 2)
    assert twice == pytest.approx(np.stack([alone] * 2), rel=1e-12)


def test_less_than_one_degree_of_freedom_is_enough():
    low, high = mean_interval([0.0], [1.0], [0.5])[0]
    assert stats.t.cdf([low, high], 0.5) == pytest.approx([0.025, 0.975], rel=1e-9)


def test_bonferroni_shares_the_risk():
    together = simultaneous_interval([0.0], [1.0], [6], count=4, level=0.96)
    assert together == pytest.approx(mean_interval([0.0], [1.0], [6], level=0.99), rel=1e-12)
    single = simultaneous_interval([0.0], [1.0], [6], count=1)
    assert single == pytest.approx(prediction_interval([0.0], [1.0], [6]), rel=1e-12)


def test_interval_after_a_choice_lies_between_that_of_one_setting_and_that_of_all():
    # All: Scheffé, Biometrika 40 (1953) 87, for every function of the 15 coefficients.
    one, all_at_once = mean_interval([0.0], [1.0], [12])[0, 1], np.sqrt(15 * stats.f.ppf(0.95, 15, 12))
    chosen = chosen_interval([0.0], [1.0], [12], coefficients=15)[0, 1]
    assert one < chosen < all_at_once
    assert chosen == pytest.approx(mean_interval([0.0], [1.0], [12], level=1 - 0.05 / 30)[0, 1], rel=1e-12)


@pytest.mark.parametrize(("prints", "coefficients"), [(16, 5), (30, 3)])
def test_interval_after_a_choice_holds_where_no_factor_has_an_effect(prints, coefficients):
    # Least squares, two-level factors: the best corner of all, whose true mean is zero, in 4000 simulated studies.
    generator = np.random.default_rng(2)
    corners = np.array(list(product([-1.0, 1.0], repeat=coefficients - 1)))
    rows = np.column_stack([np.ones(len(corners)), corners])
    X = rows[generator.permutation(np.resize(np.arange(len(rows)), prints))]
    inverse, dof = np.linalg.inv(X.T @ X), prints - coefficients
    y = generator.normal(size=(4000, prints))
    estimates = y @ X @ inverse
    sd = np.sqrt(np.sum((y - estimates @ X.T) ** 2, axis=1) / dof)
    means = estimates @ rows.T
    best = means.argmax(axis=1)
    se = sd * np.sqrt(np.sum(rows @ inverse * rows, axis=1))[best]
    limits = chosen_interval(means.max(axis=1), se, np.full(4000, dof), coefficients)
    plain = mean_interval(means.max(axis=1), se, np.full(4000, dof))
    assert np.mean((limits[:, 0] <= 0) & (limits[:, 1] >= 0)) > 0.94
    assert np.mean((plain[:, 0] <= 0) & (plain[:, 1] >= 0)) < 0.92


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_interval([0], [1], [5], level=95), "a level lies between 0 and 1"),
        (lambda: mean_interval([0], [1], [5], level=1.0), "a level lies between 0 and 1"),
        (lambda: mean_interval([0], [1], [5], level=0.0), "a level lies between 0 and 1"),
        (lambda: prediction_interval([0], [1], [0]), "degrees of freedom above zero"),
        (lambda: mean_interval([0], [1], [np.nan]), "degrees of freedom above zero"),
        (lambda: mean_interval([0, 0], [1, 1], [5, 0]), "degrees of freedom above zero"),
        (lambda: simultaneous_interval([0], [1], [5], count=0), "at least 1"),
        (lambda: chosen_interval([0], [1], [5], 0), "at least 1"),
    ],
    ids=[
        "percent",
        "certain",
        "impossible",
        "no dof",
        "dof not a number",
        "one without dof",
        "no intervals",
        "no coefficients",
    ],
)
def test_refuses_what_has_no_quantile(call, message):
    with pytest.raises(ValueError, match=message):
        call()
