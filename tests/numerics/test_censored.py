from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, special

from doe.numerics.censored import fit_censored
from doe.numerics.reml import contrast, fit_reml
from tests.numerics.published import case, numbers, relative_error, table

FITTED_IN_R = ["oats", "pastes", "unbal", "nested3", "bound0", "bound_nested", "tiny12"]


@cache
def fit_from_r(name):
    reference, data = case(f"mixed/{name}"), table(f"mixed/{name}")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    y = data["y"].astype(float)
    return fit_censored(y, y, X, [data[group] for group in reference["groups"]]), reference


@pytest.mark.parametrize("name", FITTED_IN_R)
def test_without_limits_it_agrees_with_r(name):
    # R 4.2.2, lme4 1.1-31 (REML), pbkrtest 0.5.2 (Kenward-Roger), as in test_reml.py.
    fit, reference = fit_from_r(name)
    variances = np.array([*(reference["varcomp"][group] for group in reference["groups"]), reference["sigma2"]])
    positive = variances > 0
    assert relative_error(fit.mixed.variances[positive], variances[positive]) < 1e-6
    assert fit.mixed.at_zero == tuple(~positive[:-1]) and fit.mixed.converged
    assert fit.mixed.criterion == pytest.approx(reference["REMLcrit"], rel=1e-9)
    ours = contrast(fit.mixed, [one["L"] for one in reference["contrasts"]])
    for values, key in ((ours.estimates, "est"), (ours.se, "se_kr"), (ours.dof, "df_kr")):
        assert relative_error(values, [one[key] for one in reference["contrasts"]]) < 1e-6
    assert np.all(fit.weights == 1)


def shop(seed, load_sd=1.0):
    """Return 120 coupons in 30 prints and 6 loads, one factor of the load and two of the print."""
    generator = np.random.default_rng(seed)
    load, printed = np.repeat(np.arange(6), 20), np.repeat(np.arange(30), 4)
    X = np.column_stack([np.ones(30), np.repeat([-1, 1, 0, -1, 1, 0], 5), generator.choice([-1, 0, 1], (30, 2))])[
        printed
    ]
    effects = load_sd * generator.normal(size=6)[load] + generator.normal(size=30)[printed]
    return 40 + X @ [0, 1, 1, -0.5] + effects + generator.normal(size=120), X, load, printed


def above(values, share):
    """Return limits: the highest share of the values is known to lie above a limit."""
    limit = np.quantile(values, 1 - share)
    return np.minimum(values, limit), np.where(values > limit, np.inf, values)


def assert_same(fit, other, rel):
    for name in ("estimates", "variances", "covariance"):
        ours, theirs = getattr(fit.mixed, name), getattr(other, name)
        assert np.max(np.abs(ours - theirs)) < rel * np.max(np.abs(theirs)), name


@pytest.mark.parametrize("seed", [1, 2])
def test_narrow_intervals_are_measured_values(seed):
    y, X, load, printed = shop(seed)
    open_ = np.random.default_rng(seed).random(120) < 0.3
    fit = fit_censored(np.where(open_, y - 1e-4, y), np.where(open_, y + 1e-4, y), X, [load, printed])
    assert_same(fit, fit_reml(y, X, [load, printed]), 1e-6)
    assert np.bincount(printed, fit.values) == pytest.approx(np.bincount(printed, y), abs=1e-3)
    assert fit.weights == pytest.approx(np.ones(120), abs=1e-6)


def test_limits_that_say_nothing_leave_no_trace():
    y, X, load, printed = shop(3)
    open_ = np.arange(120) % 5 == 0
    fit = fit_censored(np.where(open_, -1e5, y), np.where(open_, np.inf, y), X, [load, printed])
    measured = fit_reml(y[~open_], X[~open_], [load[~open_], printed[~open_]])
    assert_same(fit, measured, 1e-7)
    assert contrast(fit.mixed, np.eye(4)).dof == pytest.approx(contrast(measured, np.eye(4)).dof, rel=1e-6)
    assert np.all(np.isnan(fit.values[open_])) and np.all(fit.weights[open_] == 0)


def nested_criterion(place, limits, group):
    """-2 log restricted likelihood of one mean and one component, by the trapezoidal rule in both integrals."""
    between, within = np.exp(place)
    effects, means = np.sqrt(between) * np.linspace(-8, 8, 81), np.linspace(-5, 7, 161)
    h = means[:, None] + effects
    total = np.zeros(len(means))
    for one in np.unique(group):
        log_terms = -0.5 * effects**2 / between - 0.5 * np.log(2 * np.pi * between) + 0 * h
        for lower, upper in zip(*(limit[group == one] for limit in limits), strict=True):
            if lower == upper:
                log_terms = log_terms - 0.5 * (lower - h) ** 2 / within - 0.5 * np.log(2 * np.pi * within)
            else:
                log_terms = log_terms + special.log_ndtr((h - lower) / np.sqrt(within))
        top = log_terms.max(axis=1)
        total += top + np.log(np.exp(log_terms - top[:, None]).sum(axis=1) * (effects[1] - effects[0]))
    return -2 * (total.max() + np.log(np.exp(total - total.max()).sum() * (means[1] - means[0])))


@pytest.mark.parametrize(("seed", "sd", "share"), [(1, 1.0, 0.2), (2, 1.7, 0.35)])
def test_the_maximum_is_that_of_nested_quadrature(seed, sd, share):
    generator, group = np.random.default_rng(seed), np.repeat(np.arange(10), 4)
    limits = above(sd * generator.normal(size=10)[group] + generator.normal(size=40), share)
    fit = fit_censored(*limits, np.ones((40, 1)), [group])
    found = optimize.minimize(
        nested_criterion,
        np.log(fit.mixed.variances) + 0.2,
        args=(limits, group),
        method="Nelder-Mead",
        options={"xatol": 1e-4},
    )
    assert fit.mixed.converged
    assert fit.mixed.criterion == pytest.approx(found.fun, abs=1e-3)
    assert np.log(fit.mixed.variances) == pytest.approx(found.x, abs=1e-3)


