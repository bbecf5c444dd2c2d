"""How residuals scatter: whether normally, equally in every group, equally at every mean.

Every statistic here is free of the coefficients, of the loads and of the size of the error. So what it would be with normal
errors of equal variance can be drawn through the very same model matrix, and a test is exact in its size however few error
degrees of freedom there are (Dufour et al. 1998). The residuals are those within loads: the loads are taken out as fixed.

References
----------
Dufour, Farhat, Gardiol and Khalaf, "Simulation-based finite sample normality tests in linear regressions", Econometrics
Journal 1 (1998) 154. Shapiro and Francia, "An approximate analysis of variance test for normality", J. Am. Stat. Assoc. 67
(1972) 215. Cook and Weisberg, "Diagnostics for heteroscedasticity in regression", Biometrika 70 (1983) 1. Levene, in
*Contributions to Probability and Statistics* (1960) 278. Box and Cox, "An analysis of transformations", J. R. Stat. Soc. B
26 (1964) 211.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.numerics.terms import orthonormal_basis

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

USED_UP = 0.02
"""A residual that keeps no more of its error than this share says nothing."""
_DRAWS = 999
_POWERS = np.linspace(-3.0, 3.0, 121)
_TIE = 1e-9
_EXCESSES = tuple(factor**2 - 1 for factor in (0.25, 0.5, 2.0, 4.0))


@dataclass(frozen=True)
class Scatter:
    """
    Residuals with what they would be under normal errors of equal variance.

    Parameters
    ----------
    basis : ndarray of shape (n, r)
        Orthonormal basis of the error contrasts within loads.
    contrasts : ndarray of shape (1 + draws, r)
        Those of the response, and below them drawn ones.
    """

    basis: Array
    contrasts: Array

    @property
    def residuals(self) -> Array:
        """Residuals of the response, and below them the drawn ones, shape (1 + draws, n)."""
        return np.asarray(self.contrasts @ self.basis.T)

    @property
    def shares(self) -> Array:
        """Share of each print's error that its residual keeps, shape (n,): 1 - leverage in the model with fixed loads."""
        return np.asarray((self.basis**2).sum(axis=1))

    @property
    def standardised(self) -> Array:
        """The residuals, each over the root of its share; prints without any left out."""
        used = self.shares > USED_UP
        return np.asarray(self.residuals[:, used] / np.sqrt(self.shares[used]))


@dataclass(frozen=True)
class Powers:
    """The power of the response that makes its scatter most even and its model fit best; 1 as it is, 0 the logarithm."""

    best: float
    low: float
    """Limits of its interval; where it reaches beyond, those of the powers tried."""
    high: float


def scatter(within: Array, values: Array, seed: int, draws: int = _DRAWS) -> Scatter:
    """
    Draw residuals beside those of a response.

    Parameters
    ----------
    within : ndarray of shape (n, r)
        Orthonormal basis of the error contrasts within loads.
    values : ndarray of shape (r,)
        Those contrasts of the response.
    seed : int
        Of the draws: the same one gives the same p values.
    draws : int
        How many.

    Returns
    -------
    Scatter
    """
    generator = np.random.default_rng(seed)
    drawn = generator.standard_normal((draws, within.shape[1]))
    return Scatter(within, np.vstack([values, drawn]))


def non_normality(errors: Scatter) -> tuple[float, float]:
    """
    Test whether residuals look normal.

    Returns
    -------
    statistic : float
        Squared correlation of the ordered residuals with normal scores (Shapiro and Francia 1972); one for normal ones.
    p : float
        Share of drawn residuals that look less normal.
    """
    ordered = np.sort(errors.standardised, axis=1)
    m = ordered.shape[1]
    scores = stats.norm.ppf((np.arange(1, m + 1) - 0.375) / (m + 0.25))
    ordered = ordered - ordered.mean(axis=1, keepdims=True)
    found = (ordered @ scores) ** 2 / (ordered**2).sum(axis=1) / (scores @ scores)
    return float(found[0]), _share(-found)


def growth(errors: Scatter, means: Array) -> tuple[float, float]:
    """
    Test whether the variance of residuals changes with the mean.

    Parameters
    ----------
    errors : Scatter
    means : ndarray of shape (n,)
        Fitted values, loads included: independent of the residuals, so that they can be held fixed.

    Returns
    -------
    statistic : float
        Score statistic of Cook and Weisberg (1983), with the sign of the change; about chi-square with 1 degree of freedom
        where residuals are many.
    p : float
        Two-sided, from the drawn residuals.
    """
    squares = errors.residuals**2
    z = means - means.mean()
    slope = (squares @ z) / squares.sum(axis=1)
    score = (len(z) * slope[0]) ** 2 / (2 * float(z @ z))
    return float(np.copysign(score, slope[0] - np.median(slope[1:]))), _two_sided(slope)


