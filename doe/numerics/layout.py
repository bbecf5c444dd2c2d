"""What the exchange needs to know of a task: which columns a factor enters, which prints change together, the moments.

A column of the model matrix is a product with one function a factor: 1, a power of the coded value, or a contrast. The
functions of all factors together, after the constant, are the basis. Factor j enters only its own columns, each by one of
its functions, multiplied by what the other factors contribute: the rest.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.numerics.criteria import functions_held, moment_matrix
from doe.numerics.task import Task, forced_cells, load_codes, load_ratio, tied_rows

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """One factor's part in the model."""

    factor: int
    values: Array
    """Values that it may take, coded, shape (l,)."""
    powers: tuple[int, ...]
    """Powers of a numeric factor that the model holds, or 1 .. c-1 for the contrasts of a categorical one; q of them."""
    count: int
    """0 for a numeric factor, the number of levels for a categorical one."""
    basis: slice
    """Where its functions are in the basis."""
    functions: Array
    """Of the values, shape (q, l)."""
    columns: Codes
    """Columns that hold it, shape (c,)."""
    member: Array
    """1 where a column holds the factor by this function, else 0, shape (q, c)."""
    rest: Codes
    """Basis functions whose product is the rest of each column, shape (depth, c)."""


@dataclass(frozen=True)
class Moves:
    """
    The parts of several factors, one below the other, so that all their values are tried in one operation.

    Factors with fewer values, functions or columns than others are filled up: with their first value, with the constant,
    and with columns that hold none of their functions.
    """

    factors: Codes
    """Shape (f,)."""
    values: Array
    """Shape (f, l)."""
    basis: Codes
    """Shape (f, q)."""
    functions: Array
    """Shape (f, q, l)."""
    columns: Codes
    """Shape (f, c)."""
    member: Array
    """Shape (f, q, c)."""
    rest: Codes
    """Shape (depth, f * c)."""
    square: Codes
    """Places of each factor's block of columns in the flattened inverse, shape (f * c * c,)."""


@dataclass(frozen=True)
class Unit:
    """Prints that always have the same settings, and the factors that may change in them without the rest of the load."""

    rows: Codes
    load: int
    moves: Moves | None
    """None where all their cells are given."""


@dataclass(frozen=True)
class WholePlot:
    """A load as a whole, and the factors that may change in it only together."""

    rows: Codes
    factors: tuple[int, ...]
    units: tuple[Unit, ...]


@dataclass(frozen=True)
class Layout:
    """A task, prepared."""

    task: Task
    parts: tuple[Part, ...]
    products: Codes
    """Basis functions whose product is each column of the model, shape (depth, p - b)."""
    blocks: Array
    """Shape (n, b)."""
    moments: Array
    """Average of xx' over the region, 0 for the blocks, shape (p, p)."""
    prior: Array
    """That of the task, 0 for the blocks, shape (p,)."""
    load: Codes
    share: Array
    """c of each load of m prints: ratio / (1 + ratio m), shape (L,)."""
    whole_plots: tuple[WholePlot, ...]
    forced: Array
    """Shape (n, k), NaN where free."""
    weights: tuple[float, float]
    """Of log|M| and of -log I in the score."""


def lay_out(task: Task, grids: tuple[Array, ...]) -> Layout:
    """
    Prepare a task for the exchange.

    Parameters
    ----------
    task : Task
    grids : tuple of k arrays, one-dimensional in shape
        Values that each factor may take in this exchange: those of the task, or fewer.

    Returns
    -------
    Layout

    Raises
    ------
    ValueError
        Where given cells contradict each other or break the limits.
    """
    holds = functions_held(task.terms, task.levels)
    powers = [tuple(int(q) for q in np.unique(column[column > 0])) for column in holds.T]
    first = 1 + np.concatenate([[0], np.cumsum([len(one) for one in powers])])
    # Where in the basis the function is by which each column holds each factor; 0, the constant, where it does not.
    places = np.zeros_like(holds)
    for factor, own in enumerate(powers):
        for place, power in enumerate(own):
            places[holds[:, factor] == power, factor] = first[factor] + place
    blocks = np.empty((task.runs, 0)) if task.blocks is None else np.asarray(task.blocks, dtype=float)
    columns = len(holds) + blocks.shape[1]
    parts = tuple(
        _part(task, factor, grids[factor], (powers[factor], int(first[factor])), places)
        for factor in range(len(task.levels))
    )
    load, forced = load_codes(task), forced_cells(task)
    ratio = load_ratio(task)
    prior = np.zeros(columns)
    prior[: len(holds)] = 0.0 if task.prior is None else task.prior
    return Layout(
        task=task, parts=parts, products=_packed(places), blocks=blocks,
        moments=_moments(task, columns), prior=prior, load=load,
        share=np.asarray(ratio / (1 + ratio * np.bincount(load)), dtype=float),
        whole_plots=_whole_plots(task, parts, forced, columns), forced=forced, weights=_weights(task, columns),
    )


