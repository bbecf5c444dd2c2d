"""Many designs of one task at once, with what a change does to their information matrices.

With loads M = X'X - sum over loads of c s s', where s is the sum of a load's model-matrix rows, c = ratio / (1 + ratio m)
and m the number of its prints. Where w prints of a load change alike by d, M changes by a dd' + du' + ud' with
a = w - c w^2 and u = (sum of their rows) - c w s: a matrix of rank 2. With C = M^-1, E = C W C and W the moments,

    |M| changes by the factor r = (1 + d'Cu)^2 + d'Cd (a - u'Cu),
    tr(WC) falls by [(a - u'Cu) d'Ed + 2 (1 + d'Cu) d'Eu - d'Cd u'Eu] / r.

For one factor d is a combination of few vectors, one for each of its functions, so that all values it may take cost
little more than one. Arrays have the designs on their last axis: every step is one operation on all of them.

References
----------
Meyer and Nachtsheim, "The coordinate-exchange algorithm for constructing exact optimal experimental designs",
Technometrics 37 (1995) 60. Jones and Goos, "A candidate-set-free algorithm for generating D-optimal split-plot designs",
Applied Statistics 56 (2007) 347. Harville, *Matrix Algebra from a Statistician's Perspective* (1997), section 18.2.

"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.numerics.layout import Layout, Moves, Part, Unit, functions_of

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_SINGULAR = 1e-9  # a determinant that falls to less than this share of itself is lost
_RENEW = 1e4  # a determinant that grows more than this has cost the inverse too many digits to go on with


@dataclass(frozen=True)
class Batch:
    """The state of S designs; its arrays change in place."""

    settings: Array
    """Shape (n, k, S)."""
    basis: Array
    """Every factor's functions, after the constant, shape (n, f, S)."""
    rows: Array
    """Model matrix with the blocks' columns, shape (n, p, S)."""
    sums: Array
    """Its sums over each load, shape (L, p, S)."""
    inverse: Array
    """C, and E where the score needs it, shape (1 or 2, p, p, S)."""
    average: Array
    """tr(WC), shape (S,)."""
    moved: NDArray[np.bool_]
    """Whether the design has changed in this pass, shape (S,)."""


@dataclass(frozen=True)
class Trial:
    """All changes of one cell in a unit of prints: what they would add, and what is needed to make one of them."""

    gains: Array
    """To the score, shape (f, l, S): minus infinity where the model could not be estimated, 0 for the present value."""
    ratios: Array
    """By what factor |M| changes, shape (f, l, S)."""
    held: Array
    """The rest of each column, by function, shape (f, q, c, S)."""
    change: Array
    """Of each function, shape (f, q, l, S)."""
    u: Array
    """Shape (p, S)."""
    turned: Array
    """Cu and Eu, shape (1 or 2, p, S)."""
    a: float


def begin(layout: Layout, settings: Array, ridge: float) -> Batch:
    """
    Return the state of some designs.

    Parameters
    ----------
    layout : Layout
    settings : ndarray of shape (n, k, S)
        Coded; kept and changed.
    ridge : float
        Added to the diagonal of M, so that a design that cannot estimate the model can be improved.

    """
    basis = _basis(layout, settings)
    rows = _rows(layout, basis)
    inverse, average = invert(layout, rows, ridge)
    moved = np.zeros(settings.shape[2], dtype=bool)
    return Batch(settings, basis, rows, _load_sums(layout, rows), inverse, average, moved)


def model_rows(layout: Layout, settings: Array) -> Array:
    """Return the model matrices of designs of shape (n, k, S), the blocks' columns last, shape (n, p, S)."""
    return _rows(layout, _basis(layout, settings))


def invert(layout: Layout, rows: Array, ridge: float) -> tuple[Array, Array]:
    """Return ``inverse`` and ``average`` of a batch from its model matrices, shape (n, p, S)."""
    X = np.ascontiguousarray(np.moveaxis(rows, -1, 0))
    information = information_of(layout, X)
    diagonal = np.arange(X.shape[2])
    information[:, diagonal, diagonal] += ridge
    C = np.linalg.inv(information)
    average = np.einsum("spq,pq->s", C, layout.moments)
    parts = [C] if layout.weights[1] == 0 else [C, C @ layout.moments @ C]
    return np.ascontiguousarray(np.moveaxis(np.stack(parts), 1, -1)), average


