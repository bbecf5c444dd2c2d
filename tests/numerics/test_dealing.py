"""Swaps between loads and printers: the predicted change against the determinant itself, and known blockings."""

import math
from itertools import combinations, permutations

import numpy as np
import pytest

from doe.numerics import catalogue, criteria
from doe.numerics.dealing import Places, Wish, improve, lack, lack_changes, log_factors, random_deal
from doe.numerics.terms import model_matrix, standard_terms


def two_level(factors):
    return 2 * catalogue.full_factorial((2,) * factors) - 1


def matrix(points, family):
    levels = (0,) * points.shape[1]
    return model_matrix(points, standard_terms(family, levels), levels)


def contrasts(printer):
    count = int(printer.max())
    return np.vstack([np.eye(count), -np.ones(count)])[printer]


def log_d(X, blocks, load):
    return criteria.log_d(np.hstack([X, blocks]), None if load.max() < 0 else load, 1.0)


def wish_of(points, cell=None, pairs=0, apart=()):
    """A wish for some points; every print is a setting of its own where no cells are given."""
    return Wish(np.round(2 * points + 2).astype(np.int64), np.arange(len(points)) if cell is None else cell, pairs, apart)


def swapped(codes, s, t):
    other = codes.copy()
    other[s], other[t] = codes[t], codes[s]
    return other


def ridged(X, blocks, load):
    """The determinant with the ridge of 1e-6 that keeps it finite."""
    M = criteria.information(np.hstack([X, blocks]), None if load.max() < 0 else load, 1.0)
    return np.linalg.slogdet(M + 1e-6 * np.eye(len(M)))[1]


@pytest.mark.parametrize(("loads", "printers"), [(4, 1), (4, 2), (5, 3), (0, 3), (18, 2)])
def test_predicted_factors_are_those_of_the_determinant(loads, printers):
    rng = np.random.default_rng(7)
    X = matrix(catalogue.central_composite(3, "face", "rotatable", 4).points, "quadratic")
    n = len(X)
    load = np.arange(n) % loads if loads else np.full(n, -1)
    blocks = contrasts(rng.permutation(np.arange(n) % printers))
    at = rng.permutation(n)
    predicted = log_factors(X[at], blocks, load)
    before = ridged(X[at], blocks, load)
    for s, t in combinations(range(n), 2):
        assert predicted[s, t] == pytest.approx(ridged(X[swapped(at, s, t)], blocks, load) - before, abs=1e-8)
    assert predicted == pytest.approx(predicted.T, abs=1e-9)


def missing(wish, load, printer):
    """What is missing of a wish, counted print by print."""
    cell, prints = wish.cell, range(len(wish.cell))
    repeated = sum(any(cell[i] == cell[j] and load[i] == load[j] for j in range(i)) for i in prints)
    held = [len({load[i] for i in prints if cell[i] == code}) for code in wish.apart]
    flat = 0
    for factor in range(wish.settings.shape[1]):
        for code in set(printer.tolist()) - {-1}:
            levels = [wish.settings[i, factor] for i in prints if printer[i] == code]
            flat += len(levels) > 1 and len(set(levels)) == 1
    return max(0, wish.pairs - repeated) + sum(max(0, 2 - count) for count in held) + flat


@pytest.mark.parametrize("pairs", [0, 1, 3, 9])
@pytest.mark.parametrize("apart", [(), (0,), (0, 1)])
@pytest.mark.parametrize("printers", [0, 1, 2, 4, 8])
def test_what_is_missing_is_counted_and_predicted(pairs, apart, printers):
    rng = np.random.default_rng(3)
    for _ in range(6):
        cell = rng.permutation(np.array([0, 0, 0, 0, 1, 1, 1, 2, 2, 3, 4, 5]))
        wish = Wish(rng.integers(0, [2, 2, 3], size=(6, 3))[cell], cell, pairs, apart)
        load = rng.permutation(np.arange(12) % int(rng.integers(2, 7)))
        printer = rng.permutation(np.arange(12) % printers) if printers else np.full(12, -1)
        if (np.ptp(wish.settings, axis=0) == 0).any():
            continue
        now = lack(wish, load, printer)
        assert now == missing(wish, load, printer)
        at = rng.permutation(12)
        places = Places(load[at], printer[at], np.zeros(12, dtype=np.int64))
        changes = lack_changes(wish, places, at)
        for s, t in combinations(range(12), 2):
            i, j = at[s], at[t]
            after = missing(wish, swapped(load, i, j), swapped(printer, i, j))
            assert changes[s, t] == changes[t, s] == after - now


def test_a_factor_that_does_not_vary_is_not_missing():
    settings = np.array([[0, 0], [0, 1], [0, 0], [0, 1]])
    wish = Wish(settings, np.arange(4))
    assert lack(wish, np.zeros(4, dtype=np.int64), np.array([0, 0, 1, 1])) == 0
    assert lack(wish, np.zeros(4, dtype=np.int64), np.array([0, 1, 0, 1])) == 2


def best_of(X, places, wish, starts=10, seed=1):
    rng = np.random.default_rng(seed)
    level = places.level
    deals = [improve(X, places, wish, random_deal(places, level, rng), 1000) for _ in range(starts)]
    return max(deals, key=lambda deal: (-deal.lack, deal.log_d))


def places_of(loads, printers=None):
    n = len(loads)
    return Places(np.array(loads), np.full(n, -1) if printers is None else np.array(printers), np.zeros(n, dtype=np.int64))


