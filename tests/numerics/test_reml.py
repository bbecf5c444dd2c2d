import numpy as np
import pytest
from scipy import stats

from doe.numerics.leastsq import fit_least_squares
from doe.numerics.reml import contrast, f_test, fit_reml, prediction, upper_ratio_limit
from tests.numerics.published import case, expected, numbers, relative_error, table

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
        assert relative_error(
            [ours.f, ours.ddf, ours.scale, ours.p],
            [theirs[key] for key in ("Fstat", "ddf_kr", "F_scaling", "p_kr")],
        ) < 1e-6  # fmt: skip


# Response, groups, and numeric columns beyond the factors, of the published experiments below.
LAYOUTS = {
    "E_corrosion_box": ("resistance", ["heat"]),
    "E_oats_yates": ("yield", ["block", "whole_plot"]),
    "E_wood_resistance": ("resistance", ["whole_plot"]),
    "E_alfalfa": ("Yield", ["Block", "whole_plot"]),
    "E_cultivation": ("drywt", ["block", "whole_plot"]),
    "E_metal_bond": ("pressure", ["ingot"]),
    "E_dyestuff": ("Yield", ["Batch"]),
    "E_dyestuff2_zero": ("Yield", ["Batch"]),
    "E_pastes": ("strength", ["batch", "sample"]),
    "E_corrosion_lost_numeric": ("resistance", ["heat"]),
}
# Recomputed in 34-digit arithmetic from the published data; where that is missing, in R.
MULTIPRECISION = [name for name in LAYOUTS if name not in ("E_cultivation", "E_dyestuff2_zero")]


def factor_of(part, data):
    """Return the factor that a part of a coefficient's name belongs to."""
    return max((name for name in data if part.startswith(name)), key=len)


def column(part, data, coding):
    """Return the column of one part of a coefficient's name, as R names and codes it."""
    if part == "(Intercept)":
        return np.ones(len(next(iter(data.values()))))
    if part in data:
        return data[part].astype(float)
    name = factor_of(part, data)
    if coding == "contr.sum":
        levels = sorted(set(data[name]))
        return (data[name] == levels[int(part.removeprefix(name)) - 1]) * 1.0 - (data[name] == levels[-1])
    return (data[name] == part.removeprefix(name)) * 1.0


def read_experiment(name):
    data = table(name)
    if name == "E_corrosion_lost_numeric":
        data["t"] = (data["temperature"].astype(float) - 370) / 10
        data["I(t^2)"] = data["t"] ** 2
    return data


def fit_published(name, labels, coding):
    response, groups = LAYOUTS[name]
    data = read_experiment(name)
    X = np.column_stack([np.prod([column(part, data, coding) for part in label.split(":")], axis=0) for label in labels])
    return fit_reml(data[response].astype(float), X, [data[group] for group in groups])


def term_rows(name, labels, term):
    """Return the unit rows of the coefficients that make up a term."""
    data = {key: None for key in read_experiment(name)}
    wanted = set(term.split(":"))
    belongs = [{factor_of(part, data) for part in label.split(":") if part != "(Intercept)"} == wanted for label in labels]
    return np.eye(len(labels))[belongs]


def fit_recomputed(name, source="reference_multiprecision"):
    reference = expected(name)[source]
    labels = list(reference["coef"])
    coding = reference.get("coding") or reference.get("contrasts", "contr.treatment")
    return fit_published(name, labels, coding), reference, labels


