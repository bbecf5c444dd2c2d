"""
Desirability: several responses judged together, each by how near it comes to its goal, on a scale from 0 to 1.

The overall desirability is a weighted geometric mean, so a setting at which any response is worth nothing is itself
worth nothing.

References
----------
Derringer and Suich, "Simultaneous optimization of several response variables", J. Quality Technology 12 (1980) 214.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

Array = NDArray[np.float64]
Aim = Literal["maximise", "minimise", "target"]
Predict = Callable[[Array], Array]

_MOST_COARSE = 20_000  # settings of the grid that the search starts from
_STARTS = 8
_LEAST = 1e-6  # share of a goal, below which the search from a start does not go


@dataclass(frozen=True)
class Goal:
    """
    What is wanted of one response.

    Parameters
    ----------
    aim : {"maximise", "minimise", "target"}
    low, high : float
        Response units, low below high. To maximise: worth nothing up to ``low``, fully desirable from ``high`` on; to
        minimise the other way round; with a target, worth nothing at either and beyond.
    target : float, optional
        Response units, between low and high; only with that aim.
    shape : tuple of one or two floats
        Exponents, above zero: 1 is a straight line, more than 1 asks to come close to the goal, less is content early.
        With a target one for below and one for above it.
    priority : float
        Weight of the response in the overall desirability, above zero.

    Raises
    ------
    ValueError
        Where the limits are not in order, or an exponent or priority is not above zero.
    """

    aim: Aim
    low: float
    high: float
    target: float | None = None
    shape: tuple[float, ...] = (1.0,)
    priority: float = 1.0

    def __post_init__(self) -> None:
        if self.aim not in ("maximise", "minimise", "target"):
            raise ValueError(f"'{self.aim}' is not an aim; it is maximise, minimise or target")
        if not -np.inf < self.low < self.high < np.inf:
            raise ValueError(f"the lower limit {self.low} of a goal is not below the upper limit {self.high}")
        if (self.target is not None) != (self.aim == "target"):
            raise ValueError("a target is given where the aim is a target, and only there")
        if self.target is not None and not self.low < self.target < self.high:
            raise ValueError(f"the target {self.target} is not between {self.low} and {self.high}")
        if len(self.shape) not in ((1, 2) if self.aim == "target" else (1,)):
            raise ValueError("a goal has one exponent, or two where the aim is a target")
        if not all(0 < value < np.inf for value in (*self.shape, self.priority)):
            raise ValueError("the exponents and the priority of a goal are above zero")


@dataclass(frozen=True)
class Desirable:
    """
    The most desirable setting found.

    Parameters
    ----------
    point : ndarray of shape (k,)
        Coded units.
    predicted : ndarray of shape (r,)
        Response units.
    individual : ndarray of shape (r,)
        Desirability of each response.
    overall : float
        Their weighted geometric mean.
    """

    point: Array
    predicted: Array
    individual: Array
    overall: float


def desirability(values: ArrayLike, goal: Goal) -> Array:
    """
    Say how desirable values of one response are.

    Parameters
    ----------
    values : array of any shape
        Response units.
    goal : Goal

    Returns
    -------
    ndarray of the same shape
        From 0, worth nothing, to 1, no better wanted (Derringer and Suich 1980, one-sided and two-sided transformation).
    """
    sides = _shares(np.asarray(values, dtype=float), goal)
    found = [np.clip(share, 0.0, 1.0) ** exponent for share, exponent in sides]
    return np.asarray(np.minimum.reduce(found))


def overall(individual: ArrayLike, priorities: ArrayLike | None = None) -> Array:
    """
    Combine the desirabilities of several responses.

    Parameters
    ----------
    individual : array of shape (..., r)
        From 0 to 1.
    priorities : array of shape (r,), optional
        Weights, above zero; only their ratios matter. Equal where left out.

    Returns
    -------
    ndarray of shape (...)
        The weighted geometric mean; 0 where any of them is 0.

    Raises
    ------
    ValueError
        A weight that is not above zero, or a desirability outside 0 to 1.
    """
    parts = np.asarray(individual, dtype=float)
    weights = np.ones(parts.shape[-1]) if priorities is None else np.asarray(priorities, dtype=float)
    if weights.shape != parts.shape[-1:] or not np.all((weights > 0) & np.isfinite(weights)):
        raise ValueError("there is one priority above zero for each response")
    if not np.all((parts >= 0) & (parts <= 1)):
        raise ValueError("a desirability lies between 0 and 1")
    return np.asarray(np.prod(parts ** (weights / weights.sum()), axis=-1))


def most_desirable(predict: Predict, goals: Sequence[Goal], bounds: ArrayLike) -> Desirable | None:
    """
    Find the setting with the highest overall desirability within bounds.

    Parameters
    ----------
    predict : function
        Takes settings of shape (m, k), coded units; returns predictions of shape (m, r), response units; smooth.
    goals : sequence of r Goal
    bounds : array of shape (k, 2)
        Lower and upper bound of each factor, coded units.

    Returns
    -------
    Desirable or None
        None where no setting of the coarse grid that the search starts from is worth anything. There may be several
        local maxima: the search starts from the best of the grid that are not beside a better one.

    Raises
    ------
    ValueError
        Bounds that are not in order, or a number of predictions that is not that of the goals.

    Notes
    -----
    The desirability has a kink where a response reaches its goal, and the maximum often lies on it. So a share t_j of
    each goal is searched along with the setting, with the smooth constraints that no response reaches less than it, and
    the sum of the weighted logarithms of t_j is made largest (sequential quadratic programming).
    """
    limits = np.asarray(bounds, dtype=float)
    if limits.ndim != 2 or limits.shape[1] != 2 or not np.all(limits[:, 0] < limits[:, 1]):
        raise ValueError("each factor has a lower bound and an upper bound above it")
    grid = _coarse(limits)
    if np.shape(predict(grid[:1])) != (1, len(goals)):
        raise ValueError("there is one goal for each predicted response")
    scores = _score(predict(grid), goals)
    starts = _peaks(grid, scores, limits)
    if not len(starts):
        return None
    found = np.vstack([starts, [_climb(predict, goals, limits, start) for start in starts]])
    best = found[np.argmax(_score(predict(found), goals))]
    predicted = np.asarray(predict(best[None]), dtype=float)[0]
    parts = _individual(predicted[None], goals)[0]
    return Desirable(best, predicted, parts, float(_score(predicted[None], goals)[0]))


def _shares(values: Array, goal: Goal) -> list[tuple[Array, float]]:
    """Share of the way to the goal, unbounded, and the exponent for it; from both sides where there is a target."""
    if goal.aim == "maximise":
        return [((values - goal.low) / (goal.high - goal.low), goal.shape[0])]
    if goal.aim == "minimise":
        return [((goal.high - values) / (goal.high - goal.low), goal.shape[0])]
    assert goal.target is not None
    below, above = (values - goal.low) / (goal.target - goal.low), (goal.high - values) / (goal.high - goal.target)
    return [(below, goal.shape[0]), (above, goal.shape[-1])]


def _individual(predicted: Array, goals: Sequence[Goal]) -> Array:
    return np.column_stack([desirability(column, goal) for column, goal in zip(predicted.T, goals, strict=True)])


def _score(predicted: Array, goals: Sequence[Goal]) -> Array:
    return overall(_individual(np.asarray(predicted, dtype=float), goals), [goal.priority for goal in goals])


def _coarse(bounds: Array) -> Array:
    """Full grid over the bounds, as fine as its size allows up to 41 values a factor."""
    count = max(2, min(41, int(_MOST_COARSE ** (1 / len(bounds)) + 1e-9)))
    return np.array(list(product(*(np.linspace(low, high, count) for low, high in bounds))))


def _peaks(grid: Array, scores: Array, bounds: Array) -> Array:
    """The best settings of the grid that are worth something and keep a fifth of the range from any better one."""
    relative = (grid - bounds[:, 0]) / (bounds[:, 1] - bounds[:, 0])
    kept: list[int] = []
    for place in np.argsort(-scores, kind="stable")[: int(np.count_nonzero(scores > 0))]:
        if all(np.abs(relative[place] - relative[other]).max() > 0.2 for other in kept):
            kept.append(int(place))
        if len(kept) == _STARTS:
            break
    return grid[kept]


def _climb(predict: Predict, goals: Sequence[Goal], bounds: Array, start: Array) -> Array:
    """Local maximum from a start, within the bounds."""
    k, weights = len(bounds), np.array([goal.priority for goal in goals])
    weights = weights / weights.sum()

    def spare(both: Array) -> Array:
        predicted = predict(both[None, :k])[0]
        return np.array(
            [
                share - part ** (1 / exponent)
                for value, goal, part in zip(predicted, goals, both[k:], strict=True)
                for share, exponent in _shares(value, goal)
            ]
        )

    parts = np.maximum(_individual(predict(start[None]), goals)[0], _LEAST)
    result = optimize.minimize(
        lambda both: -weights @ np.log(both[k:]),
        np.append(start, parts),
        jac=lambda both: np.append(np.zeros(k), -weights / both[k:]),
        bounds=[*map(tuple, bounds), *((_LEAST, 1.0) for _ in goals)],
        constraints={"type": "ineq", "fun": spare},
        method="SLSQP",
        options={"ftol": 1e-13, "maxiter": 300},
    )
    return np.asarray(np.clip(result.x[:k], bounds[:, 0], bounds[:, 1]))
