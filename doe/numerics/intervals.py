"""
Limits for means, for future observations, for several at once and for a share of future observations.

Every function takes estimates with their standard errors and degrees of freedom, from whichever model they come. They are
used as they are: degrees of freedom below those of the smallest stratum, which Kenward-Roger gives where a component is
estimated at zero, are not raised to it. That would shorten intervals just where they already hold too seldom: simulated,
among studies whose load component is estimated at zero (``tests/studies/coverage.csv``).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

Array = NDArray[np.float64]

_NODES = 200  # of the Gauss-Legendre rule for the two-sided tolerance factor
_REACH = 9.0  # standard deviations of the mean that the rule covers; the rest has a probability of 1e-19


def mean_interval(estimates: ArrayLike, se: ArrayLike, dof: ArrayLike, level: float = 0.95) -> Array:
    """
    Confidence intervals for means or coefficients, each at its own level.

    Parameters
    ----------
    estimates, se, dof : arrays of shape (m,)
        Estimates, their standard errors and degrees of freedom (fractions allowed, above zero).
    level : float
        Two-sided coverage per interval, not simultaneous.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units.

    Raises
    ------
    ValueError
        A level outside (0, 1) or degrees of freedom not above zero.
    """
    return _limits(estimates, se, _t_quantile(dof, level, 1))


def prediction_interval(estimates: ArrayLike, se: ArrayLike, dof: ArrayLike, level: float = 0.95) -> Array:
    """
    Intervals for future observations, each at its own level.

    Parameters
    ----------
    estimates : array of shape (m,)
        Predicted values.
    se : array of shape (m,)
        Standard error of observation minus prediction, as from ``reml.prediction``: the root of the squared standard
        error of the mean plus the variance of a new observation.
    dof : array of shape (m,)
        Degrees of freedom of ``se``.
    level : float
        Two-sided coverage per observation; for several together see ``simultaneous_interval``.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units.

    Raises
    ------
    ValueError
        A level outside (0, 1) or degrees of freedom not above zero.
    """
    return _limits(estimates, se, _t_quantile(dof, level, 1))


def simultaneous_interval(
    estimates: ArrayLike, se: ArrayLike, dof: ArrayLike, count: int, level: float = 0.95
) -> Array:
    """
    Intervals that hold all at once, for a number of means or future observations named beforehand (Bonferroni).

    Parameters
    ----------
    estimates, se, dof : arrays of shape (m,)
        As for ``mean_interval`` or ``prediction_interval``.
    count : int
        How many intervals are to hold together.
    level : float
        Coverage of all ``count`` together, at least.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units.

    Raises
    ------
    ValueError
        A level outside (0, 1), degrees of freedom not above zero, or a count below 1.
    """
    return _limits(estimates, se, _t_quantile(dof, level, count))


def scheffe_interval(estimates: ArrayLike, se: ArrayLike, dof: ArrayLike, dimension: int, level: float = 0.95) -> Array:
    """
    Intervals that hold all at once, for every function of a space of coefficients.

    Parameters
    ----------
    estimates, se, dof : arrays of shape (m,)
        As for ``mean_interval``.
    dimension : int
        Dimension of the space: the number of coefficients p for the mean at every setting.
    level : float
        Coverage of all together.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units.

    Raises
    ------
    ValueError
        A level outside (0, 1), degrees of freedom not above zero, or a dimension below 1.

    References
    ----------
    Scheffé, "A method for judging all contrasts in the analysis of variance", Biometrika 40 (1953) 87.
    """
    degrees = _checked(dof, level, dimension)
    return _limits(estimates, se, np.sqrt(dimension * stats.f.ppf(level, dimension, degrees)))


def chosen_interval(
    estimates: ArrayLike, se: ArrayLike, dof: ArrayLike, coefficients: int, level: float = 0.95
) -> Array:
    """
    Intervals for the mean at a setting that was chosen because its estimated mean is the best.

    The choice favours settings whose errors flatter them: an interval that does not know of it misses nearly always on
    the flattering side. This one is the Bonferroni interval for twice as many means as the model has coefficients, a rule that
    was found by simulation: hardest is the case of factors without any effect, where every setting is as good as another.
    ``tests/studies/coverage.csv`` says how often it held there and elsewhere.

    Parameters
    ----------
    estimates, se, dof : arrays of shape (m,)
        At the chosen setting, as for ``mean_interval``.
    coefficients : int
        How many coefficients the model has.
    level : float
        Coverage, where the setting is the best of all in the region.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units.

    Raises
    ------
    ValueError
        A level outside (0, 1), degrees of freedom not above zero, or a number of coefficients below 1.
    """
    return simultaneous_interval(estimates, se, dof, 2 * coefficients, level)


def tolerance_factor_one_sided(
    effective_n: ArrayLike, dof: ArrayLike, coverage: float, confidence: float = 0.95
) -> Array:
    """
    Factor k such that estimate - k s lies below a share of all future values, with confidence; or + k s above.

    Parameters
    ----------
    effective_n : array
        Variance of one value over the variance of the estimated mean: n for a sample, 1 / (x'(X'X)^-1 x) in regression.
    dof : array
        Degrees of freedom of s; n - 1 for a sample.
    coverage : float
        Share of future values.
    confidence : float
        Probability that the limit does cover that share.

    Returns
    -------
    ndarray
        t'(confidence; dof, z sqrt(effective_n)) / sqrt(effective_n), with z the normal quantile of the coverage.

    Raises
    ------
    ValueError
        A share outside (0, 1), or degrees of freedom not above zero.

    References
    ----------
    Owen, *Factors for one-sided tolerance limits*, SCR-607 (1963).
    """
    degrees, n = _checked_tolerance(effective_n, dof, coverage, confidence)
    return np.asarray(stats.nct.ppf(confidence, degrees, special.ndtri(coverage) * np.sqrt(n)) / np.sqrt(n))


def howe_factor(effective_n: ArrayLike, dof: ArrayLike, coverage: float, confidence: float = 0.95) -> Array:
    """
    Factor k such that estimate ± k s holds a share of all future values, in the approximation of Howe.

    Parameters
    ----------
    effective_n, dof : arrays
        As for ``tolerance_factor_one_sided``.
    coverage, confidence : float
        As there.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A share outside (0, 1), or degrees of freedom not above zero.

    References
    ----------
    Howe, "Two-sided tolerance limits for normal populations, some improvements", J. Am. Stat. Assoc. 64 (1969) 610.
    """
    degrees, n = _checked_tolerance(effective_n, dof, coverage, confidence)
    z = special.ndtri((1 + coverage) / 2)
    return np.asarray(z * np.sqrt((1 + 1 / n) * degrees / stats.chi2.ppf(1 - confidence, degrees)))


def tolerance_factor_two_sided(effective_n: float, dof: float, coverage: float, confidence: float = 0.95) -> float:
    """
    Factor k such that estimate ± k s holds a share of all future values, with confidence; exact.

    Parameters
    ----------
    effective_n, dof : float
        As for ``tolerance_factor_one_sided``.
    coverage, confidence : float
        As there.

    Returns
    -------
    float
        Root of the integral of P(s > r(z) sigma / k) over the normal density of z, where r(z) is the half width that
        holds the share about a mean z sigma / sqrt(effective_n) off centre.

    Raises
    ------
    ValueError
        A share outside (0, 1), or degrees of freedom not above zero.

    References
    ----------
    Wald and Wolfowitz, "Tolerance limits for a normal distribution", Ann. Math. Stat. 17 (1946) 208. ISO 16269-6.
    """
    start = float(howe_factor(effective_n, dof, coverage, confidence))
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    z = _REACH * (nodes + 1) / 2
    weights = _REACH * weights * stats.norm.pdf(z)  # both signs of z
    reach = np.sqrt(stats.ncx2.ppf(coverage, 1, z**2 / effective_n))

    def shortfall(k: float) -> float:
        return float(weights @ special.chdtrc(dof, dof * (reach / k) ** 2)) - confidence

    return float(optimize.brentq(shortfall, start / 4, start * 4, xtol=1e-13, rtol=1e-13))


def _limits(estimates: ArrayLike, se: ArrayLike, factor: Array) -> Array:
    """Return estimate minus and plus factor times standard error."""
    centre, half = np.asarray(estimates, dtype=float), factor * np.asarray(se, dtype=float)
    return np.stack([centre - half, centre + half], axis=-1)


def _t_quantile(dof: ArrayLike, level: float, count: int) -> Array:
    """Two-sided quantile of Student's t for ``count`` intervals together (Bonferroni)."""
    degrees = _checked(dof, level, count)
    return np.asarray(stats.t.isf((1 - level) / (2 * count), degrees))


def _checked(dof: ArrayLike, level: float, count: int) -> Array:
    """Refuse what no quantile exists for; return the degrees of freedom."""
    degrees = np.asarray(dof, dtype=float)
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not at {level}")
    if not np.all(degrees > 0):
        raise ValueError("an interval needs degrees of freedom above zero")
    if count < 1:
        raise ValueError(f"the number of intervals, or the dimension, is at least 1, not {count}")
    return degrees


def _checked_tolerance(
    effective_n: ArrayLike, dof: ArrayLike, coverage: float, confidence: float
) -> tuple[Array, Array]:
    """Refuse what no tolerance factor exists for; return degrees of freedom and effective number."""
    if not 0 < coverage < 1:
        raise ValueError(f"a coverage lies between 0 and 1, not at {coverage}")
    n = np.asarray(effective_n, dtype=float)
    if not np.all(n > 0):
        raise ValueError("a tolerance factor needs an effective number of values above zero")
    return _checked(dof, confidence, 1), n
