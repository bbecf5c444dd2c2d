"""Smaller models beside a declared one: every hierarchical part of it, scored by AICc, with their weighted mean.

A part is hierarchical where a term stays only together with all terms of lower order that it contains (Peixoto 1990).
The intercept and the columns of blocks always stay, and a term of several columns stays or goes as one. The data are
the means of the prints, as in ``posterior.py``::

    y = X b + Z u + e,    u ~ N(0, g s I),    e ~ N(0, s I)

With equal coupon counts AICc differs between parts as it does for single values; unequal counts are taken as equal.
Restricted likelihoods of different fixed parts do not compare, so these are full ones. In coordinates that diagonalise
ZZ' (sizes d) the data enter through cross-products only, and the last pivot of a Cholesky factor of

    G(g) = [X y]' (I + g ZZ')^-1 [X y],    columns of terms left out replaced by those of the identity

is the residual sum of squares, so that many models are one batch. s is profiled out, g is searched per model.

AICc is -2 log L + 2 k + 2 k (k + 1) / (n - k - 1) with k counting coefficients and variance components and n the
number of prints. Hurvich and Tsai (1989) derive it for independent errors; with loads it is an approximation, lenient
to terms that vary between few loads, whose effective number is nearer to that of the loads. It is the marginal AIC:
right where new loads are meant; Vaida and Blanchard (2005) have another where these very loads are.

References
----------
Burnham and Anderson, *Model Selection and Multimodel Inference*, 2nd ed. (2002), sec. 2.9 and 4.3. Hurvich and Tsai,
"Regression and time series model selection in small samples", Biometrika 76 (1989) 297. Peixoto, "A property of
well-formulated polynomial regression models", The American Statistician 44 (1990) 26. Vaida and Blanchard,
"Conditional Akaike information for mixed-effects models", Biometrika 92 (2005) 351. All from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.leastsq import check_model
from doe.numerics.terms import Term, column_terms, with_hierarchy

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MANY = 5000
"""Up to so many parts are all looked at; beyond that a walk."""

_LARGEST, _POINTS = 1e6, 25  # of the ratio times the mean size; evenly in t = log(1 + that)
_NARROWINGS = 20  # of a bracket of two steps, to 1e-4 in t
_GOLDEN = (np.sqrt(5.0) - 1) / 2
_BATCH = 200_000  # numbers at once: more does not fit the cache
_ROUNDING = 1e-12  # a residual sum of squares below this share of the total is rounding, not variation


@dataclass(frozen=True)
class Reductions:
    """
    Parts of a model with their scores.

    Parameters
    ----------
    kept : ndarray of shape (M, T), bool
        Which terms each part has; the first row has them all.
    complete : bool
        Whether these are all parts, or those that a walk came by.
    parameters : ndarray of shape (M,)
        k: coefficients and variance components.
    deviance : ndarray of shape (M,)
        -2 log likelihood with all constants.
    aicc : ndarray of shape (M,)
        NaN where n - k - 1 < 1, so that it does not exist.
    weights : ndarray of shape (M,)
        Akaike weights among the parts whose AICc exists, 0 for the others.
    ratios : ndarray of shape (M,)
        Load over residual variance; zeros without loads.
    estimates, covariances : ndarray of shape (M, p), (M, p, p)
        Generalised least squares, 0 for what is left out; residual sum of squares over n - p, the ratio taken as known.
    """

    kept: Flags
    complete: bool
    parameters: NDArray[np.int64]
    deviance: Array
    aicc: Array
    weights: Array
    ratios: Array
    estimates: Array
    covariances: Array

    @property
    def best(self) -> int:
        """Row of the part whose AICc is lowest."""
        return int(np.nanargmin(self.aicc))

    @property
    def importance(self) -> Array:
        """Sum of the weights of the parts that have each term, shape (T,)."""
        return np.asarray(self.weights @ self.kept)

    @property
    def averaged(self) -> Array:
        """Weighted mean of the coefficients, shape (p,): its predictions are the weighted mean of all predictions."""
        return np.asarray(self.weights @ self.estimates)


@dataclass(frozen=True)
class _Moments:
    """Cross-products of [X y] within and between loads; y centred and scaled."""

    inside: Array
    between: Array
    """One matrix per direction that loads move, shape (r, p + 1, p + 1)."""
    sizes: Array
    column: NDArray[np.int64]
    """Term of each column, 0 for the intercept and blocks. Shape (p,)."""
    n: int
    centre: float
    scale: float
    components: int

    def at(self, ratios: Array) -> Array:
        """Cross-products weighted for some ratios, shape (len(ratios), p + 1, p + 1)."""
        shrink = 1 / (1 + ratios[:, None] * self.sizes)
        return np.asarray(self.inside + np.tensordot(shrink, self.between, axes=1))

    def ratios(self, t: Array) -> Array:
        return np.asarray(np.expm1(t) / (self.sizes.mean() if len(self.sizes) else 1.0))

    def columns(self, kept: Flags) -> Flags:
        """Which columns of [X y] each part has, shape (M, p + 1)."""
        return np.hstack([kept[:, self.column], np.ones((len(kept), 1), dtype=bool)])

    def criterion(self, residual: Array, ratios: Array) -> Array:
        """-2 log likelihood with s profiled out, shape (M,)."""
        spread = np.log1p(ratios[:, None] * self.sizes).sum(axis=1)
        mean = residual * self.scale**2 / self.n
        return np.asarray(self.n * (np.log(2 * np.pi * mean) + 1) + spread)


def hierarchical(model: Sequence[Term], most: int = MANY) -> Flags | None:
    """
    Return every hierarchical part of a model.

    Parameters
    ----------
    model : sequence of T Term
        Hierarchical, intercept first.
    most : int
        How many parts at most.

    Returns
    -------
    ndarray of shape (M, T), bool, or None
        The whole model first, the intercept alone last; None where there are more than ``most``.

    Raises
    ------
    ValueError
        A model that is not hierarchical, or does not begin with the intercept.
    """
    parents = _parents(model)
    rows = np.zeros((1, len(model)), dtype=bool)
    rows[:, 0] = True
    for term in sorted(range(1, len(model)), key=lambda place: len(model[place])):
        wider = rows[rows[:, parents[term]].all(axis=1)].copy()
        wider[:, term] = True
        rows = np.vstack([rows, wider])
        if len(rows) > most:
            return None
    return rows[::-1]


def _parents(model: Sequence[Term]) -> list[list[int]]:
    """Return, per term, the places of the terms with one factor less."""
    if not model or model[0] != () or set(with_hierarchy(model)) != set(model):
        raise ValueError("parts are taken of a hierarchical model that begins with its intercept")
    place = {term: index for index, term in enumerate(model)}
    return [sorted({place[(*term[:i], *term[i + 1 :])] for i in range(len(term))}) for term in model]


def reductions(
    means: ArrayLike,
    X: ArrayLike,
    model: Sequence[Term],
    levels: Sequence[int],
    load: ArrayLike | None = None,
    most: int = MANY,
) -> Reductions:
    """
    Score the hierarchical parts of a model.

    Where there are more than ``most``, a walk: from the whole model the term goes whose loss leaves AIC lowest, down
    to the intercept; then from the part with the lowest AICc to its best neighbour, a term more or less, until none is
    better. Every part that was weighed on the way counts.

    Parameters
    ----------
    means : array of shape (n,)
        Print means.
    X : array of shape (n, p)
        Model matrix of full column rank; columns of blocks last.
    model : sequence of T Term
        What the first columns stand for; hierarchical, intercept first.
    levels : sequence of int
        Per factor, 0 for numeric.
    load : integer array of shape (n,), optional
        Load of each print, where the load variance is a component of the model.
    most : int
        See above.

    Returns
    -------
    Reductions
        Time: 0.4 s for the 1337 parts of a quadratic in four factors with 30 prints.

    Raises
    ------
    ValueError
        Arrays that do not fit together; no more prints than coefficients; values that do not vary about the model; a
        model that is not hierarchical; no part whose AICc exists.
    """
    y, matrix = np.asarray(means, dtype=float), np.asarray(X, dtype=float)
    check_model(y, matrix)
    moments = _moments(y, matrix, _columns(model, levels, matrix.shape[1]), load)
    rows = hierarchical(model, most)
    kept = _walk(model, moments) if rows is None else rows
    return _scored(kept, moments, rows is not None)


def averaged(found: Reductions, rows: Array) -> tuple[Array, Array]:
    """
    Return the prediction averaged over the parts, and its unconditional standard error.

    Parameters
    ----------
    found : Reductions
    rows : ndarray of shape (m, p)
        Rows of the declared model's matrix.

    Returns
    -------
    means, se : ndarray of shape (m,)
        sum w_i m_i, and sum w_i sqrt(var_i + (m_i - mean)^2): Burnham and Anderson (2002), eq. 4.9 (from memory). It adds
        the choice among these parts to the scatter, but is no interval.
    """
    some = found.weights > 1e-6 * found.weights.max()
    each = found.estimates[some] @ rows.T
    variance = np.einsum("mp,apq,mq->am", rows, found.covariances[some], rows, optimize=True)
    means = found.averaged @ rows.T
    return means, np.asarray(found.weights[some] @ np.sqrt(variance + (each - means) ** 2))


def _columns(model: Sequence[Term], levels: Sequence[int], p: int) -> NDArray[np.int64]:
    place = {term: index for index, term in enumerate(model)}
    column = [place[term] for term, _ in column_terms(model, levels)]
    if len(column) > p:
        raise ValueError(f"the model has {len(column)} columns, and its matrix {p}")
    return np.array(column + [0] * (p - len(column)), dtype=np.int64)


def _moments(y: Array, X: Array, column: NDArray[np.int64], load: ArrayLike | None) -> _Moments:
    n = len(y)
    if n <= X.shape[1]:
        raise ValueError(f"{n} prints leave no error degree of freedom beside {X.shape[1]} coefficients")
    centre = float(y.mean())
    scale = float(np.sqrt(np.mean((y - centre) ** 2)))
    free = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    if free @ free <= max(_ROUNDING * n * scale**2, _ROUNDING**2 * float(y @ y)):
        raise ValueError("the means do not vary about the model")
    together = np.column_stack([X, (y - centre) / scale])
    codes = np.unique(np.zeros(n) if load is None else np.asarray(load), return_inverse=True)[1]
    if codes.shape != (n,):
        raise ValueError("every print needs the code of its load")
    left, size, _ = np.linalg.svd(np.zeros((n, 0)) if load is None else np.eye(int(codes.max()) + 1)[codes])
    turned = left.T @ together
    moved, rest = turned[: len(size)], turned[len(size) :]
    between = moved[:, :, None] * moved[:, None, :]
    return _Moments(rest.T @ rest, between, size**2, column, n, centre, scale, 1 if load is None else 2)


def _masked(grams: Array, columns: Flags) -> Array:
    """Put the identity in place of the columns that are left out."""
    masked = grams * (columns[:, :, None] & columns[:, None, :])
    place = np.arange(columns.shape[1])
    masked[:, place, place] += ~columns
    return np.asarray(masked)


def _on_lattice(columns: Flags, moments: _Moments) -> tuple[Array, Array]:
    """Return the criterion of each part at a lattice of t, shape (M, G), and the lattice, shape (G,)."""
    lattice = np.linspace(0.0, np.log1p(_LARGEST), _POINTS) if len(moments.sizes) else np.zeros(1)
    return np.column_stack([_at(t, columns, moments) for t in lattice[:, None]]), lattice


def _most_likely(columns: Flags, moments: _Moments) -> tuple[Array, Array]:
    """Return the ratio of each part, and -2 log likelihood there: best of the lattice, then golden sections."""
    value, lattice = _on_lattice(columns, moments)
    if not len(moments.sizes):
        return np.zeros(len(columns)), value[:, 0]
    best = value.argmin(axis=1)
    low, high = lattice[np.maximum(best - 1, 0)], lattice[np.minimum(best + 1, len(lattice) - 1)]
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    of_left, of_right = _at(left, columns, moments), _at(right, columns, moments)
    for _ in range(_NARROWINGS):
        down = of_left < of_right
        low, high = np.where(down, low, left), np.where(down, right, high)
        kept, of_kept = np.where(down, left, right), np.where(down, of_left, of_right)
        new = low + high - kept
        of_new = _at(new, columns, moments)
        left, right = np.minimum(new, kept), np.maximum(new, kept)
        of_left, of_right = np.where(new < kept, of_new, of_kept), np.where(new < kept, of_kept, of_new)
    t, reached = np.where(of_left < of_right, left, right), np.minimum(of_left, of_right)
    at_zero = value[:, 0] <= reached
    return np.where(at_zero, 0.0, moments.ratios(t)), np.where(at_zero, value[:, 0], reached)


def _at(t: Array, columns: Flags, moments: _Moments) -> Array:
    """Return the criterion of each part at a t of its own, or at the only one, shape (M,)."""
    found = np.empty(len(columns))
    step = max(1, _BATCH // columns.shape[1] ** 2)
    for start in range(0, len(columns), step):
        part = slice(start, start + step)
        ratios = moments.ratios(t if len(t) == 1 else t[part])
        pivots = np.linalg.cholesky(_masked(moments.at(ratios), columns[part]))[:, -1, -1]
        found[part] = moments.criterion(np.asarray(pivots**2), ratios)
    return found


def _parameters(kept: Flags, moments: _Moments) -> NDArray[np.int64]:
    return np.asarray(kept[:, moments.column].sum(axis=1) + moments.components, dtype=np.int64)


def aicc_of(deviance: Array, parameters: NDArray[np.int64], n: int) -> Array:
    """Return AICc, shape (M,); NaN where it does not exist (Hurvich and Tsai 1989)."""
    room = (n - parameters - 1).astype(float)
    room[room < 1] = np.nan
    return np.asarray(deviance + 2 * parameters + 2 * parameters * (parameters + 1) / room)


def akaike_weights(aicc: Array) -> Array:
    """Return exp(-difference / 2) of shape (m,), scaled to a sum of one; 0 where AICc, of that shape, does not exist."""
    raw = np.where(np.isnan(aicc), 0.0, np.exp(-0.5 * (np.nan_to_num(aicc) - np.nanmin(aicc))))
    return np.asarray(raw / raw.sum())


def _scored(kept: Flags, moments: _Moments, complete: bool) -> Reductions:
    columns, parameters = moments.columns(kept), _parameters(kept, moments)
    if moments.n - parameters.min() - 1 < 1:
        raise ValueError(f"{moments.n} prints are too few for the AICc of any part of the model")
    ratios, deviance = _most_likely(columns, moments)
    aicc = aicc_of(deviance, parameters, moments.n)
    estimates, covariances = _estimated(columns, ratios, moments)
    return Reductions(kept, complete, parameters, deviance, aicc, akaike_weights(aicc), ratios, estimates, covariances)


def _estimated(columns: Flags, ratios: Array, moments: _Moments) -> tuple[Array, Array]:
    """Return coefficients and covariances in response units, zeros for what is left out."""
    present, p = columns[:, :-1], columns.shape[1] - 1
    grams = _masked(moments.at(ratios), columns)
    unscaled = np.linalg.inv(grams[:, :p, :p]) * (present[:, :, None] & present[:, None, :])
    estimates = np.einsum("apq,aq->ap", unscaled, grams[:, :p, p])
    residual = grams[:, p, p] - np.einsum("ap,ap->a", estimates, grams[:, :p, p])
    variance = moments.scale**2 * residual / (moments.n - present.sum(axis=1))
    estimates *= moments.scale
    estimates[:, 0] += moments.centre
    return estimates, unscaled * variance[:, None, None]


def _walk(model: Sequence[Term], moments: _Moments) -> Flags:
    """Return the parts on a way down by AIC, and around the part with the lowest AICc, the whole model first."""
    parents = _parents(model)
    current = np.ones(len(model), dtype=bool)
    seen = {current.tobytes(): current}
    while current[1:].any():
        near = np.array([one for one in _neighbours(current, parents) if one.sum() < current.sum()])
        seen |= {one.tobytes(): one for one in near}
        parameters = _parameters(near, moments)
        current = near[(_on_lattice(moments.columns(near), moments)[0].min(axis=1) + 2 * parameters).argmin()]
    known: dict[bytes, float] = {}
    fresh = list(seen.values())
    while fresh:
        rows = np.array(fresh)
        aicc = aicc_of(
            _on_lattice(moments.columns(rows), moments)[0].min(axis=1), _parameters(rows, moments), moments.n
        )
        known |= {one.tobytes(): float(value) for one, value in zip(rows, aicc, strict=True) if np.isfinite(value)}
        best = seen[min(known, key=known.__getitem__)] if known else current
        fresh = [one for one in _neighbours(best, parents) if one.tobytes() not in seen]
        seen |= {one.tobytes(): one for one in fresh}
    return np.array(list(seen.values()))


def _neighbours(current: Flags, parents: list[list[int]]) -> list[Flags]:
    """Return the hierarchical parts with one term more or less."""
    found = []
    for term in range(1, len(current)):
        needed = any(current[other] and term in parents[other] for other in range(1, len(current)))
        if (current[term] and not needed) or (not current[term] and current[parents[term]].all()):
            near = current.copy()
            near[term] = not near[term]
            found.append(near)
    return found
