"""The shape of a quadratic surface: its stationary point, its canonical analysis, its ridge.

In coded units the surface is y = b0 + x'b + x'B x, with B symmetric: squared terms on its diagonal, half of each
two-factor coefficient off it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

Array = NDArray[np.float64]
Nature = Literal["maximum", "minimum", "saddle", "ridge"]

_FLAT = 1e-10  # an eigenvalue below this share of the largest is zero but for rounding


@dataclass(frozen=True)
class StationaryPoint:
    """
    Where the slope of a quadratic surface vanishes, and its shape there.

    Parameters
    ----------
    point : ndarray of shape (k,)
        Coded units. On a ridge the stationary point nearest to the centre; nan on a ridge that rises without end.
    offset : float
        Value there minus the intercept, response units; nan where there is no point.
    eigenvalues : ndarray of shape (k,)
        Of B, ascending: half the second derivative along each axis, response units.
    eigenvectors : ndarray of shape (k, k)
        Axes of the canonical form as columns, in the order of the eigenvalues; the sign of a column means nothing.
    nature : str
        ``maximum`` where all eigenvalues are below zero, ``minimum`` above, ``saddle`` on both sides; ``ridge`` where
        one is zero to rounding. Whether an estimated eigenvalue differs from zero is a question to its interval.
    """

    point: Array
    offset: float
    eigenvalues: Array
    eigenvectors: Array
    nature: Nature


def quadratic_form(
    coefficients: ArrayLike, terms: Sequence[tuple[int, ...]], factors: Sequence[int]
) -> tuple[Array, Array]:
    """
    Collect the coefficients of a quadratic model into b and B.

    Parameters
    ----------
    coefficients : array of shape (p,)
        One for each term, coded units.
    terms : sequence of p tuples of factor indices
        (0,) linear, (0, 1) two-factor, (0, 0) squared; the intercept and terms without any of ``factors`` only shift
        the surface and are left out.
    factors : sequence of k int
        Numeric factors, in the order that b and B shall have.

    Returns
    -------
    b : ndarray of shape (k,)
    B : ndarray of shape (k, k)

    Raises
    ------
    ValueError
        A term of degree three or more, or one that joins these factors to others: fix the others first.
    """
    place = {factor: position for position, factor in enumerate(factors)}
    b, B = np.zeros(len(factors)), np.zeros((len(factors), len(factors)))
    for value, term in zip(np.asarray(coefficients, dtype=float), terms, strict=True):
        inside = [place[factor] for factor in term if factor in place]
        if not inside:
            continue
        if len(inside) < len(term) or len(term) > 2:
            raise ValueError(f"term {term} is not part of a quadratic in the factors {tuple(factors)}")
        if len(inside) == 1:
            b[inside[0]] += value
        else:
            B[inside[0], inside[1]] += value / 2
            B[inside[1], inside[0]] += value / 2
    return b, B


def stationary_point(b: ArrayLike, B: ArrayLike) -> StationaryPoint:
    """
    Find and classify the stationary point of x'b + x'B x.

    Parameters
    ----------
    b : array of shape (k,)
        Linear coefficients, coded units.
    B : array of shape (k, k)
        Symmetric.

    Returns
    -------
    StationaryPoint
        x_s = -B^-1 b / 2, where the value exceeds the intercept by x_s'b / 2.

    Raises
    ------
    ValueError
        B is not symmetric, or zero: a model without curvature has no stationary point.

    References
    ----------
    Box and Wilson, "On the experimental attainment of optimum conditions", J. R. Stat. Soc. B 13 (1951) 1. Myers,
    Montgomery and Anderson-Cook, *Response Surface Methodology*, 4th ed. (2016), ch. 6.
    """
    linear, quadratic = _checked(b, B)
    eigenvalues, axes = np.linalg.eigh(quadratic)
    curved = np.abs(eigenvalues) > _FLAT * np.abs(eigenvalues).max()
    if not curved.any():
        raise ValueError("a surface without curvature has no stationary point")
    slopes = axes.T @ linear
    along = np.zeros_like(slopes)
    along[curved] = -slopes[curved] / (2 * eigenvalues[curved])
    if np.any(np.abs(slopes[~curved]) > _FLAT * np.linalg.norm(linear)):  # the ridge rises
        along[:] = np.nan
    return StationaryPoint(
        point=axes @ along,
        offset=float(slopes @ along) / 2,
        eigenvalues=eigenvalues,
        eigenvectors=axes,
        nature=_nature(eigenvalues, curved),
    )


def _nature(eigenvalues: Array, curved: NDArray[np.bool_]) -> Nature:
    """Name the shape by the signs of the eigenvalues."""
    if not curved.all():
        return "ridge"
    if eigenvalues[-1] < 0:
        return "maximum"
    return "minimum" if eigenvalues[0] > 0 else "saddle"


@dataclass(frozen=True)
class RidgePath:
    """
    The best point at each distance from the centre.

    Parameters
    ----------
    radii : ndarray of shape (m,)
        Coded units.
    points : ndarray of shape (m, k)
        Coded units.
    offsets : ndarray of shape (m,)
        Value there minus the intercept, response units.
    """

    radii: Array
    points: Array
    offsets: Array


def ridge_path(b: ArrayLike, B: ArrayLike, radii: ArrayLike) -> RidgePath:
    """
    Find the maximum of x'b + x'B x on spheres about the centre.

    Parameters
    ----------
    b : array of shape (k,)
        Linear coefficients, coded units.
    B : array of shape (k, k)
        Symmetric; change the signs of both for the path of the minimum.
    radii : array of shape (m,)
        Coded units, zero or above.

    Returns
    -------
    RidgePath
        The point solves (B - mu I) x = -b / 2 with mu not below the largest eigenvalue (Draper 1963). Where the maximum
        is not unique, as the surface is symmetric about the centre along the leading axis, the one of the two points
        whose largest part along that axis is positive; for a level leading plane any one.

    Raises
    ------
    ValueError
        B is not symmetric, or a radius is below zero.

    References
    ----------
    Hoerl, "Optimum solution of many variables equations", Chem. Eng. Progress 55 (1959) no. 11, 69. Draper, "Ridge
    analysis of response surfaces", Technometrics 5 (1963) 469. From memory.
    """
    linear, quadratic = _checked(b, B)
    distances = np.atleast_1d(np.asarray(radii, dtype=float))
    if not np.all((distances >= 0) & np.isfinite(distances)):
        raise ValueError("a radius is zero or above")
    eigenvalues, axes = np.linalg.eigh(quadratic)
    gaps, slopes = eigenvalues[-1] - eigenvalues, axes.T @ linear
    leading = gaps <= _FLAT * np.abs(eigenvalues).max(initial=0.0)
    gaps[leading] = 0.0
    if np.linalg.norm(slopes[leading]) <= _FLAT * np.linalg.norm(slopes):  # rounding
        slopes[leading] = 0.0
    lead = axes[:, -1] * np.sign(axes[np.argmax(np.abs(axes[:, -1])), -1])
    points = np.array([_farthest(gaps, slopes, axes, lead, radius) for radius in distances]).reshape(-1, len(linear))
    return RidgePath(distances, points, points @ linear + np.sum(points @ quadratic * points, axis=1))


def _farthest(gaps: Array, slopes: Array, axes: Array, lead: Array, radius: float) -> Array:
    """Maximum on one sphere: x_i = slope_i / 2 / (gap_i + delta) along axis i, where delta gives it the right length."""
    leading = gaps == 0
    if radius == 0:
        return np.zeros(len(gaps))
    if not slopes[leading].any():
        along = np.where(leading, 0.0, slopes / 2 / np.where(leading, 1.0, gaps))
        rest = radius**2 - float(along @ along)
        if rest >= 0:
            return np.asarray(axes @ along + np.sqrt(rest) * lead)

    def shortfall(delta: float) -> float:
        return 1 / float(np.linalg.norm(slopes / 2 / (gaps + delta))) - 1 / radius

    high = float(np.linalg.norm(slopes)) / (2 * radius)
    low = max(float(np.linalg.norm(slopes[leading])) / (2 * radius), np.finfo(float).tiny)
    low, high = low * (1 - 1e-12), high * (1 + 1e-12)
    delta = optimize.brentq(shortfall, low, high, xtol=np.finfo(float).tiny, rtol=4 * np.finfo(float).eps, maxiter=500)
    along = slopes / 2 / (gaps + delta)
    return np.asarray(axes @ along * (radius / np.linalg.norm(along)))


def _checked(b: ArrayLike, B: ArrayLike) -> tuple[Array, Array]:
    linear, quadratic = np.asarray(b, dtype=float), np.asarray(B, dtype=float)
    if quadratic.shape != (len(linear), len(linear)) or not np.allclose(quadratic, quadratic.T, rtol=1e-9, atol=0):
        raise ValueError("B is a symmetric matrix with one row for each entry of b")
    return linear, quadratic
