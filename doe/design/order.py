"""Loads, printers, run order: settings that share a load factor's level are dried together, everything else is random."""

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, purpose
from doe.errors import InputRefused, Problem
from doe.numerics import terms
from doe.numerics.dealing import Deal, Places, Wish, improve, lack, random_deal
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_STARTS = 24
# What a large plan may cost, in starts, and in swaps of one start, times squared prints: its random deals are good already.
_WORK_OF_STARTS = 40_000
_WORK_OF_SWAPS = 4_000_000
_WISH_COST = 0.01  # share of the D-efficiency


def load_count(study: Study, targets: pd.DataFrame, asked: int | None) -> int:
    """
    Return how many drying loads a plan gets: those asked for, else the budget's, else what gives 3 error degrees of freedom.

    Raises
    ------
    InputRefused
        Where there are fewer loads than levels of the load factors, or more loads than prints.
    """
    levels = len(set(_load_levels(study, targets).tolist()))
    wanted = asked if asked is not None else study.budget.loads
    if wanted is None:
        return purpose.default_loads(study, len(targets))
    if not levels <= wanted <= len(targets):
        raise InputRefused(
            Problem(
                "--loads" if asked is not None else "study.toml, budget.loads",
                f"{wanted} drying loads",
                f"this plan takes from {levels} (one per level of what is fixed in a load) to {len(targets)} (one per print)",
                f"give a number from {levels} to {len(targets)}",
            )
        )
    return wanted


def arrange(study: Study, targets: pd.DataFrame, loads: int, seed: int) -> tuple[Codes, Codes, Codes]:
    """
    Deal settings to loads and printers and put them in run order.

    Loads are as equal as the levels of the load factors allow; in every load each printer makes its share, one print
    more or less. Random deals within these limits are improved by swaps of prints between loads of one level and between
    printers until no swap raises the determinant of X'V^-1X (V with equal load and print variances; Goos and Vandebroek
    2003), so that loads and printers take as little of the model with them as they can; the best is kept. No printer makes
    all its prints at one level of a factor. Where settings are replicated, one pair at least falls in one load, for pure
    error; a setting printed three times or more is spread over two loads, and there is a second pair, where this costs
    less than 1 % of the D-efficiency. The order of the loads, and of the prints in a load, is random with printers
    alternating (``run_order``).

    Parameters
    ----------
    study : Study
    targets : DataFrame of shape (n, k)
    loads : int
        0 where the study has none.
    seed : int

    Returns
    -------
    load, printer : ndarray of shape (n,)
        Codes in the order of ``targets``; -1 where there is none.
    sequence : ndarray of shape (n,)
        Row numbers of ``targets`` in run order.
    """
    generator = np.random.default_rng(seed)
    level = _load_levels(study, targets) if loads else np.zeros(len(targets), dtype=np.int64)
    sizes = _loads_per_level(level, loads) if loads else {}
    X, printers = _estimable_part(study, targets), len(study.printers)
    first, *more = _wishes(targets, level, sizes)
    best = _best_deal(X, level, sizes, printers, first, generator)
    missing, least = best.lack, best.log_d + X.shape[1] * math.log(1 - _WISH_COST)
    for wish in more:
        if lack(wish, best.load, best.printer) > missing:
            deal = _best_deal(X, level, sizes, printers, wish, generator)
            best = deal if deal.lack <= missing and deal.log_d >= least else best
    sequence, printer = run_order(best.load, best.printer, generator)
    return best.load, printer, sequence


def run_order(load: Codes, printers: int | Codes, generator: np.random.Generator) -> tuple[Codes, Codes]:
    """
    Put prints whose loads are fixed in random order: loads one after another, printers alternating within each.

    Parameters
    ----------
    load : ndarray of shape (n,)
        Load codes; -1 for all where there are no loads, and all prints are then in one random order.
    printers : int or ndarray of shape (n,)
        The printer of each print, where it was dealt already; else how many printers take turns along the order, 0 where
        the study names none.
    generator : numpy Generator

    Returns
    -------
    sequence : ndarray of shape (n,)
        Row numbers in run order.
    printer : ndarray of shape (n,)
        Codes in the order of ``load``; -1 where there are no printers.
    """
    groups = [generator.permutation(np.flatnonzero(load == code)) for code in generator.permutation(np.unique(load))]
    if isinstance(printers, int):
        sequence = np.concatenate(groups)
        printer = np.full(len(load), -1, dtype=np.int64)
        printer[sequence] = _in_turn(len(load), printers, generator)
        return sequence, printer
    return np.concatenate([_alternating(rows, printers[rows], generator) for rows in groups]), printers.copy()


