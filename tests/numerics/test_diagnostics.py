"""Deletion, leverage, influence and collinearity: published figures, a general library, and refits that say the same."""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.outliers_influence import OLSInfluence

from doe.numerics import diagnostics, reml
from doe.numerics.terms import model_matrix, standard_terms
from tests.numerics.published import case, numbers

NO_LOADS = np.zeros((21, 0))


@pytest.fixture(scope="module")
def stack_loss():
    """Brownlee, *Statistical Theory and Methodology in Science and Engineering*, 2nd ed. (1965), p. 454, by statsmodels."""
    data = sm.datasets.stackloss.load_pandas()
    return data.endog.to_numpy(), np.column_stack([np.ones(21), data.exog.to_numpy()])


def split_plot(ratio, seed=1, sizes=(5, 5, 5, 5, 5, 5)):
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(len(sizes)), sizes)
    n = len(load)
    X = np.column_stack([np.ones(n), rng.choice([-1.0, 0, 1], len(sizes))[load], rng.choice([-1.0, 0, 1], (n, 5))])
    y = 100 + X @ rng.normal(size=7) + rng.normal(0, ratio**0.5, len(sizes))[load] + rng.normal(size=n)
    return y, X, np.eye(len(sizes))[load], load


def test_one_stratum_agrees_with_a_general_library(stack_loss):
    y, X = stack_loss
    space = diagnostics.error_space(y, X, NO_LOADS)
    added = diagnostics.added_columns(space, np.eye(21))
    influence = OLSInfluence(sm.OLS(y, X).fit())
    assert added.estimates / added.se == pytest.approx(influence.resid_studentized_external, abs=1e-9)
    assert added.estimates == pytest.approx(influence.resid_press, abs=1e-9)
    assert diagnostics.deletion_errors(space, 0.0) == pytest.approx(influence.resid_press, abs=1e-9)
    assert diagnostics.leverages(space, np.eye(21), 0.0) == pytest.approx(influence.hat_matrix_diag, abs=1e-12)
    assert added.dof == pytest.approx(np.full(21, 16))
    for row in (0, 20):
        left = diagnostics.leave_out(y, X, np.eye(21), np.arange(21) == row)
        assert left.change == pytest.approx(sm.OLS(y, X).fit().params - influence.params_not_obsi[row], abs=1e-9)


def test_the_outlier_of_the_stack_loss_data(stack_loss):
    added = diagnostics.added_columns(diagnostics.error_space(*stack_loss, NO_LOADS), np.eye(21))
    t = added.estimates / added.se
    assert np.argmax(np.abs(t)) == 20  # observation 21
    assert t[20] == pytest.approx(
        -3.33, abs=0.005
    )  # Atkinson, *Plots, Transformations, and Regression* (1985), from memory


@pytest.mark.parametrize(("response", "reference"), [("yield", "yield_"), ("viscosity", "viscosity")])
def test_press_of_a_central_composite_design(response, reference):
    data, expected = (
        numbers("C_chemical_process_ccd"),
        case("C_chemical_process_ccd")["expected"]["recomputed"][reference],
    )
    coded = np.column_stack([data["x1"], data["x2"]])
    X = model_matrix(coded, standard_terms("quadratic", (0, 0)), (0, 0))
    errors = diagnostics.deletion_errors(diagnostics.error_space(data[response], X, np.zeros((len(X), 0))), 0.0)
    assert errors @ errors == pytest.approx(expected["press"], rel=1e-9)


@pytest.mark.parametrize("ratio", [0.0, 1.0, 8.0])
@pytest.mark.parametrize("sizes", [(5, 5, 5, 5, 5, 5), (2, 7, 4, 6, 3, 5, 3)])
def test_an_added_column_equals_the_mixed_model_fitted_with_it(ratio, sizes):
    y, X, Z, load = split_plot(ratio, sizes=sizes)
    columns = np.column_stack([np.eye(len(y))[:, :4], Z, np.arange(len(y)) / len(y)])
    added = diagnostics.added_columns(diagnostics.error_space(y, X, Z), columns)
    for place, column in enumerate(columns.T):
        wanted = reml.contrast(reml.fit_reml(y, np.column_stack([X, column]), [load]), np.eye(8)[[-1]])
        assert added.estimates[place] == pytest.approx(wanted.estimates[0], abs=1e-6)
        assert added.se[place] == pytest.approx(wanted.se[0], rel=1e-6)
        assert added.dof[place] == pytest.approx(wanted.dof[0], rel=1e-6)


