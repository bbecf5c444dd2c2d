"""
Optimal plans: the settings, loads given, that tell most of a model.

Many random designs are improved at once by coordinate exchange on the ends and the middle of each factor's values; the
best are polished on all values, and the best of these is returned.

References
----------
Meyer and Nachtsheim, "The coordinate-exchange algorithm for constructing exact optimal experimental designs",
Technometrics 37 (1995) 60. Goos and Vandebroek, "D-optimal split-plot designs with given numbers and sizes of whole
plots", Technometrics 45 (2003) 235. Jones and Goos, "A candidate-set-free algorithm for generating D-optimal split-plot
designs", Applied Statistics 56 (2007) 347.

"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.numerics import updates
from doe.numerics.exchange import exchange
from doe.numerics.layout import Layout, lay_out
from doe.numerics.starts import draw_starts
from doe.numerics.task import Task, require_task
from doe.numerics.terms import rank

__all__ = ["Found", "Task", "ends_and_middle", "even_loads", "replicate_pairs", "search"]

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_FEW = 5  # values that are searched from the start, all of them
_NEARLY_SATURATED = 1.5  # prints a column of the model: below it random designs are improved on all values too
_LARGE = 100_000  # prints times squared columns, to which a start's cost is in proportion: beyond it, starts are cut
_LEAST_STARTS = 4
_STARTS_A_POLISHED = 3  # where starts are cut: polishing a large design takes some five times as long as a start
_AT_ONCE = 100  # designs that are improved together: more fall out of the processor's cache
_RIDGE = 1e-6
_LEAST_COARSE = 1e-7
_LEAST_FINE = 1e-10
_EQUAL = 1e-7  # scores that differ by less are taken to be of one design, its factors or levels exchanged


@dataclass(frozen=True)
class Found:
    """The best design that was found."""

    settings: Array
    """Coded, on the grids but for the cells that were given, shape (n, k)."""
    log_d: float
    """log|M|, the prior and the blocks' columns included."""
    average_variance: float
    """Of the predicted mean over the region, in units of the print variance."""
    score: float
    """The criterion, larger is better."""
    starts: int
    """Random designs that were improved, in each of the exchanges from random designs: for large tasks fewer than asked."""


def search(task: Task, starts: int = 100, seed: int = 0, polish: int = 10) -> Found:
    """
    Search for the design that is best by the task's criterion.

    Where prints x columns^2 exceeds 100,000, starts are cut in proportion, to four at the least, a third as many designs
    are polished at most, and random designs are improved on all values of the grids only where there are limits. The rule
    knows sizes only, never the clock. Quadratic models of 5 factors have 100 starts up to 226 prints, of 6 up to 127;
    8 factors in 80 prints have 61, and 12 in 120 have 10, of which 3 are polished. What is given up is a last part of the
    efficiency. Three seeds against the best of them and of ten times the starts: up to 1 % for 8 factors in 80 prints, 2.1 %
    in 60 (823 starts: 0.8 %), 0.6 % for 12 in 120; against all starts 1.2 % with potential terms of 12 factors in
    24 prints. More starts asked for are more starts.

    Parameters
    ----------
    task : Task
    starts : int
        Random designs at most, 1 or more.
    seed : int
        The same seed gives the same design.
    polish : int
        How many of the best at most are improved on all values of the grids, 1 or more.

    Returns
    -------
    Found

    Raises
    ------
    ValueError
        With the reason, where no design can answer the task or none was found.

    """
    if starts < 1 or polish < 1:
        raise ValueError("at least one random start is needed, and at least one design must be polished")
    require_task(task)
    fine = lay_out(task, task.grids)
    layouts, (starts, polish) = _effort(task, fine, (starts, polish))
    improved = [_best(fine, _improved(one, task.grids, (starts, polish), seed), polish) for one in layouts]
    best = np.concatenate(improved, axis=2)
    if best.shape[2] == 0:
        raise ValueError(
            "no design was found from which every term of the model can be estimated: the values, limits and loads leave "
            "too few different settings"
        )
    polished = _best(fine, exchange(fine, best, 0.0, _LEAST_FINE), 1)[..., 0]
    return _found(fine, polished, starts)


