"""Ordinary least squares with its diagnostics.

The solution comes from a Householder QR factorisation of the model matrix after scaling its columns to about unit length,
which keeps more digits on ill-conditioned data than a pseudo-inverse; it is refined with residuals that are summed without
rounding (Björck, "Iterative refinement of linear least squares solutions I", BIT 7 (1967) 257, from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, stats

from doe.numerics.terms import orthonormal_basis

Array = NDArray[np.float64]

_ALIKE = 1e-12  # a direction of columns of about unit length that is shorter is rounding; above it some digits are left
_EXACT = 1e-12  # a leverage this close to one is one
_ROUNDING = 1e-14  # a sum of squares below (this times |y|)^2 is rounding
_REFINEMENTS = 3
_SPLIT = 2.0**27 + 1  # halves the digits of a number (Dekker, Numer. Math. 18 (1971) 224)


@dataclass(frozen=True)
class LeastSquares:
    """
    A fitted model.

    Parameters
    ----------
    estimates, se : ndarray of shape (p,)
        Coefficients and their standard errors, response units.
    covariance : ndarray of shape (p, p)
        residual_variance (X'X)^-1.
    residual_ss : float
        Sum of squared residuals; exactly zero, as then the variance and standard errors, where it is only rounding.
    dof : int
        n - p. At zero nothing is left to judge by: ``residual_variance``, ``se`` and ``covariance`` are then nan.
    residual_variance : float
        residual_ss / dof.
    fitted, residuals : ndarray of shape (n,)
        Response units.
    leverages : ndarray of shape (n,)
        Diagonal of X (X'X)^-1 X'.
    studentised : ndarray of shape (n,)
        Residual over its standard error from a fit without that value (externally studentised), Student's t with dof
        - 1 degrees of freedom; nan where that is not defined: leverage one, dof below two, or an exact fit without it.
    """

    estimates: Array
    se: Array
    covariance: Array
    residual_ss: float
    dof: int
    residual_variance: float
    fitted: Array
    residuals: Array
    leverages: Array
    studentised: Array


@dataclass(frozen=True)
class LackOfFit:
    """The residual sum of squares split into lack of fit and pure error; ``f`` is the ratio of their mean squares."""

    ss_lof: float
    df_lof: int
    ss_pe: float
    df_pe: int
    f: float
    p: float


def fit_least_squares(y: ArrayLike, X: ArrayLike) -> LeastSquares:
    """
    Fit y = X b by ordinary least squares.

    Parameters
    ----------
    y : array of shape (n,)
        Response.
    X : array of shape (n, p)
        Model matrix, full column rank, n at least p.

    Returns
    -------
    LeastSquares

    Raises
    ------
    ValueError
        Shapes that differ, values that are not finite, fewer values than coefficients, linearly dependent columns.
    """
    values, model = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    check_model(values, model)
    n, p = model.shape
    length = _powers_of_two(model)
    Q, R = np.linalg.qr(model / length)
    scaled, residuals = _refined(values, model / length, Q, R)
    estimates, fitted = scaled / length, values - residuals
    residual_ss, dof = _sum_of_squares(residuals, values), n - p
    variance = residual_ss / dof if dof else np.nan
    unfold = linalg.solve_triangular(R, np.eye(p)) / length[:, None]
    covariance = variance * unfold @ unfold.T
    leverages = np.sum(Q**2, axis=1)
    return LeastSquares(
        estimates=estimates,
        se=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_ss=residual_ss,
        dof=dof,
        residual_variance=variance,
        fitted=fitted,
        residuals=residuals,
        leverages=leverages,
        studentised=_studentised(residuals, leverages, residual_ss, dof),
    )


def check_model(y: Array, X: Array) -> None:
    """Raise ValueError, with the condition that fails, where y = X b, of shapes (n,) and (n, p), has no unique solution."""
    if X.ndim != 2 or y.shape != X.shape[:1]:
        raise ValueError("y and X need one entry for each value")
    if not (np.isfinite(y).all() and np.isfinite(X).all()):
        raise ValueError("y and X need finite numbers")
    n, p = X.shape
    if n < p:
        raise ValueError(f"{n} values cannot give {p} coefficients")
    if np.linalg.matrix_rank(X / _powers_of_two(X), tol=_ALIKE) < p:
        raise ValueError("the columns of X are linearly dependent, so the coefficients cannot be told apart")


def coefficients(y: Array, X: Array) -> Array:
    """Return the least-squares coefficients alone, of arrays that ``check_model`` accepts; shape (p,)."""
    length = _powers_of_two(X)
    scaled: Array = _refined(y, X / length, *np.linalg.qr(X / length))[0]
    return scaled / length


def _powers_of_two(X: Array) -> Array:
    """Return the lengths of the columns, rounded to powers of two so that a division by them is exact; 1 for zeros."""
    lengths = np.linalg.norm(X, axis=0)
    return np.asarray(2.0 ** np.round(np.log2(np.where(lengths > 0, lengths, 1.0))))


def _refined(y: Array, X: Array, Q: Array, R: Array) -> tuple[Array, Array]:
    """
    Return coefficients and residuals of y = X b, for X = Q R.

    Both follow from X b + r = y and X'r = 0; what these are off by, summed exactly, gives the next correction.
    """
    b = linalg.solve_triangular(R, Q.T @ y)
    r = y - X @ b
    for _ in range(_REFINEMENTS):
        off = _exact_sums(np.column_stack([y, -r]), -X, b)
        slope = _exact_sums(np.zeros((X.shape[1], 0)), -X.T, r)
        inside = Q.T @ off - linalg.solve_triangular(R, slope, trans="T")
        b, r = b + linalg.solve_triangular(R, inside), r + off - Q @ inside
    return b, r


def _exact_sums(terms: Array, X: Array, b: Array) -> Array:
    """Return the row sums of some terms and of X b, rounded once at the end."""
    products = X * b
    high_X, high_b = (one * _SPLIT - (one * _SPLIT - one) for one in (X, b))
    low_X, low_b = X - high_X, b - high_b
    left = ((high_X * high_b - products) + high_X * low_b + low_X * high_b) + low_X * low_b
    return np.array([math.fsum(row) for row in np.hstack([terms, products, left]).tolist()])


def _sum_of_squares(deviations: Array, y: Array) -> float:
    """Sum of squares, zero where it is no more than the rounding of y."""
    total = float(deviations @ deviations)
    return total if total > _ROUNDING**2 * float(y @ y) else 0.0


def _studentised(residuals: Array, leverages: Array, residual_ss: float, dof: int) -> Array:
    """Externally studentised residuals (Montgomery, Peck and Vining, *Introduction to Linear Regression Analysis*)."""
    found = np.full(len(residuals), np.nan)
    if dof < 2:
        return found
    left_out = np.maximum(1 - leverages, 0.0)
    defined = left_out > _EXACT
    remaining = residual_ss - residuals[defined] ** 2 / left_out[defined]
    variance = np.where(remaining > _EXACT * residual_ss, remaining, np.nan) / (dof - 1)
    found[defined] = residuals[defined] / np.sqrt(variance * left_out[defined])
    return found


def lack_of_fit(y: ArrayLike, X: ArrayLike, cells: ArrayLike, blocks: ArrayLike | None = None) -> LackOfFit:
    """
    Test whether the model leaves more than the scatter between replicates.

    Parameters
    ----------
    y : array of shape (n,)
        Response, one value for each experimental unit of one stratum (print means, not coupons).
    X : array of shape (n, p)
        Model matrix.
    cells : integer array of shape (n,)
        Equal numbers mark replicates. Pure error is the scatter of the residuals within cells: where X is constant
        within cells that is the scatter of y, and where recorded settings differ a little the model corrects for it.
    blocks : array of shape (n, b), optional
        Columns that are fixed on both sides of the comparison (drying loads, printers), so that the test rests on the
        error within them. They may depend on each other and on X.

    Returns
    -------
    LackOfFit

    Raises
    ------
    ValueError
        No replicates, no more cells than coefficients, or replicates without any scatter.

    References
    ----------
    Draper and Smith, *Applied Regression Analysis*, 3rd ed. (1998), section 2.1.
    """
    values, model, codes = np.asarray(y, dtype=float), np.asarray(X, dtype=float), np.asarray(cells)
    if codes.shape != values.shape:
        raise ValueError("cells need one entry for each value")
    fixed = np.zeros((len(values), 0)) if blocks is None else np.asarray(blocks, dtype=float)
    place = np.unique(codes, return_inverse=True)[1]
    settings = np.eye(place.max() + 1)[place]
    residuals, df_model = _left(values, np.hstack([model, fixed]))
    within, df_pe = _left(residuals, np.hstack([settings, fixed]))
    df_lof = df_model - df_pe
    if df_pe == 0:
        raise ValueError("no setting is replicated, so lack of fit cannot be told from error")
    if df_lof <= 0:
        raise ValueError(
            f"{settings.shape[1]} settings leave nothing to test a model of {model.shape[1]} coefficients with"
        )
    ss_pe = _sum_of_squares(within, values)
    if ss_pe == 0:
        raise ValueError("the replicates do not differ at all, so lack of fit cannot be judged against them")
    ss_lof = float(np.sum((residuals - within) ** 2))
    f = (ss_lof / df_lof) / (ss_pe / df_pe)
    return LackOfFit(ss_lof, df_lof, ss_pe, df_pe, f, float(stats.f.sf(f, df_lof, df_pe)))


def _left(y: Array, columns: Array) -> tuple[Array, int]:
    """Return what columns that may depend on each other leave of y, and its degrees of freedom."""
    basis = orthonormal_basis(columns)
    once = y - basis @ (basis.T @ y)
    return once - basis @ (basis.T @ once), len(y) - basis.shape[1]  # twice: the first pass leaves rounding behind
