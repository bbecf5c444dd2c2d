"""Regular fractions of two-level factorials by published generators, or their fold-over.

References
----------
Box, Hunter and Hunter, *Statistics for Experimenters* (1978), Table 12.15, and 2nd ed. (2005), Table 6.22;
NIST/SEMATECH e-Handbook of Statistical Methods, section 5.3.3.4.7: fractions of up to 11 factors in up to 128 runs.
Montgomery, *Design and Analysis of Experiments*, Table 8.14: 12 factors in 16 runs. NIST, Dataplot table of minimal
resolution IV designs: 12 factors in 32 runs. The other fractions of 10 to 12 factors were found by search. All have
minimum aberration (Fries and Hunter, "Minimum aberration 2^(k-p) designs", Technometrics 22 (1980) 601): checked against
all others of their size, except 12 factors in 128 runs, where the best of 5000 local searches agrees.

"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from doe.numerics.terms import Term

Array = NDArray[np.float64]

_LETTERS = "ABCDEFGHJKLM"  # the tables leave out I, which stands for the identity

# Factors -> runs -> the generators of the factors beyond the first log2(runs), in order. Half fractions, whose generator
# is the product of all other factors, are added below.
_GENERATORS: dict[int, dict[int, str]] = {
    3: {},
    4: {},
    5: {8: "AB AC"},
    6: {8: "AB AC BC", 16: "ABC BCD"},
    7: {8: "AB AC BC ABC", 16: "ABC BCD ACD", 32: "ABCD ABDE"},
    8: {16: "BCD ACD ABC ABD", 32: "ABC ABD BCDE", 64: "ABCD ABEF"},
    9: {16: "ABC BCD ACD ABD ABCD", 32: "BCDE ACDE ABDE ABCE", 64: "ABCD ACEF CDEF", 128: "ACDFG BCEFG"},
    10: {
        16: "ABC BCD ACD ABD ABCD AB", 32: "ABCD ABCE ABDE ACDE BCDE", 64: "BCDF ACDF ABDE ABCE",
        128: "ABCG BCDE ACDF", 256: "ABCDE ABCFGH",
    },
    11: {
        16: "ABC BCD ACD ABD ABCD AB AC", 32: "ABC BCD CDE ACD ADE BDE", 64: "CDE ABCD ABF BDEF ADEF",
        128: "ABCG BCDE ACDF ABCDEFG", 256: "ABCDE ABCFG ACDEFGH", 512: "ABCDEF ABCGHJ",
    },
    12: {
        16: "ABC ABD ACD BCD ABCD AB AC AD", 32: "ABC ABD ABE ACD ACE ADE BCD", 64: "ABC ABD ACDE ACDF ABEF BCDEF",
        128: "ABDF ACFG BDEG ACDEG BCEF", 256: "ABDEF ABCEG ACDEFGH BEFGH", 512: "ABCDGH ACEFHJ ABDEF",
        1024: "ABCDEFG ABCDHJK",
    },
}


@dataclass(frozen=True)
class Fraction:
    """
    A regular fraction of a two-level factorial.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        Coded units, -1 and +1.
    generators : tuple of Term
        One word per added factor: the product of the factors in it is +1 in every run.
    words : tuple of Term
        The whole defining relation without I: all products of generators, shortest first.
    resolution : int
        Length of the shortest word.

    """

    points: Array
    generators: tuple[Term, ...]
    words: tuple[Term, ...]
    resolution: int


@dataclass(frozen=True)
class FoldOver:
    """
    The second half of a two-level design, and what both halves are together.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        The new runs, coded units.
    resolution : int or None
        Fewest factors whose product does not add up to 0 over both halves: the shortest word, or in a design that is
        not regular, such as Plackett-Burman, the first partial aliasing. None where nothing is aliased.

    """

    points: Array
    resolution: int | None


def tabulated(factors: int) -> dict[int, tuple[Term, ...]]:
    """
    Return the published fractions of some factors.

    Parameters
    ----------
    factors : int

    Returns
    -------
    dict of int to tuple of Term
        Number of runs, ascending, to the generating words, each with the factor that it adds as its last; the half
        fraction, whose generator is the product of all other factors, is the largest.

    Raises
    ------
    ValueError
        Where there are fewer than 3 or more than 12 factors.

    """
    if factors not in _GENERATORS:
        raise ValueError(f"fractions are tabulated for 3 to {max(_GENERATORS)} factors, and there are {factors}")
    return {runs: _generators(factors, runs) for runs in (*_GENERATORS[factors], 2 ** (factors - 1))}


def defining_relation(generators: tuple[Term, ...]) -> tuple[Term, ...]:
    """
    Return the words of the defining relation, I left out: all products of the generating words.

    Parameters
    ----------
    generators : tuple of Term
        Words whose product of factors is +1 in every run.

    Returns
    -------
    tuple of Term
        2^(number of generators) - 1 words, shortest first.

    References
    ----------
    Box and Hunter, "The 2^(k-p) fractional factorial designs", Technometrics 3 (1961) 311.

    """
    products: list[frozenset[int]] = [frozenset()]
    for generator in generators:
        products += [product ^ frozenset(generator) for product in products]
    return tuple(sorted((tuple(sorted(product)) for product in products[1:]), key=lambda word: (len(word), word)))


def fold_over(points: Array, columns: Sequence[int] | None = None) -> FoldOver:
    """
    Return the runs that separate aliased effects: a two-level design again, with the signs of some factors reversed.

    A word of the defining relation stays where an even number of its factors is reversed, and is lost otherwise. To
    reverse all factors turns resolution III into IV; to reverse one frees its main effect and all its interactions of
    two factors from those of the others.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        Coded units, -1 and +1, without centre runs.
    columns : sequence of int, optional
        The factors that are reversed; None: all.

    Returns
    -------
    FoldOver

    Raises
    ------
    ValueError
        Where a level is not -1 or +1, no factor is reversed, or one is not there.

    References
    ----------
    Montgomery, *Design and Analysis of Experiments*, ch. 8. Box and Hunter, "The 2^(k-p) fractional factorial designs",
    Technometrics 3 (1961) 311.

    """
    factors = points.shape[1]
    reversed_ = sorted(set(range(factors) if columns is None else columns))
    if not np.isin(points, (-1, 1)).all():
        raise ValueError("a fold-over is made of two-level runs only: leave out centre and axial runs")
    if not reversed_ or reversed_[0] < 0 or reversed_[-1] >= factors:
        raise ValueError("a fold-over reverses one or more of the design's own factors")
    mirrored = points.copy()
    mirrored[:, reversed_] *= -1
    both = np.vstack([points, mirrored])
    return FoldOver(mirrored, shortest_aliased(both))


def _generators(factors: int, runs: int) -> tuple[Term, ...]:
    """Return the generating words of a tabulated fraction as factor indices, each with the factor that it adds."""
    base = int(math.log2(runs))
    texts = _GENERATORS[factors].get(runs, _LETTERS[:base]).split()
    return tuple((*(_LETTERS.index(letter) for letter in text), base + added) for added, text in enumerate(texts))


def shortest_aliased(points: Array) -> int | None:
    """
    Return the resolution of a two-level design, regular or not.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        Coded units, -1 and +1, without centre runs.

    Returns
    -------
    int or None
        Fewest factors whose product does not add up to 0 over the runs; None where there are none.

    """
    factors = points.shape[1]
    for size in range(1, factors + 1):
        if any(points[:, word].prod(axis=1).sum() for word in combinations(range(factors), size)):
            return size
    return None
