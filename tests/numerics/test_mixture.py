"""The posterior of one to three variance components against dense algebra, quadrature and its own draws."""

import numpy as np
import pytest
from scipy import stats

from doe.numerics.intervals import mean_interval
from doe.numerics.leastsq import fit_least_squares
from doe.numerics.mixture import draw_coefficients, mixture, mixture_interval
from doe.numerics.prior import Prior, log_prior
from tests.numerics.published import case, relative_error, table


def nested(seed=2, loads=5, prints=4):
    """Return coupons in prints in loads, with counts of one to three and one factor of the load and one of the print."""
    generator = np.random.default_rng(seed)
    count = loads * prints
    load = np.repeat(np.arange(loads), prints)
    X = np.column_stack([np.ones(count), np.linspace(-1, 1, loads)[load], np.where(np.arange(count) % 2, 1.0, -1.0)])
    of_print = np.repeat(np.arange(count), generator.integers(1, 4, count))
    y = (X @ [50, 2, -1] + generator.normal(size=loads)[load] + generator.normal(size=count))[of_print]
    return y + generator.normal(size=len(y)), X[of_print], load[of_print], of_print


def drawn(found, size, generator):
    """Return coefficients and variances, the residual last, drawn as the module's docstring has them."""
    place = generator.choice(len(found.weights), size, p=found.weights)
    residual = found.q[place] / generator.chisquare(found.dof, size)
    variances = residual[:, None] * np.column_stack([found.ratios[place], np.ones(size)])
    return draw_coefficients(found, place, np.sqrt(residual), generator), variances


def dense(y, X, groups, ratios):
    """Return coefficients, their covariance, q and the log restricted likelihood at given ratios, by definition."""
    n, p = X.shape
    V = np.eye(n) + sum(g * np.equal.outer(group, group) for g, group in zip(ratios, groups, strict=True))
    inverse = np.linalg.inv(V)
    covariance = np.linalg.inv(X.T @ inverse @ X)
    centre = covariance @ X.T @ inverse @ y
    q = (y - X @ centre) @ inverse @ (y - X @ centre)
    log_det = np.linalg.slogdet(V)[1] - np.linalg.slogdet(covariance)[1]
    return centre, covariance, q, -0.5 * (log_det + (n - p) * np.log(q))


