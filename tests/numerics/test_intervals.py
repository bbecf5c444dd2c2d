from itertools import product

import numpy as np
import pytest

from doe.numerics.intervals import (
    chosen_interval,
    howe_factor,
    mean_interval,
    prediction_interval,
    scheffe_interval,
    simultaneous_interval,
    tolerance_factor_one_sided,
    tolerance_factor_two_sided,
)
from tests.numerics.published import relative_error, table
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


@pytest.mark.parametrize(("p", "dimension", "dof", "quantile"), quantiles_of("F"))
def test_scheffe_half_width_is_the_tabled_f(p, dimension, dof, quantile):
    low, high = scheffe_interval([10.0], [2.0], [dof], int(dimension), level=p)[0]
    assert [10 - low, high - 10] == pytest.approx([2 * np.sqrt(dimension * quantile)] * 2, rel=1e-11)


@pytest.mark.parametrize(("p", "dof", "quantile"), quantiles_of("chi2"))
def test_howe_factor_holds_the_tabled_chi_square(p, dof, quantile):
    # z of 0.975 in 25 digits rounds to 1.959963984540054; Howe (1969): k = z sqrt((1 + 1/n) nu / chi2).
    factor = howe_factor(1e300, dof, 0.95, confidence=1 - p)
    assert dof * (1.959963984540054 / factor) ** 2 == pytest.approx(quantile, rel=1e-10)


def test_quantiles_quoted_in_tables():
    # NIST/SEMATECH e-Handbook 1.3.6.7 and 7.2.6.3 (t and F from memory).
    published = expected_of("G_quantiles")["published"]
    assert mean_interval([0], [1], [10])[0, 1] == pytest.approx(published["t_0p975_df10"], abs=5e-4)
    assert scheffe_interval([0], [1], [8], 1)[0, 1] ** 2 == pytest.approx(published["F_0p95_1_8"], abs=5e-4)


def test_rows_keep_their_own_dof():
    limits = mean_interval([1.0, 2.0, 3.0], [0.1, 0.2, 0.3], [3, 7.5, 100])
    assert limits.shape == (3, 2)
    alone = np.vstack([mean_interval([row], [row / 10], [dof]) for row, dof in ((1.0, 3), (2.0, 7.5), (3.0, 100))])
    assert limits == pytest.approx(alone, rel=1e-12)


def test_bonferroni_shares_the_risk():
    together = simultaneous_interval([0.0], [1.0], [6], count=4, level=0.96)
    assert together == pytest.approx(mean_interval([0.0], [1.0], [6], level=0.99), rel=1e-12)
    single = simultaneous_interval([0.0], [1.0], [6], count=1)
    assert single == pytest.approx(prediction_interval([0.0], [1.0], [6]), rel=1e-12)


def test_interval_after_a_choice_lies_between_that_of_one_setting_and_that_of_all():
    one, all_at_once = mean_interval([0.0], [1.0], [12])[0, 1], scheffe_interval([0.0], [1.0], [12], 15)[0, 1]
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


def test_scheffe_in_one_dimension_is_the_t_interval():
    assert scheffe_interval([5.0], [2.0], [9], 1) == pytest.approx(mean_interval([5.0], [2.0], [9]), rel=1e-10)


def tolerance_table():
    data = table("G_tolerance_factors")
    columns = [data[key].astype(float) for key in ("n", "P_coverage", "gamma_confidence")]
    return [tuple(column[row] for column in columns) for row in range(len(columns[0]))], data


# ISO 16269-6 and Howe (1969), recomputed to 10 digits; n = 2 has no exact two-sided value in the table.
def test_one_sided_factors():
    rows, data = tolerance_table()
    ours = [float(tolerance_factor_one_sided(n, n - 1, coverage, confidence)) for n, coverage, confidence in rows]
    assert relative_error(ours, data["k1_exact"]) < 1e-9


def test_howe_factors():
    rows, data = tolerance_table()
    ours = [float(howe_factor(n, n - 1, coverage, confidence)) for n, coverage, confidence in rows]
    assert relative_error(ours, data["k2_howe"]) < 1e-9


