"""The log likelihood of cumulative logits, with its maximum under a normal prior.

A print in group r has its logistic variable between two thresholds. With a the upper threshold less the linear
predictor, b the lower one less it, and F the logistic distribution function ::

    P = F(a) - F(b) = F(a) F(-b) (1 - exp(b - a))

so that the log likelihood is a sum of three concave terms, exact in both tails, and Newton's method needs only a line
search (Burridge 1981; Pratt 1981). Both a and b are linear in the parameters.

References
----------
McCullagh, "Regression models for ordinal data", J. R. Stat. Soc. B 42 (1980) 109. Burridge, "A note on maximum
likelihood estimation for regression models using grouped data", J. R. Stat. Soc. B 43 (1981) 41. Pratt, "Concavity of
the log likelihood", J. Am. Stat. Assoc. 76 (1981) 103. All three from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_STEPS = 100
_HALVINGS = 40
_CONVERGED = 1e-16  # squared Newton decrement: the step that follows squares its root
_FURTHEST = 40.0  # logits; a parameter beyond it is on its way to infinity


@dataclass(frozen=True)
class Bounds:
    """
    The prints' bounds as linear functions of P parameters: a = upper @ p + upper_open, b = lower @ p + lower_open.

    Parameters
    ----------
    upper, lower : ndarray of shape (n, P)
        Zero where there is no bound.
    upper_open, lower_open : ndarray of shape (n,)
        Infinity (minus infinity) where there is no bound, else zero.
    weights : ndarray of shape (n,)
        How many prints each row stands for.
    """

    upper: Array
    lower: Array
    upper_open: Array
    lower_open: Array
    weights: Array


@dataclass(frozen=True)
class Point:
    """
    The log likelihood at one point, prior included.

    Parameters
    ----------
    value : float
        Minus infinity where thresholds are out of order; the derivatives are then those of the prior alone.
    gradient : ndarray of shape (P,)
        First derivatives.
    information : ndarray of shape (P, P)
        Minus the second derivatives (observed information).
    below, above : ndarray of shape (n,)
        F(a) and F(b).
    """

    value: float
    gradient: Array
    information: Array
    below: Array
    above: Array


def bounds(group: Codes, slopes: Array, cuts: int, weights: Array) -> Bounds:
    """
    Return the bounds of the proportional odds model: cut - x'b, parameters the cuts and then the slopes.

    Parameters
    ----------
    group : ndarray of shape (n,)
        0 .. cuts.
    slopes : ndarray of shape (n, p)
        Model columns without intercept.
    cuts : int
        How many thresholds.
    weights : ndarray of shape (n,)
        How many prints each row stands for.
    """
    has_upper, has_lower = group < cuts, group > 0
    indicators = np.eye(cuts + 2, cuts, k=-1)  # row r: the cut below group r
    upper = np.hstack([indicators[group + 1], -slopes]) * has_upper[:, None]
    lower = np.hstack([indicators[group], -slopes]) * has_lower[:, None]
    return Bounds(upper, lower, np.where(has_upper, 0.0, np.inf), np.where(has_lower, 0.0, -np.inf), weights)


def empty_thresholds(group: Codes, weights: Array, cuts: int) -> Array:
    """Return the thresholds of the model without slopes, shape (cuts,): logits of the cumulative shares."""
    shares = np.cumsum(np.bincount(group, weights, minlength=cuts + 1)) / weights.sum()
    return np.asarray(special.logit(shares[:cuts]))


def evaluate(data: Bounds, precision: Array, parameters: Array) -> Point:
    """Return the log likelihood with its derivatives at parameters, shape (P,); ``precision`` (P,) is the prior's, about 0."""
    a = data.upper @ parameters + data.upper_open
    b = data.lower @ parameters + data.lower_open
    gap = a - b
    gradient, information = -precision * parameters, np.diag(precision)
    if gap.min() <= 0:
        return Point(-np.inf, gradient, information, a, b)
    below, above = special.expit(a), special.expit(b)
    near = np.exp(-gap)
    odds = near / -np.expm1(-gap)
    w = data.weights
    value = w @ (special.log_expit(a) + special.log_expit(-b) + np.log(-np.expm1(-gap)))
    between = (data.upper - data.lower) * (near > 0)[:, None]
    gradient = gradient + (w * (1 - below)) @ data.upper - (w * above) @ data.lower + (w * odds) @ between
    for rows, curvature in (
        (data.upper, below * (1 - below)),
        (data.lower, above * (1 - above)),
        (between, odds * (1 + odds)),
    ):
        information = information + (rows.T * (w * curvature)) @ rows
    return Point(float(value - 0.5 * precision @ parameters**2), gradient, information, below, above)


def maximise(data: Bounds, precision: Array, start: Array) -> tuple[Array, Point]:
    """
    Return the maximum, of shape (P,), and the log likelihood there; ``precision`` (P,) as in :func:`evaluate`.

    Raises
    ------
    ValueError
        Without a prior, where the maximum is at infinity.
    """
    parameters, here = start, evaluate(data, precision, start)
    for _ in range(_STEPS):
        step = np.asarray(np.linalg.solve(here.information, here.gradient), dtype=float)
        is_last = step @ here.gradient < _CONVERGED
        parameters, here = _along(data, precision, parameters, here, step)
        if is_last:
            return parameters, here
        if np.abs(parameters).max() > _FURTHEST and not precision.any():
            break
    raise ValueError("the settings tell the grades apart perfectly, so that without a prior no finite slope is best")


def _along(data: Bounds, precision: Array, origin: Array, here: Point, step: Array) -> tuple[Array, Point]:
    """Return the first point along a step, halving it, that is better; the last one tried where rounding hides it."""
    for halving in range(_HALVINGS):
        parameters = origin + step / 2**halving
        there = evaluate(data, precision, parameters)
        if there.value >= here.value - 1e-12 * abs(here.value):
            break
    return parameters, there
