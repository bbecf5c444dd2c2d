"""The restricted likelihood of variance components, with the search for its maximum.

All that depends on the components is in the n - p error contrasts, the combinations of the values that the fixed part
does not touch (Patterson and Thompson 1971). They are turned once more so that those moved by no component come last:
of these only the sum of squares matters. What remains is as small as the number of groups, whatever n is.

References
----------
Harville, "Maximum likelihood approaches to variance component estimation and to related problems", J. Am. Stat. Assoc.
72 (1977) 320. Patterson and Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika
58 (1971) 545. Gilmour, Thompson and Cullis, "Average information REML", Biometrics 51 (1995) 1440.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

ABSENT = 1e-8  # a singular value below this: the direction is not there
_STEPS = 200
_HALVINGS = 80
_LATTICE = (8, 8, 6)  # points per ratio besides zero with one, two, three ratios; the likelihood may have two maxima
_NEAREST, _FARTHEST = 0.05, 1e3  # of those points, in ratio times the mean variance that a component adds
_SMALL = 1e-4  # a ratio that no experiment of ours resolves; below it changes count as absolute


@dataclass(frozen=True)
class ErrorContrasts:
    """
    The error contrasts, sorted by what moves them.

    Parameters
    ----------
    values : ndarray of shape (r,)
        Contrasts that at least one component moves; their covariance is s_e (I + sum_k g_k shares[k]), where g_k is
        the ratio of component k to the residual variance s_e.
    shares : tuple of K ndarray of shape (r, r)
        What each component adds to their covariance, per unit of its own variance.
    residual_ss : float
        Sum of squares of the contrasts that only the residual moves.
    count : int
        n - p.
    dof : tuple of K + 1 int
        Error degrees of freedom of each component, the residual last. For component k: rank([X, coarser, Z_k]) -
        rank([X, coarser]), where ``coarser`` are the indicators of all components in whose groups those of k are
        nested. So for loads rank([X, Z_load]) - rank(X); for prints within loads rank([X, Z_load, Z_print]) -
        rank([X, Z_load]); for the residual n - rank([X, all Z]).
    """

    values: Array
    shares: tuple[Array, ...]
    residual_ss: float
    count: int
    dof: tuple[int, ...]

    def relative_covariance(self, ratios: Array) -> Array:
        """Covariance of ``values`` in units of the residual variance; ``ratios`` has the shape (components,)."""
        total = np.eye(len(self.values))
        for ratio, share in zip(ratios, self.shares, strict=True):
            total += ratio * share
        return total

    def residual_variance(self, ratios: Array) -> float:
        """Estimate of s_e at given ratios, of shape (components,): the generalised sum of squares over n - p."""
        weighted = np.linalg.solve(self.relative_covariance(ratios), self.values)
        return (float(self.values @ weighted) + self.residual_ss) / self.count


def error_contrasts(y: Array, X: Array, codes: Sequence[Codes]) -> ErrorContrasts:
    """
    Reduce values, model matrix and groups to what speaks about the variances.

    Parameters
    ----------
    y : ndarray of shape (n,)
        Response.
    X : ndarray of shape (n, p)
        Full column rank.
    codes : sequence of K integer arrays of shape (n,)
        Groups numbered 0, 1, ... without gaps.

    Returns
    -------
    ErrorContrasts

    Raises
    ------
    ValueError
        A component that this layout cannot estimate.
    """
    contrasts = reduce_to_contrasts(y, X, codes)[0]
    _check_estimable(contrasts)
    return contrasts


def reduce_to_contrasts(y: Array, X: Array, codes: Sequence[Codes]) -> tuple[ErrorContrasts, Array]:
    """
    Reduce as ``error_contrasts`` does, without asking whether every component can be estimated.

    Parameters
    ----------
    y, X, codes
        As there.

    Returns
    -------
    contrasts : ErrorContrasts
    directions : ndarray of shape (n, r)
        Orthonormal columns; the values of the contrasts are their products with y.
    """
    n, p = X.shape
    Q = np.linalg.qr(X)[0]
    indicators = [np.eye(code.max() + 1)[code] for code in codes]
    left, size, _ = np.linalg.svd(_without(Q, np.hstack([*indicators, np.zeros((n, 1))])), full_matrices=False)
    directions = left[:, size > ABSENT]
    loadings = [directions.T @ Z for Z in indicators]
    free = _without(Q, y)
    inside = directions.T @ free
    rest = free - directions @ inside
    shares = tuple(loading @ loading.T for loading in loadings)
    return ErrorContrasts(inside, shares, float(rest @ rest), n - p, _error_dof(codes, loadings, n - p)), directions


def _without(Q: Array, values: Array) -> Array:
    """Take the part that the fixed part touches out of values, or of columns."""
    return np.asarray(values - Q @ (Q.T @ values), dtype=float)


def _rank(blocks: Sequence[Array]) -> int:
    """Rank of blocks side by side, whose entries are of the order of one."""
    return int(np.linalg.matrix_rank(np.hstack(blocks), tol=ABSENT)) if blocks else 0


def _error_dof(codes: Sequence[Codes], moved: Sequence[Array], count: int) -> tuple[int, ...]:
    """Degrees of freedom by ranks; the rank of Z_k on the error contrasts is rank([X, Z_k]) - rank(X)."""
    found = []
    for k, own in enumerate(codes):
        coarser = [moved[j] for j, other in enumerate(codes) if j != k and nested(own, other, tie=j < k)]
        found.append(_rank([*coarser, moved[k]]) - _rank(coarser))
    return (*found, count - _rank(moved))


def nested(finer: Codes, coarser: Codes, tie: bool = False) -> bool:
    """Whether every group of the one lies in a single group of the other; equal partitions count where ``tie``."""
    groups, others = finer.max() + 1, coarser.max() + 1
    pairs = len(np.unique(finer * others + coarser))
    return bool(pairs == groups and (others < groups or tie))


def _check_estimable(contrasts: ErrorContrasts) -> None:
    """Refuse a component without error degrees of freedom, and components that the layout does not tell apart."""
    for k, own in enumerate(contrasts.dof[:-1]):
        if own == 0:
            raise ValueError(
                f"variance component {k} cannot be estimated: no error degree of freedom is left for its groups after "
                "the coefficients and the coarser groups"
            )
    if contrasts.dof[-1] == 0:
        raise ValueError(
            "the residual variance cannot be estimated: no error degree of freedom is left within the groups"
        )
    # The expected information at zero ratios: inner products of the shares and of the identity.
    size = len(contrasts.dof)
    products = np.full((size, size), float(contrasts.count))
    for i, share in enumerate(contrasts.shares):
        products[i, -1] = products[-1, i] = np.trace(share)
        products[i, :-1] = [np.sum(share * other) for other in contrasts.shares]
    length = np.sqrt(np.diag(products))
    if np.linalg.eigvalsh(products / np.outer(length, length))[0] < ABSENT:
        raise ValueError("the variance components cannot be estimated: the layout does not tell them apart")


def most_likely_ratios(contrasts: ErrorContrasts) -> tuple[Array, bool]:
    """
    Maximise the restricted likelihood over ratios that are not negative.

    Parameters
    ----------
    contrasts : ErrorContrasts
        From ``error_contrasts``.

    Returns
    -------
    ratios : ndarray of shape (K,)
        Component over residual variance; exactly zero on the boundary.
    converged : bool
        Whether the conditions for a maximum hold there.
    """
    size = len(contrasts.shares)
    mean_square = contrasts.residual_variance(np.zeros(size))
    values, residual_ss = contrasts.values / np.sqrt(mean_square), contrasts.residual_ss / mean_square
    unit = replace(contrasts, values=values, residual_ss=residual_ss)
    found = [_climb(start, unit) for start in _starts(unit)]
    ratios = min(found, key=lambda ratios: _criterion(ratios, unit))
    return ratios, _is_minimum(ratios, unit)


def _starts(contrasts: ErrorContrasts) -> list[Array]:
    """Return the points of a coarse lattice that no neighbour along an axis betters: one or two as a rule."""
    size = len(contrasts.shares)
    if size == 0:
        return [np.zeros(0)]
    steps = np.append(0.0, np.geomspace(_NEAREST, _FARTHEST, _LATTICE[min(size, len(_LATTICE)) - 1]))
    axes = [steps * np.trace(share) / np.sum(share**2) for share in contrasts.shares]
    lattice = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    value = criteria_at(lattice.reshape(-1, size), contrasts).reshape(lattice.shape[:-1])
    lowest = np.ones(value.shape, dtype=bool)
    for axis in range(size):
        change = np.diff(value, axis=axis)
        edge = [(0, 0)] * size
        edge[axis] = (1, 0)
        lowest &= np.pad(change < 0, edge, constant_values=True)
        edge[axis] = (0, 1)
        lowest &= np.pad(change >= 0, edge, constant_values=True)
    return list(lattice[lowest])


def criteria_at(ratios: Array, contrasts: ErrorContrasts) -> Array:
    """
    -2 log restricted likelihood at many ratios, the residual variance profiled out, without constants.

    Parameters
    ----------
    ratios : ndarray of shape (G, K)
        Component over residual variance, 0 or more.
    contrasts : ErrorContrasts

    Returns
    -------
    ndarray of shape (G,)
        Harville (1977), sec. 5.
    """
    spread = np.tensordot(ratios, np.array(contrasts.shares), axes=1) + np.eye(len(contrasts.values))
    factor = np.linalg.cholesky(spread)
    values = np.broadcast_to(contrasts.values[:, None], (*factor.shape[:2], 1))
    total = np.sum(np.linalg.solve(factor, values)[..., 0] ** 2, axis=1) + contrasts.residual_ss
    log_det = 2 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(contrasts.count * np.log(total / contrasts.count) + log_det)


def _criterion(ratios: Array, contrasts: ErrorContrasts) -> float:
    """-2 log restricted likelihood without constants, s_e profiled out (Harville 1977, sec. 5)."""
    try:
        factor = np.linalg.cholesky(contrasts.relative_covariance(ratios))
    except np.linalg.LinAlgError:
        return np.inf
    scaled = np.linalg.solve(factor, contrasts.values)
    total = float(scaled @ scaled) + contrasts.residual_ss
    return contrasts.count * float(np.log(total / contrasts.count)) + 2 * float(np.log(np.diag(factor)).sum())


def _derivatives(ratios: Array, contrasts: ErrorContrasts) -> tuple[Array, Array, Array]:
    """Gradient, Hessian and average information (Gilmour, Thompson and Cullis 1995) of the criterion."""
    count, size = contrasts.count, len(ratios)
    inverse = np.linalg.inv(contrasts.relative_covariance(ratios))
    weighted = inverse @ contrasts.values
    total = float(contrasts.values @ weighted) + contrasts.residual_ss
    shares = np.array(contrasts.shares).reshape(size, *inverse.shape)
    relative, pulls = inverse @ shares, shares @ weighted
    first = pulls @ weighted
    gradient = np.trace(relative, axis1=1, axis2=2) - count * first / total
    second, outer = pulls @ inverse @ pulls.T / total, np.outer(first, first) / total**2
    traces = np.einsum("iab,jba->ij", relative, relative)
    return gradient, count * (2 * second - outer) - traces, count * (second - outer)


def _climb(ratios: Array, contrasts: ErrorContrasts) -> Array:
    """Newton steps, cut off at zero, until they no longer move the ratios."""
    value = _criterion(ratios, contrasts)
    for _ in range(_STEPS):
        gradient, hessian, average = _derivatives(ratios, contrasts)
        step = _newton_step(ratios, gradient, hessian, average)
        trial, reached = _shortened(ratios, value, step, gradient, contrasts)
        moved = np.abs(trial - ratios) / np.maximum(trial, _SMALL)
        ratios, value = trial, reached
        if np.all(moved < 1e-8):  # the next step would be of the order of its square
            break
    return ratios


def _shortened(
    ratios: Array, value: float, step: Array, gradient: Array, contrasts: ErrorContrasts
) -> tuple[Array, float]:
    """Halve the step until the criterion falls; a tiny step is taken as it is, for the slope is surer than the value."""
    for length in 0.5 ** np.arange(_HALVINGS):
        trial = np.maximum(ratios + length * step, 0.0)
        reached = _criterion(trial, contrasts)
        tiny = bool(np.all(np.abs(trial - ratios) <= 1e-4 * np.maximum(ratios, _SMALL)))
        if tiny or reached <= value + 1e-4 * gradient @ (trial - ratios):
            return trial, reached
    return ratios, value


def _newton_step(ratios: Array, gradient: Array, hessian: Array, average: Array) -> Array:
    """Step of the components that are free to move: not those at zero which would have to go below."""
    scale = np.maximum(ratios, _SMALL)  # ratios may differ by many powers of ten; relative steps do not
    hessian, average = hessian * np.outer(scale, scale), average * np.outer(scale, scale)
    free = (ratios > 0) | (gradient < 0)
    step = np.zeros_like(ratios)
    while free.any():
        block = np.ix_(free, free)
        curvature = hessian[block]
        if np.linalg.eigvalsh(curvature)[0] <= 0:  # far from the maximum; the average information still leads to it
            curvature = average[block] + 1e-10 * np.trace(average[block]) * np.eye(int(free.sum()))
        step[:] = 0.0
        step[free] = -scale[free] * np.linalg.solve(curvature, (gradient * scale)[free])
        stuck = free & (ratios == 0) & (step < 0)
        if not stuck.any():
            break
        free &= ~stuck
    return np.where(free, step, 0.0)


def _is_minimum(ratios: Array, contrasts: ErrorContrasts) -> bool:
    """Whether the slope per relative change is nil, or points outwards at zero."""
    gradient, _, _ = _derivatives(ratios, contrasts)
    slope = np.where((ratios == 0) & (gradient > 0), 0.0, gradient * np.maximum(ratios, _SMALL))
    return bool(np.all(np.abs(slope) < 1e-6 * contrasts.count))
