from functools import cache

import numpy as np
import pytest
from scipy import optimize

from doe.numerics.leastsq import fit_least_squares
from doe.numerics.reml import contrast, f_test, fit_reml, matched_f, prediction, upper_ratio_limit
from tests.numerics.published import case, relative_error, table

# Values of R: R 4.2.2, lme4 1.1-31 (REML), pbkrtest 0.5.2 (Kenward-Roger); its optimiser reaches about 1e-9 here.
FITTED_IN_R = [
    "oats",
    "cake",
    "pastes",
    "penicillin",
    "sim2k",
    "unbal",
    "nested3",
    "bound0",
    "bound_nested",
    "tiny12",
    "three_vc",
]


@cache
def fit_from_r(name):
    reference, data = case(f"mixed/{name}"), table(f"mixed/{name}")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    return fit_reml(data["y"].astype(float), X, [data[group] for group in reference["groups"]]), reference


@pytest.mark.parametrize("name", FITTED_IN_R)
def test_variances_and_coefficients_agree_with_r(name):
    fit, reference = fit_from_r(name)
    variances = np.array([*(reference["varcomp"][group] for group in reference["groups"]), reference["sigma2"]])
    positive = variances > 0
    assert relative_error(fit.variances[positive], variances[positive]) < 1e-6
    assert np.all(np.abs(fit.variances[~positive]) < 1e-12 * reference["sigma2"])
    assert fit.at_zero == tuple(~positive[:-1])
    assert fit.converged
    assert relative_error(fit.estimates, reference["beta"]) < 1e-6
    assert fit.criterion == pytest.approx(reference["REMLcrit"], rel=1e-9)


@pytest.mark.parametrize("name", FITTED_IN_R)
def test_covariances_agree_with_r(name):
    fit, reference = fit_from_r(name)
    for ours, theirs in ((fit.covariance, reference["vcov"]), (fit.adjusted_covariance, reference["vcovAdj"])):
        theirs = np.atleast_2d(theirs)
        assert np.max(np.abs(ours - theirs)) < 1e-6 * np.max(np.abs(theirs))
        assert relative_error(np.sqrt(np.diag(ours)), np.sqrt(np.diag(theirs))) < 1e-6


@pytest.mark.parametrize("name", FITTED_IN_R)
def test_contrasts_agree_with_r(name):
    fit, reference = fit_from_r(name)
    theirs = reference["contrasts"]
    ours = contrast(fit, [one["L"] for one in theirs])
    assert relative_error(ours.estimates, [one["est"] for one in theirs]) < 1e-6
    assert relative_error(ours.se, [one["se_kr"] for one in theirs]) < 1e-6
    assert relative_error(ours.dof, [one["df_kr"] for one in theirs]) < 1e-6


@pytest.mark.parametrize("name", [name for name in FITTED_IN_R if name not in ("pastes", "penicillin")])
def test_joint_tests_agree_with_r(name):
    fit, reference = fit_from_r(name)
    for theirs in reference["Ftests"]:
        ours = f_test(fit, theirs["L"])
        assert ours.ndf == theirs["ndf"]
        wanted = [theirs[key] for key in ("Fstat", "ddf_kr", "F_scaling", "p_kr")]
        assert relative_error([ours.f, ours.ddf, ours.scale, ours.p], wanted) < 1e-6


def split_plot(loads, prints, seed, load_sd=1.0):
    """Return a balanced two-level layout: one factor of the load, one of the print, and both together."""
    generator = np.random.default_rng(seed)
    load = np.repeat(np.arange(loads), prints)
    whole, sub = np.where(load % 2, 1.0, -1.0), np.where(np.arange(loads * prints) % 2, 1.0, -1.0)
    X = np.column_stack([np.ones(loads * prints), whole, sub, whole * sub])
    y = 20 + X @ [0, 2, 1, 0.5] + load_sd * generator.normal(size=loads)[load] + generator.normal(size=loads * prints)
    return y, X, load


