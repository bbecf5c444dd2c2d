"""Whether the slopes of a model of grades are the same at every threshold: the score test of proportional odds."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from doe.numerics import cumulative, terms
from doe.numerics.graded import checked_grades

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_PRINTS_PER_PARAMETER = 1.5  # simulated size at the 5 % level: 4 to 5 % from here on, over 20 % at 1.0


@dataclass(frozen=True)
class Proportionality:
    """
    The test of equal slopes at every threshold.

    Parameters
    ----------
    statistic : float
        Chi-square; nan where there is no test.
    dof : int
        Slopes times thresholds less one.
    p : float
        nan where there is no test.
    reason : str
        Why there is no test; empty where there is.
    """

    statistic: float
    dof: int
    p: float
    reason: str


def proportionality(grades: ArrayLike, X: ArrayLike, count: int) -> Proportionality:
    """
    Test by the score of the model in which every threshold has slopes of its own, without a prior.

    Prints are taken as independent: loads that differ make the test find departures too often.

    Parameters
    ----------
    grades : integer array of shape (n,)
        0 .. count - 1.
    X : array of shape (n, p)
        Model matrix, coded units, intercept first.
    count : int
        How many grades there are, seen or not.

    Returns
    -------
    Proportionality

    Raises
    ------
    ValueError
        As ``fit_graded``, but for what the grades cannot support: that is a reason.

    References
    ----------
    Peterson and Harrell, "Partial proportional odds models for ordinal response variables", Appl. Stat. 39 (1990) 205.
    Brant, "Assessing proportionality in the proportional odds model", Biometrics 46 (1990) 1171. Both from memory.
    """
    observed, model = checked_grades(grades, X, count)
    group = np.unique(observed, return_inverse=True)[1].astype(np.int64)
    cuts, slopes = int(group.max()), model[:, 1:]
    dof = slopes.shape[1] * (cuts - 1)
    reason = _obstacle(model, cuts)
    if reason:
        return Proportionality(np.nan, max(dof, 0), np.nan, reason)
    data = cumulative.bounds(group, slopes, cuts, np.ones(len(group)))
    none = np.zeros(cuts + slopes.shape[1])
    start = np.concatenate([cumulative.empty_thresholds(group, data.weights, cuts), none[cuts:]])
    try:
        parameters = cumulative.maximise(data, none, start)[0]
    except ValueError as perfect:
        return Proportionality(np.nan, dof, np.nan, str(perfect))
    score, information = _with_own_slopes(group, slopes, parameters)
    if np.linalg.matrix_rank(information) < len(information):
        return Proportionality(
            np.nan, dof, np.nan, "some threshold has too few prints on one side for slopes of its own"
        )
    statistic = float(score @ np.linalg.solve(information, score))
    return Proportionality(statistic, dof, float(stats.chi2.sf(statistic, dof)), "")


def _obstacle(model: Array, cuts: int) -> str:
    """Return why no test can be made, as far as that is known before fitting."""
    n, p = model.shape
    if p == 1 or cuts < 2:
        return "with fewer than three grades seen, or no slope, there is nothing that could differ between thresholds"
    if not terms.estimable(model):
        return "the columns of X are linearly dependent, so the slopes cannot be told apart"
    parameters = p * cuts
    if n < _PRINTS_PER_PARAMETER * parameters:
        return f"{n} prints are too few to judge {parameters} coefficients, slopes of its own for each threshold"
    return ""


def _with_own_slopes(group: Codes, slopes: Array, parameters: Array) -> tuple[Array, Array]:
    """Return score and expected information with own slopes for every threshold but the first, where they are equal."""
    cuts, n = len(parameters) - slopes.shape[1], len(group)
    more = np.zeros(slopes.shape[1] * (cuts - 1))
    at = np.concatenate([parameters, more])
    nothing = np.zeros(len(at))
    score = cumulative.evaluate(_extended(group, slopes, cuts, np.ones(n)), nothing, at).gradient
    above = special.expit(np.subtract.outer(slopes @ parameters[cuts:], parameters[:cuts]))
    shares = -np.diff(np.hstack([np.ones((n, 1)), above, np.zeros((n, 1))]), axis=1)
    information = sum(
        cumulative.evaluate(_extended(np.full(n, one), slopes, cuts, shares[:, one]), nothing, at).information
        for one in range(cuts + 1)
    )
    return score, np.asarray(information)


def _extended(group: Codes, slopes: Array, cuts: int, weights: Array) -> cumulative.Bounds:
    plain = cumulative.bounds(group, slopes, cuts, weights)
    return cumulative.Bounds(
        np.hstack([plain.upper, _own(group, slopes, cuts)]),
        np.hstack([plain.lower, _own(group - 1, slopes, cuts)]),
        plain.upper_open,
        plain.lower_open,
        weights,
    )


def _own(cut: Codes, slopes: Array, cuts: int) -> Array:
    """Return the columns of the extra slopes, shape (n, (cuts - 1) (p - 1)): -x where the bound is the cut."""
    is_here = cut[:, None] == np.arange(1, cuts)
    return np.asarray(-(is_here[:, :, None] * slopes[:, None, :]).reshape(len(cut), -1))
