import numpy as np
import pytest
from scipy import special, stats

from doe.numerics import reml
from doe.numerics.leastsq import fit_least_squares, lack_of_fit
from tests.numerics.published import digits, numbers, relative_error
from tests.reference_data import expected_of

# NIST Statistical Reference Datasets, linear least squares: model as powers of x (None: intercept and all columns), and
# the least number of certified digits to reach, by the level of difficulty that NIST assigns (lower or average: 9,
# higher: 7). A floating-point QR reaches 9.3 to 15 here.
NIST = {
    "norris": ([0, 1], 9),
    "pontius": ([0, 1, 2], 9),
    "noint1": ([1], 9),
    "longley": (None, 7),
    "wampler1": (range(6), 7),
    "wampler2": (range(6), 7),
    "wampler3": (range(6), 7),
}


@pytest.mark.parametrize("name", NIST)
def test_certified_digits(name):
    powers, least = NIST[name]
    data = numbers(f"A_nist_{name}")
    y = data.pop("y")
    columns = [data["x"] ** power for power in powers] if powers else [np.ones(len(y)), *data.values()]
    fit = fit_least_squares(y, np.column_stack(columns))
    certified = expected_of(f"A_nist_{name}")["certified"]
    assert digits(fit.estimates, [float(value) for value in certified["coef"]]) >= least
    assert digits(fit.se, [float(value) for value in certified["se"]]) >= least
    assert digits(np.sqrt(fit.residual_variance), float(certified["resid_sd"])) >= least
    assert digits(fit.residual_ss, float(certified["ss_residual"])) >= least
    assert fit.dof == certified["df_residual"]


@pytest.mark.parametrize("name", [name for name in NIST if name not in ("wampler1", "wampler2")])
def test_certified_digits_by_the_fit_without_groups(name):
    # The same sets by the function that fits every model of a study; the two exact polynomials have no variance to judge.
    powers, least = NIST[name]
    data = numbers(f"A_nist_{name}")
    y = data.pop("y")
    X = np.column_stack([data["x"] ** power for power in powers] if powers else [np.ones(len(y)), *data.values()])
    found = reml.contrast(reml.fit_reml(y, X), np.eye(X.shape[1]))
    certified = expected_of(f"A_nist_{name}")["certified"]
    assert digits(found.estimates, [float(value) for value in certified["coef"]]) >= least
    assert digits(found.se, [float(value) for value in certified["se"]]) >= least


def quadratic(factors):
    """Return intercept, linear, two-factor and squared columns, in the order of the reference files."""
    count = range(len(factors))
    pairs = [factors[i] * factors[j] for i in count for j in count if i < j]
    return np.column_stack([np.ones_like(factors[0]), *factors, *pairs, *[factor**2 for factor in factors]])


def cells_of(*factors):
    """Number the distinct settings."""
    return np.unique(np.column_stack(factors), axis=0, return_inverse=True)[1].ravel()


def response_surfaces():
    """Yield model, response and recomputed values of the second-order examples."""
    # Montgomery, Design and Analysis of Experiments, Table 11.6 (viscosity from memory).
    data, reference = numbers("C_chemical_process_ccd"), expected_of("C_chemical_process_ccd")["recomputed"]
    factors = [data["x1"], data["x2"]]
    yield pytest.param(factors, data["yield"], reference["yield_"], id="yield")
    yield pytest.param(factors, data["viscosity"], reference["viscosity"], id="viscosity")
    # Zhang et al. (2021), Scientific Reports 11, 1167.
    data, reference = numbers("C_bbd_cherry_oil"), expected_of("C_bbd_cherry_oil")["recomputed"]
    yield pytest.param([data["x1"], data["x2"], data["x3"]], data["yield_percent"], reference, id="cherry oil")
    # NIST/SEMATECH e-Handbook, section 5.5.3.1.
    data = numbers("C_nist_steepest_ascent")
    later = data["phase"] > 1
    reference = expected_of("C_nist_steepest_ascent")["recomputed"]["phase2_plus_3_quadratic"]
    yield pytest.param([data["x1"][later], data["x2"][later]], data["yield"][later], reference, id="handbook")


@pytest.mark.parametrize(("factors", "y", "reference"), list(response_surfaces()))
def test_response_surface_fit(factors, y, reference):
    fit = fit_least_squares(y, quadratic(factors))
    assert fit.estimates == pytest.approx(list(reference["coef"].values()), rel=1e-10, abs=1e-10)
    assert relative_error(fit.se, list(reference["se"].values())) < 1e-10
    assert fit.dof == reference["df_error"]
    press = np.sum((fit.residuals / (1 - fit.leverages)) ** 2)  # each value predicted from the others
    ours = [fit.residual_ss, fit.residual_variance, press]
    assert relative_error(ours, [reference[key] for key in ("sse", "mse", "press")]) < 1e-10


