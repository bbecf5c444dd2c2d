"""How good a design is for a model: D-, I-, G-criterion, prediction variance, leverage, variance inflation.

Where prints share drying loads, the responses of one load are correlated: V = I + ratio ZZ', with ratio = load
variance / print variance and Z the indicators of the loads (Goos and Vandebroek 2003). Information and prediction
variance are then in units of the print variance. Without loads V = I, as in ordinary least squares.

References
----------
Atkinson, Donev and Tobias, *Optimum Experimental Designs, with SAS* (2007), ch. 10. Goos and Vandebroek, "D-optimal
split-plot designs with given numbers and sizes of whole plots", Technometrics 45 (2003) 235.

"""

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.terms import Term, column_terms, estimable

__all__ = [
    "average_variance", "d_efficiency", "functions_held", "information", "leverages", "log_d", "moment_matrix",
    "prediction_variance", "variance_inflation",
]

Array = NDArray[np.float64]


def information(X: Array, load: ArrayLike | None = None, ratio: float = 1.0) -> Array:
    """
    Return the information matrix X'V^-1 X.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded units.
    load : array-like of shape (n,), optional
        Code of each print's drying load, 0 or more; None where prints share no loads.
    ratio : float
        Load variance / print variance, 0 or more.

    Returns
    -------
    ndarray of shape (p, p)
        In units of 1 / print variance.

    Raises
    ------
    ValueError
        Where the ratio is negative or a print has no load.

    """
    if load is None:
        return np.asarray(X.T @ X)
    codes = np.asarray(load)
    if not (math.isfinite(ratio) and ratio >= 0):
        raise ValueError(f"the ratio of load to print variance must be 0 or more, and it is {ratio:g}")
    if codes.shape != (len(X),) or codes.min(initial=0) < 0:
        raise ValueError("every print needs the code of its load, 0 or more")
    sizes = np.bincount(codes)
    sums = np.zeros((len(sizes), X.shape[1]))
    np.add.at(sums, codes, X)
    # The inverse of I + ratio 11' over a load of m prints is I - ratio / (1 + ratio m) 11'.
    return np.asarray(X.T @ X - (sums.T * (ratio / (1 + ratio * sizes))) @ sums)


def log_d(X: Array, load: ArrayLike | None = None, ratio: float = 1.0) -> float:
    """
    Return log |X'V^-1 X|, or minus infinity where the model cannot be estimated.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded units.
    load : array-like of shape (n,), optional
        Load codes, as for ``information``.
    ratio : float
        Load variance / print variance.

    """
    if not estimable(X):
        return -math.inf
    return float(np.linalg.slogdet(information(X, load, ratio))[1])


def d_efficiency(X: Array, load: ArrayLike | None = None, ratio: float = 1.0) -> float:
    """
    Return the D-efficiency 100 |X'V^-1 X|^(1/p) / n, in percent.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded units.
    load : array-like of shape (n,), optional
        Load codes, as for ``information``.
    ratio : float
        Load variance / print variance.

    Returns
    -------
    float
        100 for an orthogonal two-level design without loads; 0 where the model cannot be estimated.

    """
    n, p = int(X.shape[0]), int(X.shape[1])
    return 100.0 * math.exp(log_d(X, load, ratio) / p) / n


def prediction_variance(rows: Array, X: Array, load: ArrayLike | None = None, ratio: float = 1.0) -> Array:
    """
    Return the variance of the predicted mean at some settings.

    Parameters
    ----------
    rows : ndarray of shape (m, p)
        Model-matrix rows of the settings, coded units.
    X : ndarray of shape (n, p)
        Model matrix of the design.
    load : array-like of shape (n,), optional
        Load codes, as for ``information``.
    ratio : float
        Load variance / print variance.

    Returns
    -------
    ndarray of shape (m,)
        x'(X'V^-1 X)^-1 x, in units of the print variance.

    Raises
    ------
    ValueError
        Where the model cannot be estimated from the design.

    """
    return np.asarray(np.einsum("ij,jk,ik->i", rows, _covariance(X, load, ratio), rows))


def average_variance(
    X: Array, terms: Sequence[Term], levels: Sequence[int], load: ArrayLike | None = None, ratio: float = 1.0
) -> float:
    """
    Return the I-criterion: the variance of the predicted mean, averaged over the whole cube.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix of the design for these terms.
    terms : sequence of Term
        The model.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.
    load : array-like of shape (n,), optional
        Load codes, as for ``information``.
    ratio : float
        Load variance / print variance.

    Returns
    -------
    float
        trace((X'V^-1 X)^-1 W) with W from ``moment_matrix``, in units of the print variance.

    Raises
    ------
    ValueError
        Where the model cannot be estimated from the design.

    """
    return float(np.sum(_covariance(X, load, ratio) * moment_matrix(terms, levels)))


