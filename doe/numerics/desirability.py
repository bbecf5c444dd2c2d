"""
Desirability: several responses judged together, each by how near it comes to its goal, on a scale from 0 to 1.

The overall desirability is a weighted geometric mean, so a setting at which any response is worth nothing is itself
worth nothing.

References
----------
Derringer and Suich, "Simultaneous optimization of several response variables", J. Quality Technology 12 (1980) 214.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Aim = Literal["maximise", "minimise", "target"]


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


def _shares(values: Array, goal: Goal) -> list[tuple[Array, float]]:
    """Share of the way to the goal, unbounded, and the exponent for it; from both sides where there is a target."""
    if goal.aim == "maximise":
        return [((values - goal.low) / (goal.high - goal.low), goal.shape[0])]
    if goal.aim == "minimise":
        return [((goal.high - values) / (goal.high - goal.low), goal.shape[0])]
    assert goal.target is not None
    below, above = (values - goal.low) / (goal.target - goal.low), (goal.high - values) / (goal.high - goal.target)
    return [(below, goal.shape[0]), (above, goal.shape[-1])]
