"""
Graded responses by proportional odds: logit P(grade <= j) = threshold_j - x'b.

Thirty prints do not carry fifteen slopes by themselves: settings that tell the grades apart perfectly send the largest
likelihood to infinity. A weak prior keeps every answer finite: each slope is normal about zero. Grades that no print
got have no thresholds of their own; they are joined to others, and the fit says so. Beyond the lowest and the highest
grade that were seen, half a print at the centre of the region stands for what was not seen, as the half success of a
proportion does (Jeffreys 1946).

References
----------
McCullagh, "Regression models for ordinal data", J. R. Stat. Soc. B 42 (1980) 109. Gelman, Jakulin, Pittau and Su, "A
weakly informative default prior distribution for logistic and other regression models", Ann. Appl. Stat. 2 (2008) 1360.
Jeffreys, "An invariant form for the prior probability in estimation problems", Proc. R. Soc. A 186 (1946) 453. All
three from memory.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from doe.numerics import cumulative, terms
from doe.numerics.load_allowance import (
    LoadAllowance,
    LoadScores,
    Shares,
    allow_for_loads,
    checked_load,
    half_widths,
    load_contrasts,
    no_allowance,
)

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

SLOPE_SD = 2.5
"""Standard deviation of the prior of a slope, logits per coded unit."""
_UNSEEN = 0.5  # prints that stand for the grades beyond those seen, at either end


@dataclass(frozen=True)
class GradedFit:
    """
    A fitted model of grades.

    Parameters
    ----------
    thresholds : ndarray of shape (c,)
        Between neighbouring groups of grades, logits, ascending.
    slopes : ndarray of shape (p - 1,)
        Logits per coded unit; positive where a higher setting brings higher grades. The intercept is in the thresholds.
    covariance : ndarray of shape (c + p - 1, c + p - 1)
        Of thresholds and then slopes, without loads: inverse of the observed information, prior included.
    loads : LoadAllowance
        What drying loads add to the covariance.
    groups : tuple of tuple of int
        The grades that each of the c + 1 groups holds.
    cuts : ndarray of shape (count,)
        Per grade, which threshold is its lower end; -1 where every print is above it, c where none is.
    log_likelihood : float
        Prior included.
    reasons : tuple of str
        What the data could not support.
    """

    thresholds: Array
    slopes: Array
    covariance: Array
    loads: LoadAllowance
    groups: tuple[tuple[int, ...], ...]
    cuts: Codes
    log_likelihood: float
    reasons: tuple[str, ...]


def fit_graded(
    grades: ArrayLike, X: ArrayLike, count: int, load: ArrayLike | None = None, slope_sd: float = SLOPE_SD
) -> GradedFit:
    """
    Fit proportional odds to grades.

    Parameters
    ----------
    grades : integer array of shape (n,)
        One grade a print, 0 .. count - 1, higher is better.
    X : array of shape (n, p)
        Model matrix, coded units, intercept first.
    count : int
        How many grades there are, seen or not.
    load : integer array of shape (n,), optional
        Load codes 0 .. L - 1. Nothing is allowed for where every load holds one print.
    slope_sd : float
        Standard deviation of the prior of a slope, logits per coded unit; infinite for maximum likelihood, where
        nothing stands for the grades beyond those seen.

    Returns
    -------
    GradedFit

    Raises
    ------
    ValueError
        Shapes that differ, values that are not finite, no intercept, grades that do not exist. With an infinite prior
        also: one grade only, dependent columns, settings that tell the grades apart perfectly.
    """
    observed, model = checked_grades(grades, X, count)
    if not slope_sd > 0:
        raise ValueError(f"the standard deviation of the prior must be above 0, and it is {slope_sd:g}")
    has_prior = bool(np.isfinite(slope_sd))
    if not has_prior and (len(np.unique(observed)) == 1 or not terms.estimable(model)):
        raise ValueError("without a prior the grades must differ, and the columns of X be independent")
    starts = _starts(observed, count, has_prior)
    place, unseen = _places(observed, starts)
    group, cuts, size = np.concatenate([place, unseen]), len(starts) - 1, model.shape[1] - 1
    weights = np.concatenate([np.ones(len(place)), np.full(len(unseen), _UNSEEN)])
    data = cumulative.bounds(group, np.vstack([model[:, 1:], np.zeros((len(unseen), size))]), cuts, weights)
    precision = np.concatenate([np.zeros(cuts), np.full(size, slope_sd**-2.0)])
    start = np.concatenate([cumulative.empty_thresholds(group, weights, cuts), np.zeros(size)])
    parameters, here = cumulative.maximise(data, precision, start)
    covariance = np.asarray(np.linalg.inv(here.information), dtype=float)
    allowance = _allowance(data, here, covariance, model, checked_load(load, len(model)))
    return GradedFit(
        thresholds=parameters[:cuts],
        slopes=parameters[cuts:],
        covariance=covariance,
        loads=allowance,
        groups=_groups(starts, count),
        cuts=_cuts(starts, count, has_prior),
        log_likelihood=here.value,
        reasons=tuple(filter(None, (_unseen(observed, count), allowance.reason))),
    )


def at_least(fit: GradedFit, rows: ArrayLike, grade: int, level: float = 0.95) -> Shares:
    """
    Return the probability that a print on a load taken at random gets a grade or a higher one.

    Parameters
    ----------
    fit : GradedFit
    rows : array of shape (m, p)
        Model-matrix rows, coded units, intercept first.
    grade : int
        Where it is joined to others, the estimate is that of the next grade above that was seen, if any.
    level : float
        Two-sided coverage per row, not simultaneous.

    Returns
    -------
    Shares
        Shapes (m,) and (m, 2). Where no print is on the other side and there is no prior, the estimate is 0 or 1 and
        the limits are 0 and 1.

    Raises
    ------
    ValueError
        Rows of another length, a grade that does not exist, a level outside (0, 1).
    """
    settings = _checked_rows(fit, rows)
    if not 0 <= grade < len(fit.cuts):
        raise ValueError(f"grade {grade} does not exist; grades are 0 to {len(fit.cuts) - 1}")
    cut = int(fit.cuts[grade])
    if not 0 <= cut < len(fit.thresholds):
        share = np.full(len(settings), 1.0 if cut < 0 else 0.0)
        return Shares(share, np.tile([1.0 if grade == 0 else 0.0, 1.0], (len(settings), 1)))
    directions = _directions(fit, settings, cut)
    return _from_logits(directions @ _parameters(fit), half_widths(directions, fit.covariance, fit.loads, level))


def slope_limits(fit: GradedFit, level: float = 0.95) -> Array:
    """Return the limits of the slopes, loads allowed for, shape (p - 1, 2), logits per coded unit."""
    cuts = len(fit.thresholds)
    widths = half_widths(np.eye(len(fit.covariance))[cuts:], fit.covariance, fit.loads, level)
    return np.column_stack([fit.slopes - widths, fit.slopes + widths])


def checked_grades(grades: ArrayLike, X: ArrayLike, count: int) -> tuple[Codes, Array]:
    """Return grades (n,) and model matrix, of shape (n, p), as arrays; raises ValueError as ``fit_graded``."""
    values, model = np.asarray(grades), np.asarray(X, dtype=float)
    if model.ndim != 2 or values.shape != model.shape[:1] or not len(values):
        raise ValueError("grades and X need one entry for each print, and there must be a print")
    if not np.isfinite(model).all() or not (model[:, 0] == 1).all():
        raise ValueError("X needs finite numbers, and its first column is the intercept")
    if count < 2 or not np.isin(values, np.arange(count)).all():
        raise ValueError(f"grades are the whole numbers 0 to {count - 1}, and there are at least two")
    return values.astype(np.int64), model


def _checked_rows(fit: GradedFit, rows: ArrayLike) -> Array:
    settings = np.asarray(rows, dtype=float)
    if settings.ndim != 2 or settings.shape[1] != len(fit.slopes) + 1:
        raise ValueError(f"the rows must have {len(fit.slopes) + 1} columns, as the model has")
    return settings


def _starts(observed: Codes, count: int, has_prior: bool) -> Codes:
    """
    Return the first grade of each group.

    A grade that no print got joins the one below. The ends are groups of their own where a prior speaks for them.
    """
    starts = [int(grade) for grade in np.unique(observed)]
    if has_prior and starts[-1] < count - 1:
        starts.append(starts[-1] + 1)
    if has_prior and starts[0] > 0:
        starts.insert(0, 0)
    return np.array(starts, dtype=np.int64)


def _groups(starts: Codes, count: int) -> tuple[tuple[int, ...], ...]:
    edges = [0, *starts[1:].tolist(), count]
    return tuple(tuple(range(first, last)) for first, last in pairwise(edges))


def _cuts(starts: Codes, count: int, has_prior: bool) -> Codes:
    """Return the cut for the lower end of each grade; with a prior the last one stands for all grades above it too."""
    cuts = np.searchsorted(starts, np.arange(count)) - 1
    return np.minimum(cuts, len(starts) - 2) if has_prior else cuts


def _places(observed: Codes, starts: Codes) -> tuple[Codes, Codes]:
    """Return the group of each print, and the groups that no print is in."""
    place = np.searchsorted(starts, observed, side="right") - 1
    return place, np.setdiff1d(np.arange(len(starts)), place)


def _allowance(
    data: cumulative.Bounds, here: cumulative.Point, covariance: Array, model: Array, load: Codes | None
) -> LoadAllowance:
    if load is None:
        return no_allowance(len(covariance))
    n, Z = len(model), np.eye(int(load.max()) + 1)[load]
    below, above = here.below[:n], here.above[:n]
    upper, lower = below * (1 - below), above * (1 - above)
    shared = -(upper[:, None] * data.upper[:n] + lower[:, None] * data.lower[:n])
    scores = LoadScores(covariance, shared.T @ Z, (upper + lower) @ Z, (below + above - 1) @ Z)
    return allow_for_loads(scores, load_contrasts(model, load))


def _unseen(observed: Codes, count: int) -> str:
    empty = [str(grade) for grade in range(count) if grade not in observed]
    if not empty:
        return ""
    return f"no print got grade {', '.join(empty)}: joined to a neighbouring grade, or kept only by the prior"


def _parameters(fit: GradedFit) -> Array:
    return np.concatenate([fit.thresholds, fit.slopes])


def _directions(fit: GradedFit, rows: Array, cut: int) -> Array:
    """Return the logit of being above a cut as linear functions of the parameters."""
    thresholds = np.zeros((len(rows), len(fit.thresholds)))
    thresholds[:, cut] = -1.0
    return np.hstack([thresholds, rows[:, 1:]])


def _from_logits(logits: Array, widths: Array) -> Shares:
    limits = np.stack([logits - widths, logits + widths], axis=-1)
    return Shares(np.asarray(special.expit(logits)), np.asarray(special.expit(limits)))
