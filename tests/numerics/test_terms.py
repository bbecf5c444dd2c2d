"""Model terms, the columns that they stand for, and what a design cannot tell apart."""

from itertools import combinations, product
from math import comb, prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics import terms

NAMES = ("nozzle_temperature", "bed_surface", "drying_time")
LEVELS = (0, 3, 0)
LEVEL_NAMES = ((), ("glass", "textured", "tape"), ())
COUNTS = st.lists(st.sampled_from([0, 0, 2, 3, 4]), min_size=1, max_size=5).map(tuple)
TERM = st.lists(st.integers(0, 2), max_size=4).map(lambda factors: tuple(sorted(factors)))


def corners(k):
    return np.array(list(product([-1.0, 1.0], repeat=k)))


def half_fraction():
    """The 2^(3-1) fraction C = AB of Box, Hunter and Hunter, Statistics for Experimenters (1978), Table 12.15."""
    base = corners(2)
    return np.column_stack([base, base.prod(axis=1)])


def test_standard_terms_in_order():
    assert terms.standard_terms("main", LEVELS) == ((), (0,), (1,), (2,))
    assert terms.standard_terms("interactions", LEVELS) == ((), (0,), (1,), (2,), (0, 1), (0, 2), (1, 2))
    assert terms.standard_terms("quadratic", LEVELS)[-2:] == ((0, 0), (2, 2))


@pytest.mark.parametrize("k", [1, 2, 5, 8])
def test_a_full_quadratic_has_its_number_of_coefficients(k):
    assert len(terms.standard_terms("quadratic", (0,) * k)) == (k + 1) * (k + 2) // 2
    assert len(terms.standard_terms("interactions", (0,) * k)) == 1 + k + comb(k, 2)


def test_an_unknown_family_is_refused():
    with pytest.raises(ValueError, match="'cubic' is not a family of models; it is one of main"):
        terms.standard_terms("cubic", (0,))


@pytest.mark.parametrize(
    ("text", "term"),
    [
        ("drying_time", (2,)), (" drying_time*nozzle_temperature ", (0, 2)), ("drying_time^2", (2, 2)),
        ("drying_time ^ 2 * bed_surface", (1, 2, 2)), ("drying_time * drying_time", (2, 2)), ("intercept", ()),
    ],
)
def test_terms_are_read(text, term):
    assert terms.parse_term(text, NAMES) == term


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("drying", "'drying' is not a factor; the factors are nozzle_temperature, bed_surface, drying_time"),
        ("drying_time^x", "'x' is not a power; it is a whole number from 2 to 9"),
        ("drying_time^10", "'10' is not a power"), ("drying_time^", "'' is not a power"),
        ("drying_time *", "the name of a factor is missing"), ("", "the name of a factor is missing"),
        ("drying_time^2^2", "'2\\^2' is not a power"),
    ],
)
def test_what_is_not_a_term_is_refused(text, words):
    with pytest.raises(ValueError, match=words):
        terms.parse_term(text, NAMES)


@settings(deadline=None)
@given(TERM)
def test_terms_are_written_as_they_are_read(term):
    assert terms.parse_term(terms.format_term(term, NAMES), NAMES) == term


@settings(deadline=None)
@given(st.lists(TERM, max_size=4), st.randoms())
def test_hierarchy_is_closed_complete_and_in_one_order(given_terms, random):
    closed = terms.with_hierarchy(given_terms)
    assert () in closed
    assert set(given_terms) <= set(closed)
    assert len(set(closed)) == len(closed)
    for term in closed:
        assert {part for size in range(len(term)) for part in combinations(term, size)} <= set(closed)
    assert [len(term) for term in closed] == sorted(len(term) for term in closed)
    assert terms.with_hierarchy(closed) == closed
    shuffled = random.sample(given_terms, len(given_terms))
    assert terms.with_hierarchy(shuffled) == closed


@pytest.mark.parametrize("family", ["main", "interactions", "quadratic"])
def test_standard_models_are_hierarchical(family):
    model = terms.standard_terms(family, LEVELS)
    assert terms.with_hierarchy(model) == model


@settings(deadline=None)
@given(COUNTS, st.sampled_from(["main", "interactions", "quadratic"]), st.integers(0, 2**32 - 1))
def test_columns_and_labels_agree_in_number(levels, family, seed):
    rng = np.random.default_rng(seed)
    coded = np.column_stack([rng.integers(0, count, 6) if count else rng.uniform(-1, 1, 6) for count in levels])
    model = terms.standard_terms(family, levels)
    wanted = sum(prod(levels[i] - 1 for i in set(term) if levels[i]) for term in model)
    names = [f"f{i}" for i in range(len(levels))]
    level_names = [[f"l{j}" for j in range(count)] for count in levels]
    assert terms.model_matrix(coded, model, levels).shape == (6, wanted)
    assert len(terms.column_terms(model, levels)) == wanted
    labels = terms.column_labels(model, levels, names, level_names)
    assert len(set(labels)) == wanted


