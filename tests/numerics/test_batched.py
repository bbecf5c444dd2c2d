"""Many studies at once against the fit of single studies, which is itself held against R (test_reml.py)."""

import numpy as np
import pytest

from doe.numerics.batched import fit_batch, share_plan
from doe.numerics.intervals import mean_interval
from doe.numerics.precision import joint_precision, precision
from doe.numerics.reml import contrast, f_test, fit_reml
from doe.numerics.terms import model_matrix, standard_terms
from tests.numerics.batches import batch_contrasts
from tests.numerics.published import case, relative_error, table

EQUAL = np.repeat(np.arange(6), 5)
UNEQUAL = np.repeat(np.arange(8), [7, 5, 4, 4, 3, 3, 2, 2])
FEW = np.repeat(np.arange(4), 6)
MANY = np.repeat(np.arange(9), 4)
HARD = np.array([-1.0, 0.0, 1.0, -1.0, 0.0, 1.0, -1.0, 1.0, 0.0])


def split_plot(load, family="quadratic", seed=0):
    """Return the model matrix of four factors at random levels, the last one fixed within the loads."""
    settings = np.random.default_rng(seed).choice([-1.0, 0.0, 1.0], (len(load), 4))
    settings[:, 3] = HARD[load]
    return model_matrix(settings, standard_terms(family, (0,) * 4), (0,) * 4)


def studies(load, ratio, count, seed=1):
    generator = np.random.default_rng(seed)
    loads = np.sqrt(ratio) * generator.normal(size=(count, int(load.max()) + 1))
    return 50 + generator.normal(size=(count, len(load))) + loads[:, load]


def criterion(alone, ratio):
    """-2 log restricted likelihood of one study without constants, from its error contrasts."""
    contrasts = alone.contrasts
    spread = np.linalg.slogdet(contrasts.relative_covariance(np.array([ratio])))[1]
    return contrasts.count * np.log(contrasts.residual_variance(np.array([ratio]))) + spread


def at_the_same_maximum(alone, ratio):
    """Whether a single fit found the maximum that the batched one found, which must never be the lower one."""
    gain = criterion(alone, alone.variances[0] / alone.variances[-1]) - criterion(alone, ratio)
    assert gain > -1e-9
    return gain < 1e-7


def joint_tests(fit, rows):
    """Return F and its denominator degrees of freedom for every study."""
    found = joint_precision(fit.plan, fit.ratios, rows)
    effects = fit.estimates @ rows.T
    wald = [one @ np.linalg.solve(of_one, one) for one, of_one in zip(effects, found.adjusted, strict=True)]
    return found.scale * np.array(wald) / (len(rows) * fit.residual_variances), found.ddf


PLANS = {
    "30 prints in 6 loads": (EQUAL, "quadratic"),
    "30 prints in 8 unequal loads": (UNEQUAL, "quadratic"),
    "24 prints in 4 loads": (FEW, "quadratic"),
    "36 prints in 9 loads": (MANY, "quadratic"),
    "unequal, main effects": (UNEQUAL, "main"),
    "equal, interactions": (EQUAL, "interactions"),
}


@pytest.mark.parametrize("ratio", [0.0, 0.3, 3.0, 1e4])
@pytest.mark.parametrize("plan", PLANS)
def test_every_study_is_fitted_as_it_is_alone(plan, ratio):
    load, family = PLANS[plan]
    X, values = split_plot(load, family), studies(load, ratio, 16)
    rows = np.vstack([np.eye(X.shape[1]), X[:3], X[0] - X[1]])
    fit = fit_batch(share_plan(X, load), values)
    found = batch_contrasts(fit, rows)
    singles = [fit_reml(y, X, [load]) for y in values]
    compared = [study for study, alone in enumerate(singles) if at_the_same_maximum(alone, fit.ratios[study])]
    assert len(compared) >= 15  # a likelihood with two maxima is rare
    for study in compared:
        alone, single = singles[study], contrast(singles[study], rows)
        assert (fit.ratios[study] == 0) == alone.at_zero[0]
        assert relative_error(fit.residual_variances[study], alone.variances[-1]) < 1e-7
        assert np.max(np.abs(found.estimates[study] - single.estimates) / single.se) < 1e-7
        assert relative_error(found.se[study], single.se) < 1e-7
        assert relative_error(found.dof[study], single.dof) < 1e-7


