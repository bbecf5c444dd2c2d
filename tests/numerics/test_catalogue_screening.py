"""Plackett-Burman and definitive screening designs against their published rows, properties and correlations."""

from itertools import combinations

import numpy as np
import pytest

from doe.errors import InternalFault
from doe.numerics import catalogue, criteria, screening
from doe.numerics.terms import model_matrix, rank, standard_terms
from tests.reference_data import expected_of, rows_of

BURMAN = (12, 20, 24, 28, 36, 40, 44, 48)
# Plackett and Burman, Biometrika 33 (1946) 305, 36 and 44 runs, as in a public transcription of the paper's tables; and
# the third row of the nine that 28 runs start with, in its three blocks.
COLUMN_OF_36 = "-+-+++---+++++-+++--+----+-+-++--+-"
COLUMN_OF_44 = "++--+-+--+++-+++++---+-+++-----+---++-+-++-"
THIRD_OF_28 = "-+++++--- +---+--+- +-+-++-++"


def signs(text):
    return [1.0 if sign == "+" else -1.0 for sign in text.replace(" ", "")]


def in_columns_of_two(points):
    """All products of two columns, as columns."""
    return np.column_stack([points[:, a] * points[:, b] for a, b in combinations(range(points.shape[1]), 2)])


@pytest.mark.parametrize("row", rows_of("G_plackett_burman"), ids=lambda row: row["n"])
def test_first_rows_as_published(row):
    # Plackett and Burman, Biometrika 33 (1946) 305; NIST/SEMATECH e-Handbook, section 5.3.3.5 (rows from memory there).
    n = int(row["n"])
    points = catalogue.plackett_burman(n - 1, n)
    assert points[0].tolist() == signs(row["first_row"])
    assert all((points[i] == np.roll(points[0], i)).all() for i in range(n - 1))
    assert points[-1].tolist() == [-1.0] * (n - 1)


@pytest.mark.parametrize(("runs", "column"), [(36, COLUMN_OF_36), (44, COLUMN_OF_44)])
def test_shifts_of_the_published_column(runs, column):
    # The transcription shifts a column down where we, as the handbook, shift a row along: a square and its transpose.
    published = np.array([np.roll(signs(column), shift) for shift in range(runs - 1)]).T
    assert (catalogue.plackett_burman(runs - 1, runs)[:-1] == published.T).all()


def test_published_blocks_of_28_runs():
    points = catalogue.plackett_burman(27, 28)
    assert points[2].tolist() == signs(THIRD_OF_28)
    assert points[11].tolist() == signs(" ".join(THIRD_OF_28.split()[i] for i in (2, 0, 1)))
    assert points[20].tolist() == signs(" ".join(THIRD_OF_28.split()[i] for i in (1, 2, 0)))


@pytest.mark.parametrize("runs", BURMAN)
def test_every_burman_design_is_a_hadamard_matrix(runs):
    # det = n^(n/2), Hadamard's bound, is reached exactly where X'X = n I (Hadamard 1893; A003433 in G_maxdet_saturated).
    points = catalogue.plackett_burman(runs - 1, runs)
    X = np.hstack([np.ones((runs, 1)), points])
    assert set(points.ravel().tolist()) == {-1.0, 1.0}
    assert np.array_equal(X.T @ X, runs * np.eye(runs))
    published = {int(row["n_runs"]): int(row["max_abs_det_pm1_matrix"]) for row in rows_of("G_maxdet_saturated")}
    if runs in published:
        assert np.linalg.slogdet(X)[1] == pytest.approx(np.log(published[runs]), rel=1e-12)


@pytest.mark.parametrize("factors", range(2, 48))
def test_the_smallest_that_holds_the_factors(factors):
    points = catalogue.plackett_burman(factors)
    assert points.shape == (min(runs for runs in BURMAN if runs > factors), factors)
    assert (points.T @ points == len(points) * np.eye(factors)).all()
    assert (points.sum(axis=0) == 0).all()


def test_aliases_of_twelve_runs_are_a_third():
    # Plackett-Burman 12: each main effect is aliased by +-1/3 with every interaction that does not hold it (Hamada and
    # Wu, J. Quality Technology 24 (1992) 130; G_plackett_burman).
    points = catalogue.plackett_burman(11)
    main = model_matrix(points, standard_terms("main", (0,) * 11), (0,) * 11)
    aliases = np.linalg.lstsq(main, in_columns_of_two(points))[0][1:]  # Box and Wilson (1951): A = (X1'X1)^-1 X1'X2
    pairs = list(combinations(range(11), 2))
    third = expected_of("G_plackett_burman")["alias_coefficient_pb12"]
    for factor in range(11):
        for column, pair in enumerate(pairs):
            assert abs(aliases[factor, column]) == pytest.approx(0 if factor in pair else third, abs=1e-12)