def test_a_deletion_error_is_the_prediction_from_the_others_and_their_load():
    y, X, Z, _ = split_plot(2.0)
    V = np.eye(len(y)) + 2.0 * Z @ Z.T
    errors = diagnostics.deletion_errors(diagnostics.error_space(y, X, Z), 2.0)
    for row in (0, 13):
        rest = np.arange(len(y)) != row
        inverse = np.linalg.inv(V[np.ix_(rest, rest)])
        b = np.linalg.solve(X[rest].T @ inverse @ X[rest], X[rest].T @ inverse @ y[rest])
        predicted = X[row] @ b + V[row, rest] @ inverse @ (y[rest] - X[rest] @ b)
        assert errors[row] == pytest.approx(y[row] - predicted, abs=1e-8)


def test_leverage_is_one_where_nothing_but_the_print_holds_up_a_column():
    y, X, Z, _ = split_plot(1.0)
    alone = np.column_stack([X, np.eye(len(y))[:, 3]])
    space = diagnostics.error_space(y, alone, Z)
    leverage = diagnostics.leverages(space, np.eye(len(y)) + Z @ Z.T, 1.0)
    assert leverage[3] == pytest.approx(1.0, abs=1e-12) and np.delete(leverage, 3).max() < 0.9
    assert np.isnan(diagnostics.deletion_errors(space, 1.0)[3])
    assert np.isnan(diagnostics.added_columns(space, np.eye(len(y))).p[3])


def test_a_load_left_out_moves_the_coefficients_as_a_fit_without_it_says():
    y, X, Z, load = split_plot(1.0)
    V = np.eye(len(y)) + Z @ Z.T

    def fitted(rows):
        inverse = np.linalg.inv(V[np.ix_(rows, rows)])
        return np.linalg.solve(X[rows].T @ inverse @ X[rows], X[rows].T @ inverse @ y[rows])

    left = diagnostics.leave_out(y, X, V, load == 2)
    without = fitted(load != 2)
    assert left.change == pytest.approx(fitted(load >= 0) - without, abs=1e-8)
    assert left.errors == pytest.approx((y - X @ without)[load == 2], abs=1e-8)


def test_a_load_that_alone_holds_up_a_column_is_found_with_the_column():
    y, X, Z, load = split_plot(1.0)
    alone = np.column_stack([X, Z[:, 2]])
    assert diagnostics.leave_out(y, alone, np.eye(len(y)), load == 2) is None
    assert diagnostics.missing_without(alone, load == 2) == (7,)
    assert diagnostics.missing_without(X, load == 2) == ()


def test_the_pattern_of_a_load_is_the_f_test_of_its_prints_beside_fixed_loads():
    y, X, Z, load = split_plot(0.0)
    found = diagnostics.within_group(diagnostics.error_space(y, X, Z), load == 1)
    fixed = np.column_stack([X[:, 2:], Z])  # the first two columns of X are among those of Z
    narrow = sm.OLS(y, fixed).fit()
    wide = sm.OLS(y, np.column_stack([fixed, np.eye(len(y))[:, load == 1][:, 1:]])).fit()
    ndf = round(narrow.df_resid - wide.df_resid)
    assert (found.ndf, found.ddf) == (ndf, wide.df_resid)
    assert found.f == pytest.approx((narrow.ssr - wide.ssr) / ndf / (wide.ssr / wide.df_resid), rel=1e-9)
    shifted = diagnostics.within_group(diagnostics.error_space(y + 50 * (load == 1), X, Z), load == 1)
    assert shifted.f == pytest.approx(found.f, rel=1e-9)  # a load off as a whole is another matter


def test_a_load_of_one_print_has_no_pattern():
    y, X, Z, load = split_plot(0.0)
    kept = (load != 1) | (np.cumsum(load == 1) == 1)
    space = diagnostics.error_space(y[kept], X[kept], Z[kept])
    assert diagnostics.within_group(space, load[kept] == 1) is None
    assert diagnostics.within_group(space, load[kept] == 2) is not None


def test_inflation_of_the_longley_data():
    # Longley, J. Am. Stat. Assoc. 62 (1967) 819; these figures are printed in many texts, from memory.
    data = numbers("A_nist_longley")
    columns = [key for key in data if key.lower() != "y"]
    X = np.column_stack([np.ones(16), *(data[key] for key in columns)])
    inflation, correlation = diagnostics.variance_inflation(X / np.linalg.norm(X, axis=0))
    assert inflation[1:] == pytest.approx([135.53, 1788.51, 33.62, 3.59, 399.15, 758.98], abs=0.006)
    assert np.diag(correlation) == pytest.approx(np.ones(7))


def test_too_few_contrasts_give_nan_and_no_warning():
    y, X, _, _ = split_plot(0.0)
    few = diagnostics.error_space(y[:8], X[:8, [0, 2, 3, 4, 5, 6]], np.zeros((8, 0)))
    assert np.isfinite(diagnostics.added_columns(few, np.eye(8)).p).all()
    one = diagnostics.error_space(y[:7], X[:7, [0, 2, 3, 4, 5, 6]], np.zeros((7, 0)))
    assert np.isnan(diagnostics.added_columns(one, np.eye(7)).p).all()
