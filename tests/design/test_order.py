"""Loads, printers and order: what every arrangement keeps, and that no swap betters it."""

from collections import Counter
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.design import order
from doe.errors import InputRefused
from doe.numerics import catalogue, criteria, dealing
from doe.numerics.terms import model_matrix, standard_terms
from tests.conftest import make_study, numeric

COMPOSITE = catalogue.central_composite(4, "face", "rotatable", 4).points
SCREENING = catalogue.definitive_screening(6, extra_centre=3)
FACTORIAL = np.vstack([2 * catalogue.full_factorial((2,) * 4) - 1, np.zeros((4, 4))])
PLANS = {
    "composite, load factor, 6 loads": (COMPOSITE, (3,), 6, 2, "quadratic"),
    "composite, load factor, 8 loads": (COMPOSITE, (3,), 8, 3, "quadratic"),
    "composite, loads as blocks": (COMPOSITE, (), 6, 2, "quadratic"),
    "screening, two load factors": (SCREENING, (4, 5), 10, 2, "main"),
    "screening, loads as blocks": (SCREENING, (), 5, 1, "main"),
    "factorial": (FACTORIAL, (), 4, 2, "interactions"),
    "no loads": (COMPOSITE, (), 0, 3, "quadratic"),
    "no printers": (COMPOSITE, (3,), 6, 0, "quadratic"),
}


def arranged(points, load_factors, loads, printers, family, seed=1):
    """Return the study, its targets and an arrangement of coded points."""
    change = [{"change": "load"} if i in load_factors else {} for i in range(points.shape[1])]
    factors = [numeric(f"factor_{i}", -10, 10, 1, unit="1", **more) for i, more in enumerate(change)]
    study = make_study(
        factors=factors, model={"terms": family}, budget={}, printers=[{"name": f"P{i}"} for i in range(printers)]
    )
    targets = pd.DataFrame(10 * points, columns=[factor.name for factor in study.factors])
    return study, targets, order.arrange(study, targets, loads, seed)


@pytest.fixture(scope="module", params=PLANS.values(), ids=PLANS.keys())
def plan(request):
    return request.param, arranged(*request.param)[2]


def cells_of(points):
    return np.unique(points, axis=0, return_inverse=True)[1].ravel()


def within_loads(cell, load):
    """Prints that repeat another one of their load."""
    return sum(count - 1 for count in Counter(zip(load.tolist(), cell.tolist(), strict=True)).values())


def loads_of(cell, load, code):
    return len(set(load[cell == code].tolist()))


def flat(points, printer):
    """Factors that a printer has at one level only, over the printers."""
    return sum(int((np.ptp(points[printer == code], axis=0) == 0).sum()) for code in set(printer.tolist()))


def log_d(points, family, load, printer):
    levels = (0,) * points.shape[1]
    X = model_matrix(points, standard_terms(family, levels), levels)
    count = printer.max()
    if count > 0:
        X = np.hstack([X, np.vstack([np.eye(count), -np.ones(count)])[printer]])
    return criteria.log_d(X, None if load.max() < 0 else load, 1.0)


def test_loads_are_whole_and_as_equal_as_their_levels_allow(plan):
    (points, load_factors, loads, _, _), (load, _, sequence) = plan
    assert sorted(sequence.tolist()) == list(range(len(points)))
    if not loads:
        assert set(load.tolist()) == {-1}
        return
    assert sorted(set(load.tolist())) == list(range(loads))
    for code in range(loads):
        assert len(np.unique(points[load == code][:, list(load_factors)], axis=0)) == 1
    levels = cells_of(points[:, list(load_factors)]) if load_factors else np.zeros(len(points))
    for level in np.unique(levels):
        sizes = Counter(load[levels == level].tolist()).values()
        assert max(sizes) - min(sizes) <= 1


def test_loads_are_printed_one_after_another_with_printers_alternating(plan):
    (_, _, loads, printers, _), (load, printer, sequence) = plan
    along = load[sequence]
    assert (np.diff(along) != 0).sum() == max(loads - 1, 0)
    for code in set(along.tolist()):
        turns = printer[sequence][along == code].tolist()
        if printers > 1:
            assert all(a != b for a, b in pairwise(turns))
        else:
            assert set(turns) == {printers - 1}


def test_every_printer_makes_its_share(plan):
    (points, _, _, printers, _), (load, printer, _) = plan
    for here in [np.ones(len(load), dtype=bool), *(load == code for code in np.unique(load))]:
        shares = np.bincount(printer[here] + 1, minlength=printers + 1)[1:]
        assert printers == 0 or shares.max() - shares.min() <= 1
    assert flat(points, printer) == 0


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("loads", [2, 6, 7])
def test_few_prints_on_many_printers_still_differ_in_every_factor(loads, seed):
    points = catalogue.box_behnken(3)
    _, _, (_, printer, _) = arranged(points, (), loads, 4, "main", seed)
    assert flat(points, printer) == 0