def growth_of_coupons(ss: Array, dof: Codes, means: Array, seed: int) -> tuple[float, float]:
    """
    Test whether the scatter of coupons within their print changes with the print's mean.

    Parameters
    ----------
    ss : ndarray of shape (n,)
        Sum of squares of each print's coupons about its mean.
    dof : ndarray of shape (n,)
        Coupons of the print less one; prints with zero say nothing.
    means : ndarray of shape (n,)
        Print means, response units.
    seed : int
        Of the draws: the same one gives the same p values.

    Returns
    -------
    statistic : float
        Slope of the variance over the means, in mean variances per standard deviation of the means.
    p : float
        Two-sided, from normal coupons of equal variance.
    """
    used = dof > 0
    z = means[used] - np.average(means[used], weights=dof[used])
    generator = np.random.default_rng(seed)
    drawn = generator.chisquare(dof[used], (_DRAWS, int(used.sum())))
    squares = np.vstack([ss[used], drawn])
    slope = (squares @ z) / squares.sum(axis=1)
    spread = float(np.average(z**2, weights=dof[used]))
    return float(slope[0] / np.sqrt(spread)), _two_sided(slope)


def unequal_groups(errors: Scatter, groups: Codes) -> tuple[float, float, Array]:
    """
    Test whether groups of prints (printers, loads) scatter unequally.

    Parameters
    ----------
    errors : Scatter
    groups : ndarray of shape (n,)
        0 .. G - 1.

    Returns
    -------
    statistic : float
        Twice the log of the restricted likelihood over that of equal variances, at its greatest over one group whose
        standard deviation is 1/4, 1/2, 2 or 4 times that of the others. Residuals of a model with many coefficients hold
        the errors of other groups too, which this takes apart and absolute residuals (Levene 1960) do not.
    p : float
        From the drawn residuals.
    spreads : ndarray of shape (G,)
        Standard deviation of the residuals of each group, their lost shares made up for; nan for a group without any.
    """
    member = np.eye(int(groups.max()) + 1)[groups]
    contrasts = errors.contrasts / np.linalg.norm(errors.contrasts, axis=1, keepdims=True)
    dof = contrasts.shape[1]
    found = np.zeros(len(contrasts))
    for column in member.T:
        sizes, turned = np.linalg.eigh((errors.basis.T * column) @ errors.basis)
        squares = (contrasts @ turned) ** 2
        for excess in _EXCESSES:
            spread = 1 + excess * np.clip(sizes, 0.0, 1.0)
            found = np.maximum(found, -dof * np.log(squares @ (1 / spread)) - np.log(spread).sum())
    kept, left = member.T @ errors.shares, member.T @ errors.residuals[0] ** 2
    spreads = np.full(len(kept), np.nan)
    known = kept > USED_UP
    spreads[known] = np.sqrt(left[known] / kept[known])
    return float(found[0]), _share(found), spreads


def likely_powers(y: Array, columns: Array, level: float = 0.95) -> Powers | None:
    """
    Profile likelihood of the power transformation of Box and Cox (1964).

    Parameters
    ----------
    y : ndarray of shape (n,)
        Print means, response units, all above zero.
    columns : ndarray of shape (n, q)
        Model matrix with the indicators of the loads; may be linearly dependent.
    level : float
        Coverage of the interval.

    Returns
    -------
    Powers or None
        -3 to 3 are tried. The likelihood is that of the error contrasts (Box and Cox 1964, sec. 4: their nu_r in place of
        n), for with few of them the other is far too sure. None without error degrees of freedom.
    """
    basis = orthonormal_basis(columns)
    dof = len(y) - basis.shape[1]
    logs = np.log(y) - np.log(y).mean()  # over the geometric mean, so that the sums of squares can be compared
    powers = _POWERS[:, None]
    flat = np.abs(powers) < _TIE
    transformed = np.where(flat, logs, np.expm1(powers * logs) / np.where(flat, 1.0, powers))
    left = transformed - (transformed @ basis) @ basis.T
    ss = (left**2).sum(axis=1)
    if dof < 1 or not np.all(ss > _TIE**2 * (transformed**2).sum(axis=1)):
        return None
    deviance = dof * np.log(ss)
    inside = _POWERS[deviance - deviance.min() <= stats.chi2.ppf(level, 1)]
    return Powers(float(_POWERS[np.argmin(deviance)]), float(inside[0]), float(inside[-1]))


def _share(found: Array) -> float:
    """Share of the drawn statistics, the observed one among them, that are at least the observed one (the first)."""
    return float(np.mean(found >= found[0] - _TIE * abs(found[0])))


def _two_sided(found: Array) -> float:
    return min(1.0, 2 * min(_share(found), _share(-found)))