def replicate_pairs(load: Codes, count: int, fixed_rows: Sequence[int] = ()) -> tuple[tuple[int, int], ...]:
    """
    Return pairs of prints that are to be replicates, each in another load as far as there are loads.

    Parameters
    ----------
    load : ndarray of shape (n,)
        Load codes.
    count : int
        How many pairs.
    fixed_rows : sequence of int
        Prints that are given and cannot be tied.

    Returns
    -------
    tuple of pairs of int

    Raises
    ------
    ValueError
        Where the loads hold fewer pairs of prints that are free.

    """
    taken = set(fixed_rows)
    codes = np.asarray(load)
    free = [[int(row) for row in np.flatnonzero(codes == code) if int(row) not in taken] for code in np.unique(codes)]
    # Rounds through the loads, the loads with most free prints first: one pair in each before a second in any.
    order = sorted(range(len(free)), key=lambda place: (-len(free[place]), place))
    rounds = max((len(rows) // 2 for rows in free), default=0)
    pairs = [
        (free[place][2 * turn], free[place][2 * turn + 1])
        for turn in range(rounds)
        for place in order
        if len(free[place]) >= 2 * turn + 2
    ]
    if not 0 <= count <= len(pairs):
        raise ValueError(f"the loads hold {len(pairs)} pairs of prints that are free, and {count} were asked for")
    return tuple(sorted(pairs[:count]))


def even_loads(runs: int, loads: int) -> Codes:
    """
    Return load codes, shape (runs,), ascending, for loads whose sizes differ by one at most.

    Raises
    ------
    ValueError
        Where there are more loads than prints, or none.

    """
    if not 1 <= loads <= runs:
        raise ValueError(f"{runs} prints can be dealt to 1 to {runs} loads, and {loads} were asked for")
    return np.sort(np.arange(runs) % loads)


def ends_and_middle(grid: Array) -> Array:
    """Return the lowest and the highest of ascending values, with the one nearest the middle between them, shape (3,)."""
    middle = int(np.abs(grid - (grid[0] + grid[-1]) / 2).argmin())
    return np.asarray(grid[[0, middle, -1]], dtype=float)


def _effort(task: Task, fine: Layout, asked: tuple[int, int]) -> tuple[list[Layout], tuple[int, int]]:
    """Return the exchanges from random designs, the starts of each, and how many of their best are polished."""
    starts, polish = asked
    work = task.runs * len(fine.prior) ** 2
    layouts = _first_layouts(task, fine, work > _LARGE)
    if work <= _LARGE:
        return layouts, asked
    starts = max(min(starts, _LEAST_STARTS), starts * _LARGE // (work * len(layouts)))
    return layouts, (starts, min(polish, max(1, starts // _STARTS_A_POLISHED)))


def _first_layouts(task: Task, fine: Layout, large: bool) -> list[Layout]:
    """Return the exchanges that improve random designs; each is given as many."""
    few = _coarse_grids(task)
    layouts = [lay_out(task, few)]
    if task.load is not None and task.hard and task.ratio != 1:
        # Where loads hardly differ, the best designs are hard to reach from random ones and easy from those for ratio 1.
        layouts.append(lay_out(replace(task, ratio=1.0), few))
    saturated = task.runs < _NEARLY_SATURATED * len(fine.prior)
    tight = task.limits is not None or (saturated and not large)
    if tight and sum(map(len, few)) < sum(map(len, task.grids)):
        # Limits may leave too few of the three values, and with hardly more prints than columns the best designs leave
        # them (Box and Draper 1971); in a large task polishing more of the others reaches further in the same time.
        layouts.append(fine)
    return layouts


def _coarse_grids(task: Task) -> tuple[Array, ...]:
    """Return each factor's lowest, middle and highest value; all where they are few or the model bends more than once."""
    cubic = max((power for term in task.terms for power in Counter(term).values()), default=0) > 2
    return tuple(
        grid if count or cubic or len(grid) <= _FEW else ends_and_middle(grid)
        for grid, count in zip(task.grids, task.levels, strict=True)
    )


def _improved(layout: Layout, fine: tuple[Array, ...], counts: tuple[int, int], seed: int) -> Array:
    """Return designs improved from random ones, shape (n, k, starts); the last few are left to be finished in polishing."""
    starts, polish = counts
    generator = np.random.default_rng(seed)
    found = []
    for first in range(0, starts, _AT_ONCE):
        drawn = draw_starts(layout, fine, min(_AT_ONCE, starts - first), generator)
        found.append(exchange(layout, drawn, _RIDGE, _LEAST_COARSE, enough=min(polish, drawn.shape[2]) // 2))
    return np.concatenate(found, axis=2)


def _best(layout: Layout, settings: Array, count: int) -> Array:
    """Return the best designs that can estimate the model, best first, of equal ones the first, shape (n, k, m)."""
    scores = _scores(layout, settings)[2]
    kept: list[int] = []
    for place in np.argsort(-scores, kind="stable").tolist():
        if len(kept) == count or not np.isfinite(scores[place]):
            break
        if not kept or scores[kept[-1]] - scores[place] > _EQUAL * max(1.0, abs(scores[place])):
            kept.append(place)
    return settings[..., kept]


def _scores(layout: Layout, settings: Array) -> tuple[Array, Array, Array]:
    """Return log|M|, the average variance and the score of designs, shape (S,); minus infinity where M is singular."""
    X = np.moveaxis(updates.model_rows(layout, settings), -1, 0)
    M = updates.information_of(layout, X)
    prior = np.sqrt(np.diag(layout.prior))
    sound = np.array([rank(np.vstack([rows, prior])) == X.shape[2] for rows in X])
    M[~sound] = np.eye(X.shape[2])
    log_d = np.where(sound, np.linalg.slogdet(M)[1], -np.inf)
    average = np.where(sound, np.einsum("spq,pq->s", np.linalg.inv(M), layout.moments), np.inf)
    scores = {"d": log_d, "i": -average}
    if layout.task.criterion == "compound":
        of_d, of_i = layout.weights
        scores["compound"] = of_d * log_d - of_i * np.log(average)
    return log_d, average, scores[layout.task.criterion]


def _found(layout: Layout, settings: Array, starts: int) -> Found:
    log_d, average, score = (float(one[0]) for one in _scores(layout, settings[..., None]))
    return Found(np.ascontiguousarray(settings) + 0.0, log_d, average, score, starts)
