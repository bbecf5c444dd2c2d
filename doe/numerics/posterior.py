"""
Draws of one response's coefficients and variances, with the drying load as whole plot and coupons as subsamples.

The data are the means of the prints and the sum of squares of the coupons about them::

    y = X b + Z u + e,    u ~ N(0, g s I),    e ~ N(0, s I)

where s is the variance of a print's mean within its load (print, plus coupon over coupons) and g the ratio of the load
variance to it. With equal coupon counts this is the whole model of loads, prints and coupons. With unequal counts it
is an approximation: every print has the same s, and s holds the coupon variance over the harmonic mean of the counts.

Priors: flat on b, 1 / s on s, 1 / variance on the coupon variance, and a half-Cauchy of scale 1 on the square root of g
(Gelman 2006). Given g everything is conjugate, so g is drawn from its marginal on a grid, and the rest exactly. There
is no chain, and nothing to converge. ``mixture.py`` has the algebra, and the same for more components and for intervals.

References
----------
Harville, "Bayesian inference for variance components using only error contrasts", Biometrika 61 (1974) 383. Box and
Tiao, *Bayesian Inference in Statistical Analysis* (1973), ch. 5. Gelman, "Prior distributions for variance parameters
in hierarchical models", Bayesian Analysis 1 (2006) 515. All three from memory.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.numerics.mixture import Layout, coefficients, conditional, lay_out
from doe.numerics.prior import Prior, log_prior
from doe.numerics.restricted import ABSENT, criteria_at

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_POINTS = 36  # of the grid for g; ten times as many change no posterior standard deviation by more than 3 %
_LARGEST_RATIO = 3e3


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
        How many coupons each mean comes from; parts of one where limits act like less than a measured value.
    """

    means: Array
    X: Array
    load: Codes | None
    within_ss: float
    within_dof: int
    coupons: NDArray[Any]

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
    loads = None if data.load is None or not data.has_loads else np.unique(data.load, return_inverse=True)[1]
    laid = lay_out(data.means, data.X, [] if loads is None else [loads], "print means")
    ratios, log_weight = (np.zeros((1, 0)), np.zeros(1)) if loads is None else _on_grid(laid)
    found = conditional(laid, ratios, log_weight)
    place = generator.choice(len(ratios), size, p=found.weights)
    mean_var = found.q[place] / generator.chisquare(n - p, size)
    coupon_var = data.within_ss / generator.chisquare(data.within_dof, size) if data.within_dof else np.zeros(size)
    of_coupons = coupon_var * float(np.mean(1 / data.coupons))
    mean_var = np.maximum(mean_var, of_coupons)
    beta = coefficients(found, place, np.sqrt(mean_var), generator)
    return Draws(beta, ratios[place].sum(axis=1) * mean_var, mean_var - of_coupons, coupon_var)


def _on_grid(laid: Layout) -> tuple[Array, Array]:
    """
    Return the values of g, shape (G, 1), and the log of the posterior mass that each stands for.

    They are uniform in t = log(1 + g d), d being the largest eigenvalue by which g moves an error contrast.
    """
    share = laid.contrasts.shares[0]
    if np.trace(share) <= ABSENT:
        raise ValueError("the loads are all used up by the coefficients: nothing is left to judge the load variance by")
    largest = float(np.linalg.eigvalsh(share)[-1])
    t = (np.arange(_POINTS) + 0.5) / _POINTS * np.log1p(_LARGEST_RATIO * largest)
    ratios = np.expm1(t)[:, None] / largest
    return ratios, -0.5 * criteria_at(ratios, laid.contrasts) + log_prior(ratios, Prior(1.0, (None,))) + t
