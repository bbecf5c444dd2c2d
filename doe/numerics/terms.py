"""Model terms as tuples of factor indices, from which the columns of the model matrix follow.

A term lists its factors in ascending order, a power by repetition: () is the intercept, (0,) the main effect of the
first factor, (0, 1) an interaction, (0, 0) a square. ``levels`` holds one whole number per factor: 0 for a numeric
factor (its coded value enters), the number of levels for a categorical one (its level index 0 .. L-1 is given, and L-1
sum-to-zero contrasts enter: level j has 1 in contrast j, the last level has -1 in all of them).
"""

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Term = tuple[int, ...]

INTERCEPT = "intercept"
_POWERS = tuple("23456789")
_SAME = 1e-8  # relative: two columns, or a column and a combination of others, that differ by less are one


def standard_terms(family: str, levels: Sequence[int]) -> tuple[Term, ...]:
    """
    Return the terms of a named model: intercept, main effects, interactions of two factors, squares, in this order.

    Parameters
    ----------
    family : {"main", "interactions", "quadratic"}
        Each holds the ones before it.
    levels : sequence of int, length k
        A categorical factor has no square.

    Returns
    -------
    tuple of Term

    Raises
    ------
    ValueError
        For any other family.

    """
    factors = range(len(levels))
    parts: dict[str, list[Term]] = {
        "main": [(), *((i,) for i in factors)],
        "interactions": list(combinations(factors, 2)),
        "quadratic": [(i, i) for i in factors if levels[i] == 0],
    }
    if family not in parts:
        raise ValueError(f"'{family}' is not a family of models; it is one of {', '.join(parts)}")
    wanted = list(parts)[: list(parts).index(family) + 1]
    return tuple(term for part in wanted for term in parts[part])


def parse_term(text: str, names: Sequence[str]) -> Term:
    """
    Read a term written as ``a``, ``a * b``, ``a^2``, ``a^2 * b`` or ``intercept``.

    Parameters
    ----------
    text : str
        Spaces do not matter.
    names : sequence of str
        Names of the factors.

    Returns
    -------
    Term

    Raises
    ------
    ValueError
        Where a name is not a factor's, or a power is not a whole number from 2 to 9.

    """
    if text.strip() == INTERCEPT:
        return ()
    factors: list[int] = []
    for part in text.split("*"):
        name, caret, power = (piece.strip() for piece in part.partition("^"))
        if not name:
            raise ValueError("the name of a factor is missing")
        if name not in names:
            raise ValueError(f"'{name}' is not a factor; the factors are {', '.join(names)}")
        if caret and power not in _POWERS:
            raise ValueError(f"'{power}' is not a power; it is a whole number from 2 to 9")
        factors += [list(names).index(name)] * (int(power) if caret else 1)
    return tuple(sorted(factors))


def format_term(term: Term, names: Sequence[str]) -> str:
    """Write a term so that ``parse_term`` reads it back: ``a^2 * b``; ``intercept`` for the empty one."""
    powers = Counter(term)
    parts = [names[i] if power == 1 else f"{names[i]}^{power}" for i, power in sorted(powers.items())]
    return " * ".join(parts) or INTERCEPT


def with_hierarchy(terms: Sequence[Term]) -> tuple[Term, ...]:
    """
    Return the terms with every lower-order parent and the intercept.

    A model without the parents of its terms changes when a factor's zero is moved (Peixoto 1990).

    Parameters
    ----------
    terms : sequence of Term
        In any order.

    Returns
    -------
    tuple of Term
        Each once, by degree, products before powers, then by factor: the order of ``standard_terms``.

    References
    ----------
    Peixoto, "A property of well-formulated polynomial regression models", The American Statistician 44 (1990) 26.

    """
    closed = {part for term in terms for size in range(len(term) + 1) for part in combinations(sorted(term), size)}
    return tuple(sorted(closed | {()}, key=lambda term: (len(term), -len(set(term)), term)))


