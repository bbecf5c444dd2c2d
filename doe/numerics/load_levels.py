"""The level of each load beside the others', judged by how prints scatter within loads."""

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.numerics.terms import rank

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_DUST = 1e-9
"""Coded columns that move less than this within every load do not change within loads."""


def load_levels(X: Array, load: Codes, y: Array, level: float) -> tuple[Array, Array] | None:
    """
    Return how far each load lies from the average of all, with an interval that takes the loads as they are.

    Least squares with a level for every load and the columns of the model that change within loads: what a load was dried for is
    part of its level. The intervals are exact for independent normal errors of equal variance, whatever the loads' own variance
    and whatever their treatment does (Student's t; Searle, *Linear Models*, 1971, section 3.6, from memory).

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded.
    load : ndarray of shape (n,)
        Codes 0 .. L - 1, each of them at least once.
    y : ndarray of shape (n,)
        Print means.
    level : float
        Two-sided confidence of each interval.

    Returns
    -------
    tuple of ndarray of shape (L,) and ndarray of shape (L, 2), or None
        None where prints do not tell loads apart, or leave no degree of freedom for their scatter.
    """
    loads = int(load.max()) + 1
    mark = np.eye(loads)[load]
    means = mark.T @ X / mark.sum(axis=0)[:, None]
    A = np.hstack([mark, X[:, (np.abs(X - means[load]) > _DUST).any(axis=0)]])
    dof = len(y) - A.shape[1]
    if loads < 2 or dof < 1 or rank(A) < A.shape[1]:
        return None
    inverse = np.linalg.inv(A.T @ A)
    estimates = inverse @ A.T @ y
    variance = float(np.sum((y - A @ estimates) ** 2)) / dof
    contrast = np.eye(loads) - 1 / loads
    centre = contrast @ estimates[:loads]
    spread = np.sqrt(variance * np.diag(contrast @ inverse[:loads, :loads] @ contrast))
    half = stats.t.ppf(0.5 + level / 2, dof) * spread
    return centre, np.column_stack([centre - half, centre + half])
