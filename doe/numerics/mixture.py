"""
The posterior of coefficients with one to three variance components, as a weighted sum of Student's t over a grid.

The model and the restricted likelihood are those of ``reml.py``. Priors: flat on the coefficients b, 1 / s on the
residual variance s, half-Cauchy on the square roots of the ratios (``prior.py``). Given the ratios g everything is
conjugate (Harville 1974; Box and Tiao 1973)::

    p(g | y) ~ prior(g) |V|^-1/2 |X'V^-1 X|^-1/2 q(g)^-(n - p)/2
    s | g, y ~ q(g) / chi2(n - p),    b | s, g, y ~ N(b(g), s Phi(g))

with q the generalised sum of squares and b(g), s Phi(g) generalised least squares. So a function of the coefficients, and
a new observation, are mixtures of Student's t on n - p degrees of freedom. There is no chain, and nothing to converge.

References
----------
Harville, "Bayesian inference for variance components using only error contrasts", Biometrika 61 (1974) 383. Box and
Tiao, *Bayesian Inference in Statistical Analysis* (1973), ch. 5. Both from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from doe.numerics.leastsq import check_model
from doe.numerics.prior import Prior, log_prior, prior_of
from doe.numerics.restricted import (
    ABSENT,
    Array,
    Codes,
    ErrorContrasts,
    criteria_at,
    reduce_to_contrasts,
)

_LARGEST_RATIO = 1e5
_COARSE, _FINE = (60, 24, 12), (120, 40, 16)  # points per ratio, with one, two and three of them
_LEAST_WEIGHT = 1e-6  # of the likeliest cell; the coarse grid's range ends where cells fall below it
_DROPPED = 1e-5  # total weight of the cells that are left out
_EXACT = 1e-12  # relative size below which residuals are rounding
_STEPS = 100


@dataclass(frozen=True)
class Mixture:
    """
    The posterior on a grid of G points.

    Parameters
    ----------
    ratios : ndarray of shape (G, K)
        Component over residual variance.
    weights : ndarray of shape (G,)
        Their posterior probabilities.
    q : ndarray of shape (G,)
        Generalised sum of squares, response units squared.
    centres : ndarray of shape (G, p)
        Conditional means of the coefficients, response units.
    covariances : ndarray of shape (G, p, p)
        Their conditional covariances for a residual variance of one.
    dof : int
        n - p.
    """

    ratios: Array
    weights: Array
    q: Array
    centres: Array
    covariances: Array
    dof: int


@dataclass(frozen=True)
class Layout:
    """Error contrasts with what generalised least squares needs: the products with X^+ = (X'X)^-1 X'."""

    contrasts: ErrorContrasts
    first: Array
    """Least-squares coefficients, shape (p,)."""
    unscaled: Array
    """(X'X)^-1, shape (p, p)."""
    shown: Array
    """Covariance of least-squares coefficients and contrasts that each ratio adds, shape (K, p, r)."""
    added: Array
    """Covariance of the coefficients that each ratio adds, shape (K, p, p)."""


def mixture(y: ArrayLike, X: ArrayLike, groups: Sequence[ArrayLike], scale: float = 1.0) -> Mixture:
    """
    Find the posterior of a linear model with up to three nested or crossed variance components.

    Parameters
    ----------
    y : array of shape (n,)
        Response.
    X : array of shape (n, p)
        Model matrix, coded units, full column rank.
    groups : sequence of K integer arrays of shape (n,)
        As for ``reml.fit_reml``; none to three.
    scale : float
        Of the half-Cauchy prior of the square root of each ratio, above zero.

    Returns
    -------
    Mixture

    Raises
    ------
    ValueError
        A scale that is not above zero; more than three components; shapes that differ; no more values than coefficients;
        a component that no error contrast shows; values that do not vary about the model.
    """
    values, model = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    codes = [np.unique(np.asarray(group), return_inverse=True)[1] for group in groups]
    check_model(values, model)
    if len(codes) > len(_FINE):
        raise ValueError(f"the grid has at most {len(_FINE)} variance ratios, and {len(codes)} components were given")
    if any(code.shape != values.shape for code in codes):
        raise ValueError("every group needs one entry for each value")
    laid = lay_out(values, model, codes)
    for place, share in enumerate(laid.contrasts.shares):
        if np.trace(share) < ABSENT * len(values):
            raise ValueError(
                f"variance component {place} cannot be judged: its groups are all used up by the coefficients"
            )
    if not codes:
        return conditional(laid, np.zeros((1, 0)), np.zeros(1))
    prior = prior_of(codes, scale)
    limits = [_last_position(share) for share in laid.contrasts.shares]
    coarse = _FINE[0] if len(codes) == 1 else _COARSE[len(codes) - 1]
    ratios, log_weight, axes = _on_grid(laid.contrasts, prior, [(0.0, limit) for limit in limits], coarse)
    if len(codes) > 1:
        ranges = _ranges(log_weight, axes, limits)
        ratios, log_weight, _ = _on_grid(laid.contrasts, prior, ranges, _FINE[len(codes) - 1])
    weight = np.exp(log_weight - log_weight.max()).ravel()
    order = np.argsort(weight)
    kept = order[np.cumsum(weight[order]) > _DROPPED * weight.sum()]
    return conditional(laid, ratios[kept], np.log(weight[kept]))


def lay_out(y: Array, X: Array, codes: Sequence[Codes], what: str = "values") -> Layout:
    """
    Reduce values, model matrix and groups to what the posterior needs.

    Parameters
    ----------
    y : ndarray of shape (n,)
        Response.
    X : ndarray of shape (n, p)
        Model matrix, coded units, full column rank.
    codes : sequence of K integer arrays of shape (n,)
        Groups numbered 0, 1, ... without gaps.
    what : str
        What the values are, for messages.

    Returns
    -------
    Layout

    Raises
    ------
    ValueError
        No more values than coefficients, or values that do not vary about the model.
    """
    n, p = X.shape
    if n <= p:
        raise ValueError(f"{n} {what} leave no error degree of freedom beside {p} coefficients")
    Q, R = np.linalg.qr(X)
    unfold = np.linalg.inv(R)
    first = np.asarray(np.linalg.lstsq(X, y, rcond=None)[0], dtype=float)
    rest = y - X @ first
    if np.linalg.norm(rest) <= _EXACT * np.linalg.norm(y):
        raise ValueError(f"the {what} do not vary about the model, so their variance cannot be estimated")
    contrasts, directions = reduce_to_contrasts(rest, X, codes)
    indicators = [np.eye(int(code.max()) + 1)[code] for code in codes]
    effects = [unfold @ (Q.T @ Z) for Z in indicators]
    shown = [effect @ (Z.T @ directions) for effect, Z in zip(effects, indicators, strict=True)]
    added = [effect @ effect.T for effect in effects]
    shapes = (len(codes), p, directions.shape[1]), (len(codes), p, p)
    return Layout(
        contrasts, first, unfold @ unfold.T, np.array(shown).reshape(shapes[0]), np.array(added).reshape(shapes[1])
    )


def conditional(laid: Layout, ratios: Array, log_weight: Array) -> Mixture:
    """
    Make the mixture from given ratios and the logarithms of their weights.

    Parameters
    ----------
    laid : Layout
    ratios : ndarray of shape (G, K)
        Component over residual variance.
    log_weight : ndarray of shape (G,)
        Up to a constant.

    Returns
    -------
    Mixture
    """
    contrasts = laid.contrasts
    size = len(contrasts.values)
    spread = np.tensordot(ratios, np.array(contrasts.shares).reshape(ratios.shape[1], size, size), axes=1) + np.eye(
        size
    )
    shown, added = np.tensordot(ratios, laid.shown, axes=1), np.tensordot(ratios, laid.added, axes=1)
    weighted = np.linalg.solve(spread, np.swapaxes(shown, 1, 2))  # (G, r, p)
    inside = np.linalg.solve(spread, np.tile(contrasts.values[:, None], (len(ratios), 1, 1)))
    covariances = laid.unscaled + added - shown @ weighted
    weight = np.exp(log_weight - log_weight.max())
    return Mixture(
        ratios=ratios,
        weights=weight / weight.sum(),
        q=inside[..., 0] @ contrasts.values + contrasts.residual_ss,
        centres=laid.first - np.einsum("grp,r->gp", weighted, contrasts.values),
        covariances=(covariances + np.swapaxes(covariances, 1, 2)) / 2,
        dof=contrasts.count,
    )


def _last_position(share: Array) -> float:
    """Return where the grid of t = log(1 + sqrt(g d)) ends, d being the largest eigenvalue of a share."""
    return float(np.log1p(np.sqrt(_LARGEST_RATIO * np.linalg.eigvalsh(share)[-1])))


def _on_grid(
    contrasts: ErrorContrasts,
    prior: Prior,
    ranges: Sequence[tuple[float, float]],
    points: int,
) -> tuple[Array, Array, list[Array]]:
    """Return ratios (G, K), the log posterior of their cells (points, ..., points), and the positions along each axis."""
    size = len(ranges)
    axes = [low + (np.arange(points) + 0.5) / points * (high - low) for low, high in ranges]
    position = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, size)
    largest = np.array([np.linalg.eigvalsh(share)[-1] for share in contrasts.shares])
    root = np.expm1(position)  # of g d: the prior's density of a root is finite at zero, that of a ratio is not
    ratios = root**2 / largest
    log_weight = -0.5 * criteria_at(ratios, contrasts) + log_prior(ratios, prior)
    log_weight += position.sum(axis=1) + np.log(root).sum(axis=1)  # d g / d t
    return ratios, log_weight.reshape((points,) * size), axes


def _ranges(log_weight: Array, axes: Sequence[Array], limits: Sequence[float]) -> list[tuple[float, float]]:
    """Return the part of each axis that holds the posterior, one cell more on either side."""
    likely = log_weight > log_weight.max() + np.log(_LEAST_WEIGHT)
    ranges = []
    for place, (axis, limit) in enumerate(zip(axes, limits, strict=True)):
        others = tuple(other for other in range(len(axes)) if other != place)
        held, step = axis[likely.any(axis=others)], axis[1] - axis[0]
        ranges.append((max(0.0, float(held[0] - 1.5 * step)), min(limit, float(held[-1] + 1.5 * step))))
    return ranges


def draw_coefficients(found: Mixture, place: Codes, sd: Array, generator: np.random.Generator) -> Array:
    """
    Draw coefficients at given points of the grid and given residual standard deviations.

    Parameters
    ----------
    found : Mixture
    place : integer array of shape (size,)
        Points of the grid.
    sd : ndarray of shape (size,)
        Residual standard deviations, response units.
    generator : Generator

    Returns
    -------
    ndarray of shape (size, p)
        Response units.
    """
    beta = generator.standard_normal((len(place), found.centres.shape[1]))
    used, of_draw = np.unique(place, return_inverse=True)
    roots = np.linalg.cholesky(found.covariances[used][:, ::-1, ::-1])[:, ::-1, ::-1]  # upper triangular
    for number, root in enumerate(roots):
        mine = of_draw == number
        beta[mine] = found.centres[used[number]] + sd[mine, None] * (beta[mine] @ root.T)
    return beta


def mixture_interval(found: Mixture, rows: ArrayLike, extra: ArrayLike | None = None, level: float = 0.95) -> Array:
    """
    Equal-tailed posterior intervals of linear functions of the coefficients, or of new observations at model rows.

    Parameters
    ----------
    found : Mixture
    rows : array of shape (m, p)
        One linear function a row: a model row gives a mean, a unit row a coefficient.
    extra : array of shape (K + 1,), optional
        How much of each variance a new observation adds, residual last, as for ``reml.prediction``; nothing for a mean.
    level : float
        Probability inside, each by itself.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limits, response units: quantiles of the mixture, without draws.

    Raises
    ------
    ValueError
        A shape that does not fit, a row of zeros, or a level outside (0, 1).
    """
    wanted = np.atleast_2d(np.asarray(rows, dtype=float))
    size = found.ratios.shape[1] + 1
    added = np.zeros(size) if extra is None else np.asarray(extra, dtype=float)
    if wanted.shape[1] != found.centres.shape[1] or added.shape != (size,):
        raise ValueError(f"rows need {found.centres.shape[1]} columns and extra {size} entries")
    if not wanted.any(axis=1).all():
        raise ValueError("a row of zeros asks for nothing")
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not at {level}")
    new = np.column_stack([found.ratios, np.ones(len(found.ratios))]) @ added
    variance = np.einsum("ma,gab,mb->gm", wanted, found.covariances, wanted, optimize=True) + new[:, None]
    scale = np.sqrt(found.q[:, None] / found.dof * variance)
    centre = found.centres @ wanted.T
    return np.stack([_quantile(found, centre, scale, (1 + side * level) / 2) for side in (-1, 1)], axis=-1)


def _quantile(found: Mixture, centre: Array, scale: Array, probability: float) -> Array:
    """Return the quantile of each mixture, by Newton steps inside a bracket; ``centre`` and ``scale`` of shape (G, m)."""
    each = centre + scale * special.stdtrit(found.dof, probability)
    low, high = each.min(axis=0), each.max(axis=0)
    width, point = scale.min(axis=0), found.weights @ each
    constant = np.exp(special.gammaln((found.dof + 1) / 2) - special.gammaln(found.dof / 2)) / np.sqrt(
        np.pi * found.dof
    )
    for _ in range(_STEPS):
        z = (point - centre) / scale
        excess = found.weights @ special.stdtr(found.dof, z) - probability
        slope = found.weights @ (constant * (1 + z**2 / found.dof) ** (-(found.dof + 1) / 2) / scale)
        low, high = np.where(excess < 0, point, low), np.where(excess < 0, high, point)
        step = point - excess / np.maximum(slope, 1e-300)
        step = np.where((step >= low) & (step <= high), step, (low + high) / 2)
        moved, point = np.abs(step - point), step
        if np.all(moved <= 1e-8 * width):
            break
    return np.asarray(point)
