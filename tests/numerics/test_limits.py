import numpy as np
import pytest
from scipy import stats

from doe.numerics.limits import check_measured, read_limits, windows
from tests.numerics.published import digits
from tests.numerics.published_judged import capacitor, log_likelihood, motorettes, slopes
from tests.reference_data import expected_of

PUBLISHED = {
    "motorettes": (motorettes(), expected_of("F_motorettes_right")["reference_multiprecision"]),
    **{
        f"capacitors, {model}": (capacitor(model), expected_of("F_capacitor_right")[f"{model}_multiprecision"])
        for model in ("linear", "factor")
    },
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_likelihood_at_the_published_coefficients(name):
    # Nelson and Hahn (1972) with Schmee and Hahn (1979); Zelen (1959): maximum likelihood in 30-digit arithmetic.
    limits, reference = PUBLISHED[name]
    assert digits(log_likelihood(*limits, reference), reference["logLik"]) > 13
    assert np.abs(slopes(*limits, reference)).max() < 1e-10  # it is the maximum, in coefficients and log scale


BOUNDS = [(-np.inf, -1.0), (-0.3, 0.8), (0.5, 3.0), (2.0, np.inf), (-4.0, -3.5)]


@pytest.mark.parametrize(("a", "b"), BOUNDS)
def test_window_and_its_slopes_agree_with_a_general_library(a, b):
    def log_share(mean, log_sd):
        return np.log(stats.norm.cdf(b, mean, np.exp(log_sd)) - stats.norm.cdf(a, mean, np.exp(log_sd)))

    found, step = windows(np.array([a]), np.array([b])), 1e-5
    assert found.log_probability[0] == pytest.approx(log_share(0, 0), rel=1e-12)
    assert found.pull[0] == pytest.approx((log_share(step, 0) - log_share(-step, 0)) / (2 * step), rel=1e-6)
    assert found.stretch[0] == pytest.approx((log_share(0, step) - log_share(0, -step)) / (2 * step), rel=1e-6)
    bend = (log_share(1e-3, 0) - 2 * log_share(0, 0) + log_share(-1e-3, 0)) / 1e-6
    assert found.pull[0] ** 2 - found.stretch[0] == pytest.approx(-bend, rel=1e-4)


def test_window_far_in_the_tail_keeps_its_digits():
    # Mills' ratio, first terms of its asymptotic series: log P(Z > 40) = -800 - log(40 sqrt(2 pi)) + log(1 - 1/1600 + 3/1600^2).
    wanted = -800 - np.log(40 * np.sqrt(2 * np.pi)) + np.log1p(-1 / 1600 + 3 / 1600**2)
    found = windows(np.array([40.0, -np.inf]), np.array([np.inf, -40.0]))
    assert found.log_probability == pytest.approx([wanted] * 2, rel=1e-10)
    assert found.pull == pytest.approx([40 + 1 / 40, -40 - 1 / 40], rel=1e-5)


def values(seed=1):
    """Return values of all four kinds: measured, left, right and interval."""
    generator = np.random.default_rng(seed)
    X = np.column_stack([np.ones(60), generator.normal(size=(60, 2))])
    found = X @ [5, 1, -2] + 1.5 * generator.normal(size=60)
    kind = np.arange(60) % 6
    lower, upper = found.copy(), found.copy()
    lower[kind == 0], upper[kind == 0] = -np.inf, found[kind == 0] + 1
    lower[kind == 1], upper[kind == 1] = found[kind == 1] - 0.5, np.inf
    lower[kind == 2], upper[kind == 2] = np.floor(found[kind == 2]), np.floor(found[kind == 2]) + 1
    return lower, upper, X


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
        (lambda low, high, X: (low, np.where(np.arange(60) == 3, low + 1e-9, high), X), "narrower than 1e-06"),
    ],
)
def test_what_no_estimate_could_come_from_is_refused(change, sentence):
    lower, upper, X = change(*values())
    with pytest.raises(ValueError, match=sentence):
        check_measured(read_limits(lower, upper), X)