def test_pure_error_within_a_load_and_no_setting_in_one_load_alone(plan):
    (points, load_factors, loads, _, _), (load, _, _) = plan
    cell = cells_of(points)
    if not loads:
        return
    assert within_loads(cell, load) >= 1
    for code, count in Counter(cell.tolist()).items():
        level = points[cell == code][0, list(load_factors)]
        reachable = len(set(load[(points[:, list(load_factors)] == level).all(axis=1)].tolist()))
        assert count < 3 or reachable < 2 or loads_of(cell, load, code) >= 2


def test_no_swap_betters_the_determinant(plan):
    # Brute force over all pairs of prints that may change places, by the determinant itself; swaps that leave fewer
    # replicates within loads, or a setting in one load alone, are not better.
    (points, load_factors, _, _, family), (load, printer, _) = plan
    cell = cells_of(points)
    thrice = [code for code, count in Counter(cell.tolist()).items() if count >= 3]
    before = log_d(points, family, load, printer)
    for s, t in combinations(range(len(points)), 2):
        if (points[s, list(load_factors)] != points[t, list(load_factors)]).any():
            continue
        other, turn = load.copy(), printer.copy()
        other[[s, t]], turn[[s, t]] = load[[t, s]], printer[[t, s]]
        worse = within_loads(cell, other) < within_loads(cell, load) or flat(points, turn) > flat(points, printer)
        worse |= any(loads_of(cell, other, code) < loads_of(cell, load, code) for code in thrice)
        assert worse or log_d(points, family, other, turn) <= before + 2e-6


def test_better_than_the_best_of_many_random_deals():
    _, _, (load, printer, _) = arranged(COMPOSITE, (3,), 8, 2, "quadratic")
    rng = np.random.default_rng(0)
    level = (COMPOSITE[:, 3] + 1).astype(int)
    best = -np.inf
    for _ in range(300):
        deal = np.empty(28, dtype=np.int64)
        for code in range(3):
            deal[rng.permutation(np.flatnonzero(level == code))] = np.sort(load[level == code])
        turn = np.empty(28, dtype=np.int64)
        turn[np.argsort(deal, kind="stable")] = np.arange(28) % 2
        best = max(best, log_d(COMPOSITE, "quadratic", deal, turn))
    assert log_d(COMPOSITE, "quadratic", load, printer) > best + 0.5


def test_a_factorial_loses_nothing_to_loads_and_printers():
    # Montgomery, Design and Analysis of Experiments, section 7.4: 2^4 in two blocks by ABCD; a second product of three or
    # more is left for two printers, so that all columns of the model are orthogonal to both.
    points = FACTORIAL[:16]
    _, _, (load, printer, _) = arranged(points, (), 2, 2, "main")
    sides, turns = np.where(load == 0, 1.0, -1.0), np.where(printer == 0, 1.0, -1.0)
    assert not (points.T @ sides).any() and not (points.T @ turns).any() and sides @ turns == 0


def best_deal(points, columns, loads, pairs, apart=()):
    """The best of forty improved deals on two printers under a wish for replicates."""
    rng = np.random.default_rng(8)
    n = len(points)
    levels = (0,) * points.shape[1]
    X = model_matrix(points, standard_terms("quadratic", levels), levels)[:, columns]
    load = np.sort(np.arange(n) % loads)
    wish = dealing.Wish((points + 1).astype(np.int64), cells_of(points), pairs, apart)
    deals = []
    for _ in range(40):
        turns = np.roll(np.arange(n) % 2, int(rng.integers(2)))
        places = dealing.Places(load, turns, np.zeros(n, dtype=np.int64))
        deals.append(dealing.improve(X, places, wish, rng.permutation(n), 1000))
    return max(deals, key=lambda deal: (-deal.lack, deal.log_d))


def test_a_setting_is_spread_where_it_costs_little():
    # Four centre prints of a 2^4 in four loads: one load for all of them is the best deal for the model with interactions,
    # but by less than 1 % of the D-efficiency.
    cell = cells_of(FACTORIAL)
    together = best_deal(FACTORIAL, range(11), 4, 1)
    spread = best_deal(FACTORIAL, range(11), 4, 1, (cell[-1],))
    assert loads_of(cell, together.load, cell[-1]) == 1
    assert 0.99 < np.exp((spread.log_d - together.log_d) / 11) < 1
    _, _, (load, _, _) = arranged(*PLANS["factorial"])
    assert loads_of(cell, load, cell[-1]) >= 2


def test_a_second_pair_is_left_out_where_it_costs_more():
    # Four centre prints of a screening design in five loads, with squares in the model as far as they can be told apart.
    cell = cells_of(SCREENING)
    levels = (0,) * 6
    X = model_matrix(SCREENING, standard_terms("quadratic", levels), levels)
    kept = []
    for column in range(X.shape[1]):
        if np.linalg.matrix_rank(X[:, [*kept, column]]) == len(kept) + 1:
            kept.append(column)
    once = best_deal(SCREENING, kept, 5, 1, (cell[-1],))
    twice = best_deal(SCREENING, kept, 5, 2, (cell[-1],))
    assert np.exp((twice.log_d - once.log_d) / len(kept)) < 0.99
    _, _, (load, _, _) = arranged(SCREENING, (), 5, 2, "quadratic")
    assert within_loads(cell, load) == 1


