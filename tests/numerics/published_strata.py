"""How far variance components, their intervals and tests agree with published values and with R."""

import numpy as np
from scipy import stats

from doe.numerics.leastsq import fit_least_squares
from doe.numerics.reml import contrast, f_test, fit_reml
from tests.numerics.published import agreement, printed, table
from tests.numerics.published_layouts import (
    FITTED_IN_R,
    LAYOUTS,
    MULTIPRECISION,
    fit_from_r,
    fit_published,
    fit_recomputed,
    model_of,
    read_experiment,
    term_rows,
)
from tests.reference_data import expected_of

R = 6  # digits with R, whose optimiser stops at about 1e-7
EXACT = 8  # digits with 34-digit arithmetic


def everything():
    for name in FITTED_IN_R:
        yield from _fitted_in_r(name)
    for name in MULTIPRECISION:
        yield from _coefficients(name, "reference_multiprecision", EXACT)
    for name in LAYOUTS:
        yield from _coefficients(name, "reference_R", R)
    yield from _coefficients("E_oats_yates", "additive_model_R", R)
    for make in (_corrosion, _cultivation, _metal_bond, _one_way, _alfalfa, _oats, _shoes, _wood):
        yield from make()


def _fitted_in_r(name):
    fit, reference = fit_from_r(name)
    label = f"mixed/{name}"
    variances = np.array([*(reference["varcomp"][group] for group in reference["groups"]), reference["sigma2"]])
    positive = variances > 0
    yield agreement(label, "variance components", fit.variances[positive], variances[positive], R)
    yield agreement(label, "which components are zero", fit.at_zero, ~positive[:-1], 15)
    yield agreement(label, "coefficients", fit.estimates, reference["beta"], R)
    yield agreement(label, "REML criterion", fit.criterion, [reference["REMLcrit"]], 9)
    for quantity, ours, key in (
        ("standard errors", fit.covariance, "vcov"),
        ("adjusted standard errors", fit.adjusted_covariance, "vcovAdj"),
    ):
        yield agreement(label, quantity, np.sqrt(np.diag(ours)), np.sqrt(np.diag(np.atleast_2d(reference[key]))), R)
    ours, theirs = contrast(fit, [one["L"] for one in reference["contrasts"]]), reference["contrasts"]
    for quantity, values, key in (
        ("contrasts: estimates", ours.estimates, "est"),
        ("contrasts: standard errors", ours.se, "se_kr"),
        ("contrasts: degrees of freedom", ours.dof, "df_kr"),
    ):
        yield agreement(label, quantity, values, [one[key] for one in theirs], R)
    for number, test in enumerate(reference["Ftests"], 1):
        found = f_test(fit, test["L"])
        yield agreement(label, f"joint test {number}", [found.f, found.ndf, found.ddf, found.scale, found.p],
                        [test[key] for key in ("Fstat", "ndf", "ddf_kr", "F_scaling", "p_kr")], R)  # fmt: skip


def _coefficients(name, source, least):
    """Components, coefficients with errors, degrees of freedom, t and p, and the tests of the terms."""
    fit, reference, labels = fit_recomputed(name, source)
    start = {"reference_multiprecision": "", "reference_R": "R: ", "additive_model_R": "R, additive: "}[source]
    variances = np.array(
        [*(reference["varcomp"][group] for group in LAYOUTS[name][1]), reference["varcomp"]["Residual"]]
    )
    positive = variances > 0
    yield agreement(name, f"{start}variance components", fit.variances[positive], variances[positive], least)
    yield agreement(name, f"{start}log restricted likelihood", -fit.criterion / 2, [reference["logLik_REML"]], 10)
    found = contrast(fit, np.eye(len(labels)))
    t = found.estimates / found.se
    for quantity, ours, key in (
        ("coefficients", found.estimates, "coef"),
        ("standard errors, not adjusted", np.sqrt(np.diag(fit.covariance)), "se_unadjusted"),
        ("standard errors", found.se, "se_KR"),
        ("degrees of freedom", found.dof, "df_KR"),
        ("t", t, "t_KR"),
        ("p", 2 * stats.t.sf(np.abs(t), found.dof), "p_KR"),
    ):
        if key in reference:
            yield agreement(name, f"{start}{quantity}", ours, reference[key], min(least, 7) if key == "p_KR" else least)
    for term, theirs in (reference.get("anova_KR") or reference.get("anova_typeIII_KR") or {}).items():
        yield _term_test(name, start, (fit, labels), term, theirs, least)


def _term_test(name, start, fitted, term, theirs, least):
    fit, labels = fitted
    if (reference := expected_of(name)).get("reference_R", {}).get("contrasts") == "contr.SAS" and start:
        fit, labels = _with_sum_to_zero(name, reference["reference_R"])
    elif start == "R, additive: ":
        pass
    test = f_test(fit, term_rows(name, labels, term))
    keys = ["NumDF", "DenDF", "F", "p", *(["F_scaling"] if "F_scaling" in theirs else [])]
    ours = {"NumDF": test.ndf, "DenDF": test.ddf, "F": test.f, "p": test.p, "F_scaling": test.scale}
    return agreement(
        name, f"{start}test of {term}", [ours[key] for key in keys], [theirs[key] for key in keys], min(least, 7)
    )


