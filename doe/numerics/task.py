"""What an optimal plan is searched for, or refused before the search."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from doe.numerics.terms import Term, column_terms

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

SLACK = 1e-9  # coded: rounding noise, less than any increment


@dataclass(frozen=True)
class Task:
    """What is searched for; everything coded."""

    terms: tuple[Term, ...]
    """The model, intercept first."""
    levels: tuple[int, ...]
    """Per factor: 0 for a numeric one, the number of levels for a categorical one. Length k."""
    runs: int
    grids: tuple[Array, ...]
    """Per factor the values it may take, ascending: coded for a numeric one, 0 .. c-1 for a categorical one."""
    load: Codes | None = None
    """Load code of each print, 0 .. L-1, shape (n,); None where prints share no loads."""
    hard: tuple[int, ...] = ()
    """Factors that are constant within a load."""
    blocks: Array | None = None
    """Columns that are fixed beside the model, such as printers and rounds, sum-to-zero, shape (n, b)."""
    limits: tuple[Array, Array] | None = None
    """A, shape (m, k), and b, shape (m,): A z <= b for every print's settings z; 0 for a categorical factor."""
    fixed: Array | None = None
    """Cells that are given, NaN where free, shape (n, k); they need not lie on the grids."""
    pairs: tuple[tuple[int, int], ...] = ()
    """(i, j): print j always copies print i of the same load, for pure error."""
    ratio: float = 1.0
    """Load variance / print variance."""
    criterion: Literal["d", "i", "compound"] = "compound"
    """log|M|; minus the average prediction variance I; or (1/2) log|M| / p - (1/2) log I."""
    prior: Array | None = None
    """Added to the diagonal of M, shape (p,): potential terms (DuMouchel and Jones 1994)."""
    moments: Array | None = None
    """Average of ff' over the region, f the model's columns without blocks, shape (p - b, p - b); None: from ``box``."""
    box: Array | None = None
    """Low and high of the region over which I averages, shape (k, 2), read for numeric factors; None for [-1, 1]."""


def require_task(task: Task) -> None:
    """
    Refuse a task that no plan can answer.

    Raises
    ------
    ValueError
        With the reason.

    """
    _require_grids(task)
    _require_loads(task)
    _require_shapes(task)
    columns = len(column_terms(task.terms, task.levels))
    wanted = columns if task.prior is None else int(np.sum(task.prior == 0))
    beside = 0 if task.blocks is None else int(task.blocks.shape[1])
    if task.runs < wanted + beside:
        raise ValueError(
            f"the model has {wanted + beside} columns to estimate, blocks included, and there are {task.runs} prints; "
            "there must be at least as many"
        )


def load_codes(task: Task) -> Codes:
    """Return the load of each print, shape (n,); a load of its own for each where prints share none."""
    return np.arange(task.runs) if task.load is None else np.asarray(task.load, dtype=np.int64)


def load_ratio(task: Task) -> float:
    """Return load variance / print variance: 0 where prints share no loads."""
    return 0.0 if task.load is None else task.ratio


def forced_cells(task: Task) -> Array:
    """
    Return the given cells, with those that follow from them: hard factors along a load, copies along pairs.

    Returns
    -------
    ndarray of shape (n, k)
        NaN where the search is free.

    Raises
    ------
    ValueError
        Where two given cells contradict each other, or a given print breaks the limits.

    """
    free = np.full((task.runs, len(task.levels)), np.nan)
    cells = free if task.fixed is None else np.array(task.fixed, dtype=float)
    load = load_codes(task)
    for factor in task.hard:
        for code in range(int(load.max()) + 1):
            _spread(cells, np.flatnonzero(load == code), factor, f"load {code + 1}")
    for rows in tied_rows(task):
        for factor in range(len(task.levels)):
            _spread(cells, rows, factor, "a pair of replicates")
    _require_levels(cells, task.levels)
    given = ~np.isnan(cells).any(axis=1)
    if not keeps_limits(task, cells[given].T).all():
        raise ValueError("a print that is given breaks the limits")
    return cells


