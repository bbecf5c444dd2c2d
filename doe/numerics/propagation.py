"""
The integral over correlated normal means of what values that are only limits say about them.

The means h are normal with covariance K; site j (the values of one print, say) says about h_j::

    L_j(h) = prod_i [Phi((u_i - h) / s) - Phi((l_i - h) / s)]

The integral over each mean is by adaptive quadrature: Gauss-Legendre on either side of the mode, as far as the integrand
reaches there, for it may be steep on one side and wide on the other. Quadrature over all means together is out of
reach, so they are joined by expectation propagation (Minka 2001): each L_j is replaced by a normal function with the
same integral, mean and variance in the presence of all others. For a single site the result is exact, and so it is
for independent ones.

References
----------
Minka, "Expectation propagation for approximate Bayesian inference", Proc. 17th Conf.
Uncertainty in Artificial Intelligence (2001) 362. Rasmussen and Williams, *Gaussian processes for machine learning*
(2006), sec. 3.6, for the algorithm and eq. 3.65 for the integral.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from doe.numerics.limits import windows

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_DEPTH = 34.0  # where the logarithm of an integrand lies this far below its maximum, the rest is rounding
# Lengths tried for each side, in standard deviations of the normal density.
_LENGTHS = np.sqrt(2 * _DEPTH) * np.sqrt(0.5) ** np.arange(40)
_SWEEPS = 100
_LEAST_SHARE = 0.1  # of each change that is made at once
_STILL = 1e-9  # changes below this, in units of what the means are known to, end the search
_MODE_STEPS = 60
_NEAR = 0.05  # changes below which the nodes stay where they are
_FAINT = 1e-12  # share of its prior precision below which a site says nothing


@dataclass(frozen=True)
class Sites:
    """
    What is known about each mean.

    Parameters
    ----------
    lower, upper : ndarray of shape (m,)
        Limits of the values, response units; infinite where there is none.
    site : integer ndarray of shape (m,)
        Site of each value, 0 .. J - 1, none without values.
    """

    lower: Array
    upper: Array
    site: Codes


@dataclass(frozen=True)
class Integral:
    """
    The result, and the normal functions that stand in for the sites.

    Parameters
    ----------
    log_value : float
        Logarithm of the integral.
    precision, shift : ndarray of shape (J,)
        Site j acts like a measurement shift / precision of its mean with variance 1 / precision.
    stretch : float
        Derivative of ``log_value`` by log s, at fixed K.
    converged : bool
        Whether the normal functions had settled when the search ended.
    """

    log_value: float
    precision: Array
    shift: Array
    stretch: float
    converged: bool


@dataclass(frozen=True)
class _Tilted:
    """Integral, mean, variance and mean stretch of L_j times a normal density, each of shape (J,)."""

    log_value: Array
    mean: Array
    variance: Array
    stretch: Array


def integrate(mean: Array, covariance: Array, scale: float, sites: Sites, start: Integral | None = None) -> Integral:
    """
    Integrate the product of all sites over the normal distribution of their means.

    Parameters
    ----------
    mean : ndarray of shape (J,)
        Response units.
    covariance : ndarray of shape (J, J)
        Positive semi-definite, with a diagonal above zero.
    scale : float
        Standard deviation s of a value about its mean.
    sites : Sites
    start : Integral, optional
        Result for a similar distribution; it saves time and does not change the result.

    Returns
    -------
    Integral
    """
    if start is None:
        precision, shift = _alone(mean, np.diag(covariance), scale, sites)
    else:
        precision, shift = start.precision, start.shift
    share, last, still = 1.0, np.inf, False
    for _ in range(_SWEEPS):
        known, posterior, log_det = _joined(mean, covariance, precision, shift)
        variance = np.diag(posterior)
        # A mean is never known worse than from its prior alone; that keeps rounding out of a small difference.
        without = 1 / np.maximum(1 / variance - precision, 1 / np.diag(covariance))
        target = without * (known / variance - shift)
        if last > _NEAR:
            places = _placed(known, target, without, scale, sites)
        tilted = _moments(target, without, places, scale, sites)
        wanted = 1 / tilted.variance - 1 / without
        wanted = np.where(wanted * without < _FAINT, 0.0, wanted)  # rounding, which may lie below zero
        wanted_shift = wanted * tilted.mean + (tilted.mean - target) / without
        changes = np.append(np.abs(wanted - precision) * variance, np.abs(known - tilted.mean) / np.sqrt(variance))
        change = float(changes.max(initial=0.0))
        still = change < _STILL
        if still:
            break
        share = share if change < last else max(share / 2, _LEAST_SHARE)  # all change together and may overshoot
        precision, shift = precision + share * (wanted - precision), shift + share * (wanted_shift - shift)
        last = change
    pull, away = shift - precision * mean, target - mean
    alone = (away / without + pull) ** 2 / (1 / without + precision) - away**2 / without
    log_value = tilted.log_value.sum() + 0.5 * (np.log1p(precision * without) - alone).sum()
    log_value += 0.5 * (pull @ posterior @ pull - log_det)
    return Integral(float(log_value), precision, shift, float(tilted.stretch.sum()), still)


def _joined(mean: Array, covariance: Array, precision: Array, shift: Array) -> tuple[Array, Array, float]:
    """Mean and covariance of all means given the stand-ins, and log det(I + K Pi) (Rasmussen and Williams, eq. 3.68)."""
    root = np.sqrt(precision)
    factor = np.linalg.cholesky(np.eye(len(mean)) + root[:, None] * covariance * root)
    half = linalg.solve_triangular(factor, root[:, None] * covariance, lower=True)
    posterior = covariance - half.T @ half
    return mean + posterior @ (shift - precision * mean), posterior, 2 * float(np.log(np.diag(factor)).sum())


def _moments(target: Array, without: Array, places: tuple[Array, Array], scale: float, sites: Sites) -> _Tilted:
    """Quadrature of each site times the normal density of its mean without it, with nodes and weights given."""
    nodes, weights = places
    log_terms, stretch = _log_product(nodes, target, without, scale, sites)
    top = log_terms.max(axis=1, keepdims=True)
    terms = np.exp(log_terms - top) * weights
    total = terms.sum(axis=1)
    share = terms / total[:, None]
    mean = np.sum(share * nodes, axis=1)
    variance = np.sum(share * (nodes - mean[:, None]) ** 2, axis=1)
    log_value = np.log(total) + top[:, 0] - 0.5 * np.log(2 * np.pi * without)
    return _Tilted(log_value, mean, variance, np.sum(share * stretch, axis=1))


def _log_product(nodes: Array, target: Array, without: Array, scale: float, sites: Sites) -> tuple[Array, Array]:
    """Logarithm of site times exp(-(h - target)^2 / (2 without)) at nodes of shape (J, q), and its stretch."""
    own = nodes[sites.site]
    found = windows((sites.lower[:, None] - own) / scale, (sites.upper[:, None] - own) / scale)
    log_product, stretch = -0.5 * (nodes - target[:, None]) ** 2 / without[:, None], np.zeros_like(nodes)
    np.add.at(log_product, sites.site, found.log_probability)
    np.add.at(stretch, sites.site, found.stretch)
    return log_product, stretch


def _placed(start: Array, target: Array, without: Array, scale: float, sites: Sites) -> tuple[Array, Array]:
    """Nodes and weights, each of shape (J, q), from the mode of each integrand as far as it reaches on either side."""
    mode, _, _ = _mode(start, target, without, scale, sites)
    lengths = np.sqrt(without)[:, None] * _LENGTHS
    tried = np.hstack([mode[:, None], mode[:, None] - lengths, mode[:, None] + lengths])
    log_product, _ = _log_product(tried, target, without, scale, sites)
    deep = log_product[:, :1] - log_product[:, 1:] > _DEPTH
    count, every = len(_LENGTHS), np.arange(len(mode))
    nodes, weights = [], []
    for side, low in ((deep[:, :count], -1.0), (deep[:, count:], 1.0)):
        # The integrand falls off at least like the normal density, so the longest length is enough.
        length = lengths[every, np.maximum(side.sum(axis=1) - 1, 0)][:, None]
        nodes.append(mode[:, None] + low * length * (_NODES + 1) / 2)
        weights.append(length * _WEIGHTS / 2)
    return np.hstack(nodes), np.hstack(weights)


def _alone(mean: Array, variance: Array, scale: float, sites: Sites) -> tuple[Array, Array]:
    """Precision and shift to start from: slope and curvature of each site at its mode, as if it were the only one."""
    place, pull, bend = _mode(mean, mean, variance, scale, sites)
    return bend, bend * place + pull


def _mode(start: Array, target: Array, without: Array, scale: float, sites: Sites) -> tuple[Array, Array, Array]:
    """Mode of each site times a normal density, and slope and curvature of the site's logarithm there."""
    place, low, high = start, np.full_like(start, -np.inf), np.full_like(start, np.inf)
    for _ in range(_MODE_STEPS):
        own = place[sites.site]
        found = windows((sites.lower - own) / scale, (sites.upper - own) / scale)
        pull = np.bincount(sites.site, found.pull, len(start)) / scale
        bend = np.bincount(sites.site, np.maximum(found.pull**2 - found.stretch, 0.0), len(start)) / scale**2
        slope, curvature = (target - place) / without + pull, 1 / without + bend
        low, high = np.where(slope > 0, place, low), np.where(slope > 0, high, place)
        step = place + slope / curvature
        moved = np.abs(step - place) * np.sqrt(curvature)
        if np.all(moved < 1e-2):
            break
        place = np.where((step >= low) & (step <= high), step, (low + high) / 2)
    return place, pull, bend