def test_same_seed_same_arrangement_and_another_seed_another():
    first, again, other = (arranged(*PLANS["factorial"], seed=seed)[2] for seed in (4, 4, 5))
    assert [part.tobytes() for part in first] == [part.tobytes() for part in again]
    assert first[2].tobytes() != other[2].tobytes()


def test_one_print_a_load_and_one_load():
    for loads in (1, 28):
        _, _, (load, printer, sequence) = arranged(COMPOSITE, (), loads, 2, "quadratic")
        assert Counter(Counter(load.tolist()).values()) == {28 // loads: loads}
        assert Counter(printer.tolist()) == {0: 14, 1: 14}
        assert sorted(sequence.tolist()) == list(range(28))


def test_load_count_takes_what_is_asked_then_the_budget_then_three_degrees_of_freedom():
    study, targets, _ = arranged(COMPOSITE, (3,), 6, 2, "quadratic")
    assert order.load_count(study, targets, 9) == 9
    budgeted = study.model_copy(update={"budget": study.budget.model_copy(update={"loads": 7})})
    assert order.load_count(budgeted, targets, None) == 7
    assert order.load_count(study, targets, None) == 6  # three columns, 1, x and x^2, between loads, and three more
    with pytest.raises(InputRefused, match=r"takes from 3 .* to 28"):
        order.load_count(study, targets, 2)
    with pytest.raises(InputRefused, match="give a number from 3 to 28"):
        order.load_count(study, targets, 29)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 5), min_size=1, max_size=30), st.integers(0, 4), st.integers(0, 99))
def test_run_order_deals_printers_in_turn(codes, printers, seed):
    load = np.array(codes, dtype=np.int64)
    sequence, printer = order.run_order(load, printers, np.random.default_rng(seed))
    assert sorted(sequence.tolist()) == list(range(len(load)))
    assert (np.diff(load[sequence]) != 0).sum() == len(set(codes)) - 1
    if not printers:
        assert set(printer.tolist()) == {-1}
        return
    for here in [np.ones(len(load), dtype=bool), *(load == code for code in set(codes))]:
        shares = np.bincount(printer[here], minlength=printers)
        assert shares.max() - shares.min() <= 1
    if printers > 1:
        assert (np.diff(printer[sequence]) != 0).all()


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 2)), min_size=1, max_size=30), st.integers(0, 99))
def test_run_order_keeps_printers_that_were_dealt(prints, seed):
    load, given_ = (np.array(codes, dtype=np.int64) for codes in zip(*prints, strict=True))
    sequence, printer = order.run_order(load, given_, np.random.default_rng(seed))
    assert printer.tolist() == given_.tolist()
    assert sorted(sequence.tolist()) == list(range(len(load)))
    for code in set(load.tolist()):
        turns = given_[sequence][load[sequence] == code]
        most = np.bincount(turns).max()
        # None can be avoided only where one printer has more than all others and one.
        assert (np.diff(turns) == 0).sum() == max(0, 2 * most - len(turns) - 1)


def test_run_order_is_random_in_loads_and_within_them():
    # 1200 orders of three loads of three: each load is first, and each print is first of its load, 400 times; five
    # standard deviations are 5 sqrt(1200 / 3 * 2 / 3) = 82.
    load, printers = np.repeat([0, 1, 2], 3), np.array([0, 1, 0, 1, 0, 1, 0, 1, 0])
    rng = np.random.default_rng(11)
    orders = np.array([order.run_order(load, 2, rng)[0] for _ in range(1200)])
    assert (abs(np.bincount(load[orders[:, 0]]) - 400) < 82).all()
    firsts = orders[np.arange(1200), [int(np.flatnonzero(load[row] == 0)[0]) for row in orders]]
    assert (abs(np.bincount(firsts, minlength=3) - 400) < 82).all()
    # With printers dealt 2 and 1, the printer with two prints begins, with either of them: 600 times, 5 sqrt(300) = 87.
    orders = np.array([order.run_order(load, printers, rng)[0] for _ in range(1200)])
    firsts = orders[np.arange(1200), [int(np.flatnonzero(load[row] == 0)[0]) for row in orders]]
    counts = np.bincount(firsts, minlength=3)
    assert counts[1] == 0 and abs(counts[0] - 600) < 87


def test_no_loads_are_one_random_order():
    sequence, printer = order.run_order(np.full(6, -1), np.full(6, -1), np.random.default_rng(1))
    assert sorted(sequence.tolist()) == list(range(6))
    assert printer.tolist() == [-1] * 6