@pytest.mark.parametrize("loads", [4, 6, 8])
def test_joint_test_of_whole_plots_is_the_classical_f(loads):
    # Mean squares of the load means; error degrees of freedom 2 and 4 are where the general formulas divide by zero.
    y, X, load = split_plot(loads, 4, seed=loads, load_sd=3.0)
    fit = fit_reml(y, X, [load])
    means, whole = y.reshape(loads, 4).mean(axis=1), X[::4, 1]
    effects = np.array([means.mean(), (means * whole).mean()])
    error = np.sum((means - effects[0] - effects[1] * whole) ** 2) / (loads - 2)
    test = f_test(fit, np.eye(4)[:2])
    assert test.ddf == pytest.approx(loads - 2, rel=1e-7)
    assert test.scale == pytest.approx(1, rel=1e-7)
    assert test.f == pytest.approx(loads * np.sum(effects**2) / 2 / error, rel=1e-7)


def in_kenward_and_rogers_words(A1, A2, q):
    """Return degrees of freedom and scale as Kenward and Roger (1997), sec. 3, write them, with A1 and A2 as there."""
    B, g = (A1 + 6 * A2) / (2 * q), ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    c1, c2, c3 = (part / (3 * q + 2 * (1 - g)) for part in (g, q - g, q + 2 - g))
    expected = 1 / (1 - A2 / q)
    variance = 2 / q * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
    ddf = 4 + (q + 2) / (q * variance / (2 * expected**2) - 1)
    return ddf, ddf / (expected * (ddf - 2))


@pytest.mark.parametrize("q", [2, 3, 5])
def test_moments_of_the_joint_test_are_those_of_kenward_and_roger(q):
    A1, A2 = np.array([0.2, 0.5, 1.1, 0.9]) * q, np.array([0.2, 0.3, 0.4, 0.15]) * q
    ours = matched_f(A1, A2, q)
    assert relative_error(ours, in_kenward_and_rogers_words(A1, A2, q)) < 1e-10


def test_a_wald_statistic_without_variance_bound_has_four_degrees_of_freedom():
    # Where 1 - c2 B alone vanishes the variance in sec. 3 of Kenward and Roger (1997) is infinite, as that of F with 4 is.
    q, A2 = 3, 2.91

    def root(A1):  # of the variance's inverse, with its sign
        B, g = (A1 + 6 * A2) / (2 * q), ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        return 1 - (q - g) / (3 * q + 2 * (1 - g)) * B

    ddf, scale = matched_f(optimize.brentq(root, 2.5, 3.2, xtol=1e-15), A2, q)
    assert ddf == pytest.approx(4, rel=1e-9)
    assert scale == pytest.approx(2 * (1 - A2 / q), rel=1e-9)


@pytest.mark.parametrize("name", ["unbal", "bound0", "nested3", "three_vc"])
def test_joint_test_of_one_row_is_the_squared_t(name):
    fit, _ = fit_from_r(name)
    for row in np.eye(len(fit.estimates)):
        single, joint = contrast(fit, row), f_test(fit, row)
        assert joint.f == pytest.approx((single.estimates[0] / single.se[0]) ** 2, rel=1e-12)
        assert (joint.ddf, joint.scale) == (single.dof[0], 1.0)