def test_columns_hold_products_powers_and_contrasts():
    model = ((), (0,), (1,), (0, 1), (0, 0), (0, 2, 2))
    matrix = terms.model_matrix(np.array([[0.5, 0, -2.0], [0.5, 2, 3.0]]), model, LEVELS)
    assert matrix.tolist() == [
        [1, 0.5, 1, 0, 0.5, 0, 0.25, 2.0], [1, 0.5, -1, -1, -0.5, -0.5, 0.25, 4.5],
    ]
    assert terms.column_terms(model, LEVELS) == (
        ((), ()), ((0,), ()), ((1,), (0,)), ((1,), (1,)), ((0, 1), (0,)), ((0, 1), (1,)), ((0, 0), ()), ((0, 2, 2), ()),
    )
    assert terms.column_labels(model, LEVELS, NAMES, LEVEL_NAMES) == [
        "intercept", "nozzle_temperature", "bed_surface [glass]", "bed_surface [textured]",
        "nozzle_temperature * bed_surface [glass]", "nozzle_temperature * bed_surface [textured]",
        "nozzle_temperature^2", "nozzle_temperature * drying_time^2",
    ]


def test_contrasts_of_two_factors_pair_up_in_order():
    levels = (2, 3)
    assert terms.column_labels([(0, 1)], levels, ("a", "b"), (("x", "y"), ("p", "q", "r"))) == [
        "a [x] * b [p]", "a [x] * b [q]",
    ]
    assert terms.model_matrix(np.array([[1.0, 1.0]]), [(0, 1)], levels).tolist() == [[0, -1]]


def test_contrasts_sum_to_zero_over_the_levels():
    every = np.array(list(product(range(3), range(4))), dtype=float)
    matrix = terms.model_matrix(every, terms.standard_terms("interactions", (3, 4)), (3, 4))
    assert matrix[:, 1:].sum(axis=0).tolist() == [0] * 11
    assert terms.estimable(matrix)


@pytest.mark.parametrize(
    ("coded", "model", "words"),
    [
        ([[0.0, 1.0]], [(0,)], "one column for each of the 3 factors"),
        ([[np.nan, 1.0, 0.0]], [(0,)], "must all be numbers"),
        ([[0.0, 3.0, 0.0]], [(0,)], "factor number 2 has 3 levels; its settings must be 0 to 2"),
        ([[0.0, 0.5, 0.0]], [(0,)], "factor number 2 has 3 levels"),
        ([[0.0, 1.0, 0.0]], [(3,)], "factor number 4, and there are 3 factors"),
        ([[0.0, 1.0, 0.0]], [(1, 1)], "has no square or higher power"),
    ],
)
def test_settings_and_terms_are_checked(coded, model, words):
    with pytest.raises(ValueError, match=words):
        terms.model_matrix(np.array(coded), model, LEVELS)


def test_aliases_of_a_half_fraction():
    levels = (0, 0, 0)
    groups = terms.alias_groups(half_fraction(), [*terms.standard_terms("interactions", levels), (0, 1, 2)], levels)
    assert groups == [{(), (0, 1, 2)}, {(0,), (1, 2)}, {(1,), (0, 2)}, {(2,), (0, 1)}]


def test_centre_runs_part_the_squares_from_the_intercept_and_not_from_each_other():
    levels = (0, 0)
    model = terms.standard_terms("quadratic", levels)
    assert terms.alias_groups(corners(2), model, levels) == [{(), (0, 0), (1, 1)}]
    with_centre = np.vstack([corners(2), np.zeros((2, 2))])
    assert terms.alias_groups(with_centre, model, levels) == [{(0, 0), (1, 1)}]


def test_a_categorical_factor_that_always_moves_with_another_is_aliased_with_it():
    coded = np.array([[0, 0, -1.0], [1, 1, -1.0], [2, 2, -1.0], [0, 0, 1.0], [1, 1, 1.0], [2, 2, 1.0]])
    assert terms.alias_groups(coded, [(), (0,), (1,), (2,)], (3, 3, 0)) == [{(0,), (1,)}]
    coded[5, 1] = 0
    assert terms.alias_groups(coded, [(), (0,), (1,), (2,)], (3, 3, 0)) == []


def test_dependent_columns_are_named_with_their_partners():
    levels = (0, 0, 0)
    matrix = terms.model_matrix(half_fraction(), terms.standard_terms("interactions", levels), levels)
    assert not terms.estimable(matrix)
    assert terms.rank(matrix) == 4
    assert terms.confounded_columns(matrix) == ((3, 4), (2, 5), (1, 6))


def test_a_sum_of_columns_and_a_column_of_zeros_are_found():
    a, b = np.array([1.0, 0, 2, 1]), np.array([0.0, 1, 1, 5])
    matrix = np.column_stack([np.ones(4), a, 1e6 * b, a - b, np.zeros(4)])
    assert terms.confounded_columns(matrix) == ((1, 2, 3), (4,))
    assert terms.rank(matrix) == 3


def test_a_model_with_more_columns_than_runs_is_not_estimable():
    levels = (0, 0)
    matrix = terms.model_matrix(corners(2), terms.standard_terms("quadratic", levels), levels)
    assert terms.confounded_columns(matrix) == ((0, 4), (0, 5))
    assert terms.confounded_columns(matrix[:, :4]) == ()
    assert terms.estimable(matrix[:, :4])
