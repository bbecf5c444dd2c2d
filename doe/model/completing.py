"""The chance that a print completes, within what the failures carry of the declared model.

Coupons of a print fall together, so that a print is one trial, of which k of m is a share; with few failures no
estimate of their likeness is worth much, and this is the careful end. How much of the declared model is fitted depends on
the rarer of the two, failed or completed prints, added up as shares: none at all where none failed or none completed, then the
main effects, and all declared terms from one failed print for two coefficients on. The share of all
prints, with one failure or two, would claim too much at the corners of the region, where failures gather.
``tests/studies/completion_coverage.csv`` says how often the limits held.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.numerics import binary, terms

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

OVERALL = "share of all prints, settings not told apart"
MAIN = "logit model with Firth's penalty, main effects"
DECLARED = "logit model with Firth's penalty, declared terms"
PER_COEFFICIENT = 0.5
"""Failed (or, where they are rarer, completed) prints per coefficient from which on all declared terms are fitted."""
FEWEST = 3.0
"""With fewer failed prints no chance is bounded from above; with fewer completed ones none from below."""
_PRINTS_PER_COLUMN = 1.5


@dataclass(frozen=True)
class Chance:
    """P(completes) at one setting, as ``CompletionSetting`` has it."""

    chance: float
    low: float
    high: float
    lower: float


@dataclass(frozen=True)
class CompletionModel:
    """
    The fitted chance of completing.

    Parameters
    ----------
    method, reason : str
        As in ``CompletionFit``.
    shares : ndarray of shape (n,)
        Completed share of each print.
    kept : ndarray of int
        Columns of the declared model that are fitted.
    fit : BinaryFit or None
        None where none failed, or none completed.
    overall : BinaryFit or None
        The same of the intercept alone.
    load : ndarray of shape (n,) or None
    declared : tuple of Term
    levels : tuple of int
    """

    method: str
    reason: str
    shares: Array
    kept: Codes
    fit: binary.BinaryFit | None
    overall: binary.BinaryFit | None
    load: Codes | None
    declared: tuple[terms.Term, ...] = ()
    levels: tuple[int, ...] = ()


def fit_tried(
    completed: Array, coupons: Array, X: Array, is_main: NDArray[np.bool_], load: Codes | None
) -> CompletionModel:
    """
    Fit as much of the model as the failures can carry.

    Parameters
    ----------
    completed, coupons : ndarray of shape (n,)
        k and m of each print.
    X : ndarray of shape (n, p)
        Model matrix, coded units, intercept first.
    is_main : ndarray of shape (p,), bool
        Columns of the intercept, the main effects, the printers and the rounds.
    load : ndarray of shape (n,) or None
        Load codes.

    Returns
    -------
    CompletionModel

    Raises
    ------
    ValueError
        Arrays that do not fit each other.
    """
    shares = completed / coupons
    method, reason = _carried(shares, X, is_main)
    kept = np.flatnonzero(
        {OVERALL: np.arange(X.shape[1]) == 0, MAIN: is_main}.get(method, np.ones(X.shape[1], dtype=bool))
    )
    if shares.sum() in (0, len(shares)):
        return CompletionModel(method, reason, shares, kept, None, None, load)
    overall, fit = (
        binary.fit_binary(completed, coupons, columns, load, as_one=True) for columns in (X[:, :1], X[:, kept])
    )
    return CompletionModel(method, reason, shares, kept, fit, overall, load)


def _carried(shares: Array, X: Array, is_main: NDArray[np.bool_]) -> tuple[str, str]:
    """Return how much of the model is fitted, and why."""
    failed, n, columns = float(np.sum(1 - shares)), len(shares), X.shape[1]
    rarer = min(failed, n - failed)
    if rarer == 0:
        return OVERALL, f"{'no' if failed == 0 else 'every'} print failed: nothing is seen of what the settings do"
    counted = f"{failed:.3g} of {n} prints failed (part of a print counts as a part)"
    if rarer >= PER_COEFFICIENT * columns and _can_carry(X):
        return DECLARED, f"{counted}, enough for the {columns} coefficients of the declared terms"
    if _can_carry(X[:, is_main]):
        needed = (
            f"{PER_COEFFICIENT * columns:.3g} failed, as many completed, and {_PRINTS_PER_COLUMN * columns:.3g} in all"
        )
        return MAIN, f"{counted}; the {columns} coefficients of the declared terms take {needed}"
    return OVERALL, f"{counted}; {n} prints cannot tell {is_main.sum()} coefficients of main effects apart"


def _can_carry(X: Array) -> bool:
    return len(X) >= _PRINTS_PER_COLUMN * X.shape[1] and terms.estimable(X)


def chances(model: CompletionModel, rows: Array, level: float, *, chosen: bool = False) -> Array:
    """
    Return P(completes) at model-matrix rows.

    Where none failed, or none completed, the limits are those of ``binary.no_failure_bound``, the same at every setting:
    Clopper and Pearson's for n prints where there are no loads. The main effects leave out what curvature and interactions
    may add: with few failures they bound no chance from above, with few that completed none from below.

    Parameters
    ----------
    model : CompletionModel
    rows : ndarray of shape (m, p)
        Of the declared model with printers and rounds, coded units.
    level : float
        Of the two-sided interval, and of the one-sided bound.
    chosen : bool
        Whether the rows were chosen for their estimated chance: as ``intervals.chosen_interval``, by Bonferroni for twice
        as many settings as there are coefficients.

    Returns
    -------
    ndarray of shape (m, 4)
        Estimate, lower limit, upper limit, one-sided lower bound.

    Raises
    ------
    ValueError
        A level outside (0, 1).
    """
    return _of_fit(model, model.fit, rows[:, model.kept], level, 2 * len(model.kept) if chosen else 1)


def overall_chance(model: CompletionModel, level: float) -> Chance:
    """Return the average of P(completes) over the settings that were printed, loads allowed for."""
    return Chance(*map(float, _of_fit(model, model.overall, np.ones((1, 1)), level, 1)[0]))


def _of_fit(model: CompletionModel, fit: binary.BinaryFit | None, rows: Array, level: float, many: int) -> Array:
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, and this one is {level:g}")
    n, completed = len(model.shares), float(model.shares.sum())
    # No bound may claim more than the one of as many prints of which none failed; of which none completed, from above.
    half, whole = (binary.no_failure_bound(n, tail, model.load) for tail in ((1 - level) / 2, 1 - level))
    if fit is None:
        return np.tile([1.0, half, 1.0, whole] if completed else [0.0, 0.0, 1 - half, 0.0], (len(rows), 1))
    each = (1 - level) / many
    both = binary.pass_shares(fit, rows, 1 - each)
    low, high = np.minimum(both.limits[:, 0], half), np.maximum(both.limits[:, 1], 1 - half)
    lower = np.minimum(binary.pass_shares(fit, rows, max(1 - 2 * each, 1e-6)).limits[:, 0], whole)
    is_main, failed = fit is model.fit and model.method == MAIN, n - completed
    if failed < FEWEST or (is_main and failed <= completed):
        high = np.ones(len(rows))
    if completed < FEWEST or (is_main and completed < failed):
        low = lower = np.zeros(len(rows))
    return np.column_stack([both.estimates, low, high, lower])