def moment_matrix(terms: Sequence[Term], levels: Sequence[int], box: Array | None = None) -> Array:
    """
    Return the average of xx' over the cube or a box in it, where x is a row of the model matrix.

    Parameters
    ----------
    terms : sequence of Term
        The model.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.
    box : ndarray of shape (k, 2), optional
        Low and high of each numeric factor, coded; None for [-1, 1].

    Returns
    -------
    ndarray of shape (p, p)
        Exact: numeric factors uniform from low to high, categorical ones uniform over their levels, all independent.

    """
    held = functions_held(terms, levels)
    moments = np.ones((len(held), len(held)))
    for factor, count in enumerate(levels):
        own = held[:, factor]
        low, high = (-1.0, 1.0) if box is None else box[factor].tolist()
        table = _contrast_moments(count) if count else _power_moments(int(own.max(initial=0)), low, high)
        moments *= table[np.ix_(own, own)]
    return moments


def functions_held(terms: Sequence[Term], levels: Sequence[int]) -> NDArray[np.int64]:
    """
    Return by which function each column of the model matrix holds each factor.

    Parameters
    ----------
    terms : sequence of Term
        The model.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.

    Returns
    -------
    ndarray of shape (p, k)
        The power of a numeric factor, 1 + j for contrast j of a categorical one, 0 where the column does not hold it.

    """
    columns = column_terms(terms, levels)
    held = np.zeros((len(columns), len(levels)), dtype=np.int64)
    for row, (term, contrasts) in enumerate(columns):
        left = iter(contrasts)
        for factor, power in sorted(Counter(term).items()):
            held[row, factor] = 1 + next(left) if levels[factor] else power
    return held


def leverages(X: Array) -> Array:
    """
    Return the leverages of the design's rows: the diagonal of X (X'X)^-1 X'.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded units.

    Returns
    -------
    ndarray of shape (n,)
        From 0 to 1; they add up to p.

    Raises
    ------
    ValueError
        Where the model cannot be estimated from these rows.

    """
    _require_estimable(X)
    return np.asarray(np.sum(np.linalg.qr(X)[0] ** 2, axis=1))


def variance_inflation(X: Array) -> Array:
    """
    Return by how much correlation with the other columns inflates each coefficient's variance.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix with an intercept, coded units.

    Returns
    -------
    ndarray of shape (p,)
        1 where the column is orthogonal to all others; NaN for one that does not vary, such as the intercept.

    Raises
    ------
    ValueError
        Where the model cannot be estimated from these rows.

    References
    ----------
    Marquardt, "Generalized inverses, ridge regression, biased linear estimation, and nonlinear estimation",
    Technometrics 12 (1970) 591.

    """
    _require_estimable(X)
    centred = X - X.mean(axis=0)
    lengths = np.linalg.norm(centred, axis=0)
    varies = lengths > 1e-12 * np.linalg.norm(X, axis=0)
    scaled = centred[:, varies] / lengths[varies]
    factors = np.full(X.shape[1], np.nan)
    factors[varies] = np.diag(np.linalg.inv(scaled.T @ scaled))
    return factors


def _require_estimable(X: Array) -> None:
    if not estimable(X):
        raise ValueError("the model cannot be estimated from these rows: some of its terms cannot be told apart")


def _covariance(X: Array, load: ArrayLike | None, ratio: float) -> Array:
    _require_estimable(X)
    return np.asarray(np.linalg.inv(information(X, load, ratio)))


def _power_moments(highest: int, low: float, high: float) -> Array:
    """Return the average of x^(a+b) over [low, high]."""
    total = np.add.outer(np.arange(highest + 1), np.arange(highest + 1))
    if low == high:
        return np.asarray(low**total, dtype=float)
    return np.asarray((high ** (total + 1) - low ** (total + 1)) / ((total + 1) * (high - low)))


def _contrast_moments(count: int) -> Array:
    """Return the average over the levels of the products of 1 and the sum-to-zero contrasts."""
    functions = np.column_stack([np.ones(count), np.vstack([np.eye(count - 1), -np.ones(count - 1)])])
    return np.asarray(functions.T @ functions / count)
