"""Design criteria against published optimal designs, hand calculations and independent integration."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import circulant, hadamard

from doe.numerics import criteria
from doe.numerics.terms import model_matrix, rank, standard_terms
from tests.reference_data import expected_of, rows_of

TWO = (0, 0)
QUADRATIC = standard_terms("quadratic", TWO)


def factorial(k):
    return np.array(list(product([-1.0, 1.0], repeat=k)))


def composite(centre):
    """The rotatable central composite design of two factors."""
    axial = math.sqrt(2) * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
    return np.vstack([factorial(2), axial, np.zeros((centre, 2))])


def paired_circulants(first, second):
    """Two circulants A and B as [[A, B], [-B', A']], the construction of Ehlich (1964) for n = 2 mod 4."""
    a, b = circulant(first), circulant(second)
    return np.block([[a, b], [-b.T, a.T]]).astype(float)


def paley(prime):
    """The Hadamard matrix of order prime + 1 for a prime that is 3 mod 4 (Paley 1933)."""
    squares = {i * i % prime for i in range(1, prime)}
    core = np.array([[0 if i == j else 1 if (i - j) % prime in squares else -1 for j in range(prime)] for i in range(prime)])
    skew = np.block([[np.zeros((1, 1)), np.ones((1, prime))], [-np.ones((prime, 1)), core]])
    return skew + np.eye(prime + 1)


SATURATED = {
    2: hadamard(2), 3: np.ones((3, 3)) - 2 * np.eye(3), 4: hadamard(4), 5: np.ones((5, 5)) - 2 * np.eye(5),
    6: paired_circulants([-1, 1, 1], [1, 1, 1]), 8: hadamard(8),
    10: paired_circulants([-1, 1, 1, 1, 1], [-1, 1, 1, 1, 1]), 12: paley(11), 16: hadamard(16), 20: paley(19),
}


@pytest.mark.parametrize("n", SATURATED)
def test_saturated_two_level_designs(n):
    # Largest determinants of n x n matrices of +1 and -1: OEIS A003433; Galil and Kiefer, Ann. Statist. 8 (1980) 1293.
    largest = {int(row["n_runs"]): int(row["max_abs_det_pm1_matrix"]) for row in rows_of("G_maxdet_saturated")}
    efficiency = expected_of("G_maxdet_saturated")["D_efficiency"]
    X = SATURATED[n].astype(float)
    assert criteria.log_d(X) == pytest.approx(2 * math.log(largest[n]), abs=1e-9)
    assert criteria.d_efficiency(X) == pytest.approx(100 * efficiency[str(n)], abs=1e-7)


@pytest.mark.parametrize("row", rows_of("G_doptimal_polynomial"), ids=lambda row: row["degree"])
def test_polynomials_in_one_factor(row):
    # Guest, Ann. Math. Statist. 29 (1958) 294; Hoel (1958); Fedorov (1972): D-optimal points of polynomials.
    points = np.array([[float(text)] for text in row["support_points"].split()])
    X = model_matrix(points, [(0,) * power for power in range(int(row["degree"]) + 1)], (0,))
    assert criteria.log_d(X) == pytest.approx(2 * math.log(float(row["abs_det_vandermonde"])), abs=1e-9)


def test_six_runs_for_a_quadratic_in_two_factors():
    # Box and Draper, Technometrics 13 (1971) 731: the D-optimal six-run design (design from memory, value recomputed).
    points = np.array([[float(row["x1"]), float(row["x2"])] for row in rows_of("G_boxdraper_6point")])
    X = model_matrix(points, QUADRATIC, TWO)
    assert criteria.log_d(X) == pytest.approx(math.log(expected_of("G_boxdraper_6point")["det_XtX"]), abs=1e-8)


def test_orthogonal_factorial_by_hand():
    X = model_matrix(factorial(2), standard_terms("main", TWO), TWO)
    assert rank(X) == 3
    assert criteria.information(X).tolist() == (4 * np.eye(3)).tolist()
    assert criteria.log_d(X) == pytest.approx(3 * math.log(4))
    assert criteria.d_efficiency(X) == pytest.approx(100)
    assert criteria.leverages(X) == pytest.approx(np.full(4, 0.75))
    assert criteria.leverages(X).max() == pytest.approx(0.75)
    assert criteria.prediction_variance(np.array([[1.0, 0, 0], [1, 1, 1]]), X) == pytest.approx(np.array([0.25, 0.75]))
    # (1 + 1/3 + 1/3) / 4: each squared factor averages 1/3 over [-1, 1]
    assert criteria.average_variance(X, standard_terms("main", TWO), TWO) == pytest.approx(5 / 12)


def test_rotatable_composite_by_hand():
    # With all eight outer points at one distance, the five centre runs alone speak about the centre: 1/5 there, and
    # (6 - 5/5) / 8 at each outer point, for the leverages add up to the six coefficients.
    X = model_matrix(composite(5), QUADRATIC, TWO)
    assert criteria.leverages(X) == pytest.approx(np.array([0.625] * 8 + [0.2] * 5))
    assert criteria.leverages(X).max() == pytest.approx(0.625)
    turned = np.array([[math.cos(angle), math.sin(angle)] for angle in (0.1, 0.7, 2.9)])
    variances = criteria.prediction_variance(model_matrix(turned, QUADRATIC, TWO), X)
    assert np.ptp(variances) == pytest.approx(0, abs=1e-12)


def test_a_corner_within_every_range_can_lie_outside_what_was_studied():
    diagonal = np.array([[-1.0, -1], [-0.5, -0.4], [0, 0.1], [0.5, 0.4], [1, 1]])
    main = standard_terms("main", TWO)
    X = model_matrix(diagonal, main, TWO)
    inside, outside = criteria.prediction_variance(model_matrix(np.array([[0.8, 0.8], [1, -1]]), main, TWO), X)
    assert inside < criteria.leverages(X).max() < outside


def test_information_with_loads_equals_the_dense_calculation():
    rng = np.random.default_rng(3)
    X, load, ratio = rng.normal(size=(11, 4)), np.array([2, 0, 0, 1, 2, 2, 1, 3, 0, 3, 3]), 0.7
    indicators = np.eye(4)[load]
    dense = X.T @ np.linalg.inv(np.eye(11) + ratio * indicators @ indicators.T) @ X
    assert criteria.information(X, load, ratio) == pytest.approx(dense, rel=1e-12)
    assert criteria.log_d(X, load, ratio) == pytest.approx(np.linalg.slogdet(dense)[1], rel=1e-12)
    rows = rng.normal(size=(3, 4))
    expected = np.diag(rows @ np.linalg.inv(dense) @ rows.T)
    assert criteria.prediction_variance(rows, X, load, ratio) == pytest.approx(expected, rel=1e-10)


def test_loads_without_variance_or_of_one_print_each():
    X = model_matrix(factorial(2), standard_terms("main", TWO), TWO)
    assert criteria.information(X, [0, 0, 1, 1], 0.0) == pytest.approx(criteria.information(X))
    assert criteria.information(X, [0, 1, 2, 3], 1.0) == pytest.approx(criteria.information(X) / 2)


def test_a_factor_fixed_within_loads_pays_for_them_and_one_balanced_within_does_not():
    X = model_matrix(factorial(2), standard_terms("main", TWO), TWO)
    # Two loads of two prints: a load mean has variance 1 + 1/2, and half of it is in the intercept and the first factor.
    variances = np.diag(np.linalg.inv(criteria.information(X, [0, 0, 1, 1], 1.0)))
    assert variances == pytest.approx(np.array([0.75, 0.75, 0.25]))


@pytest.mark.parametrize(
    ("load", "ratio", "words"),
    [
        ([0, 0, 1], 1.0, "every print needs the code of its load"),
        ([0, 0, -1, 1], 1.0, "every print needs the code of its load"),
        ([0, 0, 1, 1], -0.1, "ratio of load to print variance must be 0 or more"),
    ],
)
def test_loads_are_checked(load, ratio, words):
    with pytest.raises(ValueError, match=words):
        criteria.information(factorial(2), load, ratio)


def by_quadrature(X, terms, levels, load=None, ratio=1.0):
    """Average the prediction variance with Gauss-Legendre points, exact for the polynomials at hand."""
    nodes, weights = np.polynomial.legendre.leggauss(5)
    axes = [
        [(float(j), 1 / count) for j in range(count)] if count else list(zip(nodes, weights / 2, strict=True))
        for count in levels
    ]
    grid = list(product(*axes))
    points = np.array([[value for value, _ in cell] for cell in grid])
    shares = np.array([math.prod(share for _, share in cell) for cell in grid])
    return float(shares @ criteria.prediction_variance(model_matrix(points, terms, levels), X, load, ratio))


@pytest.mark.parametrize("levels", [(0,), (0, 0), (0, 3), (2, 0, 3)])
@pytest.mark.parametrize("ratio", [None, 2.0])
def test_average_variance_agrees_with_quadrature(levels, ratio):
    rng = np.random.default_rng(8)
    terms = standard_terms("quadratic", levels)
    coded = np.column_stack([rng.integers(0, count, 40) if count else rng.uniform(-1, 1, 40) for count in levels])
    X, load = model_matrix(coded, terms, levels), None if ratio is None else np.arange(40) // 5
    found = criteria.average_variance(X, terms, levels, load, ratio or 1.0)
    assert found == pytest.approx(by_quadrature(X, terms, levels, load, ratio or 1.0), rel=1e-10)


@settings(deadline=None)
@given(st.permutations(range(4)), st.lists(st.sampled_from([-1.0, 1.0]), min_size=4, max_size=4), st.integers(0, 99))
def test_relabelled_factors_and_swapped_ends_change_nothing(order, signs, seed):
    rng = np.random.default_rng(seed)
    levels, load = (0,) * 4, np.arange(24) // 4
    terms = standard_terms("quadratic", levels)
    coded = rng.uniform(-1, 1, size=(24, 4))
    X, other = model_matrix(coded, terms, levels), model_matrix((coded * signs)[:, order], terms, levels)
    assert criteria.log_d(other, load) == pytest.approx(criteria.log_d(X, load), abs=1e-7)
    assert criteria.d_efficiency(other) == pytest.approx(criteria.d_efficiency(X), rel=1e-8)
    assert criteria.leverages(other).max() == pytest.approx(criteria.leverages(X).max(), rel=1e-8)
    assert criteria.average_variance(other, terms, levels, load) == pytest.approx(
        criteria.average_variance(X, terms, levels, load), rel=1e-7
    )


@settings(deadline=None)
@given(st.permutations(range(3)), st.integers(0, 99))
def test_the_order_of_a_categorical_factors_levels_changes_nothing(order, seed):
    rng = np.random.default_rng(seed)
    levels = (3, 0)
    terms = standard_terms("interactions", levels)
    coded = np.column_stack([np.repeat([0, 1, 2], 5), rng.uniform(-1, 1, 15)])
    renamed = np.column_stack([np.array(order)[coded[:, 0].astype(int)], coded[:, 1]])
    X, other = model_matrix(coded, terms, levels), model_matrix(renamed, terms, levels)
    assert criteria.log_d(other) == pytest.approx(criteria.log_d(X), abs=1e-8)
    assert criteria.average_variance(other, terms, levels) == pytest.approx(
        criteria.average_variance(X, terms, levels), rel=1e-8
    )
    assert criteria.leverages(other) == pytest.approx(criteria.leverages(X), rel=1e-8)


def test_leverages_add_up_to_the_number_of_coefficients():
    X = model_matrix(composite(3), QUADRATIC, TWO)
    assert criteria.leverages(X).sum() == pytest.approx(6)
    assert criteria.leverages(X) == pytest.approx(np.diag(X @ np.linalg.inv(X.T @ X) @ X.T))


def test_variance_inflation_by_hand():
    # Correlation r of two factors inflates both variances by 1 / (1 - r^2); here r = 2/4.
    points = np.array([[-1.0, -1], [-1, -1], [-1, -1], [-1, 1], [1, -1], [1, 1], [1, 1], [1, 1]])
    X = model_matrix(points, standard_terms("main", TWO), TWO)
    assert criteria.variance_inflation(X) == pytest.approx(np.array([np.nan, 4 / 3, 4 / 3]), nan_ok=True)
    orthogonal = model_matrix(factorial(2), standard_terms("interactions", TWO), TWO)
    assert criteria.variance_inflation(orthogonal)[1:] == pytest.approx(np.ones(3))


def test_variance_inflation_of_longley():
    # Data: NIST Statistical Reference Datasets, Longley. Factors to two decimals from memory (they are in many textbooks,
    # for example Chatterjee and Hadi, Regression Analysis by Example).
    data = rows_of("A_nist_longley")
    X = np.array([[1.0, *(float(row[f"x{j}"]) for j in range(1, 7))] for row in data])
    published = [135.53, 1788.51, 33.62, 3.59, 399.15, 758.98]
    assert criteria.variance_inflation(X)[1:] == pytest.approx(np.array(published), abs=0.0051)


def test_what_cannot_be_estimated():
    X = model_matrix(factorial(2), QUADRATIC, TWO)
    assert rank(X) == 4
    assert criteria.log_d(X) == -math.inf
    assert criteria.d_efficiency(X) == 0
    for refused in (
        lambda: criteria.prediction_variance(X, X), lambda: criteria.average_variance(X, QUADRATIC, TWO),
        lambda: criteria.leverages(X), lambda: criteria.variance_inflation(X),
    ):
        with pytest.raises(ValueError, match="the model cannot be estimated from these rows"):
            refused()
