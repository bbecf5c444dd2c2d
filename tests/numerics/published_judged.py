"""How far the models of grades, of passing and of limits agree with published values and with R."""

import numpy as np
from scipy import special, stats

from doe.numerics.binary import coefficient_limits, fit_binary
from doe.numerics.censored import fit_censored
from doe.numerics.graded import at_least, fit_graded, slope_limits
from doe.numerics.limits import read_limits, windows
from doe.numerics.reml import contrast
from tests.numerics.published import agreement, numbers, printed, table
from tests.reference_data import expected_of

R = 6
EXACT = 12
ML = np.inf  # standard deviation of the prior of a slope: none, so maximum likelihood as published
WALD = "ours are Wald's on the logit; those of R follow the profile"
REML = "the fit of a study divides by what the coefficients leave (REML); the published one is maximum likelihood"
REML_SE = f"{REML}, its errors with what the coefficients owe to the standard deviation, ours without"


def everything():
    for make in (_wine, _lizards, _two_by_two, _motorettes, _capacitor):
        yield from make()


def wine(columns=("temp", "contact")):
    """Return grades and model matrix of Randall (1989)."""
    data = table("F_wine_clm")
    high = {"temp": "warm", "contact": "yes"}
    X = np.column_stack([np.ones(72), *[data[name] == high[name] for name in columns]]).astype(float)
    return data["rating"].astype(int) - 1, X


def lizards():
    """Return successes, trials and model matrix of Schoener (1970)."""
    data = table("F_lizards_firth")
    levels = (("height", ">=5ft"), ("diameter", ">2in"), ("light", "shady"), ("time", "midday"), ("time", "late"))
    X = np.column_stack([np.ones(23), *[data[name] == level for name, level in levels]]).astype(float)
    passed = data["grahami"].astype(float)
    return passed, passed + data["opalinus"].astype(float), X


def motorettes():
    """Return limits of the logarithm of the hours, and the model matrix."""
    data = numbers("F_motorettes_right")
    values, x = np.log10(data["hours"]), 1000 / (data["temp_C"] + 273.2)
    return values, np.where(data["failed"] == 1, values, np.inf), np.column_stack([np.ones_like(x), x])


def capacitor(model):
    """Return limits of the logarithm of the life, and the model matrix in numbers or in levels."""
    data = numbers("F_capacitor_right")
    values, t, v = np.log(data["time"]), data["temperature"], data["voltage"]
    columns = (
        [(t - 175) / 5, (v - 275) / 75] if model == "linear" else [t == 180, *(v == one for one in (250, 300, 350))]
    )
    return values, np.where(data["failed"] == 1, values, np.inf), np.column_stack([np.ones_like(t), *columns])


def _wine():
    label, expected = "F_wine_clm", expected_of("F_wine_clm")
    grades, X = wine()
    fit = fit_graded(grades, X, 5, slope_sd=ML)
    both = fit_graded(grades, np.column_stack([X, X[:, 1] * X[:, 2]]), 5, slope_sd=ML)
    for source, found, least, start in (
        ("reference_multiprecision", fit, EXACT, ""),
        ("reference_R", fit, R, "R: "),
        ("reference_multiprecision_with_interaction", both, EXACT, "interaction: "),
    ):
        wanted = expected[source]
        yield agreement(label, f"{start}coefficients", [*found.thresholds, *found.slopes], wanted["coef"], least)
        yield agreement(label, f"{start}standard errors", np.sqrt(np.diag(found.covariance)), wanted["se"], least)
        yield agreement(label, f"{start}log likelihood", found.log_likelihood, [wanted["logLik"]], EXACT)
    yield from _wine_published(label, fit, expected["published"])
    part = fit_graded(*wine(("temp",)), 5, slope_sd=ML)
    ratio, test = 2 * (fit.log_likelihood - part.log_likelihood), expected["LR_test_contact"]
    yield agreement(
        label, "R: likelihood ratio and its p", [ratio, stats.chi2.sf(ratio, 1)], [test["LR"], test["p"]], 10
    )
    rows = np.array(
        [[1, one["temp"] == "warm", one["contact"] == "yes"] for one in expected["predicted_probabilities"]["newdata"]]
    )
    wanted = np.array(expected["predicted_probabilities"]["prob"])
    ours = [at_least(fit, rows, grade).estimates for grade in range(1, 5)]
    yield agreement(
        label, "R: probabilities of a grade or better", ours, [wanted[:, g:].sum(axis=1) for g in range(1, 5)], 10
    )
    for place, name in enumerate(("tempwarm", "contactyes")):
        yield agreement(
            label, f"R: limits of {name}", slope_limits(fit)[place], expected["profile_CI95"][name], R, WALD
        )


def _wine_published(label, fit, published):
    se = np.sqrt(np.diag(fit.covariance))
    slopes = [published["tempwarm"], published["contactyes"]]
    yield printed(label, "thresholds as published", fit.thresholds, published["thresholds"])
    yield printed(label, "errors of thresholds as published", se[:4], published["se_thresholds"])
    yield printed(label, "slopes as published", fit.slopes, slopes)
    yield printed(
        label, "errors of slopes as published", se[4:], [published["se_tempwarm"], published["se_contactyes"]]
    )
    p = 2 * stats.norm.sf(np.abs(fit.slopes / se[4:]))
    yield printed(label, "p as published", p, [published["p_tempwarm"], published["p_contactyes"]])
    akaike = 2 * len(se) - 2 * fit.log_likelihood
    yield printed(label, "log likelihood and AIC as published", [fit.log_likelihood, akaike],
                  [published["logLik"], published["AIC"]])  # fmt: skip


