"""
How much wider the intervals of a logit model become because prints of one drying load resemble each other.

The model is fitted to the prints as if they were independent, which keeps its probabilities those of a print on a load
taken at random. A load then shifts the logits of all its prints by u, of variance v. To first order in u the estimates
move by B H u, where B is their covariance without loads and H holds, column by column, the information that a load's
prints share between coefficients and u; so that their covariance is ::

    B + v B H H' B

The scores S of the load shifts at the fit, of information C about them beside the coefficients, are approximately
N(0, d C + v C C) with dispersion d: along the eigenvectors of C these are independent, and v has a likelihood with as
many terms as there are load contrasts. With few of them no estimate of v is worth much, so v is averaged over: prior
half-Cauchy on its square root (Gelman 2006), posterior on a grid. The intervals take the mixture.

References
----------
Liang and Zeger, "Longitudinal data analysis using generalized linear models", Biometrika 73 (1986) 13: coefficients as
if independent, covariance with the clusters. Breslow and Clayton, "Approximate inference in generalized linear mixed
models", J. Am. Stat. Assoc. 88 (1993) 9. Gelman, "Prior distributions for variance parameters in hierarchical models",
Bayesian Analysis 1 (2006) 515. All from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from doe.numerics import terms

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

FEWEST_LOADS = 5
"""With fewer loads the prior, not the data, says how much loads differ."""
PRIOR_SCALE = 1.0  # of the load standard deviation, logits
SD_GRID = np.tan((np.arange(40) + 0.5) / 40 * np.pi / 2)  # equal prior mass at each
_ABSENT = 1e-8
_STEPS = 60
_CONVERGED = 1e-10
_SMALLEST = 1e-300  # a variance; a direction without any has an interval of no width


@dataclass(frozen=True)
class Shares:
    """Probabilities, shape (...,), and their limits, shape (..., 2), each at its own level."""

    estimates: Array
    limits: Array


@dataclass(frozen=True)
class LoadAllowance:
    """
    What loads add to the covariance of the coefficients.

    Parameters
    ----------
    covariance : ndarray of shape (P, P)
        Added for each unit of load variance: B H H' B.
    variances, weights : ndarray of shape (K,)
        Load variance, logits squared, and its posterior probabilities. One zero where there is nothing to allow for.
    contrasts : int
        How many independent comparisons of loads the data hold beside the coefficients.
    reason : str
        Why the allowance is absent or rests on the prior; empty where neither.
    """

    covariance: Array
    variances: Array
    weights: Array
    contrasts: int
    reason: str

    @property
    def load_var(self) -> float:
        """Posterior median of the load variance, logits squared."""
        return float(self.variances[np.searchsorted(np.cumsum(self.weights), 0.5)])


@dataclass(frozen=True)
class LoadScores:
    """
    The log likelihood about the fit, as far as it concerns the shifts of the loads.

    Parameters
    ----------
    bread : ndarray of shape (P, P)
        B: covariance of the coefficients without loads, dispersion included.
    shared : ndarray of shape (P, L)
        H: minus the second derivatives by coefficient and load shift, over the dispersion.
    own : ndarray of shape (L,)
        Minus the second derivatives by the load shift, over the dispersion.
    score : ndarray of shape (L,)
        First derivatives by the load shift, over the dispersion.
    """

    bread: Array
    shared: Array
    own: Array
    score: Array


def no_allowance(size: int) -> LoadAllowance:
    """Return the allowance that adds nothing to the covariance of ``size`` coefficients."""
    return LoadAllowance(np.zeros((size, size)), np.zeros(1), np.ones(1), 0, "")


def checked_load(load: ArrayLike | None, n: int) -> Codes | None:
    """
    Return the load codes of n prints, from 0 without gaps; None where there are none, or where every load holds one print.

    Raises
    ------
    ValueError
        Where they are not whole numbers from 0, in the shape (n,).
    """
    if load is None:
        return None
    codes = np.asarray(load)
    if codes.shape != (n,) or not np.issubdtype(codes.dtype, np.integer) or codes.min() < 0:
        raise ValueError("load needs one whole number from 0 for each print")
    return None if len(np.unique(codes)) == n else np.unique(codes, return_inverse=True)[1].astype(np.int64)


def load_contrasts(X: Array, load: Codes) -> int:
    """Return how many independent comparisons of loads, shape (n,), are left beside the model, shape (n, p)."""
    return terms.rank(np.hstack([X, np.eye(int(load.max()) + 1)[load]])) - terms.rank(X)


def allow_for_loads(scores: LoadScores, contrasts: int) -> LoadAllowance:
    """
    Return the allowance for loads.

    Parameters
    ----------
    scores : LoadScores
    contrasts : int
        From ``load_contrasts``.

    Returns
    -------
    LoadAllowance
    """
    loads = len(scores.own)
    information = np.diag(scores.own) - scores.shared.T @ scores.bread @ scores.shared
    sizes, directions = np.linalg.eigh(information)
    sizes, directions = sizes[loads - contrasts :], directions[:, loads - contrasts :]
    along = directions.T @ scores.score
    kept = sizes > _ABSENT * float(scores.own.max())
    sizes, along = sizes[kept], along[kept]
    variances = (PRIOR_SCALE * SD_GRID) ** 2
    spread = sizes + variances[:, None] * sizes**2
    log_weights = -0.5 * np.sum(np.log(spread) + along**2 / spread, axis=1)
    weights = np.exp(log_weights - log_weights.max())
    moved = scores.bread @ scores.shared
    return LoadAllowance(moved @ moved.T, variances, weights / weights.sum(), contrasts, _reason(loads, contrasts))


def _reason(loads: int, contrasts: int) -> str:
    if contrasts == 0:
        return "no comparison of loads is left beside the coefficients: how much loads differ is assumed, not measured"
    if loads < FEWEST_LOADS or contrasts < FEWEST_LOADS - 2:
        return (
            f"{loads} loads leave {contrasts} comparisons of loads beside the coefficients: the intervals rest largely on "
            "what is assumed of how much loads differ"
        )
    return ""


def half_widths(
    directions: Array, covariance: Array, allowance: LoadAllowance, level: float, dof: float = np.inf
) -> Array:
    """
    Half-widths of intervals for linear functions of the coefficients, loads allowed for.

    Parameters
    ----------
    directions : ndarray of shape (m, P)
        The linear functions.
    covariance : ndarray of shape (P, P)
        Of the coefficients without loads.
    allowance : LoadAllowance
    level : float
        Two-sided coverage per interval.
    dof : float
        Degrees of freedom of a dispersion that was estimated; infinite for none.

    Returns
    -------
    ndarray of shape (m,)
        h with mixture probability ``level`` between -h and h.

    Raises
    ------
    ValueError
        A level outside (0, 1).
    """
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, and this one is {level:g}")
    own = np.einsum("mi,ij,mj->m", directions, covariance, directions)
    added = np.einsum("mi,ij,mj->m", directions, allowance.covariance, directions)
    sd = np.sqrt(np.maximum(own[:, None] + allowance.variances * added[:, None], _SMALLEST))
    found = special.stdtrit(dof, (1 + level) / 2) * sd[:, 0]
    # The tail is convex in h, so that Newton's steps from below the root stay below it.
    for _ in range(_STEPS):
        scaled = found[:, None] / sd
        missing = 2 * special.stdtr(dof, -scaled) @ allowance.weights - (1 - level)
        step = missing / (2 * _density(scaled, dof) / sd @ allowance.weights)
        found = found + step
        if np.all(np.abs(step) <= _CONVERGED * found):
            break
    return np.asarray(found)


def _density(scaled: Array, dof: float) -> Array:
    """Return Student's t density; infinite degrees of freedom are the normal's."""
    return np.asarray(stats.t.pdf(scaled, dof) if np.isfinite(dof) else np.exp(-(scaled**2) / 2) / np.sqrt(2 * np.pi))