@pytest.mark.parametrize("name", MULTIPRECISION)
def test_published_experiments_agree_with_multiprecision(name):
    fit, reference, labels = fit_recomputed(name)
    variances = [*(reference["varcomp"][group] for group in LAYOUTS[name][1]), reference["varcomp"]["Residual"]]
    assert relative_error(fit.variances, variances) < 1e-8
    assert -fit.criterion / 2 == pytest.approx(reference["logLik_REML"], rel=1e-10)
    coefficients = contrast(fit, np.eye(len(labels)))
    assert relative_error(coefficients.estimates, list(reference["coef"].values())) < 1e-8
    assert relative_error(np.sqrt(np.diag(fit.covariance)), list(reference["se_unadjusted"].values())) < 1e-8
    assert relative_error(coefficients.se, list(reference["se_KR"].values())) < 1e-8
    assert relative_error(coefficients.dof, list(reference["df_KR"].values())) < 1e-8
    p_values = 2 * stats.t.sf(np.abs(coefficients.estimates / coefficients.se), coefficients.dof)
    assert relative_error(p_values, list(reference["p_KR"].values())) < 1e-7


@pytest.mark.parametrize(
    ("name", "term"), [(name, term) for name in MULTIPRECISION for term in expected(name)["reference_multiprecision"]["anova_KR"]]
)
def test_published_joint_tests_agree_with_multiprecision(name, term):
    fit, reference, labels = fit_recomputed(name)
    theirs = reference["anova_KR"][term]
    ours = f_test(fit, np.eye(len(labels))[[labels.index(term)]] if term in labels else term_rows(name, labels, term))
    assert ours.ndf == theirs["NumDF"]
    assert relative_error([ours.ddf, ours.f, ours.scale], [theirs[key] for key in ("DenDF", "F", "F_scaling")]) < 1e-8
    assert ours.p == pytest.approx(theirs["p"], rel=1e-7)


@pytest.mark.parametrize(
    ("name", "source"), [("E_cultivation", "reference_R"), ("E_oats_yates", "additive_model_R")], ids=["cultivation", "oats"]
)
def test_published_experiments_agree_with_r(name, source):
    fit, reference, labels = fit_recomputed(name, source)
    variances = [*(reference["varcomp"][group] for group in LAYOUTS[name][1]), reference["varcomp"]["Residual"]]
    assert relative_error(fit.variances, variances) < 1e-6
    coefficients = contrast(fit, np.eye(len(labels)))
    assert relative_error(coefficients.estimates, list(reference["coef"].values())) < 1e-6
    assert relative_error(coefficients.se, list(reference["se_KR"].values())) < 1e-6
    assert relative_error(coefficients.dof, list(reference["df_KR"].values())) < 1e-6


def test_cultivation_joint_tests_agree_with_r():
    # Littell et al. (1996), Data Set 2.2(a); type III tests by R 4.2.2 with pbkrtest 0.5.2.
    labels = ["(Intercept)", "cultivar1", "inoculant1", "inoculant2", "cultivar1:inoculant1", "cultivar1:inoculant2"]
    fit = fit_published("E_cultivation", labels, "contr.sum")
    for term, theirs in expected("E_cultivation")["reference_R"]["anova_typeIII_KR"].items():
        ours = f_test(fit, term_rows("E_cultivation", labels, term))
        assert relative_error([ours.f, ours.ddf, ours.p], [theirs["F"], theirs["DenDF"], theirs["p"]]) < 1e-6


def test_cultivation_agrees_with_published_transcript():
    # SASmixed 1.0-5 (transcript): log likelihood of the full and of the inoculant-only model. The standard deviations
    # printed there for the latter stop 3e-4 short of the maximum; a balanced layout has them in closed form.
    published = expected("E_cultivation")["published"]
    full, _, _ = fit_recomputed("E_cultivation", "reference_R")
    assert -full.criterion / 2 == pytest.approx(published["REML_logLik_full_model"], abs=5e-4)
    smaller = fit_published("E_cultivation", ["(Intercept)", "inoculantcon", "inoculantdea"], "contr.SAS")
    assert -smaller.criterion / 2 == pytest.approx(published["inoculant_only_REML"]["logLik"], abs=5e-3)
    data = table("E_cultivation")
    plots = data["drywt"].astype(float)[np.lexsort((data["inoculant"], data["whole_plot"]))].reshape(4, 2, 3)
    blocks, wholes = plots.mean(axis=(1, 2)), plots.mean(axis=2)
    between_blocks = 6 * blocks.var(ddof=1)
    between_wholes = 3 * np.sum((wholes - blocks[:, None]) ** 2) / 4
    inside = plots - wholes[:, :, None] - plots.mean(axis=(0, 1)) + plots.mean()
    residual = np.sum(inside**2) / 14
    components = [(between_blocks - between_wholes) / 6, (between_wholes - residual) / 3, residual]
    assert relative_error(smaller.variances, components) < 1e-8


