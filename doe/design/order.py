"""Loads, printers and run order: settings that share a load factor's level are dried together, everything else is random."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check
from doe.errors import InputRefused, Problem
from doe.numerics import criteria, terms
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_DRAWS = 200
_WANTED_LOAD_DOF = 3


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
        return min(len(targets), _columns_between_loads(study, targets) + _WANTED_LOAD_DOF) if study.load_factors else 0
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

    Every draw is a complete random arrangement: prints to loads within each level of the load factors, loads in random
    order, prints in random order within a load, printers in turn along that order. Of 200 draws the one with the greatest
    determinant of X'V^-1X is kept (V with equal load and print variances; Goos and Vandebroek 2003), so that loads and
    printers are confounded with as little of the model as chance allows.

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
    level = _load_levels(study, targets)
    sizes = _loads_per_level(level, loads) if loads else {}
    X = _estimable_part(study, targets)
    best: tuple[float, Codes, Codes, Codes] | None = None
    for _ in range(_DRAWS):
        load = _deal(level, sizes, generator)
        sequence = _shuffle(load, generator)
        printer = _printers_along(sequence, len(study.printers), generator)
        score = _balance(X, load, printer)
        if best is None or score > best[0] + 1e-9:
            best = (score, load, printer, sequence)
    assert best is not None
    return best[1:]


def _load_levels(study: Study, targets: pd.DataFrame) -> Codes:
    """Return a code per print: equal where all load factors are equal."""
    names = [factor.name for factor in study.load_factors]
    return check.cells(targets[names]) if names else np.zeros(len(targets), dtype=np.int64)


def _columns_between_loads(study: Study, targets: pd.DataFrame) -> int:
    """Return how many columns of the model only a comparison of loads can estimate, the intercept among them."""
    own = {index for index, factor in enumerate(study.factors) if factor.change == "load"}
    model = [term for term in scale.model_terms(study) if set(term) <= own]
    return criteria.rank(terms.model_matrix(scale.coded(study, targets), tuple(model), scale.level_counts(study)))


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


def _deal(level: Codes, sizes: dict[int, int], generator: np.random.Generator) -> Codes:
    load = np.full(len(level), -1, dtype=np.int64)
    first = 0
    for code, loads in sizes.items():
        rows = generator.permutation(np.flatnonzero(level == code))
        load[rows] = first + np.arange(len(rows)) % loads
        first += loads
    return load


def _shuffle(load: Codes, generator: np.random.Generator) -> Codes:
    groups = generator.permutation(np.unique(load))
    return np.concatenate([generator.permutation(np.flatnonzero(load == group)) for group in groups])


def _printers_along(sequence: Codes, printers: int, generator: np.random.Generator) -> Codes:
    printer = np.full(len(sequence), -1, dtype=np.int64)
    if printers:
        printer[sequence] = generator.permutation(printers)[np.arange(len(sequence)) % printers]
    return printer


def _estimable_part(study: Study, targets: pd.DataFrame) -> Array:
    model = scale.model_terms(study)
    X = terms.model_matrix(scale.coded(study, targets), model, scale.level_counts(study))
    kept: list[int] = []
    for column in range(X.shape[1]):
        if criteria.rank(X[:, [*kept, column]]) == len(kept) + 1:
            kept.append(column)
    return X[:, kept]


def _balance(X: Array, load: Codes, printer: Codes) -> float:
    blocks = check.block_columns([str(code) if code >= 0 else "" for code in printer.tolist()])
    full = np.hstack([X, blocks])
    if full.shape[1] >= len(full):
        full = X
    return criteria.log_d(full, None if load.max(initial=-1) < 0 else load, 1.0)
