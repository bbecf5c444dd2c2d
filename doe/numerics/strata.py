"""
Sums of squares by stratum: the analysis of variance of values in nested groups, such as coupons in prints in loads.

The groups split all that the values vary into strata: between the coarsest groups, between the next finer ones within
them, and so on down to single values within the finest groups. The parts are orthogonal, so that their sums of squares
add up to the total about the mean. Within a stratum each term of the model takes what it explains beyond the terms
before it, in the order in which they are given; the rest is the error of the stratum (Nelder 1965).

Every single value counts the same, so a print with more coupons counts more. Weights of any other kind would not let
the strata add up to the total of the values. The price: with groups of unequal size the error of a coarser stratum has
no single variance, and no F in it is exact.

References
----------
Nelder, "The analysis of randomized experiments with orthogonal block structure", Proc. R. Soc. A 283 (1965) 147 and 163
(from memory). Yates, "Complex experiments", Suppl. J. R. Stat. Soc. 2 (1935) 181.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.restricted import nested

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

_ABSENT = 1e-8  # relative: a direction of a term that is shorter than this is not in a stratum
_ROUNDING = 1e-13  # relative to the values: what is smaller does not vary
_ORTHOGONAL = 1e-6  # cosines below this between two terms are rounding: their order does not matter


@dataclass(frozen=True)
class Stratum:
    """
    One stratum of T terms and its error.

    Parameters
    ----------
    dof : tuple of T int
        How many independent directions of the stratum each term takes beyond the terms before it; 0 where it does not
        vary in this stratum, or only as earlier terms do.
    ss : tuple of T float
        What it explains there, response units squared.
    alone : tuple of T bool
        Whether the term is orthogonal to all others in this stratum, so that the order does not matter.
    error_dof : int
        Directions of the stratum that no term takes.
    error_ss : float
        What the values vary by there, response units squared.
    even : bool
        Whether the error has one variance: the groups of this stratum, and all finer ones, are of one size each.
    """

    dof: tuple[int, ...]
    ss: tuple[float, ...]
    alone: tuple[bool, ...]
    error_dof: int
    error_ss: float
    even: bool


def sums_of_squares(
    y: ArrayLike, terms: Sequence[ArrayLike], groups: Sequence[ArrayLike] = ()
) -> tuple[tuple[Stratum, ...], float]:
    """
    Split the sum of squares of values about their mean by stratum and term.

    Parameters
    ----------
    y : array of shape (m,)
        Single values, response units.
    terms : sequence of T arrays of shape (m, q_t)
        Columns of each term, coded units, in the order in which they are to be taken; the mean is taken first in any
        case. Columns need not be independent.
    groups : sequence of K integer arrays of shape (m,)
        Group of each value, coarsest first, each nested in the one before it.

    Returns
    -------
    tuple of K + 1 Stratum
        Coarsest first, single values within the finest groups last.
    total : float
        Sum of squares of the values about their mean: the sum of all parts but for rounding.

    Raises
    ------
    ValueError
        Shapes that differ, values that are not finite, or groups that are not nested.
    """
    values = np.asarray(y, dtype=float)
    columns = [np.asarray(term, dtype=float) for term in terms]
    codes = [np.unique(np.asarray(group), return_inverse=True)[1] for group in groups]
    _check(values, columns, codes)
    centred = _unless_rounding(values - values.mean(), values)
    found, levels = [], [np.zeros(len(values), dtype=np.intp), *codes]
    sizes = [int(code.max()) + 1 for code in levels] + [len(values)]
    for place in range(len(levels)):
        finer = levels[place + 1] if place + 1 < len(levels) else None
        even = all(len(set(np.bincount(code).tolist())) == 1 for code in levels[place + 1 :])
        parts = [_between(column, levels[place], finer) for column in columns]
        bases = [_basis(part, float(np.linalg.norm(column))) for part, column in zip(parts, columns, strict=True)]
        inside = _unless_rounding(_between(centred[:, None], levels[place], finer)[:, 0], values)
        found.append(_stratum(inside, bases, sizes[place + 1] - sizes[place], even))
    return tuple(found), float(centred @ centred)


def _check(values: Array, columns: Sequence[Array], codes: Sequence[Codes]) -> None:
    if values.ndim != 1 or not len(values) or not all(np.isfinite(part).all() for part in (values, *columns)):
        raise ValueError("values and columns must be finite numbers, one row for each value")
    if any(part.ndim != 2 or len(part) != len(values) for part in columns):
        raise ValueError("every term needs one row for each value")
    if any(code.shape != values.shape for code in codes):
        raise ValueError("every group needs one entry for each value")
    if not all(nested(finer, coarser, tie=True) for coarser, finer in pairwise(codes)):
        raise ValueError("every group must lie within one group of the coarser kind before it")


def _unless_rounding(part: Array, values: Array) -> Array:
    """Return a part of the values, or zeros where it is nothing but their rounding."""
    return part if np.linalg.norm(part) > _ROUNDING * np.linalg.norm(values) else np.zeros_like(part)


def _between(columns: Array, coarse: Codes, fine: Codes | None) -> Array:
    """Return the group means of the finer groups (or the values themselves) less those of the coarser groups."""
    return (columns if fine is None else _means(columns, fine)) - _means(columns, coarse)


def _means(columns: Array, code: Codes) -> Array:
    sums = np.zeros((int(code.max()) + 1, columns.shape[1]))
    np.add.at(sums, code, columns)
    return np.asarray((sums / np.bincount(code)[:, None])[code])


def _basis(columns: Array, size: float) -> Array:
    """Return orthonormal columns that span what is longer than rounding, relative to the size given."""
    if columns.shape[1] == 0 or size == 0:
        return np.zeros((len(columns), 0))
    left, length, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, length > _ABSENT * size])


def _stratum(inside: Array, bases: Sequence[Array], size: int, even: bool) -> Stratum:
    dof, ss = zip(*_taken(inside, bases), strict=True) if bases else ((), ())
    taken = sum(ss)
    error_dof = size - sum(dof)
    error = float(inside @ inside) - taken
    # Below the rounding of what it is the difference of, an error is none.
    left = 0.0 if error_dof == 0 or error < 1e-14 * float(inside @ inside) else error
    return Stratum(tuple(dof), tuple(ss), tuple(_alone(bases)), error_dof, left, even)


def _taken(inside: Array, bases: Sequence[Array]) -> Iterator[tuple[int, float]]:
    """Yield what each term takes beyond the ones before it."""
    before = np.zeros((len(inside), 0))
    for basis in bases:
        rest = basis - before @ (before.T @ basis)
        beyond = _basis(rest - before @ (before.T @ rest), 1.0)  # once more: what remains is free of rounding
        yield beyond.shape[1], float(np.sum((beyond.T @ inside) ** 2))
        before = np.hstack([before, beyond])


def _alone(bases: Sequence[Array]) -> Iterator[bool]:
    for own, basis in enumerate(bases):
        others = [other for place, other in enumerate(bases) if place != own and other.shape[1]]
        yield all(float(np.abs(other.T @ basis).max(initial=0.0)) < _ORTHOGONAL for other in others)
