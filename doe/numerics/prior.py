"""
The prior of variance ratios: half-Cauchy distributions of their square roots (Gelman 2006).

The ratio of a component in whose groups another is nested (loads hold prints) is judged against the variance of one mean of
the nested groups (a print's mean), that of any other component against the residual variance. So the prior says the same of
coupons as of their print's mean.

References
----------
Gelman, "Prior distributions for variance parameters in hierarchical models", Bayesian Analysis 1 (2006) 515. From memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.numerics.restricted import Array, Codes, nested


@dataclass(frozen=True)
class Prior:
    """
    Half-Cauchy priors of the square roots of K ratios.

    Parameters
    ----------
    scale : float
        In units of the root of what a ratio is judged against.
    units : tuple of K (int, float) or None
        None for the residual variance; otherwise the position of a nested component and the mean of one over the sizes of
        its groups, which make the variance of one mean of them.
    """

    scale: float
    units: tuple[tuple[int, float] | None, ...]


def prior_of(codes: Sequence[Codes], scale: float) -> Prior:
    """
    Return the prior of the components of some groups.

    Parameters
    ----------
    codes : sequence of K integer arrays of shape (n,)
        Groups numbered 0, 1, ... without gaps.
    scale : float
        Above zero.

    Raises
    ------
    ValueError
        A scale that is not above zero.
    """
    if not (math.isfinite(scale) and scale > 0):
        raise ValueError(f"the scale of the prior is a number above zero, not {scale}")
    units: list[tuple[int, float] | None] = []
    for k, own in enumerate(codes):
        inside = [j for j, other in enumerate(codes) if j != k and nested(other, own)]
        if inside:
            finest = max(inside, key=lambda j: int(codes[j].max()))
            units.append((finest, float(np.mean(1 / np.bincount(codes[finest])))))
        else:
            units.append(None)
    return Prior(scale, tuple(units))


def log_prior(ratios: Array, prior: Prior) -> Array:
    """
    Logarithm of the prior density of the ratios, up to a constant.

    Parameters
    ----------
    ratios : ndarray of shape (G, K)
        Above zero.
    prior : Prior

    Returns
    -------
    ndarray of shape (G,)
    """
    total = np.zeros(len(ratios))
    for own, unit in zip(ratios.T, prior.units, strict=True):
        scale = prior.scale**2 * (np.ones(len(ratios)) if unit is None else ratios[:, unit[0]] + unit[1])
        total += -0.5 * np.log(own * scale) - np.log1p(own / scale)
    return total