def information_of(layout: Layout, X: Array) -> Array:
    """Return M of model matrices of shape (S, n, p), the prior included."""
    sums = _load_sums(layout, X.swapaxes(0, 1)).swapaxes(0, 1)
    M = X.swapaxes(1, 2) @ X - (sums * layout.share[:, None]).swapaxes(1, 2) @ sums
    return np.asarray(M + np.diag(layout.prior))


def try_cells(layout: Layout, batch: Batch, unit: Unit, moves: Moves) -> Trial:
    """Return what every value of every factor would do in a unit of prints."""
    weight, share = len(unit.rows), float(layout.share[unit.load])
    a = weight - share * weight**2
    u = batch.rows[unit.rows].sum(axis=0) - (share * weight) * batch.sums[unit.load]
    turned = np.einsum("xpqs,qs->xps", batch.inverse, u)
    uu = np.einsum("xps,ps->xs", turned, u)
    now = batch.basis[unit.rows[0]]
    kinds, count = moves.columns.shape
    held = moves.member[..., None] * _product(now[None], moves.rest).reshape(kinds, 1, count, -1)
    width = len(u)
    block = batch.inverse.reshape(-1, width * width, u.shape[1]).take(moves.square, axis=1)
    block = block.reshape(-1, kinds, count, count, u.shape[1])
    own = turned.take(moves.columns.ravel(), axis=1).reshape(-1, kinds, count, u.shape[1])
    forms = np.einsum("xfqcs,frcs->xfqrs", np.einsum("xfcds,fqds->xfqcs", block, held), held)
    change = moves.functions[..., None] - now[moves.basis][:, :, None]
    dd = np.einsum("xfqls,fqls->xfls", np.einsum("xfqrs,frls->xfqls", forms, change), change)
    du = np.einsum("xfqs,fqls->xfls", np.einsum("xfcs,fqcs->xfqs", own, held), change)
    spare, one = a - uu[0], 1 + du[0]
    ratios = one**2 + dd[0] * spare
    drops = None if len(block) == 1 else spare * dd[1] + 2 * one * du[1] - dd[0] * uu[1]
    return Trial(score_gains(layout, batch.average, ratios, drops), ratios, held, change, u, turned, a)


def score_gains(layout: Layout, average: Array, ratios: Array, drops: Array | None) -> Array:
    """
    Return what changes add to the score.

    Parameters
    ----------
    layout : Layout
    average : ndarray of shape (S,)
        tr(WC) before.
    ratios : ndarray
        By what factor |M| changes, shape (..., S).
    drops : ndarray or None
        By how much tr(WC) falls, times the ratio, shape (..., S); None where it is not in the score.

    """
    safe = np.maximum(ratios, _SINGULAR)
    lost = ratios < _SINGULAR
    gains = layout.weights[0] * np.log(safe)
    if drops is not None:
        left = 1 - drops / (safe * average)
        lost |= left < _SINGULAR
        gains -= layout.weights[1] * np.log(np.maximum(left, _SINGULAR))
    gains[lost] = -np.inf
    return np.asarray(gains)


