from itertools import product

import numpy as np
import pytest
from scipy import optimize, stats

from doe.numerics import reml
from doe.numerics.leastsq import fit_least_squares
from doe.numerics.optimum import best_points, level_statistic, may_be_level, slopes
from doe.numerics.surface import quadratic_form
from doe.numerics.terms import model_matrix, standard_terms
from tests.numerics.published import numbers
from tests.reference_data import expected_of

BOUNDS = {k: [(-1.0, 1.0)] * k for k in range(1, 7)}


def quadratic(k):
    return standard_terms("quadratic", [0] * k)


def rows(points, k):
    return model_matrix(np.atleast_2d(points), quadratic(k), [0] * k)


def draws(k, size, seed, curvature):
    """Return coefficients whose squares are about ``curvature``, so that maxima lie inside, on edges and in corners."""
    terms = quadratic(k)
    middle = np.array([curvature if len(set(term)) < len(term) else 0.0 for term in terms])
    return middle + np.random.default_rng(seed).normal(size=(size, len(terms)))


def climbed(coefficients, k, bounds, constraints=()):
    """Return the highest value by a general search from all corners, the centre and some random points."""
    b, B = quadratic_form(coefficients, quadratic(k), range(k))
    starts = np.vstack(
        [list(product(*bounds)), np.random.default_rng(1).uniform(*np.transpose(bounds), (6, k)), np.zeros(k)]
    )
    best = -np.inf
    for start in starts:
        found = optimize.minimize(
            lambda x: -(x @ b + x @ B @ x),
            start,
            jac=lambda x: -(b + 2 * B @ x),
            bounds=bounds,
            constraints=constraints,
            method="SLSQP",
            options={"ftol": 1e-12},
        )
        if all(np.all(one["fun"](found.x) >= -1e-9) for one in constraints):
            best = max(best, -found.fun)
    return coefficients[0] + best


@pytest.mark.parametrize("curvature", [-1.5, -0.3, 0.5])
@pytest.mark.parametrize("k", [1, 2, 3, 4])
def test_best_point_agrees_with_a_general_search(k, curvature):
    coefficients = draws(k, 25, k, curvature)
    found = best_points(coefficients, quadratic(k), BOUNDS[k])
    assert np.all(np.abs(found.points) <= 1)
    for values, point, value in zip(coefficients, found.points, found.values, strict=True):
        assert value == pytest.approx(float((rows(point, k) @ values)[0]), abs=1e-10)
        assert value == pytest.approx(climbed(values, k, BOUNDS[k]), abs=1e-7)


def test_best_point_under_constraints_agrees_with_a_general_search():
    bounds = [(-1.0, 0.8), (-0.5, 1.0), (-1.0, 1.0)]
    weights, limits = np.array([[1.0, 1.0, 0.0], [0.5, -1.0, 1.0]]), np.array([0.4, 0.7])
    kept = [{"type": "ineq", "fun": lambda x: limits - weights @ x, "jac": lambda x: -weights}]
    coefficients = draws(3, 40, 3, -0.8)
    found = best_points(coefficients, quadratic(3), bounds, (weights, limits))
    assert np.all(found.points @ weights.T <= limits + 1e-8)
    for values, value in zip(coefficients, found.values, strict=True):
        assert value == pytest.approx(climbed(values, 3, bounds, kept), abs=1e-7)
    on_one = np.abs(found.points @ weights.T - limits) < 1e-7
    assert found.at_constraint == pytest.approx(on_one.mean(axis=0))
    assert found.at_constraint.min() > 0


def test_shares_at_the_edges():
    # y = c x1 - (x2 - a)^2 has its maximum at the edge of x1 that has the sign of c, and at a or the nearer edge.
    c, a = np.array([1.0, 1.0, -1.0, 2.0]), np.array([0.2, 1.5, -3.0, 0.0])
    coefficients = np.column_stack([-(a**2), c, 2 * a, -np.ones(4)])
    found = best_points(coefficients, [(), (0,), (1,), (1, 1)], BOUNDS[2])
    assert found.points == pytest.approx(np.array([[1, 0.2], [1, 1], [-1, -1], [1, 0]]), abs=1e-12)
    assert found.values == pytest.approx(np.abs(c) - np.array([0, 0.25, 4, 0]))
    assert (found.at_low.tolist(), found.at_high.tolist()) == ([0.25, 0.25], [0.75, 0.25])


def test_published_optimum():
    # Montgomery, Design and Analysis of Experiments, Example 11.2 (values from memory).
    data, published = numbers("C_chemical_process_ccd"), expected_of("C_chemical_process_ccd")["published"]["yield_"]
    fit = fit_least_squares(data["yield"], rows(np.column_stack([data["x1"], data["x2"]]), 2))
    found = best_points(fit.estimates[None], quadratic(2), [(-1.414, 1.414)] * 2)
    assert found.points[0] == pytest.approx(published["stationary_point"], abs=5e-4)
    assert found.values[0] == pytest.approx(published["y_at_stationary"], abs=5e-3)


def test_level_surface_has_a_best_point():
    found = best_points([[5.0, 0.0, 0.0]], [(), (0,), (0, 0)], BOUNDS[1])
    assert found.values.tolist() == [5.0]


@pytest.mark.parametrize(
    ("terms", "bounds", "constraints", "message"),
    [
        ([(), (0, 0, 0)], [(-1, 1)], None, "not part of a quadratic"),
        ([(), (1,)], [(-1, 1)], None, "not part of a quadratic"),
        ([(), (0,)], [(1, -1)], None, "upper bound above"),
        ([(), (0,)], [(-1, 1)], ([[1.0]], [-2.0]), "keeps the constraints"),
    ],
)
def test_refuses_what_has_no_best_point(terms, bounds, constraints, message):
    with pytest.raises(ValueError, match=message):
        best_points([[1.0, 1.0]], terms, bounds, constraints)


