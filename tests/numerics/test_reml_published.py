import numpy as np
import pytest
from scipy import stats

from doe.numerics.reml import contrast, f_test, fit_reml, prediction, upper_ratio_limit
from tests.numerics.published import relative_error, table
from tests.numerics.published_layouts import LAYOUTS, MULTIPRECISION, fit_published, fit_recomputed, term_rows
from tests.reference_data import expected_of


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
    ("name", "term"),
    [(name, term) for name in MULTIPRECISION for term in expected_of(name)["reference_multiprecision"]["anova_KR"]],
)
def test_published_joint_tests_agree_with_multiprecision(name, term):
    fit, reference, labels = fit_recomputed(name)
    theirs = reference["anova_KR"][term]
    ours = f_test(fit, term_rows(name, labels, term))
    assert ours.ndf == theirs["NumDF"]
    assert relative_error([ours.ddf, ours.f, ours.scale], [theirs[key] for key in ("DenDF", "F", "F_scaling")]) < 1e-8
    assert ours.p == pytest.approx(theirs["p"], rel=1e-7)


@pytest.mark.parametrize(
    ("name", "source"),
    [("E_cultivation", "reference_R"), ("E_oats_yates", "additive_model_R")],
    ids=["cultivation", "oats"],
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
    for term, theirs in expected_of("E_cultivation")["reference_R"]["anova_typeIII_KR"].items():
        ours = f_test(fit, term_rows("E_cultivation", labels, term))
        assert relative_error([ours.f, ours.ddf, ours.p], [theirs["F"], theirs["DenDF"], theirs["p"]]) < 1e-6


def test_cultivation_agrees_with_published_transcript():
    # SASmixed 1.0-5 (package output): log likelihood of the full and of the inoculant-only model. The standard deviations
    # printed there for the latter stop 3e-4 short of the maximum; a balanced layout has them in closed form.
    published = expected_of("E_cultivation")["published"]
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
    reference = expected_of("E_dyestuff2_zero")["reference_R"]
    fit = fit_published("E_dyestuff2_zero", ["(Intercept)"], "contr.treatment")
    assert fit.at_zero == (True,)
    assert fit.variances[0] == 0
    assert fit.variances[1] == pytest.approx(reference["varcomp"]["Residual"], rel=1e-9)
    assert fit.estimates[0] == pytest.approx(reference["coef"]["(Intercept)"], rel=1e-12)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(reference["se_unadjusted"]["(Intercept)"], rel=1e-8)
    assert -fit.criterion / 2 == pytest.approx(reference["logLik_REML"], rel=1e-10)


def test_corrosion_agrees_with_box_hunter_hunter():
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Table 9.2.
    published = expected_of("E_corrosion_box")["published"]
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
    published = expected_of("E_metal_bond")["published"]
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
    published = expected_of("E_oats_yates")["published"]
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
    everything = expected_of("E_shoes_missing")
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
    assert test.p == pytest.approx(expected_of("E_wood_resistance")["published"]["p_pretreatment"], abs=5e-4)


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


def test_prediction_of_a_new_group_is_satterthwaite_on_mean_squares():
    # One-way layout, 6 batches of 5: the variance of a value of a new batch about the mean is a sum of mean squares,
    # (1/30 + 1/5) MSB + (4/5) MSE. Degrees of freedom by Satterthwaite (1946), eq. 17.
    fit, _, _ = fit_recomputed("E_dyestuff")
    batches, within = fit.variances[1] + 5 * fit.variances[0], fit.variances[1]
    parts = np.array([(1 / 30 + 1 / 5) * batches, 4 / 5 * within])
    new = prediction(fit, [[1.0]], [1, 1])
    assert new.se[0] == pytest.approx(np.sqrt(parts.sum()), rel=1e-9)
    assert new.dof[0] == pytest.approx(parts.sum() ** 2 / np.sum(parts**2 / [5, 24]), rel=1e-9)


@pytest.mark.parametrize("name", ["E_dyestuff", "E_dyestuff2_zero"])
@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_upper_ratio_limit_is_exact_for_equal_groups(name, level):
    # Box and Tiao (1973), sec. 5.2: given the data, MSB / ((1 + 5 g) MSE) is F(5, 24), cut off at MSB / MSE.
    values = values_by_batch(name)
    between = 5 * values.mean(axis=1).var(ddof=1)
    ratio = between / values.var(axis=1, ddof=1).mean()
    cut = stats.f.ppf((1 - level) * stats.f.cdf(ratio, 5, 24), 5, 24)
    fit = fit_published(name, ["(Intercept)"], "contr.treatment")
    assert upper_ratio_limit(fit, 0, level) == pytest.approx((ratio / cut - 1) / 5, rel=1e-4)


def values_by_batch(name):
    data = table(name)
    return data["Yield"].astype(float)[np.argsort(data["Batch"], kind="stable")].reshape(6, 5)
