"""Limits for means or for future observations, one by one or several at once.

Every function takes estimates with their standard errors and degrees of freedom, from whichever model they come. They are
used as they are: degrees of freedom below those of the smallest stratum, which Kenward-Roger gives where a component is
estimated at zero, are not raised to it. That would shorten intervals just where they already hold too seldom: simulated,
among studies whose load component is estimated at zero (``tests/studies/coverage.csv``).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Array = NDArray[np.float64]


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
        raise ValueError(f"the number of intervals is at least 1, not {count}")
    return degrees