def change_cell(layout: Layout, batch: Batch, unit: Unit, trial: Trial, best: tuple[Codes, Codes, Codes], ridge: float) -> None:
    """
    Change one cell in a unit of prints of some designs, and bring everything up to date.

    Parameters
    ----------
    layout : Layout
    batch : Batch
        Changed in place.
    unit : Unit
    trial : Trial
    best : designs, kinds, places
        Of each design that is changed, which factor of the unit's moves, and which of its values, shape (g,) each.
    ridge : float
        As for ``begin``.

    """
    designs, kinds, places = best
    moves = unit.moves
    assert moves is not None
    d = np.zeros((len(trial.u), len(designs)))
    by_column = np.einsum("gqc,gq->cg", trial.held[kinds, :, :, designs], trial.change[kinds, :, places, designs])
    np.add.at(d, (moves.columns[kinds].T, np.arange(len(designs))), by_column)
    inverse = batch.inverse[..., designs]
    turned = np.stack([np.einsum("xpqs,qs->xps", inverse, d), trial.turned[..., designs]], axis=1)
    batch.average[designs] -= _renewed(inverse, turned, d, trial.u[:, designs], trial.a)
    batch.settings[unit.rows[:, None], moves.factors[kinds], designs] = moves.values[kinds, places]
    # Functions that only fill up write the constant 1 on itself.
    batch.basis[unit.rows[:, None, None], moves.basis[kinds].T, designs] = moves.functions[kinds, :, places].T
    batch.rows[unit.rows[:, None], :, designs] += d.T
    batch.sums[unit.load][:, designs] += len(unit.rows) * d
    grown = trial.ratios[kinds, places, designs] > _RENEW
    if grown.any():
        inverse[..., grown], batch.average[designs[grown]] = invert(layout, batch.rows[..., designs[grown]], ridge)
    batch.inverse[..., designs] = inverse
    batch.moved[designs] = True


def change_load(layout: Layout, batch: Batch, rows: Codes, change: tuple[Part, Codes, Codes], ridge: float) -> None:
    """Give a factor new values in a whole load of some designs, and bring everything up to date; as ``change_cell``."""
    part, designs, places = change
    batch.settings[rows[:, None], part.factor, designs] = part.values[places]
    own = np.arange(part.basis.start, part.basis.stop)[:, None]
    batch.basis[rows[:, None, None], own, designs] = part.functions[:, places]
    basis = batch.basis[rows][:, :, designs]
    batch.rows[rows[:, None], : layout.products.shape[1], designs] = np.moveaxis(_product(basis, layout.products), -1, 1)
    batch.sums[layout.load[rows[0]]][:, designs] = batch.rows[rows][:, :, designs].sum(axis=0)
    batch.inverse[..., designs], batch.average[designs] = invert(layout, batch.rows[..., designs], ridge)
    batch.moved[designs] = True


def load_gains(layout: Layout, batch: Batch, rows: Codes, part: Part) -> Array:
    """
    Return what each value of a factor would add to the score in a whole load, shape (l, S).

    With Y the load's rows, D their change and A = I - c 11', M changes by U'BU with U = [Y; D] and B = [[0, A], [A, A]]:
    |M| changes by the factor |B| |K| with K = B^-1 + UCU', and tr(WC) falls by tr(K^-1 UEU').
    """
    share, count = float(layout.share[layout.load[rows[0]]]), len(rows)
    inner = np.eye(count) + share / (1 - share * count)
    forms = _load_forms(batch, rows, part)
    K = forms[0]
    K[..., :count, :count] -= inner
    K[..., :count, count:] += inner
    K[..., count:, :count] += inner
    sign, size = np.linalg.slogdet(K)
    # |B| is (-1)^m |A|^2, and |A| is 1 - c m.
    ratios = np.where(sign == (-1) ** count, np.exp(np.minimum(size + 2 * np.log1p(-share * count), 600.0)), 0.0)
    drops = None
    if len(forms) > 1:
        K[ratios < _SINGULAR] = np.eye(2 * count)
        drops = (np.einsum("slmn,slnm->sl", np.linalg.inv(K), forms[1]) * ratios).T
    return score_gains(layout, batch.average, ratios.T, drops)


def _load_forms(batch: Batch, rows: Codes, part: Part) -> Array:
    """Return UCU' and UEU' for each value, shape (1 or 2, S, l, 2m, 2m)."""
    blocks = _load_blocks(batch, rows, part)
    own, count = len(part.powers), len(rows)
    change = (part.functions[:, :, None] - batch.basis[rows[0], part.basis][:, None]).T
    shape = (len(blocks), *change.shape[:2], count, count)
    mixed = (change @ blocks[:, :, 0, :, 1:].swapaxes(2, 3).reshape(*shape[:2], own, count**2)).reshape(shape)
    squares = (change[..., :, None] * change[..., None, :]).reshape(*shape[1:3], own**2)
    inside = blocks[:, :, 1:, :, 1:].swapaxes(3, 4).reshape(*shape[:2], own**2, count**2)
    forms = np.empty((*shape[:3], 2 * count, 2 * count))
    forms[..., :count, :count] = blocks[:, :, None, 0, :, 0]
    forms[..., :count, count:] = mixed
    forms[..., count:, :count] = mixed.swapaxes(-1, -2)
    forms[..., count:, count:] = (squares @ inside).reshape(shape)
    return forms