def tied_rows(task: Task) -> tuple[Codes, ...]:
    """Return the prints that always have the same settings, those of more than one."""
    first = np.arange(task.runs)
    for i, j in task.pairs:
        first[first == first[j]] = first[i]
    groups = (np.flatnonzero(first == row) for row in range(task.runs))
    return tuple(group for group in groups if len(group) > 1)


def keeps_limits(task: Task, settings: Array) -> NDArray[np.bool_]:
    """Whether settings, shape (k, ...), keep the limits; shape (...)."""
    if task.limits is None:
        return np.ones(settings.shape[1:], dtype=bool)
    weights, bounds = task.limits
    spare = np.asarray(bounds) + SLACK - np.tensordot(weights, settings, axes=1).T
    return np.asarray((spare >= 0).all(axis=-1).T, dtype=bool)


def _spread(cells: Array, rows: Codes, factor: int, where: str) -> None:
    given = cells[rows, factor]
    given = given[~np.isnan(given)]
    if len(given) and np.ptp(given) > SLACK:
        raise ValueError(f"factor number {factor + 1} is given two values in {where}, where it has only one")
    if len(given):
        cells[rows, factor] = given[0]


def _require_grids(task: Task) -> None:
    if len(task.grids) != len(task.levels):
        raise ValueError(f"there are {len(task.levels)} factors and {len(task.grids)} grids of values")
    for factor, (grid, count) in enumerate(zip(task.grids, task.levels, strict=True)):
        if len(grid) == 0:
            raise ValueError(f"factor number {factor + 1} has no value that it may take")
        if not np.isfinite(grid).all() or (np.diff(grid) <= 0).any():
            raise ValueError(f"the values of factor number {factor + 1} must be numbers in ascending order")
        _require_levels(np.asarray(grid, dtype=float)[:, None], (count,), factor)


def _require_levels(values: Array, levels: Sequence[int], first: int = 0) -> None:
    for place, count in enumerate(levels):
        given = values[~np.isnan(values[:, place]), place]
        if count and not np.isin(given, np.arange(count)).all():
            raise ValueError(f"factor number {first + place + 1} has {count} levels; its values must be 0 to {count - 1}")


def _require_loads(task: Task) -> None:
    if not (np.isfinite(task.ratio) and task.ratio >= 0):
        raise ValueError(f"the ratio of load to print variance must be 0 or more, and it is {task.ratio:g}")
    if task.hard and task.load is None:
        raise ValueError("a factor can be constant within loads only where the prints have loads")
    load = load_codes(task)
    if load.shape != (task.runs,) or not np.array_equal(np.unique(load), np.arange(int(load.max(initial=0)) + 1)):
        raise ValueError("every print needs the code of its load, and the codes must be 0, 1, 2 and so on")
    for i, j in task.pairs:
        if not (0 <= i < task.runs and 0 <= j < task.runs and i != j):
            raise ValueError(f"a pair of replicates must be two of the {task.runs} prints, and ({i}, {j}) is not")
        if task.load is not None and load[i] != load[j]:
            raise ValueError("the two prints of a pair of replicates must be in one load")


def _require_shapes(task: Task) -> None:
    factors, columns = len(task.levels), len(column_terms(task.terms, task.levels))
    wanted = {
        "the fixed cells": (task.fixed, (task.runs, factors)),
        "the prior": (task.prior, (columns,)),
        "the box": (task.box, (factors, 2)),
        "the blocks": (task.blocks, (task.runs, -1)),
    }
    for name, (given, shape) in wanted.items():
        if given is not None and not _fits(given, shape):
            raise ValueError(f"the shape of {name} is {np.shape(given)}, and it must be {shape} (-1 stands for any number)")
    if task.limits is not None and not _fits(task.limits[0], (len(task.limits[1]), factors)):
        raise ValueError("the limits must have a weight for every factor and a bound for every row of weights")
    if task.prior is not None and not (np.asarray(task.prior) >= 0).all():
        raise ValueError("the prior must not be negative")
    if any(factor not in range(factors) for factor in task.hard):
        raise ValueError(f"a factor that is constant within loads is not among the {factors} factors")


def _fits(given: Array, shape: tuple[int, ...]) -> bool:
    found = np.shape(given)
    return len(found) == len(shape) and all(a in (b, -1) or b == -1 for a, b in zip(found, shape, strict=True))