@pytest.mark.parametrize(("factors", "y", "reference"), list(response_surfaces()))
def test_lack_of_fit(factors, y, reference):
    found, wanted = lack_of_fit(y, quadratic(factors), cells_of(*factors)), reference["lack_of_fit"]
    assert (found.df_lof, found.df_pe) == (wanted["df_lof"], wanted["df_pe"])
    assert (
        relative_error(
            [found.ss_lof, found.ss_pe, found.f, found.p], [wanted[key] for key in ("ss_lof", "ss_pe", "F", "p")]
        )
        < 1e-9
    )


def test_yield_agrees_with_published_fit():
    # Montgomery, Design and Analysis of Experiments, Example 11.2 (values from memory).
    data, published = numbers("C_chemical_process_ccd"), expected_of("C_chemical_process_ccd")["published"]
    X = quadratic([data["x1"], data["x2"]])
    fit = fit_least_squares(data["yield"], X)
    wanted = published["yield_"]
    for value, (label, printed) in zip(fit.estimates, wanted["coef"].items(), strict=True):
        assert value == pytest.approx(printed, abs=5e-3 if label == "1" else 5e-4)
    lack = lack_of_fit(data["yield"], X, cells_of(data["x1"], data["x2"]))
    assert (lack.df_lof, lack.df_pe) == (wanted["lack_of_fit"]["df_lof"], wanted["lack_of_fit"]["df_pe"])
    assert lack.ss_lof == pytest.approx(wanted["lack_of_fit"]["ss_lof"], abs=5e-3)
    assert lack.ss_pe == pytest.approx(wanted["lack_of_fit"]["ss_pe"], abs=5e-3)
    plane = fit_least_squares(data["mol_weight"], X[:, :3])
    assert plane.estimates == pytest.approx(list(published["mol_weight"]["coef"].values()), abs=0.05)


def interaction_columns(data, terms):
    """Return an intercept and one column a term, written as factors joined by *."""
    ones = np.ones(len(next(iter(data.values()))))
    return np.column_stack([ones, *[np.prod([data[name] for name in term.split("*")], axis=0) for term in terms]])


def test_filtration_effects_and_projection():
    # Montgomery, Design and Analysis of Experiments, Example 6.2; regression and mean square from memory.
    data, reference = numbers("B_filtration_2p4"), expected_of("B_filtration_2p4")
    published, recomputed = reference["published"], reference["recomputed"]
    y = data.pop("y")
    full = fit_least_squares(y, interaction_columns(data, published["effects"]))
    assert 2 * full.estimates[1:] == pytest.approx(list(published["effects"].values()), abs=1e-12)
    assert full.estimates[0] == pytest.approx(published["mean"], abs=1e-12)
    assert full.dof == 0
    assert np.isnan([full.residual_variance, *full.se, *full.studentised]).all()
    reduced = fit_least_squares(y, interaction_columns(data, ["A", "C", "D", "A*C", "A*D"]))
    assert reduced.estimates == pytest.approx(list(published["regression"].values()), abs=1e-12)
    assert reduced.residual_ss == pytest.approx(recomputed["reduced_model"]["ss_error"], rel=1e-12)
    projected = fit_least_squares(y, interaction_columns(data, ["A", "C", "D", "A*C", "A*D", "C*D", "A*C*D"]))
    assert (projected.residual_ss, projected.dof) == pytest.approx((179.5, 8), rel=1e-12)
    assert projected.residual_variance == pytest.approx(published["projected_2p3_ms_error"], abs=5e-3)


def test_ceramic_tests_of_the_reduced_model():
    # NIST/SEMATECH e-Handbook, section 5.4.7.1.
    data, reference = numbers("B_ceramic_2p5"), expected_of("B_ceramic_2p5")
    published = reference["published"]
    fit = fit_least_squares(data["strength"], interaction_columns(data, published["F_reduced_model"]))
    ratios = (fit.estimates[1:] / fit.se[1:]) ** 2
    assert ratios == pytest.approx(list(published["F_reduced_model"].values()), abs=5e-5)
    assert relative_error(ratios, list(reference["recomputed"]["F_reduced"].values())) < 1e-8
    assert fit.residual_variance == pytest.approx(published["ms_error_reduced"], abs=0.5)


RUNS = np.random.default_rng(20)
X = np.column_stack([np.ones(12), RUNS.normal(size=(12, 3))])
Y = X @ [5, 1, -2, 0.5] + RUNS.normal(size=12)


@pytest.mark.parametrize("left_out", [0, 5, 11])
def test_studentised_residual_is_the_t_of_a_shift(left_out):
    # A column of its own for one value turns its coefficient into the prediction error from the others.
    shifted = fit_least_squares(Y, np.column_stack([X, np.arange(12) == left_out]))
    fit = fit_least_squares(Y, X)
    assert fit.studentised[left_out] == pytest.approx(shifted.estimates[-1] / shifted.se[-1], rel=1e-10)
    assert shifted.dof == fit.dof - 1


def test_leverages():
    fit = fit_least_squares(Y, X)
    assert fit.leverages == pytest.approx(np.diag(X @ np.linalg.inv(X.T @ X) @ X.T), rel=1e-10)
    assert fit.leverages.sum() == pytest.approx(4, rel=1e-12)
    assert fit.covariance == pytest.approx(fit.residual_variance * np.linalg.inv(X.T @ X), rel=1e-9)


