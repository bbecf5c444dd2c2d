"""
Pass-fail responses by a logit model with Firth's penalty, k of m coupons a print.

A print is the experimental unit. Where it gives several coupons, they resemble each other, so that the binomial
variance is multiplied by a dispersion, Pearson's statistic over its degrees of freedom and never less than one
(McCullagh and Nelder 1989, sec. 4.5). What drying loads add is in ``load_allowance``. Limits are those of the profile
penalised likelihood (Heinze and Schemper 2002), its drop scaled to the wider intervals.

References
----------
Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993) 27. Heinze and Schemper, "A solution to the
problem of separation in logistic regression", Stat. Med. 21 (2002) 2409. McCullagh and Nelder, *Generalized Linear
Models*, 2nd ed. (1989). All three from memory.
"""

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from doe.numerics import firth, terms
from doe.numerics.load_allowance import (
    PRIOR_SCALE,
    SD_GRID,
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

_NODES = special.ndtri((np.arange(250) + 0.5) / 250)  # equally likely; loads that differ much are nearly a step
_BISECTIONS = 50
LOAD_SDS = PRIOR_SCALE * SD_GRID
"""Standard deviations of loads, logits, that are equally likely before any data."""


@dataclass(frozen=True)
class BinaryFit:
    """
    A fitted model of passing.

    Parameters
    ----------
    estimates : ndarray of shape (p,)
        Coefficients, logits per coded unit.
    covariance : ndarray of shape (p, p)
        Dispersion times the inverse information, without loads.
    loads : LoadAllowance
        What drying loads add to the covariance.
    dispersion : float
        Exactly one where every print gave one value.
    dof : float
        Degrees of freedom of the dispersion; infinite where it is not estimated.
    log_likelihood : float
        Penalty included.
    data : firth.Trials
        What was fitted: the intercept alone where the data cannot carry the model.
    reasons : tuple of str
        What the data could not support.
    """

    estimates: Array
    covariance: Array
    loads: LoadAllowance
    dispersion: float
    dof: float
    log_likelihood: float
    data: firth.Trials
    reasons: tuple[str, ...]


def fit_binary(
    successes: ArrayLike, trials: ArrayLike, X: ArrayLike, load: ArrayLike | None = None, *, as_one: bool = False
) -> BinaryFit:
    """
    Fit the chance of passing.

    Parameters
    ----------
    successes, trials : integer arrays of shape (n,)
        Coupons that passed and coupons that were tested, per print; at least one was.
    X : array of shape (n, p)
        Model matrix, coded units, intercept first.
    load : integer array of shape (n,), optional
        Load codes 0 .. L - 1. Nothing is allowed for where every load holds one print.
    as_one : bool
        Whether all coupons of a print count as one trial, k of m as the share k / m of it: exact where one event decides for
        all of them, careful otherwise. It takes the place of a dispersion, which few failures cannot tell.

    Returns
    -------
    BinaryFit
        Where the columns of X depend on each other over these prints, only the overall share is fitted, and
        ``reasons`` says so: the other estimates and their variances are zero.

    Raises
    ------
    ValueError
        Shapes that differ, values that are not finite, no intercept, counts that are not possible.
    """
    data = _checked(successes, trials, X)
    is_whole = terms.estimable(data.X)
    fitted = data if is_whole else firth.Trials(data.successes, data.trials, data.X[:, :1])
    if as_one:
        fitted = firth.Trials(fitted.successes / fitted.trials, np.ones(len(data.X)), fitted.X)
    best = firth.maximise(fitted)
    dispersion, dof = _dispersion(fitted, best)
    covariance = dispersion * np.linalg.inv(best.information[0])
    allowance = _allowance(fitted, best, covariance, dispersion, checked_load(load, len(data.X)))
    return BinaryFit(
        estimates=_padded(best.parameters[0], data.X.shape[1]),
        covariance=_padded(covariance, data.X.shape[1]),
        loads=allowance,
        dispersion=dispersion,
        dof=dof,
        log_likelihood=float(best.value[0]),
        data=fitted,
        reasons=_reasons(data, is_whole, allowance),
    )


def pass_shares(fit: BinaryFit, rows: ArrayLike, level: float = 0.95) -> Shares:
    """
    Return the chance that a coupon passes, from a print on a load taken at random.

    Parameters
    ----------
    fit : BinaryFit
    rows : array of shape (m, p)
        Model-matrix rows, coded units, intercept first.
    level : float
        Two-sided coverage per row, not simultaneous.

    Returns
    -------
    Shares
        Shapes (m,) and (m, 2); limits as in ``coefficient_limits``.

    Raises
    ------
    ValueError
        Rows of another length, a level outside (0, 1).
    """
    settings = np.asarray(rows, dtype=float)
    if settings.ndim != 2 or settings.shape[1] != len(fit.estimates):
        raise ValueError(f"the rows must have {len(fit.estimates)} columns, as the model has")
    limits = _limits(fit, settings[:, : fit.data.X.shape[1]], level)
    return Shares(np.asarray(special.expit(settings @ fit.estimates)), np.asarray(special.expit(limits)))


def coefficient_limits(fit: BinaryFit, level: float = 0.95) -> Array:
    """
    Return the profile penalised likelihood limits of the coefficients, shape (p, 2), dispersion and loads allowed for.

    Coefficients that were not fitted have limits of minus and plus infinity. A profile with several maxima, as of half
    as many coefficients as prints, is followed from the estimate; where that does not settle, the limit is Wald's.
    """
    fitted, whole = fit.data.X.shape[1], len(fit.estimates)
    limits = np.tile([-np.inf, np.inf], (whole, 1))
    limits[:fitted] = _limits(fit, np.eye(fitted), level)
    return limits


def no_failure_bound(n: int, tail: float, load: ArrayLike | None = None) -> float:
    """
    Return the least share of successes with which n prints all succeed with probability ``tail``.

    Prints on their own: Clopper and Pearson's limit, tail^(1/n) ("The use of confidence or fiducial limits", Biometrika 26
    (1934) 404, from memory). In loads that differ, no failure at all is likelier than that: its probability is averaged over
    the prior of the load standard deviation that ``load_allowance`` has, since nothing else is known of it.

    Parameters
    ----------
    n : int
        Prints, at least 1.
    tail : float
        Probability of error, in (0, 1).
    load : integer array of shape (n,), optional
        Load codes, as for ``fit_binary``.

    Returns
    -------
    float
        On a load taken at random.
    """
    codes = checked_load(load, n)
    if codes is None:
        return float(tail ** (1 / n))
    return _bound_in_loads(tuple(sorted(np.bincount(codes).tolist())), tail)


@functools.cache
def _bound_in_loads(prints: tuple[int, ...], tail: float) -> float:
    """Return the bound for so many prints in each load; every row of a table asks for the same."""
    sizes, how_many = np.unique(prints, return_counts=True)

    def excess(share: float) -> float:
        chance = special.expit(_centres(share)[:, None] + LOAD_SDS[:, None] * _NODES)
        powers = np.stack([np.mean(chance**size, axis=1) for size in sizes])
        return float(np.mean(np.prod(powers.T**how_many, axis=1))) - tail

    return float(optimize.brentq(excess, 1e-9, 1 - 1e-9))


def _centres(share: float) -> Array:
    """Return the logits about which loads lie, one for each of ``LOAD_SDS``, so that the share is that of a random load."""
    low, high = (np.full(len(LOAD_SDS), special.logit(share)) + side * 10 * (1 + LOAD_SDS) for side in (-1, 1))
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        is_less = special.expit(middle[:, None] + LOAD_SDS[:, None] * _NODES).mean(axis=1) < share
        low, high = np.where(is_less, middle, low), np.where(is_less, high, middle)
    return (low + high) / 2


def _limits(fit: BinaryFit, directions: Array, level: float) -> Array:
    size = fit.data.X.shape[1]
    covariance = fit.covariance[:size, :size]
    widths = half_widths(directions, covariance, fit.loads, level, fit.dof)
    binomial_se = np.sqrt(np.einsum("mi,ij,mj->m", directions, covariance, directions) / fit.dispersion)
    best = firth.evaluate(fit.data, fit.estimates[None, :size])
    found = firth.profile(fit.data, best, directions, widths / binomial_se)
    centre = directions @ fit.estimates[:size]
    return np.where(np.isfinite(found), found, np.column_stack([centre - widths, centre + widths]))


def _checked(successes: ArrayLike, trials: ArrayLike, X: ArrayLike) -> firth.Trials:
    passed, tested = np.asarray(successes, dtype=float), np.asarray(trials, dtype=float)
    model = np.asarray(X, dtype=float)
    if model.ndim != 2 or passed.shape != model.shape[:1] or tested.shape != passed.shape or not len(passed):
        raise ValueError("successes, trials and X need one entry for each print, and there must be a print")
    if not np.isfinite(model).all() or not (model[:, 0] == 1).all():
        raise ValueError("X needs finite numbers, and its first column is the intercept")
    is_count = (passed % 1 == 0) & (tested % 1 == 0) & (passed >= 0) & (passed <= tested) & (tested >= 1)
    if not is_count.all():
        raise ValueError("successes are whole numbers from 0 to the trials, and there is at least one trial")
    return firth.Trials(passed, tested, model)


def _dispersion(data: firth.Trials, best: firth.Points) -> tuple[float, float]:
    """Return Pearson's statistic over its degrees of freedom, at least one, and these degrees of freedom."""
    n, p = data.X.shape
    if n <= p or data.trials.max() == 1:
        return 1.0, np.inf
    predictor = data.X @ best.parameters[0]
    share, rest = special.expit(predictor), special.expit(-predictor)
    residuals = data.successes * rest - (data.trials - data.successes) * share  # exact where a share is nearly one
    pearson = float(np.sum(residuals**2 / (data.trials * share * rest)))
    return max(1.0, pearson / (n - p)), float(n - p)


def _allowance(
    data: firth.Trials, best: firth.Points, covariance: Array, dispersion: float, load: Codes | None
) -> LoadAllowance:
    if load is None:
        return no_allowance(len(covariance))
    Z = np.eye(int(load.max()) + 1)[load]
    share = special.expit(data.X @ best.parameters[0])
    weights = data.trials * share * (1 - share) / dispersion
    scores = LoadScores(covariance, (data.X.T * weights) @ Z, weights @ Z, (best.residuals[0] / dispersion) @ Z)
    return allow_for_loads(scores, load_contrasts(data.X, load))


def _padded(values: Array, size: int) -> Array:
    """Return an array with zeros for the coefficients that were not fitted."""
    return np.pad(values, [(0, size - length) for length in values.shape])


def _reasons(data: firth.Trials, is_whole: bool, allowance: LoadAllowance) -> tuple[str, ...]:
    found = []
    passed, tested = data.successes.sum(), data.trials.sum()
    if passed in (0, tested):
        outcome = "passed" if passed else "failed"
        found.append(
            f"all {tested:.0f} values {outcome}: what the settings do to that is known only through the penalty"
        )
    if not is_whole:
        found.append(
            f"{len(data.X)} prints cannot tell the {data.X.shape[1]} coefficients apart: only the overall share is fitted"
        )
    return (*found, *filter(None, [allowance.reason]))