@pytest.mark.parametrize("runs", [12, 20, 24])
def test_any_three_factors_of_a_small_burman_design_hold_a_full_factorial(runs):
    # Projectivity 3: Box and Tyssedal, Biometrika 83 (1996) 950; Lin and Draper, Technometrics 34 (1992) 423 (from memory).
    points = catalogue.plackett_burman(runs - 1, runs)
    for three in combinations(range(min(runs - 1, 11)), 3):
        assert len(np.unique(points[:, three], axis=0)) == 8


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"factors": 1}, "for 2 to 47 factors, and there are 1"),
        ({"factors": 48}, "for 2 to 47 factors, and there are 48"),
        ({"factors": 7, "runs": 16}, r"no Plackett-Burman design has 16 runs; .* 16 and 32 runs are regular fractions"),
        ({"factors": 7, "runs": 32}, "no Plackett-Burman design has 32 runs; .* regular fractions"),
        ({"factors": 7, "runs": 14}, "no Plackett-Burman design has 14 runs; there are designs of 12, 20, 24, 28"),
        ({"factors": 12, "runs": 12}, "of 12 runs holds 11 factors, and there are 12"),
    ],
)
def test_burman_designs_that_there_are_not(wish, words):
    with pytest.raises(ValueError, match=words):
        catalogue.plackett_burman(**wish)


def test_a_burman_design_that_came_out_wrong_is_our_fault(monkeypatch):
    monkeypatch.setattr(screening, "_ROW_OF_36", "+" + screening._ROW_OF_36[1:])
    with pytest.raises(InternalFault, match="Plackett-Burman: its columns are not orthogonal"):
        catalogue.plackett_burman(30)


@pytest.mark.parametrize("order", [4, 6, 8, 10, 12, 14, 16, 18])
def test_conference_matrices(order):
    C = screening.conference_matrix(order)
    assert np.array_equal(C.T @ C, (order - 1) * np.eye(order))
    assert (np.diag(C) == 0).all()
    assert (np.abs(C - np.diag(np.diag(C))).sum(axis=0) == order - 1).all()
    # Delsarte, Goethals and Seidel, Canad. J. Math. 23 (1971) 816: symmetric for order 2 and skew for order 0 modulo 4,
    # up to the order and signs of rows and columns; those built here are so as they stand.
    assert np.array_equal(C.T, C if order % 4 == 2 else -C)


@pytest.mark.parametrize("order", [2, 7, 20, 22])
def test_conference_matrices_that_are_not_built(order):
    with pytest.raises(ValueError, match=f"even orders 4 to 18, and the order is {order}"):
        screening.conference_matrix(order)


def test_a_conference_matrix_that_came_out_wrong_is_our_fault(monkeypatch):
    monkeypatch.setattr(screening, "_field_character", lambda size: np.eye(size) - 1)
    with pytest.raises(InternalFault, match="conference matrix"):
        screening.conference_matrix(6)


@pytest.mark.parametrize("factors", range(3, 19))
def test_definitive_screening_by_its_definition(factors):
    # Jones and Nachtsheim, J. Quality Technology 43 (2011) 1: mirrored pairs, one zero for each factor in a pair, one
    # centre; main effects clear of each other, of squares and of interactions.
    order = max(4, factors + factors % 2)
    points = catalogue.definitive_screening(factors)
    assert points.shape == (2 * order + 1, factors)
    assert (points[0:-1:2] == -points[1:-1:2]).all()
    assert (points[-1] == 0).all()
    zeros = (points[:-1:2] == 0).sum(axis=0)
    assert zeros.tolist() == [1] * factors
    assert (points.T @ points == 2 * (order - 1) * np.eye(factors)).all()
    assert not (points.T @ points**2).any()
    assert not (points.T @ in_columns_of_two(points)).any()


@pytest.mark.parametrize("row", rows_of("G_dsd_conference"), ids=lambda row: row["m_factors"])
def test_definitive_screening_figures(row):
    # Jones and Nachtsheim (2011), Xiao, Lin and Bai (2012); figures recomputed (see the reference file).
    factors = int(row["m_factors"])
    points = catalogue.definitive_screening(factors)
    assert len(points) == int(row["runs"])
    assert (points**2).sum(axis=0).tolist() == [float(row["sum_squares_main"])] * factors
    squares = np.corrcoef((points**2).T)
    apart = squares[~np.eye(factors, dtype=bool)]
    assert apart.min() == pytest.approx(float(row["min_corr_quadratic"]), abs=5.1e-11)
    assert apart.max() == pytest.approx(float(row["max_corr_quadratic"]), abs=5.1e-11)
    assert apart == pytest.approx(1 / 3 - 1 / (factors - 1), abs=1e-12)
    main = model_matrix(points, standard_terms("main", (0,) * factors), (0,) * factors)
    assert criteria.d_efficiency(main) / 100 == pytest.approx(float(row["D_efficiency_main_effects"]), abs=5.1e-11)


@pytest.mark.parametrize("factors", [6, 8, 10, 12])
def test_definitive_screening_estimates_any_quadratic_of_three_factors(factors):
    # Jones and Nachtsheim (2011): designs of 6 or more factors hold a full quadratic model in any three of them.
    points = catalogue.definitive_screening(factors)
    terms = standard_terms("quadratic", (0, 0, 0))
    for three in combinations(range(factors), 3):
        assert rank(model_matrix(points[:, three], terms, (0, 0, 0))) == 10


def test_extra_centre_runs_and_refusals():
    points = catalogue.definitive_screening(5, extra_centre=2)
    assert points.shape == (15, 5)
    assert not points[-3:].any() and points[:-3].any(axis=1).all()
    with pytest.raises(ValueError, match="for 3 to 18 factors, and there are 2"):
        catalogue.definitive_screening(2)
    with pytest.raises(ValueError, match="for 3 to 18 factors, and there are 19"):
        catalogue.definitive_screening(19)
    with pytest.raises(ValueError, match="0 or more, and they are -1"):
        catalogue.definitive_screening(4, extra_centre=-1)