def _with_sum_to_zero(name, reference):
    """Type III tests are of marginal means: refit with columns that sum to zero."""
    data = read_experiment(name)
    labels = ["(Intercept)"]
    for term in reference["anova_typeIII_KR"]:
        parts = [[f"{factor}{i + 1}" for i in range(len(set(data[factor])) - 1)] for factor in term.split(":")]
        labels += parts[0] if len(parts) == 1 else [f"{a}:{b}" for b in parts[1] for a in parts[0]]
    return fit_published(name, labels, "contr.sum"), labels


def _corrosion():
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Table 9.2.
    label = "E_corrosion_box"
    published = expected_of(label)["published"]
    fit, reference, labels = fit_recomputed(label)
    heat, residual = fit.variances
    whole = residual + 4 * heat
    tests = {
        term: f_test(fit, term_rows(label, labels, term)) for term in ("temperature", "coating", "temperature:coating")
    }
    squares = {
        "temperature": tests["temperature"].f * whole, "coating": tests["coating"].f * residual,
        "temperature_x_coating": tests["temperature:coating"].f * residual,
        "whole_plot_error": whole, "subplot_error": residual,
    }  # fmt: skip
    for key, value in squares.items():
        yield printed(label, f"mean square of {key} as published", value, [published["ms"][key]])
        yield printed(
            label, f"sum of squares of {key} as published", value * published["df"][key], [published["ss"][key]]
        )
    dof = [tests["temperature"].ndf, fit.dof[0], tests["coating"].ndf, tests["temperature:coating"].ndf, fit.dof[1]]
    yield printed(label, "degrees of freedom as published", dof, published["df"])
    later = [tests["coating"], tests["temperature:coating"]]
    yield printed(label, "F as published", [test.f for test in later], published["F"])
    yield printed(label, "p as published", [test.p for test in later], published["p"])
    yield printed(label, "standard deviation of heats as published", heat**0.5, [published["sd_whole"]])
    yield printed(label, "standard deviation of bars as published", residual**0.5, [published["sd_sub"]],
                  note="11.16 from the printed mean square 124.5, printed as 11.1")  # fmt: skip
    data = table(label)
    y = data["resistance"].astype(float)
    for factor in ("temperature", "coating"):
        wanted = published[f"mean_by_{factor}"]
        rows = [model_of(data, labels, reference["coding"])[data[factor] == level].mean(axis=0) for level in wanted]
        yield printed(label, f"means by {factor} as published", contrast(fit, rows).estimates, wanted)
    plain = fit_reml(y, model_of(data, labels, reference["coding"]))
    naive = published["naive_completely_randomised"]
    terms = {"F_temperature": "temperature", "F_coating": "coating", "F_interaction": "temperature:coating"}
    ours = [f_test(plain, term_rows(label, labels, term)).f for term in terms.values()]
    yield printed(label, "without heats: F as published", ours, [naive[key] for key in terms])
    yield printed(label, "without heats: error as published", [plain.dof[0], plain.variances[0]],
                  [naive["residual_df"], naive["residual_ms"]])  # fmt: skip


def _cultivation():
    # SASmixed 1.0-5 (package transcript); Littell et al. (1996), Data Set 2.2(a).
    label = "E_cultivation"
    published = expected_of(label)["published"]
    full, _, _ = fit_recomputed(label, "reference_R")
    yield printed(label, "log likelihood as published", -full.criterion / 2, [published["REML_logLik_full_model"]])
    smaller, wanted = (
        fit_published(label, ["(Intercept)", "inoculantcon", "inoculantdea"], "contr.SAS"),
        published["inoculant_only_REML"],
    )
    yield printed(label, "inoculant only: log likelihood as published", -smaller.criterion / 2, [wanted["logLik"]])
    note = "the printed ones stop short of the maximum, which a balanced layout has in closed form (0.95467, 0.86344, 0.85736)"
    for variance, key in zip(smaller.variances, ("sd_block", "sd_whole", "sd_residual"), strict=True):
        yield printed(label, f"inoculant only: {key} as published", variance**0.5, [wanted[key]], note=note)


