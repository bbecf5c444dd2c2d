"""What a fitted model leaves out: added columns, values or loads left out, columns that cannot be told apart.

Everything is about the means of prints, y = X b + Z u + e with u ~ N(0, g s I) for the loads and e ~ N(0, s I): means of
different numbers of coupons are to be divided, with their rows of X and Z, by the root of their relative variance first.

Let N be an orthonormal basis of the error contrasts (N'X = 0) and N'Z = U S E' a singular value decomposition. With d the
squares in S and M = N U, the contrasts w = M'y are uncorrelated with variances s (1 + g d), so that for any g::

    Q = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1 = M diag(1 / (1 + g d)) M'        (V in units of s)

A column c that is added to X has the coefficient c'Qy / c'Qc; the restricted likelihood of the wider model, its Kenward-
Roger standard error and degrees of freedom are sums over the contrasts. An indicator of one print makes its coefficient
the error of predicting that print from all others, and its t the externally studentised residual.

References
----------
Cook and Weisberg, *Residuals and Influence in Regression* (1982), ch. 2 (mean-shift outliers). Martin, "Leverage, influence
and residuals in regression models when observations are correlated", Commun. Stat. Theory Methods 21 (1992) 1183.
Christensen, Pearson and Johnson, "Case-deletion diagnostics for mixed models", Technometrics 34 (1992) 38. Kenward and
Roger, "Small sample inference for fixed effects from restricted maximum likelihood", Biometrics 53 (1997) 983.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.numerics.terms import rank

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_NONE = 1e-9  # a share of a squared length, or of a sum of squares, below this is rounding
_SMALLEST, _LARGEST, _POINTS = 1e-3, 1e4, 50  # ratios times the mean of d; seven a decade
_REFINED, _PASSES = 15, 7  # each pass narrows the bracket to a seventh


@dataclass(frozen=True)
class ErrorSpace:
    """
    The error contrasts of one response, uncorrelated whatever the ratio of the loads' variance.

    Parameters
    ----------
    basis : ndarray of shape (n, r)
        M: orthonormal columns, r = n - p.
    sizes : ndarray of shape (r,)
        d: variance that each contrast gets per unit of load variance; exactly zero within loads.
    values : ndarray of shape (r,)
        w = M'y.
    """

    basis: Array
    sizes: Array
    values: Array

    @property
    def within(self) -> Array:
        """Basis of the contrasts that no load moves, shape (n, print error degrees of freedom)."""
        return self.basis[:, self.sizes == 0]

    def precision(self, ratio: float) -> Array:
        """Return Q at a ratio of load to residual variance, shape (n, n)."""
        return (self.basis / (1 + ratio * self.sizes)) @ self.basis.T


@dataclass(frozen=True)
class Added:
    """Coefficients of columns added one at a time, each of shape (m,); nan where the column leaves nothing to judge by."""

    estimates: Array
    se: Array
    """Kenward-Roger."""
    dof: Array
    p: Array
    """Two-sided, of one column alone."""


@dataclass(frozen=True)
class LeftOut:
    """A group of values that was left out of the fit, with the ratio kept."""

    change: Array
    """Coefficients from all values minus those without the group, shape (p,)."""
    errors: Array
    """Values of the group minus their prediction from the others, shape (size of the group,)."""


@dataclass(frozen=True)
class Pattern:
    """Whether a load's prints differ among each other as expected: F(``ndf``, ``ddf``) and its upper tail."""

    f: float
    ndf: int
    ddf: int
    p: float


def error_space(y: Array, X: Array, Z: Array) -> ErrorSpace:
    """
    Turn values into uncorrelated error contrasts.

    Parameters
    ----------
    y : ndarray of shape (n,)
        Print means, response units.
    X : ndarray of shape (n, p)
        Model matrix, full column rank.
    Z : ndarray of shape (n, L)
        Indicators of the loads; no columns where no load component is in the model.

    Returns
    -------
    ErrorSpace
    """
    n, p = X.shape
    N = np.linalg.qr(X, mode="complete")[0][:, p:]
    U, singular, _ = np.linalg.svd(np.hstack([N.T @ Z, np.zeros((n - p, 1))]))
    sizes = np.zeros(n - p)
    sizes[: len(singular)] = np.where(singular**2 > _NONE, singular**2, 0.0)[: n - p]
    rest = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]  # of values far from zero only these keep their digits
    return ErrorSpace(N @ U, sizes, (N @ U).T @ rest)


