"""Variance components by restricted maximum likelihood, with inference for small samples.

The model, in the notation of Harville (1977)::

    y = X b + sum_k Z_k u_k + e,    u_k ~ N(0, s_k I),    e ~ N(0, s_e I)

Z_k marks the group (load, print, printer) that each value belongs to. The components s_k are bounded at zero; one that
is estimated at zero stays in the model, so that the intervals keep the uncertainty about it. With no groups at all the
same functions give ordinary least squares.

The estimates come from ``restricted.py``. Everything after them is computed on values whitened by a Cholesky factor of
V, where the covariance adjustment and the degrees of freedom of Kenward and Roger (1997) become short sums: V is
linear in the components, so their terms in second derivatives vanish. With two or fewer error degrees of freedom for a
component these intervals are wide or, for predictions, too short: ``mixture.py`` has those of a posterior.

References
----------
Harville, "Maximum likelihood approaches to variance component estimation and to related problems", J. Am. Stat. Assoc.
72 (1977) 320. Kenward and Roger, "Small sample inference for fixed effects from restricted maximum likelihood",
Biometrics 53 (1997) 983. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics
Bulletin 2 (1946) 110.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, stats

from doe.numerics.leastsq import check_model, coefficients
from doe.numerics.ratio_limit import upper_limit
from doe.numerics.restricted import ABSENT, Array, Codes, ErrorContrasts, error_contrasts, most_likely_ratios

_ROUNDING = 1e-14  # residuals below this share of the values are rounding, not variation
_PRECISION = 1e-6  # residuals below this share of the spread between groups: ratios beyond what arithmetic can hold


@dataclass(frozen=True)
class MixedFit:
    """
    A fitted model; components in the order of the groups given, the residual last.

    Parameters
    ----------
    estimates : ndarray of shape (p,)
        Coefficients, response units.
    covariance : ndarray of shape (p, p)
        (X'V^-1 X)^-1 at the estimated components.
    adjusted_covariance : ndarray of shape (p, p)
        The same with the inflation of Kenward and Roger (1997), for standard errors.
    variances : ndarray of shape (K + 1,)
        Response units squared.
    at_zero : tuple of K bool
        Which components were estimated at zero.
    criterion : float
        -2 log restricted likelihood, with all constants.
    converged : bool
        Whether the conditions for a maximum hold at the estimates.
    groups : tuple of K int
        How many groups each component has.
    dof : tuple of K + 1 int
        Error degrees of freedom of each component, by ranks; see ``ErrorContrasts``.
    variances_covariance : ndarray of shape (K + 1, K + 1)
        Inverse expected information of the components.
    covariance_slopes : ndarray of shape (K + 1, p, p)
        Derivative of ``covariance`` by each component.
    contrasts : ErrorContrasts
        What of the data speaks about the variances.
    """

    estimates: Array
    covariance: Array
    adjusted_covariance: Array
    variances: Array
    at_zero: tuple[bool, ...]
    criterion: float
    converged: bool
    groups: tuple[int, ...]
    dof: tuple[int, ...]
    variances_covariance: Array
    covariance_slopes: Array
    contrasts: ErrorContrasts


@dataclass(frozen=True)
class Contrasts:
    """Estimates with standard errors and degrees of freedom of Student's t, each of shape (m,)."""

    estimates: Array
    se: Array
    dof: Array


@dataclass(frozen=True)
class FTest:
    """``f`` is ``scale`` times the Wald statistic over ``ndf``; ``p`` is its upper tail of F(``ndf``, ``ddf``)."""

    f: float
    ndf: int
    ddf: float
    scale: float
    p: float


def fit_reml(y: ArrayLike, X: ArrayLike, groups: Sequence[ArrayLike] = ()) -> MixedFit:
    """
    Fit a linear model with nested or crossed variance components.

    Parameters
    ----------
    y : array of shape (n,)
        Response.
    X : array of shape (n, p)
        Model matrix of the fixed part, coded units, full column rank.
    groups : sequence of K integer arrays of shape (n,)
        Group of each value, one array per component (load, print, ...), in any order. Labels must be unique across
        nesting: print 1 of load 1 is not print 1 of load 2. Empty for ordinary least squares.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        Shapes that differ; values that are not finite; no more values than coefficients; X without full column rank;
        a component that the layout cannot estimate; values that do not vary within the finest groups (or about the
        model, without groups) by more than a millionth of what they vary between them: the residual variance is then
        zero for all practical purposes and no ratio to it exists.
    """
    values, model = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    codes = [np.unique(np.asarray(group), return_inverse=True)[1] for group in groups]
    _check_input(values, model, codes)
    first = _few_digits(np.linalg.lstsq(model, values, rcond=None)[0])
    rest = values - model @ first  # of values far from zero, only the residuals keep the digits that matter
    contrasts = error_contrasts(rest, model, codes)
    between = np.linalg.norm(contrasts.values)
    if np.sqrt(contrasts.residual_ss) <= max(_ROUNDING * np.linalg.norm(values), _PRECISION * between):
        raise ValueError(
            "the values do not vary within the finest groups (or about the model, without groups), so the residual "
            "variance cannot be estimated"
        )
    ratios, converged = most_likely_ratios(contrasts)
    fit = _infer(rest, model, codes, contrasts, ratios, converged)
    return replace(fit, estimates=first + fit.estimates if codes else coefficients(values, model))


def _few_digits(coefficients: Array) -> Array:
    """Round all to the largest one's 24th binary digit, so that their sums, and what these leave of values, are exact."""
    unit = 2.0 ** (np.ceil(np.log2(max(float(np.abs(coefficients).max()), np.finfo(float).tiny))) - 24)
    return np.asarray(np.round(coefficients / unit) * unit)


def _check_input(y: Array, X: Array, codes: Sequence[Codes]) -> None:
    """Refuse what no estimate could come from."""
    check_model(y, X)
    if any(code.shape != y.shape for code in codes):
        raise ValueError("every group needs one entry for each value")
    n, p = X.shape
    if n == p:
        raise ValueError(f"{n} values cannot give {p} coefficients and a variance; at least {p + 1} are needed")


def _infer(
    y: Array, X: Array, codes: Sequence[Codes], contrasts: ErrorContrasts, ratios: Array, converged: bool
) -> MixedFit:
    """
    Estimates and all that inference needs, at given ratios; computed for s_e = 1, then scaled; y may be residuals.

    With C C' = V / s_e, Q R = C^-1 X and B_i = Z_i'C^-T Q (Z = I for the residual)::

        Z_i'P Z_j = Z_i'V^-1 Z_j - B_i B_j'          information_ij = ||Z_i'P Z_j||^2 / 2
        d covariance / d s_i = R^-1 B_i'B_i R^-T
        adjustment = 2 R^-1 (sum_ij W_ij B_i' (Z_i'P Z_j) B_j) R^-T

    The last is 2 Phi {sum_ij W_ij (Q_ij - P_i Phi P_j)} Phi of Kenward and Roger (1997), sec. 2.
    """
    (n, p), size = X.shape, len(codes)
    indicators = [np.eye(code.max() + 1)[code] for code in codes]
    V = np.eye(n) + sum((g * Z @ Z.T for g, Z in zip(ratios, indicators, strict=True)), np.zeros((n, n)))
    factor = np.linalg.cholesky(V)
    Q, R = np.linalg.qr(linalg.solve_triangular(factor, X, lower=True))
    unfold = linalg.solve_triangular(R, np.eye(p))
    whitened = [linalg.solve_triangular(factor, Z, lower=True) for Z in (*indicators, np.eye(n))]
    B = [Z.T @ Q for Z in whitened]
    free = [Z - Q @ b.T for Z, b in zip(whitened, B, strict=True)]
    pairs = {(i, j): free[i].T @ free[j] for i in range(size + 1) for j in range(i, size + 1)}
    pairs |= {(j, i): pair.T for (i, j), pair in pairs.items()}
    W = np.linalg.inv([[np.sum(pairs[i, j] ** 2) / 2 for j in range(size + 1)] for i in range(size + 1)])
    inflation = sum((W[i, j] * B[i].T @ pair @ B[j] for (i, j), pair in pairs.items()), np.zeros((p, p)))
    s_e = contrasts.residual_variance(ratios)
    log_det = 2 * np.log(np.diag(factor)).sum() + 2 * np.log(np.abs(np.diag(R))).sum()
    return MixedFit(
        estimates=unfold @ (Q.T @ linalg.solve_triangular(factor, y, lower=True)),
        covariance=s_e * unfold @ unfold.T,
        adjusted_covariance=s_e * unfold @ (np.eye(p) + inflation + inflation.T) @ unfold.T,
        variances=s_e * np.append(ratios, 1.0),
        at_zero=tuple(bool(ratio == 0) for ratio in ratios),
        criterion=float(contrasts.count * (np.log(2 * np.pi * s_e) + 1) + log_det),
        converged=converged,
        groups=tuple(Z.shape[1] for Z in indicators),
        dof=contrasts.dof,
        variances_covariance=s_e**2 * W,
        covariance_slopes=np.array([unfold @ (b.T @ b) @ unfold.T for b in B]),
        contrasts=contrasts,
    )


def contrast(fit: MixedFit, rows: ArrayLike) -> Contrasts:
    """
    Linear functions of the coefficients, after Kenward and Roger.

    Parameters
    ----------
    fit : MixedFit
        From ``fit_reml``.
    rows : array of shape (m, p)
        One linear function a row: a model row gives a mean, a unit row a coefficient.

    Returns
    -------
    Contrasts
        Standard errors from the adjusted covariance; degrees of freedom 2 v^2 / (g'W g), to which the method reduces
        for a single function (v its unadjusted variance, g the derivatives of v by the components, W the covariance
        of the components).

    Raises
    ------
    ValueError
        A row of zeros, or rows of another length than p.
    """
    return prediction(fit, rows, np.zeros(len(fit.variances)))


def prediction(fit: MixedFit, rows: ArrayLike, extra: ArrayLike) -> Contrasts:
    """
    New observations at given model rows.

    Parameters
    ----------
    fit : MixedFit
        From ``fit_reml``.
    rows : array of shape (m, p)
        Model rows.
    extra : array of shape (K + 1,)
        How much of each variance the new observation adds, residual last. With loads and prints: (1, 1, 1) for one
        coupon of a new print of a new load, (1, 1, 1/5) for the mean of five coupons of such a print.

    Returns
    -------
    Contrasts
        ``se`` of the difference between observation and prediction; degrees of freedom after Satterthwaite (1946) for
        the total variance, with the expected information of the components.

    Raises
    ------
    ValueError
        A row of zeros, or a shape that does not fit.
    """
    rows, extra = np.atleast_2d(np.asarray(rows, dtype=float)), np.asarray(extra, dtype=float)
    if rows.shape[1] != len(fit.estimates) or extra.shape != fit.variances.shape:
        raise ValueError(f"rows need {len(fit.estimates)} columns and extra {len(fit.variances)} entries")
    if not rows.any(axis=1).all():
        raise ValueError("a row of zeros asks for nothing")
    added = extra @ fit.variances
    variance = _quadratic(rows, fit.covariance) + added
    slopes = np.stack([_quadratic(rows, slope) for slope in fit.covariance_slopes], axis=1) + extra
    dof = 2 * variance**2 / _quadratic(slopes, fit.variances_covariance)
    return Contrasts(rows @ fit.estimates, np.sqrt(_quadratic(rows, fit.adjusted_covariance) + added), dof)


def _quadratic(rows: Array, matrix: Array) -> Array:
    """Return r'M r for every row r."""
    return np.asarray(np.sum(rows @ matrix * rows, axis=1))


def f_test(fit: MixedFit, L: ArrayLike) -> FTest:
    """
    Test L b = 0 for several functions at once, after Kenward and Roger.

    Parameters
    ----------
    fit : MixedFit
        From ``fit_reml``.
    L : array of shape (q, p)
        Linearly independent rows.

    Returns
    -------
    FTest
        With one row exactly the square of the t of ``contrast``. With more rows and below about two denominator
        degrees of freedom the approximation is poor: prefer single contrasts there.

    Raises
    ------
    ValueError
        Rows that are linearly dependent.

    References
    ----------
    Kenward and Roger (1997), sec. 3, for A1, A2 and the F that they lead to.
    """
    rows = np.atleast_2d(np.asarray(L, dtype=float))
    q = rows.shape[0]
    if np.linalg.matrix_rank(rows) < q:
        raise ValueError("the rows of L are linearly dependent")
    effects = rows @ fit.estimates
    wald = float(effects @ np.linalg.solve(rows @ fit.adjusted_covariance @ rows.T, effects)) / q
    if q == 1:  # the general formulas divide by zero at 2 and 4 degrees of freedom; here they reduce to this
        ddf, scale = float(contrast(fit, rows).dof[0]), 1.0
    else:
        within = rows @ fit.covariance @ rows.T
        relative = np.array([np.linalg.solve(within, rows @ slope @ rows.T) for slope in fit.covariance_slopes])
        traces = np.trace(relative, axis1=1, axis2=2)
        A1 = float(traces @ fit.variances_covariance @ traces)
        A2 = float(np.einsum("ij,iab,jba->", fit.variances_covariance, relative, relative))
        ddf, scale = (float(part) for part in matched_f(A1, A2, q))
    return FTest(scale * wald, q, ddf, scale, float(stats.f.sf(scale * wald, q, ddf)))


def matched_f(A1: ArrayLike, A2: ArrayLike, q: int) -> tuple[Array, Array]:
    """
    Denominator degrees of freedom and scale of the F with the moments of the Wald statistic.

    Kenward and Roger (1997), sec. 3, with the fraction for the degrees of freedom cleared of its denominators, which
    vanish at 4 degrees of freedom (v2) and at 2 (both ``v1`` and ``shrink``, whose ratio is then one).

    Parameters
    ----------
    A1, A2 : array of one shape, or float
        Of each test, as there.
    q : int
        How many functions are tested together, at least 2.

    Returns
    -------
    ddf, scale : ndarray of the same shape
    """
    A1, A2 = np.asarray(A1, dtype=float), np.asarray(A2, dtype=float)
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    d = 3 * q + 2 * (1 - g)
    v0, v1, v2 = 1 + g / d * B, 1 - (q - g) / d * B, 1 - (q + 2 - g) / d * B
    shrink = 1 - A2 / q
    both = np.maximum(np.abs(shrink), np.abs(v1)) < ABSENT  # their ratio is one there
    numerator, denominator = np.where(both, 1.0, v1) ** 2, np.where(both, 1.0, shrink) ** 2
    ddf = 4 + (q + 2) * v2 * numerator / (denominator * v0 - v2 * numerator)
    at_two = np.abs(ddf - 2) < 1e-2  # the scale is a ratio of vanishing numbers there, one in balanced layouts
    return ddf, np.where(at_two, 1.0, ddf * shrink / np.where(at_two, 1.0, ddf - 2))


def upper_ratio_limit(fit: MixedFit, k: int, level: float = 0.95) -> float:
    """
    Upper limit for the ratio of component k to the residual variance, above zero however small the estimate.

    Parameters
    ----------
    fit : MixedFit
        From ``fit_reml``.
    k : int
        Position of the component.
    level : float
        One-sided confidence.

    Returns
    -------
    float
        Ratio s_k / s_e; see ``ratio_limit.upper_limit`` for what it is and how often it held.
    """
    return upper_limit(fit.contrasts, fit.variances[:-1] / fit.variances[-1], k, level)