def model_matrix(coded: Array, terms: Sequence[Term], levels: Sequence[int]) -> Array:
    """
    Return the model matrix of some settings.

    Parameters
    ----------
    coded : ndarray of shape (n, k)
        Coded units for numeric factors, level indices for categorical ones.
    terms : sequence of Term
        The model, in any order.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.

    Returns
    -------
    ndarray of shape (n, p)
        Columns in the order of ``column_terms``.

    Raises
    ------
    ValueError
        Where the settings do not have one column per factor, are not finite or not levels of their factor, or a
        term has a factor that is not there or a power of a categorical one.

    """
    settings = np.asarray(coded, dtype=float)
    _require_settings(settings, levels)
    _require_terms(terms, levels)
    bases = [_basis(settings[:, i], levels[i]) for i in range(len(levels))]
    blocks = [_term_columns(term, bases, len(settings)) for term in terms]
    return np.hstack(blocks) if blocks else np.empty((len(settings), 0))


def column_terms(terms: Sequence[Term], levels: Sequence[int]) -> tuple[tuple[Term, tuple[int, ...]], ...]:
    """
    Return what each column of the model matrix stands for.

    Parameters
    ----------
    terms : sequence of Term
        The model, in any order.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.

    Returns
    -------
    tuple of p pairs (Term, tuple of int)
        The term, and one contrast index per categorical factor in it.

    """
    _require_terms(terms, levels)
    return tuple(
        (term, contrasts)
        for term in terms
        for contrasts in product(*(range(levels[i] - 1) for i in sorted(set(term)) if levels[i]))
    )


def column_labels(
    terms: Sequence[Term], levels: Sequence[int], names: Sequence[str], level_names: Sequence[Sequence[str]]
) -> list[str]:
    """
    Return a label per column of the model matrix.

    Parameters
    ----------
    terms : sequence of Term
        The model, in any order.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.
    names : sequence of str, length k
        Names of the factors.
    level_names : sequence of k sequences of str
        Empty for a numeric factor.

    Returns
    -------
    list of p str
        ``intercept``, ``drying_time^2``, ``nozzle_temperature * bed_surface [glass]``.

    """
    labels = []
    for term, contrasts in column_terms(terms, levels):
        left = iter(contrasts)
        shown = list(names)
        for i in sorted(set(term)):
            if levels[i]:
                shown[i] += f" [{level_names[i][next(left)]}]"
        labels.append(format_term(term, shown))
    return labels


def alias_groups(coded: Array, terms: Sequence[Term], levels: Sequence[int]) -> list[set[Term]]:
    """
    Return the terms that these settings cannot tell apart at all, as in a two-level fraction.

    Two terms are in one group where their columns, each less its mean, span the same space: for single columns,
    where their correlation is +1 or -1. Terms that never vary are in one group with the intercept.

    Parameters
    ----------
    coded : ndarray of shape (n, k)
        Coded units, level indices for categorical factors.
    terms : sequence of Term
        The model, in any order.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.

    Returns
    -------
    list of set of Term
        Groups of two or more, in the order of their first terms.

    """
    groups: list[tuple[Array, set[Term]]] = []
    for term in terms:
        basis = _centred_basis(model_matrix(coded, [term], levels))
        for other, members in groups:
            if other.shape == basis.shape and abs(float(np.sum((other.T @ basis) ** 2)) - basis.shape[1]) < _SAME:
                members.add(term)
                break
        else:
            groups.append((basis, {term}))
    return [members for _, members in groups if len(members) > 1]


def estimable(X: Array) -> bool:
    """Whether every column of the model matrix, shape (n, p), has a coefficient of its own: rank p."""
    return rank(X) == int(X.shape[1])


def rank(X: Array) -> int:
    """Return the number of independent columns of a matrix, shape (n, p), whatever the columns' scales."""
    kept = _unit_length(X)
    return int(np.linalg.matrix_rank(kept, tol=_SAME)) if kept.size else 0