def added_columns(space: ErrorSpace, columns: Array) -> Added:
    """
    Estimate the coefficients of further columns, each alone beside the model, variances estimated anew for each.

    Parameters
    ----------
    space : ErrorSpace
    columns : ndarray of shape (n, m)
        Each a column that the model may lack, rows as those of X.

    Returns
    -------
    Added
        Equal to ``reml.contrast`` of a fit with the column in the model.
    """
    a = (space.basis.T @ columns).T
    seen = (a**2).sum(axis=1) > _NONE * (columns**2).sum(axis=0)
    within = space.sizes == 0
    inside = (a[:, within] ** 2).sum(axis=1) > _NONE * (columns**2).sum(axis=0)
    enough = seen & (within.sum() - inside >= 1) & (inside | ((~within).sum() >= 2) | ~(~within).any())
    result = np.full((4, len(a)), np.nan)
    if enough.any():
        result[:, enough] = _judged(space, a[enough])
    return Added(*result)


def _judged(space: ErrorSpace, a: Array) -> Array:
    """Return estimate, standard error, degrees of freedom and p of each column, of which ``a`` are the contrasts."""
    d, w, count = space.sizes, space.values, len(space.values) - 1
    h = 1 / (1 + _ratios(space, a)[:, None] * d)
    A = (h * a**2).sum(axis=1)
    estimates = (h * a * w).sum(axis=1) / A
    left = h * (w - estimates[:, None] * a) ** 2
    s = left.sum(axis=1) / count
    s[s <= _NONE**2 * (w @ w)] = np.nan
    parts = np.stack([np.ones_like(d), d]) if d.any() else np.ones((1, len(d)))  # residual, load
    P, u = h / s[:, None], h * a / A[:, None]
    variance = s / A
    b = h * a / s[:, None]
    slopes = (u**2) @ parts.T
    pulled = (b**2 / (A / s)[:, None]) @ parts.T
    double = np.einsum("kr,lr,mr->mkl", parts, parts, P**2)
    crossed = np.einsum("kr,lr,mr->mkl", parts, parts, P * b**2 / (A / s)[:, None])
    information = (double - 2 * crossed + pulled[:, :, None] * pulled[:, None, :]) / 2
    W = _inverses(information)
    along = (u * b) @ parts.T
    spread = np.einsum("kr,lr,mr->mkl", parts, parts, u**2 * P)
    spread -= along[:, :, None] * along[:, None, :] / (A / s)[:, None, None]
    adjusted = variance + 2 * (W * spread).sum(axis=(1, 2))
    dof = 2 * variance**2 / np.einsum("mk,mkl,ml->m", slopes, W, slopes)
    se = np.sqrt(adjusted)
    return np.stack([estimates, se, dof, 2 * stats.t.sf(np.abs(estimates) / se, dof)])


def _inverses(matrices: Array) -> Array:
    """Invert small symmetric matrices; nan where one cannot be inverted."""
    scale = np.sqrt(np.diagonal(matrices, axis1=1, axis2=2))
    scaled = matrices / (scale[:, :, None] * scale[:, None, :])
    singular = ~(np.abs(np.linalg.det(np.nan_to_num(scaled))) > _NONE)
    scaled[singular] = np.eye(matrices.shape[1])
    found = np.linalg.inv(scaled) / (scale[:, :, None] * scale[:, None, :])
    found[singular] = np.nan
    return np.asarray(found)


def _ratios(space: ErrorSpace, a: Array) -> Array:
    """Return the most likely ratio beside each column, shape (m,), by a lattice that closes in on the lowest point."""
    if not space.sizes.any():
        return np.zeros(len(a))
    grid = np.append(0.0, np.geomspace(_SMALLEST, _LARGEST, _POINTS)) / space.sizes[space.sizes > 0].mean()
    lattice = np.broadcast_to(grid, (len(a), len(grid)))
    best = _lowest(space, a, lattice)
    for _ in range(_PASSES):
        low, high = (
            np.take_along_axis(lattice, np.clip(best + step, 0, lattice.shape[1] - 1)[:, None], 1) for step in (-1, 1)
        )
        lattice = low + (high - low) * np.linspace(0, 1, _REFINED)
        best = _lowest(space, a, lattice)
    return np.take_along_axis(lattice, best[:, None], 1)[:, 0]


def _lowest(space: ErrorSpace, a: Array, lattice: Array) -> NDArray[np.intp]:
    """Return where in each row of ratios the restricted likelihood with that row's column is greatest."""
    spread = 1 + lattice[:, :, None] * space.sizes
    h, w = 1 / spread, space.values
    A = (h * a[:, None, :] ** 2).sum(axis=2)
    total = h @ w**2 - (h * (a * w)[:, None, :]).sum(axis=2) ** 2 / A
    floor = np.maximum(total, _NONE**2 * float(w @ w))
    criterion = (len(w) - 1) * np.log(floor) + np.log(spread).sum(axis=2) + np.log(A)
    return np.asarray(np.argmin(criterion, axis=1), dtype=np.intp)