def test_zero_component_of_dyestuff2():
    # Box and Tiao (1973), Bayesian Inference in Statistical Analysis, Table 5.1.4; fitted in R with lme4 1.1-31.
    reference = expected("E_dyestuff2_zero")["reference_R"]
    fit = fit_published("E_dyestuff2_zero", ["(Intercept)"], "contr.treatment")
    assert fit.at_zero == (True,)
    assert fit.variances[0] == 0
    assert fit.variances[1] == pytest.approx(reference["varcomp"]["Residual"], rel=1e-9)
    assert fit.estimates[0] == pytest.approx(reference["coef"]["(Intercept)"], rel=1e-12)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(reference["se_unadjusted"]["(Intercept)"], rel=1e-8)
    assert -fit.criterion / 2 == pytest.approx(reference["logLik_REML"], rel=1e-10)


def test_corrosion_agrees_with_box_hunter_hunter():
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Table 9.2.
    published = expected("E_corrosion_box")["published"]
    fit, _, labels = fit_recomputed("E_corrosion_box")
    heat, residual = fit.variances
    assert residual + 4 * heat == pytest.approx(published["ms"]["whole_plot_error"], abs=0.5)
    assert residual == pytest.approx(published["ms"]["subplot_error"], abs=0.05)
    assert np.sqrt(heat) == pytest.approx(published["sd_whole"], abs=0.05)
    assert fit.dof == (published["df"]["whole_plot_error"], published["df"]["subplot_error"])
    coating = f_test(fit, term_rows("E_corrosion_box", labels, "coating"))
    assert coating.f == pytest.approx(published["F"]["coating"], abs=0.005)
    assert coating.p == pytest.approx(published["p"]["coating"], abs=5e-6)
    both = f_test(fit, term_rows("E_corrosion_box", labels, "temperature:coating"))
    assert both.f == pytest.approx(published["F"]["temperature_x_coating"], abs=5e-4)
    assert both.p == pytest.approx(published["p"]["temperature_x_coating"], abs=5e-6)


def test_metal_bond_agrees_with_published_output():
    # Littell et al. (1996), Data Set 1.2.4, Output 1.1, as in SASmixed 1.0-5.
    published = expected("E_metal_bond")["published"]
    fit, _, _ = fit_recomputed("E_metal_bond")
    assert fit.variances == pytest.approx([published["var_ingot"], published["var_residual"]], abs=5e-4)
    assert -fit.criterion / 2 == pytest.approx(published["REML_logLik"], abs=5e-4)
    coefficients = contrast(fit, np.eye(3))
    assert coefficients.estimates[0] == pytest.approx(published["coef"]["intercept"], abs=0.05)
    assert coefficients.estimates[1] == pytest.approx(published["coef"]["copper_minus_nickel"], abs=5e-4)
    assert coefficients.estimates[2] == pytest.approx(published["coef"]["iron_minus_nickel"], abs=5e-4)
    assert coefficients.se[:2] == pytest.approx([published["se"]["intercept"], published["se"]["copper"]], abs=5e-5)
    assert coefficients.dof[1:] == pytest.approx([published["df"]] * 2, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "published"),
    [
        # Davies and Goldsmith (1972), Table 6.3; variances from memory of the lme4 documentation.
        ("E_dyestuff", {0: (1764.05, 0.005), 1: (2451.25, 0.005)}),
        # Davies and Goldsmith (1972), Table 6.5; squares of standard deviations from memory of the lme4 documentation.
        ("E_pastes", {0: (1.287**2, 1.3e-3), 1: (2.904**2, 3e-3), 2: (0.823**2, 9e-4)}),
        # Snedecor and Cochran (1980), sec. 16.15; sub-plot mean square from memory.
        ("E_alfalfa", {2: (0.0280, 5e-5)}),
    ],
)
def test_components_agree_with_published(name, published):
    fit, _, _ = fit_recomputed(name)
    for place, (variance, tolerance) in published.items():
        assert fit.variances[place] == pytest.approx(variance, abs=tolerance)


