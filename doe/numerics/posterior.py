"""
Draws of one response's coefficients and variances, with the drying load as whole plot and coupons as subsamples.

The data are the means of the prints and the sum of squares of the coupons about them::

    y = X b + Z u + e,    u ~ N(0, g s I),    e ~ N(0, s I)

where s is the variance of a print's mean within its load (print, plus coupon over coupons) and g the ratio of the load
variance to it. With equal coupon counts this is the whole model of loads, prints and coupons. With unequal counts it
is an approximation: every print has the same s, and s holds the coupon variance over the harmonic mean of the counts.

Priors: flat on b, 1 / s on s, 1 / variance on the coupon variance, and a half-Cauchy of scale 1 on the square root of g
(Gelman 2006). Given g everything is conjugate, so g is drawn from its marginal on a grid, and the rest exactly. There
is no chain, and nothing to converge.

References
----------
Harville, "Bayesian inference for variance components using only error contrasts", Biometrika 61 (1974) 383. Box and
Tiao, *Bayesian Inference in Statistical Analysis* (1973), ch. 5. Gelman, "Prior distributions for variance parameters
in hierarchical models", Bayesian Analysis 1 (2006) 515. All three from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from doe.numerics import criteria

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_POINTS = 36  # of the grid for g; ten times as many change no posterior standard deviation by more than 3 %
_LARGEST_RATIO = 3e3
_ABSENT = 1e-9  # relative size below which a load moves no error contrast
_EXACT = 1e-12  # relative size below which residuals are rounding


@dataclass(frozen=True)
class PrintMeans:
    """
    One response, print by print.

    Parameters
    ----------
    means : ndarray of shape (n,)
        Mean of each print's coupons, response units.
    X : ndarray of shape (n, p)
        Model matrix of the prints, coded units, full column rank.
    load : ndarray of shape (n,) or None
        Load codes 0 .. L - 1; None where loads are not recorded.
    within_ss : float
        Sum of squares of the coupons about their print's mean.
    within_dof : int
        Degrees of freedom of ``within_ss``; 0 where no print has two coupons.
    coupons : ndarray of shape (n,)
        How many coupons each mean comes from.
    """

    means: Array
    X: Array
    load: Codes | None
    within_ss: float
    within_dof: int
    coupons: Codes

    @property
    def has_loads(self) -> bool:
        """Whether loads can be told from prints: there are loads, and some load holds two prints or more."""
        return self.load is not None and int(self.load.max()) + 1 < len(self.means)


@dataclass(frozen=True)
class Draws:
    """
    Joint draws from the posterior.

    Parameters
    ----------
    beta : ndarray of shape (size, p)
        Coefficients, response units.
    load_var, print_var, coupon_var : ndarray of shape (size,)
        Variances, response units squared. Without loads to tell apart the load's is zero and its part is in the
        print's; where no print has two coupons, the coupon's is zero and its part is in the print's as well.
    """

    beta: Array
    load_var: Array
    print_var: Array
    coupon_var: Array


@dataclass(frozen=True)
class _GivenRatio:
    """The conditional posterior at one g, for s = 1: b ~ N(centre, (factor factor')^-1); q is the sum of squares."""

    centre: Array
    factor: Array
    q: float
    log_likelihood: float


def draws(data: PrintMeans, size: int, generator: np.random.Generator) -> Draws:
    """
    Draw from the posterior of one response.

    Parameters
    ----------
    data : PrintMeans
    size : int
        How many draws.
    generator : Generator

    Returns
    -------
    Draws
        In every draw the variance of a print's mean is at least the coupon variance over the coupons.

    Raises
    ------
    ValueError
        No more prints than coefficients; loads that are all used up by the coefficients; means that do not vary about
        the model.
    """
    n, p = data.X.shape
    if n <= p:
        raise ValueError(f"{n} prints leave no error degree of freedom beside {p} coefficients")
    ratios, steps = _ratio_grid(data)
    first, rest = _least_squares(data)
    given = [_given_ratio(data, first, rest, ratio) for ratio in ratios]
    log_weight = np.array([one.log_likelihood for one in given]) + steps
    weight = np.exp(log_weight - log_weight.max())
    place = generator.choice(len(ratios), size, p=weight / weight.sum())
    mean_var = np.array([one.q for one in given])[place] / generator.chisquare(n - p, size)
    coupon_var = data.within_ss / generator.chisquare(data.within_dof, size) if data.within_dof else np.zeros(size)
    of_coupons = coupon_var * float(np.mean(1 / data.coupons))
    mean_var = np.maximum(mean_var, of_coupons)
    beta = _coefficients(given, place, np.sqrt(mean_var), generator)
    return Draws(beta, ratios[place] * mean_var, mean_var - of_coupons, coupon_var)


def _ratio_grid(data: PrintMeans) -> tuple[Array, Array]:
    """
    Return the values of g and the log of the prior mass that each stands for.

    They are uniform in t = log(1 + g d), d being the largest eigenvalue by which g moves an error contrast.
    """
    if not data.has_loads:
        return np.zeros(1), np.zeros(1)
    assert data.load is not None
    Z = np.eye(int(data.load.max()) + 1)[data.load]
    moved = Z.T @ np.linalg.qr(data.X)[0]
    largest = float(np.linalg.eigvalsh(Z.T @ Z - moved @ moved.T)[-1])
    if largest < _ABSENT * float(Z.sum(axis=0).max()):
        raise ValueError("the loads are all used up by the coefficients: nothing is left to judge the load variance by")
    t = (np.arange(_POINTS) + 0.5) / _POINTS * np.log1p(_LARGEST_RATIO * largest)
    ratios = np.expm1(t) / largest
    return ratios, t - 0.5 * np.log(ratios) - np.log1p(ratios)  # d g / d t, then the half-Cauchy on the root of g


def _least_squares(data: PrintMeans) -> tuple[Array, Array]:
    """Return the least-squares coefficients and residuals; means that lie on the model are refused."""
    first = np.asarray(np.linalg.lstsq(data.X, data.means, rcond=None)[0], dtype=float)
    rest = data.means - data.X @ first
    if np.linalg.norm(rest) <= _EXACT * np.linalg.norm(data.means):
        raise ValueError("the print means do not vary about the model, so their variance cannot be estimated")
    return first, rest


def _given_ratio(data: PrintMeans, first: Array, rest: Array, ratio: float) -> _GivenRatio:
    """
    Return the conditional posterior at one g, and the log likelihood of g with b and s integrated out.

    With L L' the information matrix of [X, y], the last row of L holds everything: its last entry squared is the
    generalised sum of squares q, the others give the coefficients. The likelihood is that of the error contrasts,
    |V|^-1/2 |X'V^-1 X|^-1/2 q^-(n - p)/2 (Harville 1974). The least-squares residuals stand for y, which only shifts
    the coefficients: squares of the means themselves would drown those of the errors.
    """
    n, p = data.X.shape
    scale = float(np.linalg.norm(rest))
    joint = np.column_stack([data.X, rest / scale])
    root = np.asarray(np.linalg.cholesky(criteria.information(joint, data.load, ratio)), dtype=float)
    factor, last = root[:p, :p], root[p]
    counts = np.bincount(data.load) if data.load is not None else np.zeros(1)
    log_det = float(np.log1p(ratio * counts).sum()) / 2 + float(np.log(np.diag(factor)).sum())
    centre = first + scale * linalg.solve_triangular(factor, last[:p], lower=True, trans="T")
    return _GivenRatio(centre, factor, float(scale * last[p]) ** 2, -log_det - (n - p) * float(np.log(last[p])))


def _coefficients(given: list[_GivenRatio], place: Codes, sd: Array, generator: np.random.Generator) -> Array:
    """Draw the coefficients, each at its own draw of g and of the standard deviation of a print's mean."""
    beta = generator.standard_normal((len(place), len(given[0].centre)))
    for number in np.unique(place):
        mine = place == number
        one = given[number]
        spread = linalg.solve_triangular(one.factor, beta[mine].T, lower=True, trans="T").T
        beta[mine] = one.centre + sd[mine, None] * spread
    return beta