def _in_turn(prints: int, printers: int, generator: np.random.Generator) -> Codes:
    """Return the printers in turn, in random order; -1 where there are none."""
    return generator.permutation(printers)[np.arange(prints) % printers] if printers else np.full(prints, -1)


def _alternating(rows: Codes, printer: Codes, generator: np.random.Generator) -> Codes:
    """Return rows so that the printer with most prints left comes next, equals at random, but none twice running if it can be."""
    left = np.bincount(np.maximum(printer, 0))
    queues = [list(rows[printer == code]) for code in range(len(left))] if printer.max(initial=-1) >= 0 else [list(rows)]
    order: list[int] = []
    last = -1
    for _ in rows:
        score = left + generator.random(len(left)) / 2
        score[left == 0] = -1.0
        if last >= 0 and left.sum() > left[last]:
            score[last] = -1.0
        last = int(np.argmax(score))
        left[last] -= 1
        order.append(int(queues[last].pop()))
    return np.array(order, dtype=np.int64)


def _wishes(targets: pd.DataFrame, level: Codes, sizes: dict[int, int]) -> list[Wish]:
    """Return what is asked besides the determinant, the first always, each other one where it costs little."""
    settings = np.column_stack([check.cells(targets[[name]]) for name in targets])
    cell = check.cells(targets)
    counts = np.bincount(cell)
    repeated = int((counts - 1).sum())
    if not sizes or not repeated:
        return [Wish(settings, cell)]
    level_of = dict(zip(cell.tolist(), level.tolist(), strict=True))
    apart = tuple(code for code in level_of if counts[code] >= 3 and sizes[level_of[code]] >= 2)
    pairs = max(1, min(2, repeated - len(apart)))
    return [Wish(settings, cell, 1), Wish(settings, cell, 1, apart), Wish(settings, cell, pairs, apart)]


def _best_deal(
    X: Array, level: Codes, sizes: dict[int, int], printers: int, wish: Wish, generator: np.random.Generator
) -> Deal:
    """Return the best of several random deals, each improved by swaps."""
    starts = max(1, min(_STARTS, _WORK_OF_STARTS // len(X) ** 2)) if sizes or printers > 1 else 1
    swaps = max(1, min(10 * len(X), _WORK_OF_SWAPS // len(X) ** 2))
    best: Deal | None = None
    for _ in range(starts):
        places = _random_places(level, sizes, printers, generator)
        deal = improve(X, places, wish, random_deal(places, level, generator), swaps)
        if best is None or (deal.lack, best.log_d + 1e-9) < (best.lack, deal.log_d):
            best = deal
    assert best is not None
    return best


def _random_places(level: Codes, sizes: dict[int, int], printers: int, generator: np.random.Generator) -> Places:
    """Return places in equal loads of each level, and printers in turn along the loads in random order."""
    kind = np.sort(level)
    load = np.full(len(level), -1, dtype=np.int64)
    first = 0
    for code, loads in sizes.items():
        here = kind == code
        load[here] = first + np.arange(here.sum()) % loads
        first += loads
    along = np.argsort(generator.permutation(max(first, 1))[load], kind="stable")
    printer = np.empty(len(level), dtype=np.int64)
    printer[along] = _in_turn(len(level), printers, generator)
    return Places(load, printer, kind)


def _load_levels(study: Study, targets: pd.DataFrame) -> Codes:
    """Return a code per print: equal where all load factors are equal."""
    names = [factor.name for factor in study.load_factors]
    return check.cells(targets[names]) if names else np.zeros(len(targets), dtype=np.int64)


def _loads_per_level(level: Codes, loads: int) -> dict[int, int]:
    """Give each level one load, then the rest one by one to the level with most prints a load."""
    counts = {int(code): int((level == code).sum()) for code in sorted(set(level.tolist()))}
    given = dict.fromkeys(counts, 1)
    for _ in range(loads - len(counts)):
        fullest = max(
            (code for code in counts if given[code] < counts[code]), key=lambda code: counts[code] / given[code]
        )
        given[fullest] += 1
    return given


def _estimable_part(study: Study, targets: pd.DataFrame) -> Array:
    model = scale.model_terms(study)
    X = terms.model_matrix(scale.coded(study, targets), model, scale.level_counts(study))
    if terms.estimable(X):
        return X
    kept: list[int] = []
    for column in range(X.shape[1]):
        if terms.rank(X[:, [*kept, column]]) == len(kept) + 1:
            kept.append(column)
    return X[:, kept]
