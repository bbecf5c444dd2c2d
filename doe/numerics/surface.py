"""
The stationary point of a quadratic surface and its canonical analysis.

In coded units the surface is y = b0 + x'b + x'B x, with B symmetric: squared terms on its diagonal, half of each
two-factor coefficient off it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
    linear, quadratic = np.asarray(b, dtype=float), np.asarray(B, dtype=float)
    if quadratic.shape != (len(linear), len(linear)) or not np.allclose(quadratic, quadratic.T, rtol=1e-9, atol=0):
        raise ValueError("B is a symmetric matrix with one row for each entry of b")
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