def test_without_groups_it_is_ordinary_least_squares():
    y, X, _ = split_plot(5, 4, seed=1)
    fit, plain = fit_reml(y, X), fit_least_squares(y, X)
    singles = contrast(fit, np.eye(4))
    assert fit.variances == pytest.approx([plain.residual_variance], rel=1e-12)
    assert singles.estimates == pytest.approx(plain.estimates, rel=1e-12)
    assert singles.se == pytest.approx(plain.se, rel=1e-12)
    assert singles.dof == pytest.approx([16] * 4, rel=1e-12)
    assert (fit.at_zero, fit.dof, fit.groups) == ((), (16,), ())
    joint = f_test(fit, np.eye(4)[1:])
    explained = np.sum((plain.fitted - y.mean()) ** 2)
    assert joint.f == pytest.approx(explained / 3 / plain.residual_variance, rel=1e-10)
    assert (joint.ddf, joint.scale) == pytest.approx((16, 1), rel=1e-10)
    new = prediction(fit, X[:1], [1])
    assert new.se[0] ** 2 == pytest.approx(plain.residual_variance * (1 + plain.leverages[0]), rel=1e-12)
    assert new.dof[0] == pytest.approx(16, rel=1e-12)


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_results_follow_the_unit_of_the_response(scale):
    data, reference = table("mixed/nested3"), case("mixed/nested3")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    y, groups = data["y"].astype(float), [data["load"], data["print"]]
    plain, scaled = fit_reml(y, X, groups), fit_reml(scale * y, X, groups)
    assert relative_error(scaled.variances, scale**2 * plain.variances) < 1e-9
    singles, scaled_singles = contrast(plain, np.eye(9)), contrast(scaled, np.eye(9))
    assert relative_error(scaled_singles.se, scale * singles.se) < 1e-9
    assert relative_error(scaled_singles.dof, singles.dof) < 1e-9
    assert upper_ratio_limit(scaled, 0) == pytest.approx(upper_ratio_limit(plain, 0), rel=1e-6)


def test_variances_do_not_depend_on_the_coefficients():
    y, X, load = split_plot(6, 4, seed=3)
    assert (
        relative_error(fit_reml(y + X @ [50, -3, 8, 1], X, [load]).variances, fit_reml(y, X, [load]).variances) < 1e-9
    )


def test_order_and_names_of_the_groups_do_not_matter():
    data, reference = table("mixed/three_vc"), case("mixed/three_vc")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    y = data["y"].astype(float)
    first = fit_reml(y, X, [data["printer"], data["load"], data["print"]])
    numbered = [np.unique(data[name], return_inverse=True)[1] * 7 - 3 for name in ("print", "printer", "load")]
    second = fit_reml(y, X, numbered)
    assert relative_error(second.variances[[1, 2, 0, 3]], first.variances) < 1e-7
    assert tuple(np.array(second.dof)[[1, 2, 0, 3]]) == first.dof
    assert first.groups == (3, 12, 60)


def test_upper_ratio_limit_of_one_of_two_components():
    fit, _ = fit_from_r("bound_nested")
    assert fit.at_zero == (True, False)
    limits = [upper_ratio_limit(fit, 0, level) for level in (0.8, 0.9, 0.95)]
    assert 0 < limits[0] < limits[1] < limits[2]
    assert upper_ratio_limit(fit, 1) > fit.variances[1] / fit.variances[2]
    assert upper_ratio_limit(fit, 0) == limits[2]
    data, reference = table("mixed/bound_nested"), case("mixed/bound_nested")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    turned = fit_reml(data["y"].astype(float), X, [data[group] for group in reversed(reference["groups"])])
    assert [upper_ratio_limit(turned, k) for k in (1, 0)] == pytest.approx([upper_ratio_limit(fit, k) for k in (0, 1)], rel=1e-6)


ONES = np.ones((6, 1))
PAIRS = np.array([0, 0, 1, 1, 2, 2])
VALUES = np.array([1.0, 2.0, 4.0, 3.0, 5.0, 7.0])


@pytest.mark.parametrize(
    ("y", "X", "groups", "message"),
    [
        (VALUES[:5], ONES, [], "one entry for each value"),
        (VALUES, ONES, [PAIRS[:5]], "every group needs one entry"),
        (np.append(VALUES[:5], np.nan), ONES, [], "finite numbers"),
        (VALUES, np.eye(6), [], "at least 7 are needed"),
        (VALUES, np.ones((6, 7)), [], "6 values cannot give 7 coefficients"),
        (VALUES, np.hstack([ONES, 2 * ONES]), [], "linearly dependent"),
        (VALUES, np.eye(3)[PAIRS], [PAIRS], "component 0 cannot be estimated"),
        (VALUES, ONES, [PAIRS, PAIRS], "component 1 cannot be estimated"),
        (VALUES, ONES, [np.zeros(6)], "component 0 cannot be estimated"),
        (VALUES, ONES, [np.arange(6)], "residual variance cannot be estimated"),
        (np.full(6, 4.0), ONES, [], "do not vary"),
        (np.full(6, 4.0), ONES, [PAIRS], "do not vary"),
        (np.full(6, 0.0), ONES, [PAIRS], "do not vary"),
        (PAIRS * 1.7 + 250, ONES, [PAIRS], "do not vary within the finest groups"),
        (0.1 + 0.3 * VALUES, np.column_stack([ONES, VALUES]), [], "do not vary"),
    ],
    ids=[
        "short X",
        "short group",
        "not a number",
        "saturated",
        "too few values",
        "dependent columns",
        "loads in the model",
        "the same groups twice",
        "a single group",
        "groups of one",
        "constant",
        "constant in groups",
        "all zero",
        "exact within groups",
        "exact but for rounding",
    ],
)
def test_refuses_what_cannot_be_estimated(y, X, groups, message):
    with pytest.raises(ValueError, match=message):
        fit_reml(y, X, groups)


