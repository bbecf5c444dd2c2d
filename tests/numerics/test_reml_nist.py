"""One-way layouts with certified values: NIST Statistical Reference Datasets, analysis of variance."""

import numpy as np
import pytest

from doe.numerics.reml import f_test, fit_reml
from tests.numerics.published import digits, table
from tests.reference_data import expected_of


def layout(name):
    """Return the response and the codes of the treatments."""
    data = table(f"A_nist_anova_{name}")
    codes = np.unique(data["treatment"].astype(int), return_inverse=True)[1]
    return data["y"].astype(float), codes


def certified(name):
    return {key: float(value) for key, value in expected_of(f"A_nist_anova_{name}")["certified"].items() if key != "flag"}


# Digits of F, of the residual standard deviation and of the sum of squares between treatments. SmLs07 has 13 constant
# leading digits: rounding its values to binary leaves about 4 digits of F (note in the case's file).
@pytest.mark.parametrize(("name", "least"), [("sirstv", (12, 12, 12)), ("smls01", (14, 14, 14)), ("smls07", (4.3, 4.5, 3.9))])
def test_fixed_treatments_agree_with_certified_digits(name, least):
    y, codes = layout(name)
    wanted = certified(name)
    X = np.column_stack([np.ones(len(y)), np.eye(codes.max() + 1)[codes][:, 1:]])
    fit = fit_reml(y, X)
    test = f_test(fit, np.eye(X.shape[1])[1:])
    assert (test.ndf, test.ddf) == (wanted["df_between"], pytest.approx(wanted["df_within"], rel=1e-9))
    between = test.f * test.ndf * fit.variances[-1]
    found = [
        digits(test.f, wanted["F"]), digits(np.sqrt(fit.variances[-1]), wanted["resid_sd"]),
        digits(between, wanted["ss_between"]),
    ]  # fmt: skip
    print(f"{name}: F {found[0]:.1f}, residual standard deviation {found[1]:.1f}, sum of squares {found[2]:.1f} digits")
    assert all(np.array(found) >= least)


@pytest.mark.parametrize(("name", "least"), [("sirstv", 12), ("smls01", 13), ("smls07", 3.9)])
def test_random_treatments_agree_with_certified_digits(name, least):
    # Equal groups with F above one: s_e is the mean square within, s_e + n s_a the mean square between (Harville 1977).
    y, codes = layout(name)
    wanted = certified(name)
    fit = fit_reml(y, np.ones((len(y), 1)), [codes])
    size = len(y) / (codes.max() + 1)
    found = [
        digits(fit.variances[1], wanted["ms_within"]),
        digits(fit.variances[1] + size * fit.variances[0], wanted["ms_between"]),
    ]
    print(f"{name}: mean square within {found[0]:.1f}, between {found[1]:.1f} digits")
    assert all(np.array(found) >= least)