def _lizards():
    label, expected = "F_lizards_firth", expected_of("F_lizards_firth")
    passed, tested, X = lizards()
    fit = fit_binary(passed, tested, X)
    se = np.sqrt(np.diag(fit.covariance) / fit.dispersion)
    for source, least, start in (("firth_multiprecision", EXACT, ""), ("firth_R", R, "R: ")):
        yield agreement(label, f"{start}coefficients", fit.estimates, expected[source]["coef"], least)
        yield agreement(label, f"{start}standard errors", se, expected[source]["se"], least)
    wanted = expected["firth_multiprecision"]["penalised_logLik"]
    yield agreement(label, "penalised log likelihood", fit.log_likelihood, [wanted], EXACT)
    note = "maximum likelihood, which is not offered: Firth's penalty draws every coefficient towards zero"
    yield agreement(label, "R: coefficients without penalty", fit.estimates, expected["ML_R"]["coef"], R, note)
    share = X @ fit.estimates
    deviance = 2 * (special.xlogy(passed, passed / tested) + special.xlogy(tested - passed, 1 - passed / tested)).sum()
    deviance -= 2 * (passed * special.log_expit(share) + (tested - passed) * special.log_expit(-share)).sum()
    yield agreement(label, "R: deviance without penalty", deviance, [expected["ML_R"]["deviance"]], R, note)


def _two_by_two():
    label = "F_firth_2x2_closed_form"
    data = numbers(label)
    for wanted in expected_of(label)["closed_form"]:
        mine = data["table"] == wanted["table"]
        passed, failed = data["success"][mine], data["failure"][mine]
        fit = fit_binary(passed, passed + failed, [[1, 0], [1, 1]])
        yield agreement(
            label, f"table {wanted['table']}: coefficients", fit.estimates, [wanted["intercept"], wanted["slope"]], 13
        )
        limits = coefficient_limits(fit)
        inside = (limits[:, 0] < fit.estimates) & (fit.estimates < limits[:, 1]) & np.isfinite(limits).all(axis=1)
        yield agreement(label, f"table {wanted['table']}: finite limits about them", inside, [1, 1], 15)


def log_likelihood(lower, upper, X, at):
    """Return the log likelihood of values and limits at recorded coefficients, by the windows that every fit takes."""
    seen, rest, share, scale = _standardised(lower, upper, X, at)
    return -0.5 * rest @ rest - seen.sum() * np.log(scale * np.sqrt(2 * np.pi)) + share.log_probability.sum()


def slopes(lower, upper, X, at):
    """Return its slopes by the coefficients and by the logarithm of the standard deviation."""
    seen, rest, share, scale = _standardised(lower, upper, X, at)
    return np.append((rest @ X[seen] + share.pull @ X[~seen]) / scale, rest @ rest - seen.sum() + share.stretch.sum())


def _standardised(lower, upper, X, at):
    limits, mean, scale = read_limits(lower, upper), X @ list(at["coef"].values()), at["scale"]
    a, b = (limits.lower - mean) / scale, (limits.upper - mean) / scale
    return limits.measured, a[limits.measured], windows(a[~limits.measured], b[~limits.measured]), scale


def _likely(label, start, limits, wanted):
    found = log_likelihood(*limits, wanted)
    return agreement(label, f"{start}log likelihood at the published coefficients", found, [wanted["logLik"]], EXACT)


def _restricted(label, start, limits, wanted):
    """The fit that ``doe fit`` uses, beside the published maximum likelihood."""
    found = fit_censored(*limits).mixed
    singles = contrast(found, np.eye(len(found.estimates)))
    yield agreement(label, f"{start}coefficients, fit of a study", singles.estimates, wanted["coef"], R, REML)
    sd = found.variances[-1] ** 0.5
    yield agreement(label, f"{start}standard deviation, fit of a study", sd, [wanted["scale"]], R, REML)
    errors = list(wanted["se"].values())[:-1]
    yield agreement(label, f"{start}standard errors, fit of a study", singles.se, errors, R, REML_SE)


def _motorettes():
    label, expected = "F_motorettes_right", expected_of("F_motorettes_right")
    for source, start in (("reference_multiprecision", ""), ("reference_R", "R: ")):
        yield _likely(label, start, motorettes(), expected[source])
    yield from _restricted(label, "", motorettes(), expected["reference_multiprecision"])


def _capacitor():
    label, expected = "F_capacitor_right", expected_of("F_capacitor_right")
    for model in ("linear", "factor"):
        wanted = expected[f"{model}_multiprecision"]
        yield _likely(label, f"{model}: ", capacitor(model), wanted)
        yield _likely(label, f"R, {model}: ", capacitor(model), expected["reference_R"][model])
        yield from _restricted(label, f"{model}: ", capacitor(model), wanted)
