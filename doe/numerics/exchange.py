"""Coordinate exchange: from given designs, each cell or load in turn takes its best value until none improves."""

import numpy as np
from numpy.typing import NDArray

from doe.numerics import updates
from doe.numerics.layout import Layout, Moves, Unit, WholePlot
from doe.numerics.task import SLACK

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_MOST_PASSES = 100


def exchange(layout: Layout, settings: Array, ridge: float, least: float, enough: int = 0) -> Array:
    """
    Improve designs until no single change of a cell, or of a load's hard factor, improves them.

    Parameters
    ----------
    layout : Layout
    settings : ndarray of shape (n, k, S)
        Designs that keep the limits.
    ridge : float
        Added to the diagonal of M; above 0 where a design may not yet estimate the model.
    least : float
        What a change must add to the score.
    enough : int
        Stop when no more designs than these still improve.

    Returns
    -------
    ndarray of shape (n, k, S)
        In the order given.

    """
    found = settings.copy()
    left = np.arange(settings.shape[2])
    for _ in range(_MOST_PASSES):
        batch = updates.begin(layout, np.ascontiguousarray(found[..., left]), ridge)
        for plot in layout.whole_plots:
            _visit_load(layout, batch, plot, ridge, least)
        found[..., left] = batch.settings
        left = left[batch.moved]
        if len(left) <= enough:
            break
    return found


def _visit_load(layout: Layout, batch: updates.Batch, plot: WholePlot, ridge: float, least: float) -> None:
    for factor in plot.factors:
        part = layout.parts[factor]
        gains = updates.load_gains(layout, batch, plot.rows, part)[None]
        designs, _, places = _improving(layout, batch, plot.rows, (np.array([factor]), part.values[None]), gains, least)
        if len(designs):
            updates.change_load(layout, batch, plot.rows, (part, designs, places), ridge)
    for unit in plot.units:
        if unit.moves is not None:
            _visit_unit(layout, batch, unit, unit.moves, (ridge, least))


def _visit_unit(layout: Layout, batch: updates.Batch, unit: Unit, moves: Moves, bounds: tuple[float, float]) -> None:
    ridge, least = bounds
    trial = updates.try_cells(layout, batch, unit, moves)
    best = _improving(layout, batch, unit.rows[:1], (moves.factors, moves.values), trial.gains, least)
    if len(best[0]):
        updates.change_cell(layout, batch, unit, trial, best, ridge)


def _improving(
    layout: Layout, batch: updates.Batch, rows: Codes, tried: tuple[Codes, Array], gains: Array, least: float
) -> tuple[Codes, Codes, Codes]:
    """
    Return the designs that a change improves, and in each the factor and the value of the best: the first of equal ones.

    Parameters
    ----------
    rows : ndarray of int
        Prints that change together.
    tried : factors of shape (f,) and their values of shape (f, l)
    gains : ndarray of shape (f, l, S)

    """
    allowed = _allowed(layout, batch, rows, *tried)
    if allowed is not None:
        gains = np.where(allowed, gains, -np.inf)
    count = gains.shape[1]
    flat = gains.reshape(-1, gains.shape[2])
    best = flat.argmax(axis=0)
    designs = np.flatnonzero(flat[best, np.arange(len(best))] > least)
    return designs, best[designs] // count, best[designs] % count


def _allowed(layout: Layout, batch: updates.Batch, rows: Codes, factors: Codes, values: Array) -> NDArray[np.bool_] | None:
    """Whether each value keeps the limits in all of the prints, shape (f, l, S); None without limits."""
    if layout.task.limits is None:
        return None
    weights, bounds = layout.task.limits
    settings = batch.settings[rows]
    spare = np.asarray(bounds)[:, None, None] + SLACK - np.einsum("mk,rks->mrs", weights, settings)
    step = values[:, None, :, None] - settings[:, factors].swapaxes(0, 1)[:, :, None]
    needed = weights[:, factors][:, :, None, None, None] * step
    return np.asarray((needed <= spare[:, None, :, None]).all(axis=(0, 2)))
