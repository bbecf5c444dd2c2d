"""
How precise a shared plan makes linear functions of the coefficients: variance, Kenward-Roger inference, joint tests.

The formulas stand in ``batched.py``; here they are evaluated at the estimated ratios of many studies, or at one that is
assumed. Variances are in units of the residual variance.

References
----------
Kenward and Roger, "Small sample inference for fixed effects from restricted maximum likelihood", Biometrics 53 (1997)
983.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.batched import SharedPlan
from doe.numerics.reml import matched_f

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Precision:
    """
    Of m linear functions at R ratios; each of shape (R, m), variances in units of the residual variance.

    ``variance`` is that at known components, ``adjusted`` the larger one of Kenward and Roger, ``dof`` their degrees of
    freedom of Student's t.
    """

    variance: Array
    adjusted: Array
    dof: Array


@dataclass(frozen=True)
class JointPrecision:
    """
    Of q linear functions together, at R ratios; covariances of shape (R, q, q) in units of the residual variance.

    ``scale`` times the Wald statistic over q, with the adjusted covariance, is to be judged against F(q, ``ddf``).
    """

    covariance: Array
    adjusted: Array
    ddf: Array
    scale: Array


@dataclass(frozen=True)
class _Components:
    """Inverse expected information of load and residual variance with what it is made of; h of shape (R, r)."""

    ratio: Array
    shrink: Array
    loads: Array
    shared: Array
    prints: Array

    def along(self, by_load: Array, by_print: Array) -> Array:
        """Return the variance of a function of the components with these derivatives."""
        return by_load**2 * self.loads + 2 * by_load * by_print * self.shared + by_print**2 * self.prints


def precision(plan: SharedPlan, ratios: ArrayLike, rows: ArrayLike) -> Precision:
    """
    Variance and Kenward-Roger degrees of freedom of linear functions, at given ratios.

    Parameters
    ----------
    plan : SharedPlan
    ratios : array of shape (R,)
        Load over residual variance: estimates, or what is assumed. Of no effect where no load component is fitted.
    rows : array of shape (m, p)
        One linear function a row: a model row gives a mean, a unit row a coefficient.

    Returns
    -------
    Precision

    Raises
    ------
    ValueError
        A row of zeros, or rows of another length than p.
    """
    rows, ratio = _checked_rows(plan, rows), np.asarray(ratios, dtype=float)
    alone = np.sum(rows @ plan.unscaled * rows, axis=1)
    if not plan.fits_loads:
        variance = np.tile(alone, (len(ratio), 1))
        return Precision(variance, variance, np.full(variance.shape, float(plan.print_dof)))
    known = _components(plan, ratio)
    g, h = known.ratio, known.shrink
    shown, hidden = ((rows @ plan.shown) ** 2).T, np.sum((rows @ plan.hidden) ** 2, axis=1)
    variance = alone + g * hidden + (g * h) @ shown
    spread = known.along(hidden + h**2 @ shown, alone + (g**2 * plan.sizes * h**2) @ shown)
    return Precision(variance, variance + _adjustment(plan, known) @ shown, 2 * variance**2 / spread)


def _checked_rows(plan: SharedPlan, rows: ArrayLike) -> Array:
    checked = np.atleast_2d(np.asarray(rows, dtype=float))
    if checked.shape[1] != plan.model.shape[1] or not checked.any(axis=1).all():
        raise ValueError(f"every row needs {plan.model.shape[1]} entries, not all of them zero")
    return checked


def _components(plan: SharedPlan, ratios: Array) -> _Components:
    g = ratios[:, None]
    h = 1 / (1 + g * plan.sizes)
    loads = np.sum((plan.sizes * h) ** 2, axis=1, keepdims=True) / 2
    shared = np.sum(plan.sizes * h**2, axis=1, keepdims=True) / 2
    prints = (np.sum(h**2, axis=1, keepdims=True) + plan.unmoved.shape[1]) / 2
    determinant = loads * prints - shared**2
    return _Components(g, h, prints / determinant, -shared / determinant, loads / determinant)


def _adjustment(plan: SharedPlan, known: _Components) -> Array:
    """Return the addition of Kenward and Roger to the variance, per squared entry of ``shown``, shape (R, r)."""
    g, h = known.ratio, known.shrink
    return np.asarray(2 * plan.sizes * h**3 * (known.loads - 2 * g * known.shared + g**2 * known.prints))


def joint_precision(plan: SharedPlan, ratios: ArrayLike, rows: ArrayLike) -> JointPrecision:
    """
    Covariance and Kenward-Roger degrees of freedom of several linear functions together, at given ratios.

    Parameters
    ----------
    plan : SharedPlan
    ratios : array of shape (R,)
        As for :func:`precision`.
    rows : array of shape (q, p)
        Linearly independent.

    Returns
    -------
    JointPrecision

    Raises
    ------
    ValueError
        Rows of another length than p, or linearly dependent ones.
    """
    rows, ratio = _checked_rows(plan, rows), np.asarray(ratios, dtype=float)
    q = len(rows)
    if np.linalg.matrix_rank(rows) < q:
        raise ValueError("the rows are linearly dependent")
    if q > 1 and plan.fits_loads:
        return _joint_with_loads(plan, _components(plan, ratio), rows)
    single, one = precision(plan, ratio, rows), np.ones(len(ratio))
    if q == 1:
        return JointPrecision(single.variance[:, :, None], single.adjusted[:, :, None], single.dof[:, 0], one)
    covariance = np.tile(rows @ plan.unscaled @ rows.T, (len(ratio), 1, 1))
    return JointPrecision(covariance, covariance, single.dof[:, 0], one)


def _joint_with_loads(plan: SharedPlan, known: _Components, rows: Array) -> JointPrecision:
    """Kenward and Roger (1997), sec. 3: A1 and A2 from the covariance and its slopes by the two components."""
    g, h = known.ratio, known.shrink
    alone, away, along = rows @ plan.unscaled @ rows.T, rows @ plan.hidden, rows @ plan.shown
    hidden, shown = away @ away.T, np.einsum("aj,bj->jab", along, along)
    covariance = alone + g[:, :, None] * hidden + _summed(g * h, shown)
    slopes = hidden + _summed(h**2, shown), alone + _summed(g**2 * plan.sizes * h**2, shown)
    by_load, by_print = (np.asarray(np.linalg.solve(covariance, slope), dtype=float) for slope in slopes)
    A1 = known.along(*(np.trace(part, axis1=1, axis2=2)[:, None] for part in (by_load, by_print)))
    A2 = _crossed(by_load, by_load) * known.loads + _crossed(by_print, by_print) * known.prints
    A2 += 2 * _crossed(by_load, by_print) * known.shared
    ddf, scale = matched_f(A1[:, 0], A2[:, 0], len(rows))
    return JointPrecision(covariance, covariance + _summed(_adjustment(plan, known), shown), ddf, scale)


def _summed(weights: Array, matrices: Array) -> Array:
    """Return the weighted sums of matrices, shape (R, q, q), for weights of shape (R, r)."""
    return np.asarray(np.tensordot(weights, matrices, axes=1), dtype=float)


def _crossed(left: Array, right: Array) -> Array:
    """Return the trace of each product, shape (R, 1)."""
    return np.asarray(np.einsum("rab,rba->r", left, right), dtype=float)[:, None]