def functions_of(values: Array, count: int, powers: tuple[int, ...]) -> Array:
    """Return a factor's functions of some of its values, shape (q, ...): powers, or sum-to-zero contrasts."""
    if not powers:
        return np.empty((0, *values.shape))
    if count == 0:
        return np.stack([values**power for power in powers])
    contrasts = np.hstack([np.eye(count - 1), -np.ones((count - 1, 1))])
    return np.asarray(contrasts[:, values.astype(np.int64)][np.array(powers) - 1])


def _packed(places: Codes) -> Codes:
    """Return the basis functions of each column one below the other, padded with the constant, shape (depth, columns)."""
    depth = max(1, int((places > 0).sum(axis=1).max(initial=0)))
    return np.ascontiguousarray(-np.sort(-places, axis=1)[:, :depth].T)


def _part(task: Task, factor: int, values: Array, own: tuple[tuple[int, ...], int], places: Codes) -> Part:
    powers, first = own
    columns = np.flatnonzero(places[:, factor])
    rest = places[columns].copy()
    rest[:, factor] = 0
    basis = slice(first, first + len(powers))
    member = places[columns, factor] == np.arange(basis.start, basis.stop)[:, None]
    given = np.asarray(values, dtype=float)
    return Part(
        factor=factor, values=given, powers=powers, count=task.levels[factor], basis=basis,
        functions=functions_of(given, task.levels[factor], powers), columns=columns, member=member.astype(float),
        rest=_packed(rest),
    )


def _whole_plots(task: Task, parts: tuple[Part, ...], forced: Array, columns: int) -> tuple[WholePlot, ...]:
    load, free = load_codes(task), np.isnan(forced)
    copies = {int(row): group for group in tied_rows(task) for row in group}
    movable = [part.factor for part in parts if len(part.columns)]
    stacks: dict[tuple[int, ...], Moves] = {}
    plots = []
    for code in range(int(load.max()) + 1):
        rows = np.flatnonzero(load == code)
        groups = [group for row in rows.tolist() if (group := copies.get(row, np.array([row])))[0] == row]
        alone = len(groups) == 1 and task.load is not None
        units = []
        for group in groups:
            own = tuple(j for j in movable if (j not in task.hard or alone) and free[group, j].all())
            if own and own not in stacks:
                stacks[own] = _stacked([parts[j] for j in own], columns)
            units.append(Unit(group, code, stacks.get(own)))
        together = () if alone else tuple(j for j in movable if j in task.hard and free[rows, j].all())
        plots.append(WholePlot(rows, together, tuple(units)))
    return tuple(plots)


def _stacked(parts: list[Part], width: int) -> Moves:
    f, q, c = len(parts), max(len(part.powers) for part in parts), max(len(part.columns) for part in parts)
    most, depth = max(len(part.values) for part in parts), max(len(part.rest) for part in parts)
    values, functions = np.empty((f, most)), np.ones((f, q, most))
    basis, columns = np.zeros((f, q), dtype=np.int64), np.zeros((f, c), dtype=np.int64)
    member, rest = np.zeros((f, q, c)), np.zeros((depth, f, c), dtype=np.int64)
    for place, part in enumerate(parts):
        there = np.arange(most) * (np.arange(most) < len(part.values))
        values[place] = part.values[there]
        functions[place, : len(part.powers)] = part.functions[:, there]
        basis[place, : len(part.powers)] = np.arange(part.basis.start, part.basis.stop)
        columns[place, : len(part.columns)] = part.columns
        member[place, : len(part.powers), : len(part.columns)] = part.member
        rest[: len(part.rest), place, : len(part.columns)] = part.rest
    square = (columns[:, :, None] * width + columns[:, None, :]).ravel()
    factors = np.array([part.factor for part in parts])
    return Moves(factors, values, basis, functions, columns, member, rest.reshape(depth, -1), square)


def _moments(task: Task, columns: int) -> Array:
    """Return the moments of the model's columns, those of the blocks being 0: prediction is averaged over these."""
    inner = moment_matrix(task.terms, task.levels, task.box) if task.moments is None else task.moments
    moments = np.zeros((columns, columns))
    moments[: len(inner), : len(inner)] = inner
    return moments


def _weights(task: Task, columns: int) -> tuple[float, float]:
    return {"d": (1.0, 0.0), "i": (0.0, 1.0), "compound": (0.5 / columns, 0.5)}[task.criterion]