def leverages(space: ErrorSpace, covariance: Array, ratio: float) -> Array:
    """
    How far each value decides its own prediction.

    Parameters
    ----------
    space : ErrorSpace
    covariance : ndarray of shape (n, n)
        I + ratio Z Z'.
    ratio : float
        Of load to residual variance.

    Returns
    -------
    ndarray of shape (n,)
        1 - Q_ii / (V^-1)_ii, between 0 and 1: with one stratum the diagonal of X (X'X)^-1 X', in general the leverage of
        Martin (1992). It is one for a value without which the model cannot be fitted.
    """
    alone = np.diag(np.linalg.inv(covariance))
    return np.asarray(np.clip(1 - np.diag(space.precision(ratio)) / alone, 0.0, 1.0))


def deletion_errors(space: ErrorSpace, ratio: float) -> Array:
    """
    Error of predicting each value from all others, those of its load included.

    Parameters
    ----------
    space : ErrorSpace
    ratio : float
        Of load to residual variance, as estimated from all values.

    Returns
    -------
    ndarray of shape (n,)
        (Qy)_i / Q_ii; nan for a value without which the model cannot be fitted.
    """
    own = np.diag(space.precision(ratio))
    pulls = (space.basis / (1 + ratio * space.sizes)) @ space.values
    errors = np.full(len(own), np.nan)
    defined = own > _NONE
    errors[defined] = pulls[defined] / own[defined]
    return errors


def leave_out(y: Array, X: Array, covariance: Array, group: Mask) -> LeftOut | None:
    """
    Fit without a group of values, at the same covariance.

    Parameters
    ----------
    y : ndarray of shape (n,)
        Print means, response units.
    X : ndarray of shape (n, p)
        Model matrix, coded units.
    covariance : ndarray of shape (n, n)
        In any unit.
    group : ndarray of shape (n,), bool
        Values to leave out; not correlated with the others.

    Returns
    -------
    LeftOut or None
        None where the others cannot estimate the coefficients.
    """
    kept = ~group
    if kept.sum() < X.shape[1] or rank(X[kept]) < X.shape[1]:
        return None
    factor = np.linalg.cholesky(covariance)
    part = np.linalg.cholesky(covariance[np.ix_(kept, kept)])
    everything = np.linalg.lstsq(np.linalg.solve(factor, X), np.linalg.solve(factor, y), rcond=None)[0]
    without = np.linalg.lstsq(np.linalg.solve(part, X[kept]), np.linalg.solve(part, y[kept]), rcond=None)[0]
    return LeftOut(everything - without, y[group] - X[group] @ without)


def within_group(space: ErrorSpace, group: Mask) -> Pattern | None:
    """
    Test whether a load's prints differ among each other as the other loads make expect.

    The loads' means are taken out, so that a load that is off as a whole does not count; the test is exact.

    Parameters
    ----------
    space : ErrorSpace
    group : ndarray of shape (n,), bool
        The prints of one load.

    Returns
    -------
    Pattern or None
        None where the load's prints, or the others, leave nothing to compare.
    """
    inside = space.sizes == 0
    columns, values = space.within[group].T, space.values[inside]
    basis, size, _ = np.linalg.svd(columns, full_matrices=False)
    basis = basis[:, size**2 > _NONE]
    dof = basis.shape[1]
    rest = len(values) - dof
    own = basis.T @ values
    left = float(values @ values - own @ own)
    if dof == 0 or rest < 1 or left <= _NONE * float(values @ values):
        return None
    f = float(own @ own) / dof / (left / rest)
    return Pattern(f, dof, rest, float(stats.f.sf(f, dof, rest)))


def missing_without(X: Array, group: Mask) -> tuple[int, ...]:
    """
    Columns of the model that cannot be estimated without a group of values.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, coded units.
    group : ndarray of shape (n,), bool
        Values to leave out.

    Returns
    -------
    tuple of int
        Columns with a part in the directions that the other values do not show; empty where they show all.
    """
    _, singular, rotation = np.linalg.svd(X[~group] / np.linalg.norm(X, axis=0))
    shown = np.zeros(X.shape[1])
    shown[: len(singular)] = singular
    hidden = rotation[shown <= _NONE]
    return tuple(int(column) for column in np.nonzero(np.abs(hidden).max(axis=0, initial=0.0) > 1e-6)[0])


def variance_inflation(X: Array) -> tuple[Array, Array]:
    """
    How far other columns inflate the variance of each coefficient, and how their estimates go together.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix, the constant first, full column rank.

    Returns
    -------
    inflation : ndarray of shape (p,)
        One over the share of a column's variation about its mean that no other column explains; 1 for the constant and for
        a column that does not vary.
    correlation : ndarray of shape (p, p)
        Correlations of the estimates.

    References
    ----------
    Belsley, Kuh and Welsch, *Regression Diagnostics* (1980), ch. 3.
    """
    unfold = np.linalg.inv(np.linalg.qr(X)[1])
    covariance = unfold @ unfold.T
    variances = np.diag(covariance)
    inflation = np.maximum(variances * ((X - X.mean(axis=0)) ** 2).sum(axis=0), 1.0)
    return inflation, covariance / np.sqrt(np.outer(variances, variances))