def test_oats_agrees_with_published_tests():
    # Venables and Ripley, Modern Applied Statistics with S, 4th ed., sec. 10.2 (from memory).
    published = expected("E_oats_yates")["published"]
    fit, _, labels = fit_recomputed("E_oats_yates")
    for term, key, half in (
        ("variety", "F_variety_full_model", 5e-4),
        ("nitrogen", "F_nitrogen_full_model", 5e-3),
        ("variety:nitrogen", "F_interaction_full_model", 5e-4),
    ):
        assert f_test(fit, term_rows("E_oats_yates", labels, term)).f == pytest.approx(published[key], abs=half)


@pytest.mark.parametrize("subset", ["balanced", "unbalanced"])
def test_shoes_agree_with_published_test(subset):
    # Box, Hunter and Hunter (1978), boys' shoes; test published in the vignette of R package pbkrtest 0.5.2.
    data = table("E_shoes_missing")
    kept = (data["in_unbalanced_subset"] == "1") | (subset == "balanced")
    X = np.column_stack([np.ones(kept.sum()), data["material"][kept] == "B"])
    fit = fit_reml(data["wear"][kept].astype(float), X, [data["boy"][kept]])
    test, single = f_test(fit, [0, 1]), contrast(fit, np.eye(2))
    everything = expected("E_shoes_missing")
    published = everything["published"][subset]
    assert test.f == pytest.approx(published["F"], abs=5e-4 if subset == "balanced" else 5e-5)
    assert test.ddf == pytest.approx(published["ddf"], abs=5e-5)
    assert test.p == pytest.approx(published["p"], abs=5e-6 if subset == "unbalanced" else 5e-7)
    exact = everything["reference_multiprecision"]["bal" if subset == "balanced" else "imbal"]
    assert relative_error(fit.variances, [exact["varcomp"]["boy"], exact["varcomp"]["Residual"]]) < 1e-8
    assert relative_error(single.estimates, exact["coef"]) < 1e-8
    assert relative_error(single.se, exact["se_KR"]) < 1e-8
    assert relative_error([test.f, test.ddf], [exact["F"], exact["ddf"]]) < 1e-8


def test_wood_agrees_with_published_p():
    # Potcner and Kowalski, "How to analyze a split-plot experiment", Quality Progress 37(12) (2004) 67.
    fit, _, labels = fit_recomputed("E_wood_resistance")
    test = f_test(fit, term_rows("E_wood_resistance", labels, "pretreatment"))
    assert test.ddf == pytest.approx(4, rel=1e-9)
    assert test.p == pytest.approx(expected("E_wood_resistance")["published"]["p_pretreatment"], abs=5e-4)


@pytest.mark.parametrize(
    ("name", "dof"),
    [
        ("E_corrosion_box", (3, 9)),
        ("E_oats_yates", (5, 10, 45)),
        ("E_wood_resistance", (4, 12)),
        ("E_pastes", (9, 20, 30)),
    ],
)
def test_error_dof_are_those_of_the_analysis_of_variance(name, dof):
    assert fit_recomputed(name)[0].dof == dof


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
    explained = plain.total_ss - plain.residual_ss
    assert joint.f == pytest.approx(explained / 3 / plain.residual_variance, rel=1e-10)
    assert (joint.ddf, joint.scale) == pytest.approx((16, 1), rel=1e-10)
    new = prediction(fit, X[:1], [1])
    assert new.se[0] ** 2 == pytest.approx(plain.residual_variance * (1 + plain.leverages[0]), rel=1e-12)
    assert new.dof[0] == pytest.approx(16, rel=1e-12)