@pytest.mark.parametrize("ratio", [0.0, 1.0, 30.0])
@pytest.mark.parametrize("load", [EQUAL, UNEQUAL], ids=["equal", "unequal"])
def test_joint_tests_are_those_of_single_studies(load, ratio):
    X, values = split_plot(load), studies(load, ratio, 20)
    fit = fit_batch(share_plan(X, load), values)
    singles = [fit_reml(y, X, [load]) for y in values]
    compared = [study for study, alone in enumerate(singles) if at_the_same_maximum(alone, fit.ratios[study])]
    assert len(compared) >= 19
    for rows in (np.eye(15)[[1]], np.eye(15)[[4, 14]], np.eye(15)[[1, 5, 6, 7, 11]]):
        f, ddf = joint_tests(fit, rows)
        for study in compared:
            single = f_test(singles[study], rows)
            assert (f[study], ddf[study]) == pytest.approx((single.f, single.ddf), rel=1e-6)


@pytest.mark.parametrize("name", ["sim2k", "unbal", "tiny12", "bound0"])
def test_one_study_agrees_with_r(name):
    # R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2; one data set with the load variance at zero.
    reference, data = case(f"mixed/{name}"), table(f"mixed/{name}")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    load = np.unique(data[reference["groups"][0]], return_inverse=True)[1]
    fit = fit_batch(share_plan(X, load), data["y"].astype(float)[None])
    assert fit.residual_variances[0] == pytest.approx(reference["sigma2"], rel=1e-6)
    theirs = reference["contrasts"]
    found = batch_contrasts(fit, [one["L"] for one in theirs])
    assert relative_error(found.estimates[0], [one["est"] for one in theirs]) < 1e-6
    assert relative_error(found.se[0], [one["se_kr"] for one in theirs]) < 1e-6
    assert relative_error(found.dof[0], [one["df_kr"] for one in theirs]) < 1e-6


def test_of_two_maxima_the_higher_is_taken():
    # Study 11 has one at zero and a higher one, by 0.06 in -2 log likelihood, near 1.5.
    X, values = split_plot(EQUAL), studies(EQUAL, 30.0, 30)
    fit = fit_batch(share_plan(X, EQUAL), values)
    grid = np.append(0.0, np.geomspace(1e-3, 1e3, 120))
    for study, y in enumerate(values):
        alone = fit_reml(y, X, [EQUAL])
        heights = np.array([criterion(alone, ratio) for ratio in grid])
        assert criterion(alone, fit.ratios[study]) <= heights.min() + 1e-9
        if study == 11:
            assert heights[0] < heights[1] and heights.min() < heights[0] - 0.05


@pytest.mark.parametrize("load", [None, np.arange(30)], ids=["no loads", "one print a load"])
def test_without_shared_loads_it_is_ordinary_least_squares(load):
    X, values = split_plot(EQUAL), studies(EQUAL, 1.0, 20)
    plan = share_plan(X, load)
    found = batch_contrasts(fit_batch(plan, values), np.eye(15))
    f, ddf = joint_tests(fit_batch(plan, values), np.eye(15)[1:4])
    for study, y in enumerate(values):
        alone = fit_reml(y, X)
        single, both = contrast(alone, np.eye(15)), f_test(alone, np.eye(15)[1:4])
        assert relative_error(found.estimates[study], single.estimates) < 1e-9
        assert relative_error(found.se[study], single.se) < 1e-9
        assert found.dof[study] == pytest.approx(15)
        assert (f[study], ddf[study]) == pytest.approx((both.f, both.ddf), rel=1e-9)


def test_loads_that_the_model_uses_up_are_left_out_and_what_they_would_judge_is_named():
    load = np.repeat(np.arange(3), 8)
    X = split_plot(load)
    plan = share_plan(X, load)
    assert (plan.load_dof, plan.print_dof, plan.fits_loads) == (0, 9, False)
    assert np.flatnonzero(plan.unjudged).tolist() == [0, 4, 14]  # intercept, the load factor and its square
    assert not share_plan(split_plot(EQUAL), EQUAL).unjudged.any()