def test_slopes_are_derivatives():
    terms = [*quadratic(3), (0, 0, 1), (2, 2, 2)]
    points = np.random.default_rng(2).uniform(-1, 1, (5, 3))
    found = slopes(points, terms, [2, 0])
    for place, factor in enumerate([2, 0]):
        step = 1e-5 * np.eye(3)[factor]
        ahead, behind = (model_matrix(at, terms, [0] * 3) for at in (points + step, points - step))
        assert found[:, place] == pytest.approx((ahead - behind) / 2e-5, abs=1e-9)


def test_region_of_one_factor_is_that_of_fieller():
    # -b1 / (2 b11) is a ratio of normal estimates; Fieller (1940): the roots of (b1 + 2 x b11)^2 = t^2 var(b1 + 2 x b11).
    x = np.linspace(-1, 1, 9)
    y = 3 + 0.4 * x - 1.1 * x**2 + np.random.default_rng(4).normal(0, 0.2, 9)
    fit = reml.fit_reml(y, rows(x[:, None], 1))
    _, b, c = fit.estimates
    V, t = fit.covariance, stats.t.ppf(0.975, 6)
    ends = np.roots([4 * c**2 - 4 * t**2 * V[2, 2], 4 * b * c - 4 * t**2 * V[1, 2], b**2 - t**2 * V[1, 1]])
    near = np.sort(ends)[:, None] + [-1e-6, 1e-6]
    found = may_be_level(slopes(near.reshape(-1, 1), quadratic(1), [0]), fit.estimates, V, 6)
    assert found.tolist() == [False, True, True, False]


def composite():
    axial = 1.414 * np.vstack([np.eye(2), -np.eye(2)])
    return np.vstack([list(product((-1, 1), (-1, 1))), axial, np.zeros((4, 2))])


def test_region_covers_the_true_point_as_often_as_it_says():
    # 2,000 studies of 12 prints; the standard error of the share is 0.005.
    true = np.array([50.0, 1.0, -0.6, 0.5, -1.2, -0.8])
    place = np.linalg.solve([[2 * true[4], true[3]], [true[3], 2 * true[5]]], -true[1:3])
    X = rows(composite(), 2)
    random, at = np.random.default_rng(7), slopes(place[None], quadratic(2), [0, 1])
    inverse = np.linalg.inv(X.T @ X)
    hits = []
    for y in X @ true + random.normal(0, 0.6, (2_000, len(X))):
        estimates = inverse @ X.T @ y
        s2 = np.sum((y - X @ estimates) ** 2) / (len(X) - 6)
        hits.append(bool(may_be_level(at, estimates, s2 * inverse, len(X) - 6)[0]))
    assert np.mean(hits) == pytest.approx(0.95, abs=0.015)


def with_loads(load_sd, random):
    """Return response, model matrix and load codes of a composite plan in six loads of four prints."""
    points = np.vstack([composite(), composite()])
    load = np.repeat(np.arange(6), 4)[random.permutation(24)]
    X, true = rows(points, 2), np.array([50.0, 1.0, -0.6, 0.5, -1.2, -0.8])
    y = X @ true + random.normal(0, load_sd, 6)[load] + random.normal(0, 0.5, 24)
    place = np.linalg.solve([[2 * true[4], true[3]], [true[3], 2 * true[5]]], -true[1:3])
    return y, X, load, place


def test_region_with_loads_covers_by_kenward_and_roger():
    # 300 studies; the standard error of the share is 0.013.
    random, p = np.random.default_rng(11), []
    for _ in range(300):
        y, X, load, place = with_loads(0.6, random)
        fit = reml.fit_reml(y, X, [load])
        at = slopes(place[None], quadratic(2), [0, 1])[0]
        p.append(reml.f_test(fit, at).p)
    assert np.mean(np.array(p) >= 0.05) == pytest.approx(0.95, abs=0.04)


def test_statistic_is_that_of_the_f_test():
    y, X, load, place = with_loads(0.6, np.random.default_rng(3))
    fit = reml.fit_reml(y, X, [load])
    points = np.vstack([place, [[0.3, 0.9]]])
    at = slopes(points, quadratic(2), [0, 1])
    found = level_statistic(at, fit.estimates, fit.adjusted_covariance)
    for one, value in zip(at, found, strict=True):
        test = reml.f_test(fit, one)
        assert test.scale * value == pytest.approx(test.f, rel=1e-10)


def test_region_of_a_known_covariance():
    at = slopes([[0.0]], quadratic(1), [0])
    edge = np.sqrt(stats.chi2.ppf(0.95, 1))
    for slope, inside in ((edge - 1e-6, True), (edge + 1e-6, False)):
        assert may_be_level(at, [0, slope, 0], np.eye(3), np.inf).tolist() == [inside]


def test_refuses_what_has_no_region():
    at, both = slopes([[0.0]], quadratic(1), [0]), slopes([[0.0, 0.0]], [(), (0,)], [0, 1])
    with pytest.raises(ValueError, match="linearly dependent"):
        may_be_level(both, [1.0, 1.0], np.eye(2), 5)
    with pytest.raises(ValueError, match="degrees of freedom"):
        may_be_level(at, [0, 1, 0], np.eye(3), 0)
    with pytest.raises(ValueError, match="level"):
        may_be_level(at, [0, 1, 0], np.eye(3), 5, 1.0)
