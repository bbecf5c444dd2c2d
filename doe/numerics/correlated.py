"""
What the correlation of the responses of one print does to the share of prints that meet every requirement.

Responses of one print share the print and its load, so that a weak print is often weak in all of them; coupons of
different responses are different specimens and share nothing else. The setting is chosen as if the responses were
independent given the setting; here the number at one setting is stated with their correlation. Where they vary
together, more prints meet everything; where they vary against each other, fewer.

The correlation is judged by the residuals of print means within loads; that of the loads is taken to be the same, since
a study has too few loads to tell. Its posterior, under an inverse Wishart prior of R + 1 degrees of freedom, for which
each correlation by itself is uniform (Barnard, McCulloch and Meng 2000), is given four prints more in which nothing is
correlated.

References
----------
Barnard, McCulloch and Meng, "Modeling covariance matrices in terms of standard deviations and correlations", Statistica
Sinica 10 (2000) 1281. Genz, "Numerical computation of multivariate normal probabilities", J. Comput. Graph. Stat. 1
(1992) 141. Both from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from doe.numerics.conformance import Margins
from doe.numerics.posterior import Draws
from doe.numerics.restricted import ABSENT
from doe.numerics.terms import orthonormal_basis

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_PRIOR_PRINTS = 4
_GAUSS = (24, 11)  # points along each direction, for two responses and for three
_LATTICE = 7  # power of two of the points for more
_EDGE = 1e-15  # probabilities kept off 0 and 1, where their quantile is infinite


@dataclass(frozen=True)
class ResidualCorrelation:
    """
    The correlation of R responses' print means within loads.

    Parameters
    ----------
    raw : ndarray of shape (R, R)
        As observed.
    shrunken : ndarray of shape (R, R)
        With the prior's four prints: the estimate to quote.
    dof : int
        Residual degrees of freedom.
    """

    raw: Array
    shrunken: Array
    dof: int


def residual_correlation(means: Array, X: Array, load: Codes | None) -> ResidualCorrelation:
    """
    Estimate the correlation of print means about the model, within loads.

    Parameters
    ----------
    means : ndarray of shape (n, R)
        Print means of the responses, for the prints that have all of them.
    X : ndarray of shape (n, p)
        Model matrix of these prints, with the columns of every response's model; need not have full rank.
    load : ndarray of shape (n,) or None
        Load codes 0 .. L - 1; loads are taken out as if they were fixed.

    Returns
    -------
    ResidualCorrelation

    Raises
    ------
    ValueError
        No degree of freedom within loads, or a response that does not vary about model and loads.
    """
    fixed = X if load is None else np.hstack([X, np.eye(int(load.max()) + 1)[load]])
    basis = orthonormal_basis(fixed)
    dof = len(means) - basis.shape[1]
    if dof < 1:
        raise ValueError("no error degree of freedom is left within loads to judge a correlation by")
    centred = means - means.mean(axis=0)
    rest = centred - basis @ (basis.T @ centred)
    length = np.sqrt(np.sum(rest**2, axis=0))
    if (length <= ABSENT * np.linalg.norm(centred, axis=0)).any():
        raise ValueError("a response does not vary about model and loads, so it has no correlation")
    raw = (rest / length).T @ (rest / length)
    np.fill_diagonal(raw, 1.0)
    none = np.eye(len(raw))
    return ResidualCorrelation(raw, none + (raw - none) * dof / (dof + _PRIOR_PRINTS), dof)


def correlation_draws(found: ResidualCorrelation, size: int, generator: np.random.Generator) -> Array:
    """
    Draw correlation matrices from the posterior.

    Parameters
    ----------
    found : ResidualCorrelation
    size : int
        How many draws.
    generator : Generator

    Returns
    -------
    ndarray of shape (size, R, R)
        Quantiles of an entry are its interval.
    """
    count = len(found.raw)
    scale = (found.dof + _PRIOR_PRINTS) * found.shrunken
    dof = found.dof + _PRIOR_PRINTS + count + 1
    noise = generator.standard_normal((size, dof, count)) @ np.linalg.cholesky(np.linalg.inv(scale)).T
    covariance = np.linalg.inv(np.swapaxes(noise, 1, 2) @ noise)
    sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    return np.asarray(covariance / (sd[:, :, None] * sd[:, None, :]))


def future_correlation(
    within: Array, drawn: Sequence[Draws], inverse_counts: Sequence[float], sd: Sequence[Array]
) -> Array:
    """
    Turn the correlation of the study's print means into that of future values, which hold coupon variance and a new load.

    Parameters
    ----------
    within : ndarray of shape (size, R, R) or (R, R)
        Of print means within loads.
    drawn : sequence of R Draws
    inverse_counts : sequence of R float
        Mean over the study's prints of one over the number of coupons.
    sd : sequence of R ndarray of shape (size,)
        Of a future value, from ``conformance.future_sd``.

    Returns
    -------
    ndarray of shape (size, R, R)
        The covariance that prints share, and as much correlation of the loads, over the future standard deviations.
    """
    total = np.stack(list(sd))
    load = np.stack([one.load_var for one in drawn])
    means = np.stack([one.print_var + part * one.coupon_var for one, part in zip(drawn, inverse_counts, strict=True)])
    shared = np.sqrt(np.clip(total**2 - load, 0, means))  # a future value shares no more than it has
    together = np.einsum("is,js->sij", shared, shared) + np.einsum("is,js->sij", np.sqrt(load), np.sqrt(load))
    result = within * together / np.einsum("is,js->sij", total, total)
    result[:, np.arange(len(total)), np.arange(len(total))] = 1.0
    return np.asarray(result)


def with_correlation(rows: Sequence[Array], requirements: Sequence[Margins], correlation: Array) -> Array:
    """
    Return the share of future prints that meet every requirement at one setting, with correlated responses.

    Each response in turn is integrated over the part of its distribution that meets its requirement (Genz 1992), with the
    same points in every draw: Gauss-Legendre for two and three responses, Sobol points of a fixed seed for more.

    Parameters
    ----------
    rows : sequence of R ndarray of shape (nodes, 1, p)
        As for ``conformance.conformance``.
    requirements : sequence of R Margins
    correlation : ndarray of shape (R, R) or (size, R, R)
        Of future values, given the setting, from :func:`future_correlation`.

    Returns
    -------
    ndarray of shape (size,)
        Measured against adaptive integration: wrong by up to 0.0004 for two responses correlated up to 0.95, by 0.0005 for
        three correlated up to 0.7 (0.0016 beyond). At 8 nodes and 2,000 draws two take 0.05 s and three 0.5 s: this
        states a number, it is not for a search.

    Raises
    ------
    ValueError
        A correlation that is not positive definite, or not of as many responses.
    """
    count, size = len(requirements), len(requirements[0].coefficients)
    signs = np.array([-1.0 if one.falls else 1.0 for one in requirements])  # of distances, where values are correlated
    wanted = np.asarray(correlation, dtype=float)
    if wanted.shape[-2:] != (count, count):
        raise ValueError(f"the correlation is that of {wanted.shape[-1]} responses, and there are {count} requirements")
    try:
        root = np.broadcast_to(np.linalg.cholesky(wanted * np.outer(signs, signs)), (size, count, count))
    except np.linalg.LinAlgError:
        raise ValueError("the correlation is not positive definite: it is that of no responses") from None
    points, weights = _points(count - 1)
    total = np.zeros(size)
    for node in range(len(rows[0])):
        limits = [_limits(response[node, 0], one) for response, one in zip(rows, requirements, strict=True)]
        total += _inside(limits, root, points) @ weights
    return total / len(rows[0])


def _points(dimension: int) -> tuple[Array, Array]:
    """Return points of the unit cube, shape (m, dimension), and their weights."""
    if dimension == 0:
        return np.zeros((1, 0)), np.ones(1)
    if dimension <= len(_GAUSS):
        at, weights = np.polynomial.legendre.leggauss(_GAUSS[dimension - 1])
        points = np.stack(np.meshgrid(*[(1 + at) / 2] * dimension), axis=-1).reshape(-1, dimension)
        weight = np.prod(np.meshgrid(*[weights / 2] * dimension), axis=0).ravel()
        return points, np.asarray(weight)
    points = stats.qmc.Sobol(dimension, seed=0).random_base2(_LATTICE)
    return points, np.full(len(points), 1 / len(points))


def _limits(row: Array, requirement: Margins) -> tuple[Array, Array]:
    """Return, per draw, between which standardised values the response meets its requirement, shape (size, 1) each."""
    distance = (requirement.coefficients.astype(float) @ row)[:, None]
    if requirement.width is None:
        return -distance, np.full_like(distance, np.inf)
    return -distance, requirement.width.astype(float)[:, None] - distance


def _inside(limits: Sequence[tuple[Array, Array]], root: Array, points: Array) -> Array:
    """Return the integrand at each draw and point, shape (size, m)."""
    chance = np.ones((len(root), len(points)))
    drawn: list[Array] = []
    for place, (lower, upper) in enumerate(limits):
        moved = sum((root[:, place, other, None] * z for other, z in enumerate(drawn)), np.zeros_like(chance))
        own = root[:, place, place, None]
        low, high = special.ndtr((lower - moved) / own), special.ndtr((upper - moved) / own)
        chance *= high - low
        if place < len(limits) - 1:
            u = np.clip(low + points[:, place] * (high - low), _EDGE, 1 - _EDGE)
            drawn.append(special.ndtri(u))
    return chance
