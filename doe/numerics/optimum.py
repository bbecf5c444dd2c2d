"""How well the place of an optimum is known: the best setting of every posterior draw, a confidence region.

The best setting of a quadratic surface within bounds is found exactly. On each face of the region the surface is again
quadratic, and its maximum over the region is the stationary point of one face, on which it is concave; so the faces
are taken in turn, and all draws at once.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, stats

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Term = tuple[int, ...]

_SLACK = 1e-9  # by which a point may lie beyond a bound, and share below which a curvature is zero, but for rounding
_TIE = 1e-13  # of the coefficients; by less no value is higher than another


@dataclass(frozen=True)
class BestPoints:
    """
    The best setting of each draw.

    Parameters
    ----------
    points : ndarray of shape (size, k)
        Coded units.
    values : ndarray of shape (size,)
        Of the surface there, response units.
    at_low, at_high : ndarray of shape (k,)
        Share of the draws whose best setting lies on the lower and on the upper bound of each factor.
    at_constraint : ndarray of shape (c,)
        Share of the draws whose best setting lies on each constraint.
    """

    points: Array
    values: Array
    at_low: Array
    at_high: Array
    at_constraint: Array


@dataclass(frozen=True)
class _Face:
    """Settings on faces with the same directions: ``starts`` of shape (f, k), ``directions`` of shape (k, d)."""

    starts: Array
    directions: Array


def best_points(
    coefficients: ArrayLike,
    terms: Sequence[Term],
    bounds: ArrayLike,
    constraints: tuple[ArrayLike, ArrayLike] | None = None,
) -> BestPoints:
    """
    Find the setting with the highest value within bounds, for each draw of the coefficients; exact.

    Parameters
    ----------
    coefficients : array of shape (size, p)
        Response units; change their signs to find the lowest value.
    terms : sequence of p tuples of factor indices
        Intercept, linear, two-factor and squared terms of k numeric factors.
    bounds : array of shape (k, 2)
        Lower and upper bound of each factor, coded units.
    constraints : pair of arrays of shapes (c, k) and (c,), optional
        Weights and limits, coded units: weights @ setting <= limits.

    Returns
    -------
    BestPoints
        Where several settings share the highest value, the one met first: corners before edges, edges before the inside.

    Raises
    ------
    ValueError
        Terms beyond a quadratic, bounds not in order, or constraints that no setting within the bounds keeps.

    Notes
    -----
    The work grows with the number of faces, 3^k without constraints: meant for up to six factors and few constraints.
    """
    draws, limits = np.atleast_2d(np.asarray(coefficients, dtype=float)), np.asarray(bounds, dtype=float)
    if limits.ndim != 2 or limits.shape[1] != 2 or not np.all(limits[:, 0] < limits[:, 1]):
        raise ValueError("each factor has a lower bound and an upper bound above it")
    weights, most = (np.zeros((0, len(limits))), np.zeros(0)) if constraints is None else constraints
    weights, most = np.asarray(weights, dtype=float).reshape(-1, len(limits)), np.asarray(most, dtype=float)
    constant, b, B = _forms(draws, terms, len(limits))
    points, values = np.zeros((len(draws), len(limits))), np.full(len(draws), -np.inf)
    least = _TIE * (np.abs(b).max(axis=1) + np.abs(B).max(axis=(1, 2)))
    for face in _faces(limits, weights, most):
        concave, found = _stationary(b, B, face)
        inside = np.all((found >= limits[:, 0] - _SLACK) & (found <= limits[:, 1] + _SLACK), axis=2)
        inside &= np.all(found @ weights.T <= most + _SLACK, axis=2)
        reached = np.einsum("sfk,sfk->sf", found, b[concave, None] + found @ B[concave])
        reached = np.where(inside, reached, -np.inf)
        best = np.argmax(reached, axis=1)
        every = np.arange(len(found))
        better = reached[every, best] > values[concave] + least[concave]
        points[concave[better]] = found[every, best][better]
        values[concave[better]] = reached[every, best][better]
    if np.any(values == -np.inf):
        raise ValueError("no setting within the bounds keeps the constraints")
    points = np.clip(points, limits[:, 0], limits[:, 1])
    near = _SLACK * (limits[:, 1] - limits[:, 0])
    return BestPoints(
        points,
        constant + values,
        np.mean(points <= limits[:, 0] + near, axis=0),
        np.mean(points >= limits[:, 1] - near, axis=0),
        np.mean(points @ weights.T >= most - 10 * _SLACK, axis=0),
    )


def slopes(points: ArrayLike, terms: Sequence[Term], factors: Sequence[int]) -> Array:
    """
    Write the slope of a polynomial surface at given points as rows that multiply its coefficients.

    Parameters
    ----------
    points : array of shape (m, n)
        Settings of all n factors, coded units; all factors that the terms name are numeric.
    terms : sequence of p tuples of factor indices
    factors : sequence of k int
        Those along which the slope is wanted.

    Returns
    -------
    ndarray of shape (m, k, p)
        slopes[i] @ coefficients is the gradient at point i, response units per coded unit. The rows of one point are
        what ``reml.f_test`` takes.
    """
    at = np.asarray(points, dtype=float)
    found = np.zeros((len(at), len(factors), len(terms)))
    for place, factor in enumerate(factors):
        for column, term in enumerate(terms):
            power = term.count(factor)
            if power:
                rest = list(term)
                rest.remove(factor)
                found[:, place, column] = power * np.prod(at[:, rest], axis=1)
    return found


def level_statistic(rows: ArrayLike, estimates: ArrayLike, covariance: ArrayLike) -> Array:
    """
    Test at each point whether the surface may be level there.

    Parameters
    ----------
    rows : array of shape (m, k, p)
        From ``slopes``.
    estimates : array of shape (p,)
    covariance : array of shape (p, p)
        Of the estimates, response units squared.

    Returns
    -------
    ndarray of shape (m,)
        g' V^-1 g / k, where g is the estimated slope and V its covariance; F(k, dof) where the true surface is level.

    Raises
    ------
    ValueError
        Slopes that are linearly dependent at some point, as those of a factor that the model does not have.
    """
    matrices, known = np.asarray(rows, dtype=float), np.asarray(covariance, dtype=float)
    slope = matrices @ np.asarray(estimates, dtype=float)
    spread = matrices @ known @ matrices.transpose(0, 2, 1)
    if np.any(np.linalg.matrix_rank(spread, hermitian=True) < spread.shape[1]):
        raise ValueError("the slopes are linearly dependent: every factor needs a linear term in the model")
    away = np.linalg.solve(spread, slope[:, :, None])[:, :, 0]
    return np.asarray(np.sum(slope * away, axis=1) / slope.shape[1])


def may_be_level(
    rows: ArrayLike, estimates: ArrayLike, covariance: ArrayLike, dof: ArrayLike, level: float = 0.95
) -> Flags:
    """
    Say which points belong to the confidence region of the stationary point.

    Parameters
    ----------
    rows : array of shape (m, k, p)
        From ``slopes``.
    estimates : array of shape (p,)
    covariance : array of shape (p, p)
        Of the estimates, response units squared.
    dof : float or array of shape (m,)
        Degrees of freedom of the covariance, above zero. With loads the covariance is that of Kenward and Roger, and the
        degrees of freedom, and a scale, differ from point to point: there, take the points whose ``reml.f_test``
        has a p value of at least 1 - level. Infinite for a known covariance.
    level : float
        Confidence that the region holds the true stationary point.

    Returns
    -------
    bool ndarray of shape (m,)
        Exact for normal errors with one variance. The region need not be connected or bounded: where the curvature is
        not clear, it reaches without end. It says nothing about the kind of the stationary point, nor about the best
        setting within bounds.

    Raises
    ------
    ValueError
        Dependent slopes, degrees of freedom not above zero, or a level outside 0 to 1.

    References
    ----------
    Box and Hunter, "A confidence region for the solution of a set of simultaneous equations with an application to
    experimental design", Biometrika 41 (1954) 190.
    """
    freedom = np.asarray(dof, dtype=float)
    if not np.all(freedom > 0):
        raise ValueError("the degrees of freedom are above zero")
    if not 0 < level < 1:
        raise ValueError(f"the level {level} is not between 0 and 1")
    statistic = level_statistic(rows, estimates, covariance)
    count = np.shape(rows)[1]
    known = stats.chi2.ppf(level, count) / count
    finite = np.where(np.isinf(freedom), 1.0, freedom)
    return np.asarray(statistic <= np.where(np.isinf(freedom), known, stats.f.ppf(level, count, finite)))


def _forms(draws: Array, terms: Sequence[Term], k: int) -> tuple[Array, Array, Array]:
    """Intercept, b and symmetric B of every draw."""
    constant, b, B = np.zeros(len(draws)), np.zeros((len(draws), k)), np.zeros((len(draws), k, k))
    for values, term in zip(draws.T, terms, strict=True):
        if len(term) > 2 or any(not 0 <= factor < k for factor in term):
            raise ValueError(f"term {term} is not part of a quadratic in {k} factors")
        if not term:
            constant += values
        elif len(term) == 1:
            b[:, term[0]] += values
        else:
            B[:, term[0], term[1]] += values / 2
            B[:, term[1], term[0]] += values / 2
    return constant, b, B


def _faces(bounds: Array, weights: Array, most: Array) -> Iterator[_Face]:
    """Yield the faces of the region, corners first; some of their settings lie beyond other bounds."""
    k = len(bounds)
    for size in range(k + 1):
        for loose in combinations(range(k), size):
            fixed = [i for i in range(k) if i not in loose]
            corners = np.zeros((2 ** len(fixed), k))
            corners[:, fixed] = np.array(list(product(*bounds[fixed]))).reshape(corners.shape[0], len(fixed))
            for count in range(min(size, len(weights)) + 1):
                for active in combinations(range(len(weights)), count):
                    yield from _restricted(corners, loose, weights[list(active)], most[list(active)])


def _restricted(corners: Array, loose: Sequence[int], weights: Array, most: Array) -> Iterator[_Face]:
    """Keep some constraints as equations, in the loose directions; nothing where they depend on each other there."""
    free = np.eye(corners.shape[1])[:, list(loose)]
    if not len(weights):
        yield _Face(corners, free)
        return
    own = weights @ free
    if np.linalg.matrix_rank(own) == len(own):
        starts = corners + (most - corners @ weights.T) @ np.linalg.pinv(own).T @ free.T
        yield _Face(starts, free @ linalg.null_space(own))


def _stationary(b: Array, B: Array, face: _Face) -> tuple[NDArray[np.intp], Array]:
    """
    Return the draws that are concave along the face, and their stationary points on it, of shape (s, f, k).

    Gaussian elimination without interchange, which is stable for a definite matrix; a pivot that is not above zero tells
    that it is none. All draws at once, as the matrices are small.
    """
    directions, starts = face.directions, face.starts
    d = directions.shape[1]
    if not d:
        return np.arange(len(b)), np.broadcast_to(starts, (len(b), *starts.shape))
    bent = -2 * directions.T @ B @ directions
    kept = np.arange(len(b))
    least = _SLACK * np.abs(B).max(axis=(1, 2))
    pull = (b[:, None] + 2 * starts @ B) @ directions
    for i in range(d):
        definite = bent[:, i, i] > least
        kept, bent, pull, least = kept[definite], bent[definite], pull[definite], least[definite]
        for j in range(i + 1, d):
            share = bent[:, j, i] / bent[:, i, i]
            bent[:, j] -= share[:, None] * bent[:, i]
            pull[:, :, j] -= share[:, None] * pull[:, :, i]
    for i in reversed(range(d)):
        known = np.einsum("sfj,sj->sf", pull[:, :, i + 1 :], bent[:, i, i + 1 :])
        pull[:, :, i] = (pull[:, :, i] - known) / bent[:, i, i, None]
    return kept, starts + pull @ directions.T
