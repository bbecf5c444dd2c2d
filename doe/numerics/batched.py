"""
Many studies that share one plan, fitted at once: the fit of ``reml.py`` for every row of a table of simulated values.

With X, the loads and so the error contrasts shared, one decomposition serves all studies. Let N be an orthonormal basis
of the error contrasts (N'X = 0), Z the indicators of the loads and N'Z = U S E' its singular value decomposition; d are
the squares in S. In units of the residual variance, with g the ratio of load to residual variance and h = 1 / (1 + g d)::

    w = U'N'y                      uncorrelated, with variances 1 + g d; all others of N'y have variance 1
    A = (X'X)^-1 X'Z               what the loads add to the least-squares coefficients
    A = B E' + C                   the part that the error contrasts show too (B), and the rest (C)

Generalised least squares takes the part that is shown out again, so that for a contrast l'b, with b_j = (l'B)_j::

    estimate   = l'(X'X)^-1 X'y - sum_j b_j sqrt(d_j) g h_j w_j
    variance   = l'(X'X)^-1 l + g ||l'C||^2 + sum_j b_j^2 g h_j
    by load    = ||l'C||^2 + sum_j b_j^2 h_j^2
    by print   = l'(X'X)^-1 l + sum_j b_j^2 g^2 d_j h_j^2
    adjustment = 2 sum_j b_j^2 d_j h_j^3 (W_11 - 2 g W_1e + g^2 W_ee)

"By load" and "by print" are the derivatives of the variance by the two components, W is the inverse of their expected
information, and the adjustment is that of Kenward and Roger (1997) to the variance. No term is a difference of large
numbers, so that nothing is lost at large ratios. Without loads it is ordinary least squares.

References
----------
Harville, "Maximum likelihood approaches to variance component estimation and to related problems", J. Am. Stat. Assoc.
72 (1977) 320. Kenward and Roger, "Small sample inference for fixed effects from restricted maximum likelihood",
Biometrics 53 (1997) 983.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.leastsq import check_model
from doe.numerics.restricted import ABSENT
from doe.numerics.terms import rank

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_SMALLEST, _LARGEST, _POINTS = 1e-4, 1e12, 81  # the grid of ratios times the mean of d: five a decade
_STEPS = 100
_ROUNDING, _PRECISION = 1e-12, 1e-6  # residuals below these shares of values and spread are rounding, not variation


@dataclass(frozen=True)
class SharedPlan:
    """
    All that the fits of one plan have in common.

    Parameters
    ----------
    model : ndarray of shape (n, p)
        Model matrix, coded units.
    load : ndarray of shape (n,) or None
        Load codes 0 .. L - 1; None where the plan has no loads.
    load_dof : int or None
        Load error degrees of freedom; None without loads.
    print_dof : int
        Print error degrees of freedom, at least 1.
    unjudged : ndarray of shape (p,), bool
        Columns that change only between loads which leave no error degree of freedom: they have no standard error.
    least_squares : ndarray of shape (p, n)
        (X'X)^-1 X'.
    unscaled : ndarray of shape (p, p)
        (X'X)^-1.
    moved : ndarray of shape (n, r)
        Error contrasts that the loads move; r is 0 where no load component is fitted.
    unmoved : ndarray of shape (n, n - p - r)
        The other error contrasts.
    sizes : ndarray of shape (r,)
        Variance of each moved contrast per unit of load variance: d.
    shown : ndarray of shape (p, r)
        B: the loads' part of the least-squares coefficients that the error contrasts show.
    hidden : ndarray of shape (p, L)
        C: the part that they do not show.
    """

    model: Array
    load: Codes | None
    load_dof: int | None
    print_dof: int
    unjudged: NDArray[np.bool_]
    least_squares: Array
    unscaled: Array
    moved: Array
    unmoved: Array
    sizes: Array
    shown: Array
    hidden: Array

    @property
    def fits_loads(self) -> bool:
        """Whether a load component is in the fit."""
        return len(self.sizes) > 0

    @property
    def contrasts(self) -> int:
        """How many error contrasts there are: n - p."""
        return int(self.model.shape[0] - self.model.shape[1])


@dataclass(frozen=True)
class BatchFit:
    """
    The fits of R studies.

    Parameters
    ----------
    plan : SharedPlan
    estimates : ndarray of shape (R, p)
        Coefficients, response units.
    residual_variances : ndarray of shape (R,)
        Response units squared.
    ratios : ndarray of shape (R,)
        Load over residual variance, exactly zero on the boundary; zeros where no load component is fitted.
    """

    plan: SharedPlan
    estimates: Array
    residual_variances: Array
    ratios: Array


def share_plan(X: ArrayLike, load: ArrayLike | None = None) -> SharedPlan:
    """
    Prepare the fits of one plan, with the variance components that a fit of single studies has.

    A load component is in the fit where loads hold several prints and leave an error degree of freedom after the
    model; otherwise it is ordinary least squares.

    Parameters
    ----------
    X : array of shape (n, p)
        Model matrix, coded units, of full column rank.
    load : integer array of shape (n,), optional
        Load of each print; None where the plan has no loads.

    Returns
    -------
    SharedPlan

    Raises
    ------
    ValueError
        A model matrix that is not of full column rank, loads that do not fit its rows, or no error degree of freedom
        left for the prints.
    """
    model = np.asarray(X, dtype=float)
    check_model(np.zeros(len(model)), model)
    codes = None if load is None else np.unique(np.asarray(load), return_inverse=True)[1].astype(np.int64)
    if codes is not None and codes.shape != (len(model),):
        raise ValueError("every print needs the code of its load")
    load_dof, print_dof = _error_dof(model, codes)
    if print_dof < 1:
        raise ValueError("no error degree of freedom is left for the prints, so no standard error can be estimated")
    p = model.shape[1]
    Q, R = np.linalg.qr(model, mode="complete")
    unfold, contrasts = np.linalg.inv(R[:p]), Q[:, p:]
    least_squares = unfold @ Q[:, :p].T
    Z = _indicators(codes) if load_dof and _shared(codes) else np.zeros((len(model), 0))
    left, size, right = np.linalg.svd(contrasts.T @ Z)
    count = int(np.sum(size > ABSENT))
    effects = least_squares @ Z
    shown = effects @ right[:count].T
    return SharedPlan(
        model=model,
        load=codes,
        load_dof=load_dof,
        print_dof=print_dof,
        unjudged=_constant_within(model, codes) if load_dof == 0 else np.zeros(p, dtype=bool),
        least_squares=least_squares,
        unscaled=unfold @ unfold.T,
        moved=contrasts @ left[:, :count],
        unmoved=contrasts @ left[:, count:],
        sizes=size[:count] ** 2,
        shown=shown,
        hidden=effects - shown @ right[:count],
    )


def _indicators(codes: Codes | None) -> Array:
    """Return a column of ones and zeros per load, shape (n, L)."""
    assert codes is not None
    return np.asarray(np.eye(int(codes.max()) + 1)[codes], dtype=float)


def _shared(codes: Codes | None) -> bool:
    """Whether some load holds several prints; otherwise its variation is part of the prints'."""
    return codes is not None and int(codes.max()) + 1 < len(codes)


def _error_dof(model: Array, codes: Codes | None) -> tuple[int | None, int]:
    """Load and print error degrees of freedom, by ranks."""
    n, p = model.shape
    if not _shared(codes):
        return None if codes is None else n - p, n - p
    both = rank(np.hstack([model, _indicators(codes)]))
    return both - p, n - both


def _constant_within(model: Array, codes: Codes | None) -> NDArray[np.bool_]:
    """Return, per column, whether it is constant within every load."""
    Z = _indicators(codes)
    averages = (Z / Z.sum(axis=0)).T @ model
    return np.asarray(np.abs(model - Z @ averages).max(axis=0) < 1e-9)


def fit_batch(plan: SharedPlan, values: ArrayLike) -> BatchFit:
    """
    Fit every study of a table.

    Parameters
    ----------
    plan : SharedPlan
    values : array of shape (R, n)
        One study a row: the mean of each print, response units.

    Returns
    -------
    BatchFit

    Raises
    ------
    ValueError
        A table of another width, values that are not finite, or a study whose values do not vary within the loads (or
        about the model, without loads).
    """
    table = np.asarray(values, dtype=float)
    if table.ndim != 2 or table.shape[1] != len(plan.model) or not np.isfinite(table).all():
        raise ValueError(f"every study needs {len(plan.model)} values, all of them numbers")
    moved = table @ plan.moved
    squares, rest = moved**2, np.sum((table @ plan.unmoved) ** 2, axis=1)
    within_rounding = _ROUNDING**2 * np.sum(table**2, axis=1)
    if np.any(rest <= np.maximum(within_rounding, _PRECISION**2 * (squares.sum(axis=1) + rest))):
        raise ValueError("a study has values that do not vary within the loads (or about the model, without loads)")
    ratios = _most_likely(squares, rest, plan) if plan.fits_loads else np.zeros(len(table))
    shrink = 1 / (1 + ratios[:, None] * plan.sizes)
    taken_out = ratios[:, None] * shrink * moved * np.sqrt(plan.sizes)
    return BatchFit(
        plan=plan,
        estimates=table @ plan.least_squares.T - taken_out @ plan.shown.T,
        residual_variances=(np.sum(squares * shrink, axis=1) + rest) / plan.contrasts,
        ratios=ratios,
    )


def _most_likely(squares: Array, rest: Array, plan: SharedPlan) -> Array:
    """
    Maximise the restricted likelihood of each study over the ratio: the best of a grid, then Newton steps.

    -2 log of it is m log(q) - sum log(h), with q = sum w^2 h + rest, the residual variance profiled out.
    """
    d = plan.sizes
    grid = np.append(0.0, np.geomspace(_SMALLEST, _LARGEST, _POINTS)) / d.mean()
    shrink = 1 / (1 + np.outer(grid, d))
    criterion = plan.contrasts * np.log(squares @ shrink.T + rest[:, None]) - np.log(shrink).sum(axis=1)
    best = criterion.argmin(axis=1)
    ratios = np.zeros(len(squares))
    at_zero, _ = _slope(ratios, squares, rest, plan)
    inside = np.flatnonzero((best > 0) | (at_zero < 0))
    bracket = grid[np.maximum(best[inside] - 1, 0)], grid[np.minimum(best[inside] + 1, len(grid) - 1)]
    ratios[inside] = _newton(grid[best[inside]], bracket, squares[inside], rest[inside], plan)
    return ratios


def _slope(ratios: Array, squares: Array, rest: Array, plan: SharedPlan) -> tuple[Array, Array]:
    """First and second derivative of the criterion by the ratio, each of shape (R,)."""
    weight = plan.sizes / (1 + ratios[:, None] * plan.sizes)  # d h
    part = squares * weight / plan.sizes
    total = part.sum(axis=1) + rest
    first, second = np.sum(part * weight, axis=1) / total, 2 * np.sum(part * weight**2, axis=1) / total
    count = plan.contrasts
    return weight.sum(axis=1) - count * first, count * (second - first**2) - np.sum(weight**2, axis=1)


def _newton(start: Array, bracket: tuple[Array, Array], squares: Array, rest: Array, plan: SharedPlan) -> Array:
    """Find where the slope rises through zero, in t = log(1 + mean(d) g); where a step would leave the bracket, halve it."""
    scale = plan.sizes.mean()
    position, low, high = (np.log1p(scale * ratio) for ratio in (start, *bracket))
    for _ in range(_STEPS):
        stretch = np.exp(position) / scale  # dg / dt
        slope, bend = _slope(np.expm1(position) / scale, squares, rest, plan)
        slope, bend = slope * stretch, bend * stretch**2 + slope * stretch
        low, high = np.where(slope < 0, position, low), np.where(slope < 0, high, position)
        step = position - slope / np.where(bend > 0, bend, 1.0)
        step = np.where((bend > 0) & (step >= low) & (step <= high), step, (low + high) / 2)
        moved = np.abs(step - position)
        position = step
        if np.all(moved <= 1e-13 * (1 + position)):
            break
    return np.asarray(np.expm1(position) / scale)