def test_motorettes_without_groups():
    # Nelson and Hahn (1972). The coefficients are integrated out on a grid; what is most likely is then found by steps.
    data = numbers("F_motorettes_right")
    y, x = np.log10(data["hours"]), 1000 / (data["temp_C"] + 273.2)
    X, upper = np.column_stack([np.ones_like(x), x - x.mean()]), np.where(data["failed"] == 1, y, np.inf)
    fit, plain = fit_censored(y, upper, X), case("F_motorettes_right")["expected"]["reference_multiprecision"]
    intercept, slope = plain["coef"].values()
    likely, se = (intercept + slope * x.mean(), slope), np.array([0.06, plain["se"]["x"]])

    def integrated(log_scale):
        grid = np.meshgrid(*(likely[k] + np.linspace(-9, 14, 161) * se[k] for k in (0, 1)), indexing="ij")
        b = np.reshape(grid, (2, -1))
        z, seen = (y[:, None] - X @ b) / np.exp(log_scale), upper == y
        log_terms = np.sum(-0.5 * z[seen] ** 2 - 0.5 * np.log(2 * np.pi) - log_scale, axis=0)
        log_terms += special.log_ndtr(-z[~seen]).sum(axis=0)
        weights = np.exp(log_terms - log_terms.max())
        cell = np.prod(se * 23 / 160)
        return -2 * (log_terms.max() + np.log(weights.sum() * cell)), b @ weights / weights.sum()

    found = optimize.minimize_scalar(lambda place: integrated(place)[0], bounds=(-1.6, -0.9), method="bounded")
    assert fit.mixed.criterion == pytest.approx(found.fun, abs=1e-3)
    assert np.sqrt(fit.mixed.variances[0]) == pytest.approx(np.exp(found.x), rel=1e-4)
    assert fit.mixed.estimates == pytest.approx(integrated(found.x)[1], rel=1e-4)
    # 17 measured values and 2 coefficients; se(log s) of the published fit corresponds to 1 / (2 se^2) = 15.0.
    assert contrast(fit.mixed, np.eye(2)).dof == pytest.approx(
        [1 / (2 * se_log**2) for se_log in [0.182672] * 2], rel=0.05
    )


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1000), share=st.floats(0.05, 0.4), factor=st.sampled_from([1e-6, 2.5, 1e6]))
def test_units_and_sign_do_not_matter(seed, share, factor):
    y, X, load, printed = shop(seed)
    lower, upper = above(y - 40, share)
    fit = fit_censored(lower, upper, X, [load, printed])
    turned = fit_censored(-factor * upper, -factor * lower, X, [load, printed])
    assert turned.mixed.estimates == pytest.approx(-factor * fit.mixed.estimates, rel=1e-4, abs=1e-4 * factor)
    assert turned.mixed.variances == pytest.approx(factor**2 * fit.mixed.variances, rel=1e-4, abs=1e-4 * factor**2)
    assert turned.weights == pytest.approx(fit.weights, abs=1e-4)
    assert fit.mixed.converged and np.all((fit.weights >= 0) & (fit.weights <= 1))


def test_limits_bring_back_what_leaving_them_out_loses():
    # Leaving out the highest values pulls the mean down; with their limits it is near that of all values.
    gap = []
    for seed in range(5):
        y, X, load, printed = shop(seed)
        lower, upper = above(y, 0.3)
        seen, centre = lower == upper, [[1, 0, 0, 0]]
        fits = (
            fit_reml(y, X, [load, printed]),
            fit_censored(lower, upper, X, [load, printed]).mixed,
            fit_reml(y[seen], X[seen], [load[seen], printed[seen]]),
        )
        gap.append([contrast(fit, centre).estimates[0] for fit in fits])
    whole, limited, left_out = np.mean(gap, axis=0)
    assert abs(limited - whole) < 0.2 < whole - left_out


def test_a_load_that_is_lost_as_a_whole():
    y, X, load, printed = shop(5)
    lost = load == 2
    fit = fit_censored(np.where(lost, 43.0, y), np.where(lost, np.inf, y), X, [load, printed])
    assert fit.mixed.converged and fit.mixed.groups == (6, 30)
    assert np.all(fit.weights[lost] < 1) and np.all(fit.weights[~lost] == 1)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda y, load: (y - 1, y + 1, load), "no value was measured"),
        (lambda y, load: (np.where(np.arange(120) == 7, y, y - 1), y, load), "1 measured value cannot give 4"),
        (lambda y, load: (np.where(y > 41, 40.0, 41.0), np.where(y > 41, np.inf, 41.0), load), "do not vary within"),
        (lambda y, load: (y, y, load[:-1]), "every group needs one entry"),
        (lambda y, load: (y, np.where(load < 5, np.inf, y), load), "rest on values that are only limits"),
        (
            lambda y, load: (y, np.where(np.arange(120) % 4 > 0, np.inf, y), load),
            "residual variance cannot be estimated",
        ),
        (lambda y, load: (y, y, np.arange(120) * 0), "component 0 cannot be estimated"),
        (lambda y, load: (np.where(y > 41, np.nan, y), y, load), "a limit is a number"),
    ],
)
def test_what_no_estimate_could_come_from_is_refused(change, sentence):
    y, X, load, printed = shop(1)
    lower, upper, loads = change(y, load)
    with pytest.raises(ValueError, match=sentence):
        fit_censored(lower, upper, X, [loads, printed])