@pytest.mark.parametrize("components", [1, 2, 3])
def test_given_the_ratios_it_is_generalised_least_squares(components):
    y, X, load, of_print = nested()
    groups = [of_print, load, np.arange(20)[of_print] % 3][:components]
    found = mixture(y, X, groups)
    assert found.weights.sum() == pytest.approx(1, rel=1e-12)
    for place in (0, len(found.weights) // 2, len(found.weights) - 1):
        centre, covariance, q, _ = dense(y, X, groups, found.ratios[place])
        assert relative_error(found.centres[place], centre) < 1e-8
        assert np.max(np.abs(found.covariances[place] - covariance)) < 1e-8 * np.max(np.abs(covariance))
        assert found.q[place] == pytest.approx(q, rel=1e-8)


def test_intervals_of_one_ratio_agree_with_quadrature():
    y, X, load, of_print = nested(loads=4)
    _, first = np.unique(of_print, return_index=True)
    y, X, load = y[first], X[first], load[first]
    edges = np.linspace(0, 0.5 * np.pi, 601)
    root = np.tan((edges[1:] + edges[:-1]) / 2)  # uniform under the half-Cauchy prior
    given = [dense(y, X, [load], [one**2]) for one in root]
    weight = np.exp(np.array([one[3] for one in given]) - max(one[3] for one in given))
    weight /= weight.sum()
    found = mixture_interval(mixture(y, X, [load]), np.eye(3))
    for column in range(3):
        centre = np.array([one[0][column] for one in given])
        se = np.array([np.sqrt(one[2] * one[1][column, column] / 13) for one in given])
        below = [weight @ stats.t.cdf((limit - centre) / se, 13) for limit in found[column]]
        assert below == pytest.approx([0.025, 0.975], abs=5e-4)


def test_intervals_of_two_ratios_agree_with_quadrature():
    y, X, load, of_print = nested(loads=4, prints=3)
    n, p = X.shape
    size = float(np.mean(1 / np.bincount(of_print)))
    middle = np.tan((np.arange(45) + 0.5) / 45 * np.pi / 2)  # uniform under a half-Cauchy prior of scale one
    log, centres, scales = [], [], []
    for print_root in middle:
        unit = print_root**2 + size  # of a print's mean, in which the prior of the load ratio is stated
        for load_root in middle:
            centre, covariance, q, one = dense(y, X, [load, of_print], [unit * load_root**2, print_root**2])
            log.append(one)
            centres.append(centre)
            scales.append(np.sqrt(q * np.diag(covariance) / (n - p)))
    weight = np.exp(np.array(log) - max(log))
    weight /= weight.sum()
    found = mixture_interval(mixture(y, X, [load, of_print]), np.eye(p))
    for column in range(p):
        centre, scale = np.array(centres)[:, column], np.array(scales)[:, column]
        below = [weight @ stats.t.cdf((limit - centre) / scale, n - p) for limit in found[column]]
        assert below == pytest.approx([0.025, 0.975], abs=2e-3)


@pytest.mark.parametrize("components", [1, 2, 3])
def test_draws_fill_the_intervals(components):
    y, X, load, of_print = nested()
    groups = [load, of_print, np.arange(20)[of_print] % 3][:components]
    found = mixture(y, X, groups)
    generator = np.random.default_rng(3)
    beta, variances = drawn(found, 40_000, generator)
    assert variances.shape == (40_000, components + 1)
    assert (variances > 0).all()
    extra = np.array([*[1.0] * components, 0.5])
    limits = mixture_interval(found, X[:1], level=0.9)[0]
    future = mixture_interval(found, X[:1], extra, level=0.9)[0]
    mean = beta @ X[0]
    new = mean + np.sqrt(variances @ extra) * generator.normal(size=40_000)
    for values, (low, high) in ((mean, limits), (new, future)):
        assert np.mean(values < low) == pytest.approx(0.05, abs=4 * np.sqrt(0.0475 / 40_000))
        assert np.mean(values < high) == pytest.approx(0.95, abs=4 * np.sqrt(0.0475 / 40_000))


def test_without_groups_it_is_student_t_about_least_squares():
    y, X, _, _ = nested()
    plain = fit_least_squares(y, X)
    wanted = mean_interval(plain.estimates, plain.se, [len(y) - 3] * 3)
    assert mixture_interval(mixture(y, X, []), np.eye(3)) == pytest.approx(wanted, rel=1e-7)


def test_coupons_say_nearly_what_their_print_means_say():
    # Equal counts: the same likelihood; the priors differ only in that of the print variance.
    generator = np.random.default_rng(7)
    load = np.repeat(np.arange(6), 4)
    X = np.column_stack([np.ones(24), np.linspace(-1, 1, 6)[load]])
    means = 1.5 * generator.normal(size=6)[load] + generator.normal(size=24)
    of_print = np.repeat(np.arange(24), 5)
    y = means[of_print] + generator.normal(size=120)
    alone = mixture_interval(mixture(y.reshape(24, 5).mean(axis=1), X, [load]), np.eye(2))
    together = mixture_interval(mixture(y, X[of_print], [load[of_print], of_print]), np.eye(2))
    width = alone[:, 1] - alone[:, 0]
    assert np.abs(together - alone).max(axis=1) == pytest.approx([0, 0], abs=0.03 * width.min())


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_intervals_follow_unit_and_origin_of_the_response(scale):
    y, X, load, of_print = nested()
    plain = mixture_interval(mixture(y, X, [load, of_print]), np.eye(3))
    other = mixture_interval(mixture(scale * (y + 1000), X, [load, of_print]), np.eye(3))
    assert other / scale - np.array([[1000], [0], [0]]) == pytest.approx(plain, abs=1e-6)


def test_three_components_of_a_published_layout():
    # Where the likelihood is informative the posterior lies about the estimates of R (lme4 1.1-31).
    reference, data = case("mixed/three_vc"), table("mixed/three_vc")
    X = np.column_stack([data[f"x{column}"].astype(float) for column in range(reference["p"])])
    found = mixture(data["y"].astype(float), X, [data[group] for group in reference["groups"]])
    _, variances = drawn(found, 4000, np.random.default_rng(1))
    wanted = [*reference["varcomp"].values(), reference["sigma2"]]
    low, high = np.quantile(variances, [0.05, 0.95], axis=0)
    assert (low < wanted).all()
    assert (wanted < high).all()
    limits = mixture_interval(found, np.eye(reference["p"]))
    assert ((limits[:, 0] < reference["beta"]) & (reference["beta"] < limits[:, 1])).all()


def test_prior_is_half_cauchy_on_the_roots():
    ratios = np.array([[0.3], [2.0], [40.0]])
    for wide in (1.0, 2.0):
        density = stats.halfcauchy.pdf(np.sqrt(ratios[:, 0]), scale=wide) / (2 * np.sqrt(ratios[:, 0]))
        ours = np.exp(log_prior(ratios, Prior(wide, (None,))))
        assert ours / ours[0] == pytest.approx(density / density[0], rel=1e-12)
    both = np.array([[0.3, 0.5], [2.0, 0.1]])
    scale = np.sqrt(both[:, 1] + 0.25)
    density = stats.halfcauchy.pdf(np.sqrt(both[:, 0]), scale=scale) / np.sqrt(both[:, 0])
    density *= stats.halfcauchy.pdf(np.sqrt(both[:, 1])) / np.sqrt(both[:, 1])
    ours = np.exp(log_prior(both, Prior(1.0, ((1, 0.25), None))))
    assert ours[1] / ours[0] == pytest.approx(density[1] / density[0], rel=1e-12)


ONES, PAIRS = np.ones((6, 1)), np.array([0, 0, 1, 1, 2, 2])
VALUES = np.array([1.0, 2.0, 4.0, 3.0, 5.0, 7.0])


@pytest.mark.parametrize(
    ("y", "X", "groups", "message"),
    [
        (VALUES, ONES, [PAIRS] * 4, "at most 3 variance ratios"),
        (VALUES, ONES, [PAIRS[:4]], "every group needs one entry"),
        (VALUES, np.eye(6), [PAIRS], "6 values leave no error degree"),
        (VALUES, np.eye(3)[PAIRS], [PAIRS], "component 0 cannot be judged"),
        (np.full(6, 3.3), ONES, [PAIRS], "do not vary about the model"),
    ],
    ids=["four", "short group", "saturated", "loads in the model", "constant"],
)
def test_refuses_what_no_posterior_comes_from(y, X, groups, message):
    with pytest.raises(ValueError, match=message):
        mixture(y, X, groups)


def test_refuses_a_prior_without_width():
    with pytest.raises(ValueError, match="scale of the prior is a number above zero"):
        mixture(VALUES, ONES, [PAIRS], scale=0)


@pytest.mark.parametrize(
    ("rows", "extra", "level", "message"),
    [
        ([[1.0, 2.0]], None, 0.95, "rows need 1 columns"),
        ([[1.0]], [1.0], 0.95, "extra 2 entries"),
        ([[0.0]], None, 0.95, "row of zeros"),
        ([[1.0]], None, 95, "level lies between"),
    ],
    ids=["width", "extra", "zeros", "percent"],
)
def test_refuses_intervals_of_nothing(rows, extra, level, message):
    found = mixture(VALUES, ONES, [PAIRS])
    with pytest.raises(ValueError, match=message):
        mixture_interval(found, rows, extra, level)