def _metal_bond():
    # Littell et al. (1996), Data Set 1.2.4, Output 1.1.
    label = "E_metal_bond"
    published = expected_of(label)["published"]
    fit, _, _ = fit_recomputed(label)
    found = contrast(fit, np.eye(3))
    yield printed(label, "components as published", fit.variances, [published["var_ingot"], published["var_residual"]])
    yield printed(label, "log likelihood as published", -fit.criterion / 2, [published["REML_logLik"]])
    yield printed(label, "coefficients as published", found.estimates,
                  [published["coef"][key] for key in ("intercept", "copper_minus_nickel", "iron_minus_nickel")])  # fmt: skip
    yield printed(label, "standard errors as published", found.se[:2],
                  [published["se"][key] for key in ("intercept", "copper")])  # fmt: skip
    yield printed(label, "degrees of freedom as published", found.dof[1:], [published["df"]] * 2)


def _one_way():
    # Davies and Goldsmith (1972), Tables 6.3 and 6.5; values from memory of the lme4 documentation.
    fit, _, _ = fit_recomputed("E_dyestuff")
    published = expected_of("E_dyestuff")["published"]
    yield printed(
        "E_dyestuff", "components as published", fit.variances, [published["var_batch"], published["var_residual"]]
    )
    yield printed("E_dyestuff", "mean as published", fit.estimates, [published["mean"]])
    fit, _, _ = fit_recomputed("E_pastes")
    published = expected_of("E_pastes")["published"]
    yield printed("E_pastes", "standard deviations as published", np.sqrt(fit.variances),
                  [published[key] for key in ("sd_batch", "sd_sample", "sd_residual")])  # fmt: skip
    yield printed("E_pastes", "mean as published", fit.estimates, [published["mean"]])


def _alfalfa():
    # Snedecor and Cochran (1980), sec. 16.15 (from memory).
    label = "E_alfalfa"
    published = expected_of(label)["published"]
    fit, _, labels = fit_recomputed(label)
    _, plots, residual = fit.variances
    dates, both = (f_test(fit, term_rows(label, labels, term)).f for term in ("Date", "Variety:Date"))
    ours = [residual + 4 * plots, residual, dates * residual, both * residual]
    keys = ("ms_main_plot_error", "ms_sub_plot_error", "ms_date", "ms_interaction")
    yield printed(label, "mean squares as published", ours, [published[key] for key in keys], 4)


def _oats():
    # Venables and Ripley, Modern Applied Statistics with S, 4th ed., sec. 10.2 (from memory).
    label = "E_oats_yates"
    published = expected_of(label)["published"]
    fit, _, labels = fit_recomputed(label)
    terms = {
        "variety": "F_variety_full_model",
        "nitrogen": "F_nitrogen_full_model",
        "variety:nitrogen": "F_interaction_full_model",
    }
    ours = [f_test(fit, term_rows(label, labels, term)).f for term in terms]
    yield printed(label, "F as published", ours, [published[key] for key in terms.values()])


def _shoes():
    # Box, Hunter and Hunter (1978), boys' shoes; test published in the vignette of R package pbkrtest 0.5.2.
    label = "E_shoes_missing"
    data, everything = table(label), expected_of(label)
    for subset, key in (("balanced", "bal"), ("unbalanced", "imbal")):
        kept = (data["in_unbalanced_subset"] == "1") | (subset == "balanced")
        X = np.column_stack([np.ones(kept.sum()), data["material"][kept] == "B"])
        fit = fit_reml(data["wear"][kept].astype(float), X, [data["boy"][kept]])
        test, single, published = f_test(fit, [0, 1]), contrast(fit, np.eye(2)), everything["published"][subset]
        yield printed(label, f"{subset}: test as published", [test.f, test.ndf, test.ddf, test.p],
                      [published[one] for one in ("F", "ndf", "ddf", "p")])  # fmt: skip
        for source, least in (("reference_multiprecision", EXACT), ("reference_R", R)):
            wanted = everything[source][key]
            names = ("F", "se_KR", "p") if source == "reference_multiprecision" else ("Fstat", "seKR", "p.value")
            start = f"{subset}: " if least == EXACT else f"R, {subset}: "
            components = wanted["varcomp"]
            yield agreement(label, f"{start}components", fit.variances, components, least)
            yield agreement(label, f"{start}coefficients", single.estimates, wanted["coef"], least)
            yield agreement(label, f"{start}standard errors", single.se, wanted[names[1]], least)
            yield agreement(label, f"{start}test", [test.f, test.ddf, test.p],
                            [wanted[names[0]], wanted["ddf"], wanted[names[2]]], min(least, 7))  # fmt: skip


def _wood():
    # Potcner and Kowalski, "How to analyze a split-plot experiment", Quality Progress 37(12) (2004) 67.
    label = "E_wood_resistance"
    fit, _, labels = fit_recomputed(label)
    test = f_test(fit, term_rows(label, labels, "pretreatment"))
    yield printed(label, "p of pretreatment as published", test.p, [expected_of(label)["published"]["p_pretreatment"]])
    plain = fit_least_squares(table(label)["resistance"].astype(float), np.ones((24, 1)))
    yield agreement(
        label, "mean", plain.estimates, [expected_of(label)["reference_multiprecision"]["coef"]["(Intercept)"]], 12
    )
