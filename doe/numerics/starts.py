"""Random designs that keep loads, pairs, given cells or limits, for the exchange to start from."""

import numpy as np
from numpy.typing import NDArray

from doe.numerics.layout import Layout
from doe.numerics.task import SLACK, keeps_limits, tied_rows

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_TRIES = 200


def draw_starts(layout: Layout, fine: tuple[Array, ...], count: int, generator: np.random.Generator) -> Array:
    """
    Return random designs.

    Parameters
    ----------
    layout : Layout
        Its parts' values are drawn from.
    fine : tuple of k arrays
        All values that may be taken: drawn from where the limits leave too few of the others.
    count : int
    generator : numpy.random.Generator

    Returns
    -------
    ndarray of shape (n, k, count)
        Coded; every print keeps the limits.

    Raises
    ------
    ValueError
        Where no such designs were found.

    """
    values = tuple(part.values for part in layout.parts)
    settings = _drawn(layout, values, count, generator)
    for attempt in range(_TRIES):
        broken = ~keeps_limits(layout.task, settings.swapaxes(0, 1))
        if not broken.any():
            return settings
        _mend(layout, (values, fine)[attempt % 2], settings, broken, generator)
    raise ValueError("no design was found that keeps the limits: too few combinations of the factors' values keep them")


def _mend(layout: Layout, values: tuple[Array, ...], settings: Array, broken: Bools, generator: np.random.Generator) -> None:
    """Draw whole loads anew where a print of theirs breaks the limits, then move its factors one by one towards them."""
    loads = np.zeros((len(layout.share), broken.shape[1]), dtype=bool)
    np.logical_or.at(loads, layout.load, broken)
    # Half of the time the hard factors stay: in a load that is nearly right only single prints are drawn anew.
    again = loads[layout.load] & (generator.random(broken.shape[1]) < 0.5)
    redrawn = _drawn(layout, values, broken.shape[1], generator)
    hard = list(layout.task.hard)
    easy = [factor for factor in range(len(values)) if factor not in hard]
    for factor in hard:
        settings[:, factor] = np.where(again, redrawn[:, factor], settings[:, factor])
    for factor in easy:
        settings[:, factor] = np.where(broken | again, redrawn[:, factor], settings[:, factor])
    for factor in generator.permutation(np.array(easy, dtype=np.int64)).tolist():
        _approach(layout, values[factor], settings, factor)


def _approach(layout: Layout, values: Array, settings: Array, factor: int) -> None:
    """Give a factor the value by which each print breaks the limits least, where it does, and its cell is free."""
    weights, bounds = layout.task.limits or (np.empty((0, len(layout.parts))), np.empty(0))
    reached = np.einsum("mk,nks->mns", weights, settings)
    change = weights[:, factor, None, None, None] * (values[:, None, None] - settings[:, factor])
    after = np.maximum(reached[:, None] + change - np.asarray(bounds)[:, None, None, None], 0.0).sum(axis=0)
    before = np.maximum(reached - np.asarray(bounds)[:, None, None], 0.0).sum(axis=0)
    best = after.argmin(axis=0)
    better = (np.take_along_axis(after, best[None], axis=0)[0] < before - SLACK) & np.isnan(layout.forced[:, factor, None])
    settings[:, factor] = np.where(better, values[best], settings[:, factor])


def _drawn(layout: Layout, values: tuple[Array, ...], count: int, generator: np.random.Generator) -> Array:
    """Return designs whose cells are independent but for loads, given cells and pairs, shape (n, k, count)."""
    settings = np.empty((layout.task.runs, len(values), count))
    for factor, own in enumerate(values):
        if factor in layout.task.hard:
            settings[:, factor] = generator.choice(own, (len(layout.share), count))[layout.load]
        else:
            settings[:, factor] = generator.choice(own, (layout.task.runs, count))
    settings = np.where(np.isnan(layout.forced)[:, :, None], settings, layout.forced[:, :, None])
    for rows in tied_rows(layout.task):
        settings[rows] = settings[rows[0]]
    return settings