@pytest.mark.parametrize("load", [EQUAL, UNEQUAL], ids=["equal", "unequal"])
def test_degrees_of_freedom_are_those_of_the_ranks(load):
    X = split_plot(load)
    alone = fit_reml(studies(load, 1.0, 1)[0], X, [load])
    plan = share_plan(X, load)
    assert (plan.load_dof, plan.print_dof) == alone.dof


@pytest.mark.parametrize("ratio", [0.0, 0.7, 50.0, 1e8])
def test_variance_is_that_of_generalised_least_squares(ratio):
    X = split_plot(UNEQUAL)
    Z = np.eye(8)[UNEQUAL]
    plan = share_plan(X, UNEQUAL)
    rows = np.vstack([np.eye(15), X[:2]])
    # (X'V^-1 X)^-1 by the inverse of I + g ZZ' over a load of m prints: I - g / (1 + g m) 11'.
    information = X.T @ X - X.T @ Z @ np.diag(ratio / (1 + ratio * Z.sum(axis=0))) @ Z.T @ X
    wanted = np.diag(rows @ np.linalg.inv(information) @ rows.T)
    assert relative_error(precision(plan, [ratio], rows).variance[0], wanted) < 1e-10 * (1 + ratio) ** 0.75


def test_a_balanced_split_plot_has_the_classical_degrees_of_freedom_and_variances():
    # Two-level layout, 8 loads of 4: loads are judged with 6 degrees of freedom by the variance of load means.
    load = np.repeat(np.arange(8), 4)
    whole, sub = np.where(load % 2, 1.0, -1.0), np.tile([-1.0, 1.0], 16)
    X = np.column_stack([np.ones(32), whole, sub, whole * sub])
    found = precision(share_plan(X, load), [2.0], np.eye(4))
    assert found.dof[0] == pytest.approx([6, 6, 22, 22])
    assert found.variance[0] == pytest.approx([(1 + 4 * 2) / 32] * 2 + [1 / 32] * 2)
    assert found.adjusted[0] == pytest.approx(found.variance[0])
    joint = joint_precision(share_plan(X, load), [2.0], np.eye(4)[2:])
    assert (joint.ddf[0], joint.scale[0]) == pytest.approx((22, 1))


def test_results_follow_the_unit_of_the_response():
    X, values = split_plot(UNEQUAL), studies(UNEQUAL, 1.0, 50)
    plan = share_plan(X, UNEQUAL)
    plain, scaled = fit_batch(plan, values), fit_batch(plan, 1e6 * values)
    assert relative_error(scaled.residual_variances, 1e12 * plain.residual_variances) < 1e-9
    assert np.max(np.abs(scaled.ratios - plain.ratios)) < 1e-8


def test_intervals_are_those_of_students_t():
    # t(0.975; 25) = 2.0595 in every table of Student's t; further digits by inverting the incomplete beta function.
    X = split_plot(EQUAL, "main")
    fit = fit_batch(share_plan(X), studies(EQUAL, 0.0, 3))
    found = batch_contrasts(fit, np.eye(5))
    limits = mean_interval(found.estimates, found.se, found.dof)
    assert limits.shape == (3, 5, 2)
    assert limits.mean(axis=-1) == pytest.approx(found.estimates)
    assert (limits[..., 1] - found.estimates) / found.se == pytest.approx(2.0595386, rel=1e-7)


@pytest.mark.parametrize(
    ("X", "load", "said"),
    [
        (np.ones((6, 2)), None, "rank|told apart|independent"),
        (np.ones((6, 1)), np.arange(5), "code of its load"),
        (np.eye(4), None, "no error degree of freedom"),
    ],
    ids=["dependent columns", "loads of another length", "saturated"],
)
def test_a_plan_that_cannot_be_fitted_is_refused(X, load, said):
    with pytest.raises(ValueError, match=said):
        share_plan(X, load)


def test_values_that_cannot_be_fitted_are_refused():
    plan = share_plan(split_plot(EQUAL), EQUAL)
    with pytest.raises(ValueError, match="30 values"):
        fit_batch(plan, np.zeros((3, 29)))
    with pytest.raises(ValueError, match="do not vary within the loads"):
        fit_batch(plan, HARD[EQUAL][None])
    with pytest.raises(ValueError, match="15 entries, not all of them zero"):
        precision(plan, [1.0], np.zeros((1, 15)))
    with pytest.raises(ValueError, match="linearly dependent"):
        joint_precision(plan, [1.0], np.eye(15)[[1, 1]])