def _load_blocks(batch: Batch, rows: Codes, part: Part) -> Array:
    """Return ZCZ' and ZEZ', shape (1 or 2, S, 1+q, m, 1+q, m): Z the load's rows above what each function adds to them."""
    basis = batch.basis[rows]
    width, designs, own = batch.rows.shape[1], basis.shape[2], len(part.powers)
    Z = np.zeros((designs, 1 + own, len(rows), width))
    Z[:, 0] = np.moveaxis(batch.rows[rows], -1, 0)
    Z[:, 1:, :, part.columns] = np.moveaxis(part.member[:, None, :, None] * _product(basis, part.rest), -1, 0)
    flat = Z.reshape(designs, -1, width)
    forms = flat @ np.moveaxis(batch.inverse, -1, 1) @ flat.swapaxes(1, 2)
    return np.asarray(forms.reshape(-1, designs, 1 + own, len(rows), 1 + own, len(rows)))


def _product(basis: Array, places: Codes) -> Array:
    """Return products of basis functions, shape (n, columns, S), places of shape (depth, columns)."""
    columns: Array = basis.take(places[0], axis=1)
    for row in places[1:]:
        columns *= basis.take(row, axis=1)
    return columns


def _basis(layout: Layout, settings: Array) -> Array:
    functions = [functions_of(settings[:, part.factor], part.count, part.powers) for part in layout.parts]
    constant = np.ones((1, len(settings), settings.shape[2]))
    return np.concatenate([constant, *functions]).swapaxes(0, 1).copy()


def _rows(layout: Layout, basis: Array) -> Array:
    fixed = np.broadcast_to(layout.blocks[:, :, None], (*layout.blocks.shape, basis.shape[2]))
    return np.concatenate([_product(basis, layout.products), fixed], axis=1)


def _load_sums(layout: Layout, rows: Array) -> Array:
    sums = np.zeros((len(layout.share), *rows.shape[1:]))
    np.add.at(sums, layout.load, rows)
    return sums


def _renewed(inverse: Array, turned: Array, d: Array, u: Array, a: float) -> Array | float:
    """
    Bring C and E, shape (1 or 2, p, p, S), up to date in place; return by how much tr(WC) falls.

    With U = [d, u] and K = ([[0, 1], [1, -a]] + U'CU)^-1, C falls by CU K (CU)' and, as CWCU = EU, E falls by
    CU V' + V (CU)' with V = EU K - (1/2) CU K U'EU K.
    """
    # U'CU and U'EU: entries dd, du, uu.
    dd = np.einsum("xps,ps->xs", turned[:, 0], d)
    du = np.einsum("xps,ps->xs", turned[:, 1], d)
    uu = np.einsum("xps,ps->xs", turned[:, 1], u)
    spare, one = a - uu[0], 1 + du[0]
    K = np.stack([spare, one, one, -dd[0]]).reshape(2, 2, -1) / (one**2 + dd[0] * spare)
    left = turned[0]
    if len(inverse) == 1:
        inverse[0] -= np.einsum("ips,iqs->pqs", np.einsum("ijs,jps->ips", K, left), left)
        return 0.0
    inner = np.stack([dd[1], du[1], du[1], uu[1]]).reshape(2, 2, -1)
    KNK = np.einsum("ijs,jks,kls->ils", K, inner, K)
    right = np.einsum("ijs,jps->ips", K, turned[1]) - 0.5 * np.einsum("ijs,jps->ips", KNK, left)
    inverse[0] -= np.einsum("ips,iqs->pqs", np.einsum("ijs,jps->ips", K, left), left)
    both = np.einsum("ips,iqs->pqs", left, right)
    inverse[1] -= both + both.swapaxes(0, 1)
    return np.asarray(np.einsum("ijs,ijs->s", K, inner))
