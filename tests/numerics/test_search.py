"""The search for optimal plans against exact enumeration, published optimal designs, bounds, and the plans' figures."""

import math
from itertools import combinations_with_replacement, product

import numpy as np
import pytest

from doe.numerics import criteria
from doe.numerics.search import Task, even_loads, replicate_pairs, search
from doe.numerics.terms import model_matrix, standard_terms
from tests.reference_data import expected_of, rows_of

THREE = np.array([-1.0, 0.0, 1.0])
INCREMENTS = np.linspace(-1, 1, 21)


def quadratic(k):
    return standard_terms("quadratic", (0,) * k)


def default_plan(runs, loads, **changes):
    """Four factors, the last constant within loads, full quadratic, three replicate pairs."""
    load = even_loads(runs, loads)
    given = {"load": load, "hard": (3,), "pairs": replicate_pairs(load, 3), **changes}
    return Task(quadratic(4), (0,) * 4, runs, (INCREMENTS,) * 4, **given)


# Exact optimum by enumeration: two factors, the second constant in each of 4 loads of 2 prints, three levels. A load has
# 3 levels of the one and 6 pairs of the other, 18 kinds; 4 loads of 18 kinds make 5,985 designs.
KINDS = [
    np.array([[a, hard], [b, hard]]) for hard in THREE for a, b in combinations_with_replacement(THREE, 2)
]
DESIGNS = np.array(list(combinations_with_replacement(range(len(KINDS)), 4)))


def enumerated(ratio):
    """log|M| and I of all designs; the information of loads adds up."""
    matrices = np.array([model_matrix(kind, quadratic(2), (0, 0)) for kind in KINDS])
    M = np.array([criteria.information(X, [0, 0], ratio) for X in matrices])[DESIGNS].sum(axis=1)
    ranks = np.linalg.matrix_rank(np.concatenate(list(np.moveaxis(matrices[DESIGNS], 1, 0)), axis=1))
    M = M[ranks == 6]
    average = np.einsum("spq,pq->s", np.linalg.inv(M), criteria.moment_matrix(quadratic(2), (0, 0)))
    return np.linalg.slogdet(M)[1], average


@pytest.mark.parametrize("ratio", [0.0, 0.1, 1.0, 10.0])
def test_reaches_the_enumerated_optimum(ratio):
    assert len(DESIGNS) == 5985
    log_d, average = enumerated(ratio)
    best = {"d": log_d.max(), "i": -average.min(), "compound": (log_d / 12 - np.log(average) / 2).max()}
    for criterion, score in best.items():
        task = Task(quadratic(2), (0, 0), 8, (THREE,) * 2, even_loads(8, 4), (1,), ratio=ratio, criterion=criterion)
        assert search(task, starts=50).score == pytest.approx(score, abs=1e-10)


@pytest.mark.parametrize("degree", range(2, 9))
def test_polynomials_of_one_factor(degree):
    # Guest, Ann. Math. Statist. 29 (1958) 294; Fedorov, Theory of Optimal Experiments (1972).
    row = next(row for row in rows_of("G_doptimal_polynomial") if row["degree"] == str(degree))
    points = np.array(row["support_points"].split(), dtype=float)
    grid = np.unique(np.concatenate([np.linspace(-1, 1, 40), points]))
    terms = tuple((0,) * power for power in range(degree + 1))
    found = search(Task(terms, (0,), degree + 1, (grid,), criterion="d"), starts=20)
    assert found.log_d == pytest.approx(2 * math.log(float(row["abs_det_vandermonde"])), abs=1e-6)
    assert np.sort(found.settings[:, 0]) == pytest.approx(np.sort(points))


@pytest.mark.parametrize("n", [*range(2, 13), 16])
def test_saturated_two_level_designs(n):
    # Largest determinants of n x n matrices of +1 and -1: OEIS A003433; Galil and Kiefer, Ann. Statist. 8 (1980) 1293.
    largest = {int(row["n_runs"]): int(row["max_abs_det_pm1_matrix"]) for row in rows_of("G_maxdet_saturated")}
    levels = (0,) * (n - 1)
    task = Task(standard_terms("main", levels), levels, n, (np.array([-1.0, 1.0]),) * (n - 1), criterion="d")
    assert search(task, starts=100).log_d == pytest.approx(2 * math.log(largest[n]), abs=1e-6)