@pytest.mark.parametrize(
    ("rows", "extra", "message"),
    [
        ([[0, 0, 0, 0]], [0, 0], "row of zeros"),
        ([[1, 0, 0, 0], [0, 0, 0, 0]], [0, 0], "row of zeros"),
        ([[1, 0, 0]], [0, 0], "rows need 4 columns"),
        ([[1, 0, 0, 0]], [1], "extra 2 entries"),
    ],
)
def test_refuses_rows_that_ask_for_nothing(rows, extra, message):
    y, X, load = split_plot(6, 4, seed=3)
    with pytest.raises(ValueError, match=message):
        prediction(fit_reml(y, X, [load]), rows, extra)


def test_refuses_dependent_rows():
    y, X, load = split_plot(6, 4, seed=3)
    with pytest.raises(ValueError, match="linearly dependent"):
        f_test(fit_reml(y, X, [load]), [[1, 0, 0, 0], [2, 0, 0, 0]])


def test_tiny_residual_beside_large_groups():
    y, X, load = split_plot(6, 4, seed=3)
    groups = np.array([100.0, -250, 40, 310, -80, 5])[load]
    y = groups + 1e-2 * (y - 20)
    fit = fit_reml(y, X, [load])
    assert fit.converged
    within = y - y.reshape(6, 4).mean(axis=1).repeat(4)
    # Within loads the two print-level columns are fitted; the rest is residual, whatever the loads do.
    assert fit.variances[1] == pytest.approx(fit_least_squares(within, X[:, 2:]).residual_ss / 16, rel=1e-5)


@pytest.mark.parametrize(("share", "fitted"), [(1.02e-6, True), (0.98e-6, False)])
def test_values_vary_within_groups_by_more_than_a_millionth_of_what_they_vary_between_them(share, fitted):
    # Group means -1, 0, 1 leave contrasts of length 2; pairs apart by d leave one of length d sqrt(3 / 2) within them.
    apart = share * 2 / np.sqrt(1.5)
    y = PAIRS - 1.0 + apart * np.array([-0.5, 0.5] * 3)
    if fitted:
        fit = fit_reml(y, ONES, [PAIRS])
        assert relative_error(fit.variances, [1 - apart**2 / 4, apart**2 / 2]) < 1e-6
    else:
        with pytest.raises(ValueError, match="do not vary within"):
            fit_reml(y, ONES, [PAIRS])


@pytest.mark.parametrize("groups", [True, False], ids=["loads", "no groups"])
@pytest.mark.parametrize("unit", [1.0, 2.0**-60])
def test_values_far_from_zero_lose_no_digits(groups, unit):
    # Whole numbers far from zero and the settings are exact in binary, so that only the arithmetic of the fit could lose any.
    generator, load = np.random.default_rng(5), np.repeat(np.arange(6), 4)
    X = np.column_stack([np.ones(24), np.resize([-1.0, -0.25, 0.5, 1.0, 0.75], 24)])
    y = np.round(64 * (generator.normal(size=6)[load] + generator.normal(size=24)))
    near, far = (fit_reml(values, X, [load] if groups else []) for values in (y, (y + 2.0**43) * unit))
    assert far.variances / unit**2 == pytest.approx(near.variances, rel=1e-12)