def test_prediction_of_a_new_group_is_satterthwaite_on_mean_squares():
    # One-way layout, 6 batches of 5: the variance of a value of a new batch about the mean is a sum of mean squares,
    # (1/30 + 1/5) MSB + (4/5) MSE. Degrees of freedom by Satterthwaite (1946), eq. 17.
    fit, _, _ = fit_recomputed("E_dyestuff")
    batches, within = fit.variances[1] + 5 * fit.variances[0], fit.variances[1]
    parts = np.array([(1 / 30 + 1 / 5) * batches, 4 / 5 * within])
    new = prediction(fit, [[1.0]], [1, 1])
    assert new.se[0] == pytest.approx(np.sqrt(parts.sum()), rel=1e-9)
    assert new.dof[0] == pytest.approx(parts.sum() ** 2 / np.sum(parts**2 / [5, 24]), rel=1e-9)


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
    assert relative_error(fit_reml(y + X @ [50, -3, 8, 1], X, [load]).variances, fit_reml(y, X, [load]).variances) < 1e-9


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


@pytest.mark.parametrize("name", ["E_dyestuff", "E_dyestuff2_zero"])
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_upper_ratio_limit_is_exact_for_equal_groups(name, level):
    # Box and Tiao (1973), sec. 5.2: given the data, MSB / ((1 + 5 g) MSE) is F(5, 24), cut off at MSB / MSE.
    values = numbers_of_batches(name)
    between = 5 * values.mean(axis=1).var(ddof=1)
    ratio = between / values.var(axis=1, ddof=1).mean()
    cut = stats.f.ppf((1 - level) * stats.f.cdf(ratio, 5, 24), 5, 24)
    fit = fit_published(name, ["(Intercept)"], "contr.treatment")
    assert upper_ratio_limit(fit, 0, level) == pytest.approx((ratio / cut - 1) / 5, rel=1e-4)


def numbers_of_batches(name):
    data = table(name)
    return data["Yield"].astype(float)[np.argsort(data["Batch"], kind="stable")].reshape(6, 5)


def test_upper_ratio_limit_of_one_of_two_components():
    fit, _ = fit_from_r("bound_nested")
    assert fit.at_zero == (True, False)
    limits = [upper_ratio_limit(fit, 0, level) for level in (0.8, 0.9, 0.95)]
    assert 0 < limits[0] < limits[1] < limits[2]
    assert upper_ratio_limit(fit, 1) > fit.variances[1] / fit.variances[2]


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
    ],
)
def test_refuses_what_cannot_be_estimated(y, X, groups, message):
    with pytest.raises(ValueError, match=message):
        fit_reml(y, X, groups)


def test_refuses_components_that_the_layout_does_not_tell_apart():
    # Two by two, crossed; the model takes the sum of both contrasts, so a single direction is left for two components.
    rows, columns = np.array([0, 0, 1, 1, 0, 0, 1, 1]), np.array([0, 1, 0, 1, 0, 1, 0, 1])
    signs = np.where(rows, 1.0, -1.0), np.where(columns, 1.0, -1.0)
    X = np.column_stack([np.ones(8), signs[0] + signs[1], signs[0] * signs[1]])
    with pytest.raises(ValueError, match="does not tell them apart"):
        fit_reml(np.arange(8.0) ** 2, X, [rows, columns])


@pytest.mark.parametrize(
    ("rows", "extra", "message"),
    [
        ([[0, 0, 0, 0]], [0, 0], "row of zeros"),
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
    y = groups + 1e-4 * (y - 20)
    fit = fit_reml(y, X, [load])
    assert fit.converged
    within = y - y.reshape(6, 4).mean(axis=1).repeat(4)
    # Within loads the two print-level columns are fitted; the rest is residual, whatever the loads do.
    assert fit.variances[1] == pytest.approx(fit_least_squares(within, X[:, 2:]).residual_ss / 16, rel=1e-5)
