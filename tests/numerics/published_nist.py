"""How far the fits agree with certified values: NIST Statistical Reference Datasets."""

import numpy as np

from doe.numerics import reml
from doe.numerics.leastsq import fit_least_squares
from tests.numerics.published import agreement, numbers, table
from tests.reference_data import expected_of

# NIST Statistical Reference Datasets, linear least squares: model as powers of x (None: intercept and all columns), and
# the certified digits to reach, by the difficulty that NIST assigns (lower or average 9, higher 7).
NIST = {
    "norris": ([0, 1], 9),
    "pontius": ([0, 1, 2], 9),
    "noint1": ([1], 9),
    "longley": (None, 7),
    "filip": (range(11), 7),
    "wampler1": (range(6), 7),
    "wampler2": (range(6), 7),
    "wampler3": (range(6), 7),
}
EXACT = ("wampler1", "wampler2")  # polynomials without error: no variance to estimate
# One-way analyses of variance with the digits to reach. SmLs07 has 13 constant leading digits: in binary64 its values
# themselves keep only three to four digits of what varies.
NIST_ANOVA = {"sirstv": 9, "smls01": 9, "smls07": 3.9}


def everything():
    yield from _regression()
    yield from _anova()


def nist_data(name):
    """Return the response and the model matrix of a NIST regression."""
    data = numbers(f"A_nist_{name}")
    y, powers = data.pop("y"), NIST[name][0]
    columns = [data["x"] ** power for power in powers] if powers else [np.ones(len(y)), *data.values()]
    return y, np.column_stack(columns)


def _regression():
    for name, (_, least) in NIST.items():
        certified, label = expected_of(f"A_nist_{name}")["certified"], f"A_nist_{name}"
        y, X = nist_data(name)
        fit = fit_least_squares(y, X)
        regression = np.sum((fit.fitted - (y.mean() if np.ptp(X[:, 0]) == 0 else 0)) ** 2)
        for quantity, ours, key in (
            ("estimates", fit.estimates, "coef"),
            ("standard errors", fit.se, "se"),
            ("residual standard deviation", fit.residual_variance**0.5, "resid_sd"),
            ("residual sum of squares", fit.residual_ss, "ss_residual"),
            ("regression sum of squares", regression, "ss_regression"),
            ("residual degrees of freedom", fit.dof, "df_residual"),
        ):
            if key in certified:
                yield agreement(label, quantity, ours, certified[key], least)
        if name in EXACT:
            continue
        mixed, p = reml.fit_reml(y, X), X.shape[1]
        found = reml.contrast(mixed, np.eye(p))
        yield agreement(label, "estimates, fit of a study", found.estimates, certified["coef"], least)
        yield agreement(label, "standard errors, fit of a study", found.se, certified["se"], least)
        if "F" not in certified:
            continue
        yield agreement(
            label, "F", regression / certified["df_regression"] / fit.residual_variance, certified["F"], least
        )
        rows = np.eye(p)[p - certified["df_regression"] :]
        # A Wald test solves with the covariance of the coefficients, so it loses digits where columns nearly depend.
        yield agreement(label, "F, fit of a study", reml.f_test(mixed, rows).f, certified["F"], min(least, 7))
    yield from _wampler_with_more_error()


def _wampler_with_more_error():
    # Wampler4 and Wampler5 are Wampler3 with 100 and 10000 times its error: all coefficients stay one (NIST; recomputed).
    y, X = nist_data("wampler3")
    errors = [float(value) for value in expected_of("A_nist_wampler3")["certified"]["se"]]
    for factor in (100, 10_000):
        more = X.sum(axis=1) + factor * (y - X.sum(axis=1))
        for ours, start in (
            (fit_least_squares(more, X), ""),
            (reml.contrast(reml.fit_reml(more, X), np.eye(6)), ", fit of a study"),
        ):
            yield agreement(
                "A_nist_wampler3", f"error times {factor}: estimates{start}", ours.estimates, np.ones(6), 12
            )
            yield agreement(
                "A_nist_wampler3", f"error times {factor}: errors{start}", ours.se, factor * np.array(errors), 12
            )


def one_way(name):
    """Return response and treatment codes of a NIST analysis of variance."""
    data = table(f"A_nist_anova_{name}")
    return data["y"].astype(float), np.unique(data["treatment"].astype(int), return_inverse=True)[1]


def _anova():
    for name, least in NIST_ANOVA.items():
        label = f"A_nist_anova_{name}"
        note = "the data in binary64 keep no more" if name == "smls07" else ""
        certified = {key: value for key, value in expected_of(label)["certified"].items() if key != "flag"}
        y, codes = one_way(name)
        X = np.column_stack([np.ones(len(y)), np.eye(codes.max() + 1)[codes][:, 1:]])
        fit = reml.fit_reml(y, X)
        test = reml.f_test(fit, np.eye(X.shape[1])[1:])
        residual, size = fit.variances[-1], len(y) / (codes.max() + 1)
        for quantity, ours, key in (
            ("F", test.f, "F"),
            ("residual standard deviation", residual**0.5, "resid_sd"),
            ("mean square within", residual, "ms_within"),
            ("mean square between", test.f * residual, "ms_between"),
            ("sum of squares within", residual * test.ddf, "ss_within"),
            ("sum of squares between", test.f * residual * test.ndf, "ss_between"),
            ("degrees of freedom", [test.ndf, test.ddf], ["df_between", "df_within"]),
        ):
            wanted = [certified[one] for one in key] if isinstance(key, list) else certified[key]
            yield agreement(label, quantity, ours, wanted, least, note)
        random = reml.fit_reml(y, np.ones((len(y), 1)), [codes]).variances
        yield agreement(label, "mean squares, random treatments", [random[1], random[1] + size * random[0]],
                        [certified["ms_within"], certified["ms_between"]], least, note)  # fmt: skip
