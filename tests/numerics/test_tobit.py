import numpy as np
import pytest
from scipy import optimize, stats

from doe.numerics.tobit import fit_tobit
from tests.numerics.published import case, digits, numbers


def motorettes():
    data = numbers("F_motorettes_right")
    values, x = np.log10(data["hours"]), 1000 / (data["temp_C"] + 273.2)
    return values, np.where(data["failed"] == 1, values, np.inf), np.column_stack([np.ones_like(x), x])


def capacitor(model):
    data = numbers("F_capacitor_right")
    values, t, v = np.log(data["time"]), data["temperature"], data["voltage"]
    columns = (
        [(t - 175) / 5, (v - 275) / 75] if model == "linear" else [t == 180, *(v == one for one in (250, 300, 350))]
    )
    return values, np.where(data["failed"] == 1, values, np.inf), np.column_stack([np.ones_like(t), *columns])


def agrees(fit, reference):
    """Coefficients, scale, standard errors in (coefficients, log scale) and log likelihood, to 13 digits."""
    assert digits(fit.estimates, list(reference["coef"].values())) > 13
    assert digits(fit.scale, reference["scale"]) > 13
    assert digits(np.sqrt(np.diag(fit.covariance)), list(reference["se"].values())) > 12.5
    assert digits(fit.log_likelihood, reference["logLik"]) > 13


def test_motorettes_of_nelson_and_hahn():
    # Nelson and Hahn (1972), Schmee and Hahn (1979), Technometrics 21, 417: all of the 150 degrees group is censored.
    fit, expected = fit_tobit(*motorettes()), case("F_motorettes_right")["expected"]
    agrees(fit, expected["reference_multiprecision"])
    # Published to four digits; recorded from memory in the case file.
    published = expected["published"]
    assert np.round(fit.estimates, 3) == pytest.approx([published["intercept"], published["slope"]], abs=1e-9)
    assert round(fit.scale, 4) == published["sigma"]


@pytest.mark.parametrize("model", ["linear", "factor"])
def test_capacitors_of_zelen(model):
    # Zelen (1959), Technometrics 1, 269: the glass capacitors, 32 of 64 taken off before they failed.
    agrees(fit_tobit(*capacitor(model)), case("F_capacitor_right")["expected"][f"{model}_multiprecision"])


def test_without_limits_it_is_least_squares():
    # Certified by NIST (StRD, Norris); maximum likelihood divides the sum of squares by n.
    data, certified = numbers("A_nist_norris"), case("A_nist_norris")["expected"]["certified"]
    x, y = data["x"], data["y"]
    fit = fit_tobit(y, y, np.column_stack([np.ones_like(x), x]))
    assert digits(fit.estimates, [float(one) for one in certified["coef"]]) > 9
    assert digits(fit.scale, np.sqrt(float(certified["ss_residual"]) / len(y))) > 9
    assert fit.covariance[-1, -1] == pytest.approx(1 / (2 * len(y)), rel=1e-8)


def mixture(seed):
    """Return values of all four kinds: measured, left, right and interval."""
    generator = np.random.default_rng(seed)
    X = np.column_stack([np.ones(60), generator.normal(size=(60, 2))])
    values = X @ [5, 1, -2] + 1.5 * generator.normal(size=60)
    kind = np.arange(60) % 6
    lower, upper = values.copy(), values.copy()
    lower[kind == 0], upper[kind == 0] = -np.inf, values[kind == 0] + 1
    lower[kind == 1], upper[kind == 1] = values[kind == 1] - 0.5, np.inf
    lower[kind == 2], upper[kind == 2] = np.floor(values[kind == 2]), np.floor(values[kind == 2]) + 1
    return lower, upper, X


def negative_log_likelihood(place, lower, upper, X):
    mean, scale = X @ place[:-1], np.exp(place[-1])
    seen = lower == upper
    inside = stats.norm.cdf(upper, mean, scale) - stats.norm.cdf(lower, mean, scale)
    return -stats.norm.logpdf(lower[seen], mean[seen], scale).sum() - np.log(inside[~seen]).sum()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_all_kinds_of_limits_agree_with_a_general_search(seed):
    limits = mixture(seed)
    fit = fit_tobit(*limits)
    start = np.append(fit.estimates + 0.3, np.log(fit.scale) - 0.3)
    found = optimize.minimize(
        negative_log_likelihood,
        start,
        args=limits,
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 5000},
    )
    assert fit.log_likelihood == pytest.approx(-found.fun, abs=1e-9)
    assert np.append(fit.estimates, np.log(fit.scale)) == pytest.approx(found.x, abs=1e-5)
    # The information is that of the likelihood: second differences at the maximum.
    place, step, units = np.append(fit.estimates, np.log(fit.scale)), 1e-3, np.eye(4)
    bend = [
        [
            sum(
                s * r * negative_log_likelihood(place + step * (s * a + r * b), *limits) / (4 * step**2)
                for s in (1, -1)
                for r in (1, -1)
            )
            for a in units
        ]
        for b in units
    ]
    assert np.linalg.inv(bend) == pytest.approx(fit.covariance, rel=1e-4, abs=1e-6)


def test_limits_far_out_are_found():
    lower, upper, X = mixture(4)
    fit = fit_tobit(np.where(np.arange(60) == 1, 1e3, lower), upper, X)
    assert fit.scale > 50 and np.isfinite(fit.log_likelihood)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda low, high, X: (low[:-1], high, X), "one lower and one upper limit"),
        (lambda low, high, X: (low, high, X[:-1]), "one entry for each value"),
        (lambda low, high, X: (low * np.nan, high, X), "a limit is a number"),
        (lambda low, high, X: (np.full(60, np.inf), np.full(60, np.inf), X), "a limit is a number"),
        (
            lambda low, high, X: (np.where(low < high, 9, low), np.where(low < high, 8, high), X),
            "lies above its upper limit",
        ),
        (lambda low, high, X: (np.full(60, -np.inf), np.full(60, np.inf), X), "says nothing"),
        (lambda low, high, X: (low - 1, high + 1, X), "no value was measured"),
        (lambda low, high, X: (np.where(np.arange(60) == 3, low, low - 1), high, X), "1 measured value cannot give 3"),
        (
            lambda low, high, X: (low, high, np.column_stack([X, low == high - 1])),
            "rest on values that are only limits",
        ),
        (lambda low, high, X: (low, high, np.column_stack([X, X[:, 0]])), "linearly dependent"),
        (lambda low, high, X: (np.full(60, 5.0), np.where(low == high, 5.0, np.inf), X), "do not vary about the model"),
        (lambda low, high, X: (low, np.where(np.arange(60) == 3, low + 1e-9, high), X), "narrower than 1e-06"),
    ],
)
def test_what_no_estimate_could_come_from_is_refused(change, sentence):
    lower, upper, X = mixture(1)
    with pytest.raises(ValueError, match=sentence):
        fit_tobit(*change(lower, upper, X))