def test_exact_two_sided_factors():
    rows, data = tolerance_table()
    given = np.flatnonzero(data["k2_exact"] != "")
    ours = [tolerance_factor_two_sided(n, n - 1, coverage, gamma) for n, coverage, gamma in (rows[i] for i in given)]
    assert len(ours) > 90
    assert relative_error(ours, data["k2_exact"][given]) < 1e-9


def test_factors_of_the_handbook():
    # NIST/SEMATECH e-Handbook 7.2.6.3, n = 43; its figure for the exact two-sided factor has its arguments mixed up.
    published = expected_of("G_tolerance_factors")["published"]["nist_7_2_6_3"]
    n, coverage, confidence = published["n"], published["P"], published["gamma"]
    assert float(howe_factor(n, n - 1, coverage, confidence)) == pytest.approx(published["k2_howe"], abs=5e-7)
    one_sided = float(tolerance_factor_one_sided(n, n - 1, coverage, confidence))
    assert one_sided == pytest.approx(published["one_sided_noncentral_t"], abs=5e-7)
    assert tolerance_factor_two_sided(n, n - 1, coverage, confidence) == pytest.approx(2.222825174, abs=5e-10)


def test_factor_of_owen():
    # Owen (1963), Factors for one-sided tolerance limits, SCR-607, p. 47.
    published = expected_of("G_tolerance_factors")["published"]["owen_1963"]
    factor = float(tolerance_factor_one_sided(published["n"], published["n"] - 1, published["P"], published["gamma"]))
    assert factor == pytest.approx(published["k1"], abs=5e-4)


@pytest.mark.parametrize("n", [4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25, 30, 40, 60])
def test_factors_of_a_printed_table(n):
    # Berthouex and Brown, Statistics for Environmental Engineers, Table 21.1: some of its entries follow Howe, some are
    # exact, to two decimals.
    printed = expected_of("G_tolerance_factors")["published"]["berthouex_brown_table_21_1"]
    for coverage, wanted in zip(printed["P"], printed["k2_by_n"][str(n)], strict=True):
        exact = tolerance_factor_two_sided(n, n - 1, coverage, printed["gamma"])
        howe = float(howe_factor(n, n - 1, coverage, printed["gamma"]))
        assert min(abs(exact - wanted), abs(howe - wanted)) < 0.011


def test_tolerance_factors_of_a_regression():
    # With the mean known (n without end) the two-sided factor is z sqrt(dof / chi2), the one-sided the same with its z.
    two = tolerance_factor_two_sided(1e12, 12, 0.9, 0.95)
    assert two == pytest.approx(float(howe_factor(1e12, 12, 0.9, 0.95)), rel=1e-9)
    fewer = tolerance_factor_two_sided(2.5, 12, 0.9, 0.95)
    assert fewer > tolerance_factor_two_sided(13, 12, 0.9, 0.95) > two
    assert tolerance_factor_one_sided([2.5, 13], 12, 0.9).shape == (2,)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_interval([0], [1], [5], level=95), "a level lies between 0 and 1"),
        (lambda: prediction_interval([0], [1], [0]), "degrees of freedom above zero"),
        (lambda: mean_interval([0], [1], [np.nan]), "degrees of freedom above zero"),
        (lambda: simultaneous_interval([0], [1], [5], count=0), "at least 1"),
        (lambda: scheffe_interval([0], [1], [5], 0), "at least 1"),
        (lambda: chosen_interval([0], [1], [5], 0), "at least 1"),
        (lambda: tolerance_factor_one_sided(10, 9, 1.0), "a coverage lies between 0 and 1"),
        (lambda: tolerance_factor_two_sided(0, 9, 0.9), "effective number of values above zero"),
        (lambda: howe_factor(10, 0, 0.9), "degrees of freedom above zero"),
        (lambda: tolerance_factor_one_sided(10, 9, 0.9, confidence=0), "a level lies between 0 and 1"),
    ],
    ids=[
        "percent",
        "no dof",
        "dof not a number",
        "no intervals",
        "no dimension",
        "no coefficients",
        "all",
        "no values",
        "no scatter",
        "never",
    ],
)
def test_refuses_what_has_no_quantile(call, message):
    with pytest.raises(ValueError, match=message):
        call()