def test_six_point_quadratic():
    # Box and Draper, Technometrics 13 (1971) 731: the best six points of the square for a quadratic.
    best = expected_of("G_boxdraper_6point")
    own = best["alpha"] * np.array([-1, 3])
    grid = np.unique(np.concatenate([INCREMENTS, own]))
    found = search(Task(quadratic(2), (0, 0), 6, (grid,) * 2, criterion="d"), starts=300)
    assert math.exp(found.log_d) == pytest.approx(best["det_XtX"], rel=1e-6)


@pytest.mark.parametrize("ratio", [1.0, 10.0])
def test_orthogonal_bound_of_two_level_loads(ratio):
    # |M| is at most the product of its diagonal (Hadamard): n for a column that is balanced in every load, and
    # n / (1 + 4 ratio) for intercept and hard factor, which are constant in the loads of 4.
    levels = (0,) * 4
    terms = standard_terms("interactions", levels)
    task = Task(terms, levels, 32, (THREE,) * 4, even_loads(32, 8), (3,), ratio=ratio, criterion="d")
    assert search(task).log_d == pytest.approx(len(terms) * math.log(32) - 2 * math.log(1 + 4 * ratio), abs=1e-9)


@pytest.mark.parametrize(("runs", "loads", "most"), [(30, 6, 0.69), (36, 9, 0.51), (48, 8, 0.45)])
def test_default_plans(runs, loads, most):
    # Average prediction variance that plans of this size have to reach; load and print variance equal.
    task = default_plan(runs, loads)
    found = search(task)
    X = model_matrix(found.settings, task.terms, task.levels)
    assert criteria.average_variance(X, task.terms, task.levels, task.load) == pytest.approx(found.average_variance, rel=1e-9)
    assert criteria.log_d(X, task.load) == pytest.approx(found.log_d, abs=1e-9)
    assert found.average_variance <= most


@pytest.mark.parametrize("ratio", [0.1, 10.0])
@pytest.mark.parametrize("criterion", ["d", "i"])
@pytest.mark.slow
def test_plans_for_equal_variances_serve_others(criterion, ratio):
    # Goos, The Optimal Design of Blocked and Split-Plot Experiments (2002): optimal plans depend little on the ratio.
    equal = search(default_plan(30, 6, criterion=criterion))
    own = search(default_plan(30, 6, criterion=criterion, ratio=ratio))
    X = model_matrix(equal.settings, quadratic(4), (0,) * 4)
    load = even_loads(30, 6)
    if criterion == "d":
        kept = math.exp((criteria.log_d(X, load, ratio) - own.log_d) / 15)
    else:
        kept = own.average_variance / criteria.average_variance(X, quadratic(4), (0,) * 4, load, ratio)
    assert 0.95 <= kept <= 1 + 1e-9


def test_loads_of_one_print_are_ordinary_exchange():
    # V is then (1 + ratio) times the identity: the same design, M smaller by that factor.
    free = Task(quadratic(3), (0,) * 3, 14, (THREE,) * 3, criterion="d")
    loads = Task(quadratic(3), (0,) * 3, 14, (THREE,) * 3, np.arange(14), (2,), criterion="d")
    without, within = search(free, starts=20), search(loads, starts=20)
    assert np.array_equal(without.settings, within.settings)
    assert within.log_d == pytest.approx(without.log_d - 10 * math.log(2), abs=1e-9)


def test_mixed_levels_reach_the_enumerated_optimum():
    # A factor with three names and one of three values, both with their interaction and the square: of all designs of
    # nine prints with repetitions, 24,310, the full factorial is among the best; found by enumeration of determinants.
    levels = (3, 0)
    terms = standard_terms("quadratic", levels)
    points = np.array(list(product([0.0, 1.0, 2.0], THREE)))
    rows = model_matrix(points, terms, levels)
    chosen = np.array(list(combinations_with_replacement(range(9), 9)))
    assert len(chosen) == 24310
    counts = (chosen[:, :, None] == np.arange(9)).sum(axis=1)
    M = np.einsum("sn,np,nq->spq", counts, rows, rows, optimize=True)
    found = search(Task(terms, levels, 9, (np.arange(3.0), THREE), criterion="d"), starts=50)
    assert math.exp(found.log_d) == pytest.approx(np.linalg.det(M).max(), rel=1e-9)