def test_value_that_only_one_coefficient_explains():
    alone = np.column_stack([X, np.arange(12) == 3])
    fit = fit_least_squares(Y, alone)
    assert fit.leverages[3] == pytest.approx(1, abs=1e-12)
    assert np.flatnonzero(np.isnan(fit.studentised)).tolist() == [3]


def test_constant_response():
    fit = fit_least_squares(np.full(12, 7.3), X)
    assert (fit.residual_ss, fit.residual_variance) == (0, 0)
    assert fit.estimates == pytest.approx([7.3, 0, 0, 0], abs=1e-12)
    assert np.isnan(fit.studentised).all()


def test_exact_fit():
    fit = fit_least_squares(X @ [5, 1, -2, 0.5], X)
    assert fit.residual_ss == 0
    assert np.all(fit.se == 0)


def test_fit_that_one_value_alone_disturbs():
    # Without the ninth value the fit is exact: its own error cannot be told, that of the others is rounding.
    fit = fit_least_squares(X @ [5, 1, -2, 0.5] + 2.0 * (np.arange(12) == 8), X)
    assert np.isnan(fit.studentised[8])
    assert np.isfinite(np.delete(fit.studentised, 8)).all()


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_results_follow_the_units(scale):
    plain, scaled = fit_least_squares(Y, X), fit_least_squares(scale * Y, X * [1, scale, 1, 1 / scale])
    assert scaled.estimates == pytest.approx(scale * plain.estimates / [1, scale, 1, 1 / scale], rel=1e-10)
    assert scaled.studentised == pytest.approx(plain.studentised, rel=1e-8)


def test_a_large_error_beside_columns_that_nearly_depend_costs_no_digits():
    # As NIST's Wampler5: integers of a polynomial plus an error that the model does not explain, 1e4 times as large.
    x = np.arange(21.0)
    powers = np.column_stack([x**power for power in range(6)])
    differences = np.array([(-1) ** k * special.comb(20, k, exact=True) for k in range(21)], dtype=float)
    fit = fit_least_squares(powers.sum(axis=1) + differences, powers)
    assert differences @ powers == pytest.approx(np.zeros(6), abs=1e-3)  # twentieth differences of a quintic vanish
    assert digits(fit.estimates, np.ones(6)) > 14
    assert fit.residual_ss == pytest.approx(special.comb(40, 20), rel=1e-12)


def test_lack_of_fit_where_replicates_differ_a_little():
    # Recorded settings scatter about the plan; what the model says of that is not pure error, and the parts still add up.
    cells = np.repeat(np.arange(6), 2)
    planned = np.repeat([-1, -0.6, -0.2, 0.2, 0.6, 1], 2)
    recorded = planned + 1e-3 * np.array([1, -1] * 6)
    line = np.column_stack([np.ones(12), recorded])
    y = 100 * recorded + np.array([0.2, -0.1, 0.3, 0, -0.2, 0.1, 0.05, -0.15, 0.25, -0.3, 0.1, 0.2])
    found = lack_of_fit(y, line, cells)
    assert (found.df_lof, found.df_pe) == (4, 6)
    assert found.ss_lof + found.ss_pe == pytest.approx(fit_least_squares(y, line).residual_ss, rel=1e-10)
    level = lack_of_fit(y - 100 * (recorded - planned), np.column_stack([np.ones(12), planned]), cells)
    assert found.ss_pe == pytest.approx(level.ss_pe, rel=1e-2)
    assert found.p == pytest.approx(stats.f.sf(found.f, 4, 6), rel=1e-12)


@pytest.mark.parametrize(
    ("y", "model", "message"),
    [
        (Y[:5], X, "one entry for each value"),
        (np.append(Y[:11], np.inf), X, "finite numbers"),
        (Y[:3], X[:3], "3 values cannot give 4 coefficients"),
        (Y, np.column_stack([X, X[:, 1]]), "linearly dependent"),
        (Y, np.column_stack([X, np.zeros(12)]), "linearly dependent"),
    ],
    ids=["short", "infinite", "too few", "twice the same column", "column of zeros"],
)
def test_refuses_what_has_no_solution(y, model, message):
    with pytest.raises(ValueError, match=message):
        fit_least_squares(y, model)


@pytest.mark.parametrize(
    ("y", "cells", "message"),
    [
        (Y, np.arange(12), "no setting is replicated"),
        (Y, np.repeat(np.arange(4), 3), "4 settings leave nothing to test"),
        (Y, np.arange(5), "cells need one entry"),
        (X @ [5, 1, -2, 0.5], np.repeat(np.arange(6), 2), "do not differ at all"),
    ],
    ids=["no replicates", "as many coefficients", "short", "exact"],
)
def test_refuses_lack_of_fit_without_pure_error(y, cells, message):
    with pytest.raises(ValueError, match=message):
        lack_of_fit(y, X, cells)