@pytest.mark.parametrize("factors", [3, 4, 5])
def test_a_factorial_in_two_loads_gives_up_its_highest_interaction(factors):
    # Montgomery, Design and Analysis of Experiments, section 7.4; Box, Hunter and Hunter (2005), ch. 5: two blocks are told
    # apart by the product of all factors, which for 3 factors is the only one that takes nothing from the interactions of two.
    points = two_level(factors)
    X = matrix(points, "interactions")
    deal = best_of(X, places_of(np.arange(len(points)) % 2), wish_of(points))
    sides = np.where(deal.load == 0, 1.0, -1.0)
    assert not (X.T @ sides)[1:].any()
    if factors == 3:
        assert abs(float(sides @ points.prod(axis=1))) == 8
    # All columns but the intercept keep n; the intercept keeps n / (1 + n / 2) at ratio 1.
    n = len(points)
    assert deal.log_d == pytest.approx((X.shape[1] - 1) * math.log(n) + math.log(n / (1 + n / 2)), abs=1e-9)


def test_a_factorial_in_four_loads_on_two_printers():
    # Montgomery, section 7.6: 2^5 in four blocks with ADE, BCE and so ABCD given up; here printers take a fourth product.
    points = two_level(5)
    X = matrix(points, "interactions")
    n = len(points)
    deal = best_of(X, places_of(np.arange(n) % 4, np.arange(n) // 4 % 2), wish_of(points), starts=40)
    bound = X.shape[1] * math.log(n) + math.log(n / (1 + n / 4))  # 15 columns and the printers keep n, the intercept less
    assert deal.log_d == pytest.approx(bound, abs=1e-9)


def test_the_best_deal_of_all():
    # Every deal of seven prints to loads of four and three, with two printers: 7! / (2! 2! 2! 1!) = 630.
    points = np.array([[-1.0, -1], [1, -1], [-1, 1], [1, 1], [0, 0], [1, 0], [0, 1]])
    X = matrix(points, "interactions")
    places = places_of([0, 0, 0, 0, 1, 1, 1], [0, 1, 0, 1, 0, 1, 0])
    deals = [at for at in permutations(range(7)) if at[0] < at[2] and at[1] < at[3] and at[4] < at[6]]
    assert len(deals) == 630
    best = max(log_d(X[list(at)], contrasts(places.printer), places.load) for at in deals)
    assert best_of(X, places, wish_of(points)).log_d == pytest.approx(best, abs=1e-9)


def test_levels_are_kept_and_swaps_can_be_limited():
    rng = np.random.default_rng(5)
    points = catalogue.box_behnken(3)
    X = matrix(points, "interactions")
    level = (points[:, 2] + 1).astype(np.int64)
    kind = np.sort(level)
    places = Places(np.cumsum(np.arange(12) % 2 == 0) - 1, np.arange(12) % 2, kind)
    at = random_deal(places, level, rng)
    assert np.array_equal(level[at], kind)
    deal = improve(X, places, wish_of(points), at, 1000)
    assert sorted(zip(deal.load, level, strict=True)) == sorted(zip(places.load, kind, strict=True))
    untouched = improve(X, places, wish_of(points), at, 0)
    assert np.array_equal(untouched.load[at], places.load)
    assert untouched.log_d <= deal.log_d


def test_replicates_count_for_more_than_the_determinant():
    points = catalogue.central_composite(3, "face", "rotatable", 4).points
    cell = np.minimum(np.arange(18), 14)
    X = matrix(points, "quadratic")
    load = np.arange(18) % 4
    places = places_of(load, np.argsort(np.argsort(load, kind="stable")) % 2)
    free = best_of(X, places, wish_of(points, cell))
    wish = wish_of(points, cell, 2, (14,))
    assert lack(wish, free.load, free.printer) == 2
    paired = best_of(X, places, wish)
    assert paired.lack == 0 and paired.log_d < free.log_d


def test_what_does_not_fit_is_missing():
    points = np.vstack([two_level(2), np.zeros((4, 2))])
    wish = wish_of(points, np.array([0, 1, 2, 3, 4, 4, 4, 4]), 4)
    assert best_of(matrix(points, "interactions"), places_of([0, 0, 1, 1, 2, 2, 3, 3]), wish).lack == 2


def test_printers_that_would_leave_no_print_over_are_not_in_the_determinant():
    points = two_level(2)
    deal = best_of(matrix(points, "interactions"), places_of([0, 0, 1, 1], [0, 1, 0, 1]), wish_of(points))
    # X is square: |X'V^-1 X| = |X|^2 / |V|, and a load of two has |V| = 3 at ratio 1.
    assert deal.log_d == pytest.approx(4 * math.log(4) - 2 * math.log(3), abs=1e-9)


def test_no_printer_makes_all_its_prints_at_one_level():
    # A saturated design: nothing is left over for printers, and the determinant does not see them.
    points = catalogue.fractional_factorial(6, runs=8).points[:, :6]
    X = np.hstack([matrix(points, "main"), (points[:, :1] * points[:, 5:])])
    places = places_of(np.full(8, -1), np.arange(8) % 2)
    turns = best_of(X, places, wish_of(points)).printer
    assert all(np.ptp(points[turns == code], axis=0).all() for code in (0, 1))


def test_printers_that_cannot_be_told_apart_from_the_model_end_the_search_too():
    points = catalogue.full_factorial((4,)) - 1.0
    X = np.hstack([np.ones((4, 1)), points, points**2])
    deal = best_of(X, places_of([0, 0, 1, 1], [0, 1, 2, 0]), wish_of(points))
    assert np.isfinite(deal.log_d)
    twice = np.vstack([X, X[:1]])
    deal = best_of(twice, places_of([0, 0, 1, 1, 1], [0, 1, 2, 3, 0]), wish_of(np.vstack([points, points[:1]])))
    assert deal.load.shape == (5,)