def orthonormal_basis(X: Array) -> Array:
    """Return orthonormal columns that span what those of a matrix do, shape (n, rank), whatever the columns' scales."""
    left, sizes, _ = np.linalg.svd(_unit_length(X), full_matrices=False)
    return np.asarray(left[:, sizes > _SAME], dtype=float)


def _unit_length(X: Array) -> Array:
    """Return the columns of a matrix that are not zero, each over its length."""
    lengths = np.linalg.norm(X, axis=0)
    return np.asarray(X[:, lengths > 0] / lengths[lengths > 0])


def confounded_columns(X: Array) -> tuple[tuple[int, ...], ...]:
    """
    Return what stands in the way of estimating a model: the columns of each linear dependency.

    Parameters
    ----------
    X : ndarray of shape (n, p)
        Model matrix.

    Returns
    -------
    tuple of tuple of int
        One group per missing rank: a column that is a combination of earlier ones, with exactly those; a column of
        zeros is alone. Empty where the model is estimable.

    """
    lengths = np.linalg.norm(X, axis=0)
    kept: list[int] = []
    groups: list[tuple[int, ...]] = []
    for column in range(X.shape[1]):
        if lengths[column] == 0:
            groups.append((column,))
            continue
        if rank(X[:, [*kept, column]]) == len(kept) + 1:
            kept.append(column)
            continue
        scaled = X[:, kept] / lengths[kept]
        weights = np.linalg.lstsq(scaled, X[:, column] / lengths[column], rcond=None)[0]
        partners = [kept[i] for i in np.flatnonzero(np.abs(weights) > np.sqrt(_SAME))]
        groups.append((*partners, column))
    return tuple(groups)


def _require_settings(settings: Array, levels: Sequence[int]) -> None:
    if settings.ndim != 2 or settings.shape[1] != len(levels):
        raise ValueError(f"the settings must have one column for each of the {len(levels)} factors")
    if not np.isfinite(settings).all():
        raise ValueError("the settings must all be numbers; a missing one cannot enter a model")
    for i, count in enumerate(levels):
        column = settings[:, i]
        if count and not np.isin(column, np.arange(count)).all():
            raise ValueError(f"factor number {i + 1} has {count} levels; its settings must be 0 to {count - 1}")


def _require_terms(terms: Sequence[Term], levels: Sequence[int]) -> None:
    _require_known_terms(tuple(terms), tuple(levels))


@lru_cache(maxsize=256)  # a search makes rows of the same model thousands of times; what is refused is not kept
def _require_known_terms(terms: tuple[Term, ...], levels: tuple[int, ...]) -> None:
    for term in terms:
        if any(i < 0 or i >= len(levels) for i in term):
            raise ValueError(f"a term has factor number {max(term) + 1}, and there are {len(levels)} factors")
        if any(levels[i] and power > 1 for i, power in Counter(term).items()):
            raise ValueError("a factor with named levels has no square or higher power")


def _basis(column: Array, count: int) -> Array:
    """Return the columns by which one factor enters: its coded value, or its sum-to-zero contrasts."""
    if count == 0:
        return column[:, None]
    contrasts = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    return np.asarray(contrasts[column.astype(int)], dtype=float)


def _term_columns(term: Term, bases: Sequence[Array], rows: int) -> Array:
    if not term:
        return np.ones((rows, 1))
    columns = bases[term[0]]
    for i in term[1:]:
        other = bases[i]
        if columns.shape[1] == 1 or other.shape[1] == 1:
            columns = columns * other
        else:
            columns = (columns[:, :, None] * other[:, None, :]).reshape(rows, -1)
    return columns


def _centred_basis(columns: Array) -> Array:
    """Return an orthonormal basis of the columns less their means; no columns where nothing varies."""
    left, sizes, _ = np.linalg.svd(columns - columns.mean(axis=0), full_matrices=False)
    return np.asarray(left[:, sizes > _SAME * np.sqrt(len(columns))], dtype=float)
