"""
Named designs, coded: full and fractional factorials, central composite and Box-Behnken designs.

This is the only module that calls pyDOE3. What goes in is checked before the call and what comes back is checked after
it; where pyDOE3 departs from the literature, the published generators and blocks below are used instead:

- its fractions "by resolution" are of lower resolution than asked for, or refused, for many numbers of factors;
- its Box-Behnken designs for 6 and 7 factors have 60 and 84 runs instead of 48 and 56;
- its "orthogonal" axial distance is the one of orthogonal blocking, not of orthogonal quadratic columns.

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
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pyDOE3
from numpy.typing import NDArray

from doe.errors import InternalFault
from doe.numerics.terms import Term, model_matrix, standard_terms

Array = NDArray[np.float64]
Form = Literal["circumscribed", "inscribed", "face"]

_LETTERS = "ABCDEFGHJKLM"  # the tables leave out I, which stands for the identity
_MOST_RUNS = 100_000

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

# Box and Behnken, "Some new three level designs for the study of quantitative variables", Technometrics 2 (1960) 455:
# the factors that are varied together, three at a time, while the others stay at the centre.
_BOX_BEHNKEN_BLOCKS: dict[int, tuple[tuple[int, int, int], ...]] = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
_BOX_BEHNKEN_RUNS = {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}


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
class Composite:
    """
    A central composite design.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        Coded units: corners, then axial points, then centre runs.
    kinds : tuple of n str
        ``corner``, ``axial`` or ``centre``.
    axial_distance : float
        Distance of the axial points from the centre, the corners being at 1 in every factor; an inscribed design is
        then divided by it.

    """

    points: Array
    kinds: tuple[str, ...]
    axial_distance: float


def full_factorial(levels: tuple[int, ...]) -> Array:
    """
    Return every combination of levels once.

    Parameters
    ----------
    levels : tuple of k int
        Number of levels of each factor, 2 or more.

    Returns
    -------
    ndarray of shape (product of levels, k)
        Level indices 0 .. L-1.

    Raises
    ------
    ValueError
        Where a factor has fewer than two levels, or the combinations are too many to be a plan.

    """
    if not levels or any(count < 2 for count in levels):
        raise ValueError("a full factorial needs at least one factor, and two or more levels of each")
    runs = math.prod(levels)
    if runs > _MOST_RUNS:
        raise ValueError(f"the full factorial has {runs} runs; a plan has at most {_MOST_RUNS}")
    points = np.asarray(pyDOE3.fullfact(list(levels)), dtype=float)
    _require(points.shape == (runs, len(levels)), "full factorial: wrong shape")
    _require(len(np.unique(points, axis=0)) == runs, "full factorial: a combination is repeated")
    _require(bool(np.isin(points, np.arange(max(levels))).all()), "full factorial: a level is not a whole number")
    _require(bool((points.max(axis=0) == np.array(levels) - 1).all()), "full factorial: a level is missing")
    return points


def fractional_factorial(factors: int, resolution: int | None = None, runs: int | None = None) -> Fraction:
    """
    Return a published fraction of a two-level factorial: the smallest that is good enough, or the one of a given size.

    Parameters
    ----------
    factors : int
        3 to 12.
    resolution : int, optional
        Least resolution, 3 or more.
    runs : int, optional
        Number of runs; the fraction of this size has the highest resolution there is, and minimum aberration.

    Returns
    -------
    Fraction
        With the fewest runs that satisfy both wishes.

    Raises
    ------
    ValueError
        Where no fraction short of the full factorial satisfies them; the text names those that there are.

    """
    if factors not in _GENERATORS:
        raise ValueError(f"fractions are tabulated for 3 to {max(_GENERATORS)} factors, and there are {factors}")
    if resolution is None and runs is None:
        raise ValueError("a fraction needs a resolution or a number of runs")
    if resolution is not None and resolution < 3:
        raise ValueError("a fraction of resolution below 3 cannot tell main effects apart; ask for 3 or more")
    sizes = {size: _generators(factors, size) for size in (*_GENERATORS[factors], 2 ** (factors - 1))}
    for size, generators in sizes.items():
        words = defining_relation(generators)
        reached = min(len(word) for word in words)
        if size == (runs or size) and reached >= (resolution or 3):
            return Fraction(_fraction_points(factors, generators), generators, words, reached)
    known = ", ".join(f"{size} runs (resolution {_resolution(words)})" for size, words in sizes.items())
    wish = " and ".join(
        ([f"{runs} runs"] if runs is not None else []) + ([f"resolution {resolution}"] if resolution is not None else [])
    )
    raise ValueError(
        f"no fraction of {factors} factors has {wish}; there are fractions of {known}, and the full factorial of "
        f"{2**factors} runs"
    )


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


def alias_chains(words: tuple[Term, ...], factors: int, order: int = 2) -> tuple[tuple[Term, ...], ...]:
    """
    Return which effects share one column of a fraction: what is measured is their sum.

    Parameters
    ----------
    words : tuple of Term
        The defining relation; empty for a full factorial.
    factors : int
        Number of factors.
    order : int
        Main effects and interactions of up to this many factors are listed.

    Returns
    -------
    tuple of tuple of Term
        Each effect is in exactly one chain, an unaliased one alone in its own. Lower-order effects come first.

    """
    chains: dict[tuple[int, Term], list[Term]] = {}
    for size in range(1, order + 1):
        for effect in combinations(range(factors), size):
            aliases = [effect, *(tuple(sorted(set(effect) ^ set(word))) for word in words)]
            chains.setdefault(min((len(alias), alias) for alias in aliases), []).append(effect)
    return tuple(tuple(chain) for chain in chains.values())


def central_composite(factors: int, form: Form, distance: str | float, centre: int) -> Composite:
    """
    Return a central composite design (Box and Wilson 1951).

    Its corners are a full factorial for up to four factors, else the smallest fraction of resolution V or more.

    Parameters
    ----------
    factors : int
        2 to 12.
    form : {"circumscribed", "inscribed", "face"}
        Corners at low and high and axial points beyond them; axial points at low and high and corners within; both at
        low and high, with axial distance 1 whatever is asked.
    distance : {"rotatable", "orthogonal", "blocking"} or float
        Axial distance: of equal prediction variance at equal distance from the centre; of uncorrelated quadratic
        columns; of orthogonal blocks when corners and axial points each take half of the centre runs; or a number.
    centre : int
        Centre runs, 0 or more.

    Returns
    -------
    Composite

    Raises
    ------
    ValueError
        Where there are too few or too many factors, the form or the distance has another value, or the distance does
        not go with the form or the centre runs.

    References
    ----------
    Box and Hunter, "Multi-factor experimental designs for exploring response surfaces", Ann. Math. Stat. 28 (1957)
    195, for rotatable and blocking. Khuri and Cornell, *Response Surfaces*, 2nd ed. (1996), ch. 4, for orthogonal.

    """
    if factors < 2 or centre < 0:
        raise ValueError("a central composite design needs two or more factors and 0 or more centre runs")
    if form not in ("circumscribed", "inscribed", "face"):
        raise ValueError(f"'{form}' is not a form; it is one of circumscribed, inscribed, face")
    corners = 2 * full_factorial((2,) * factors) - 1 if factors <= 4 else fractional_factorial(factors, 5).points
    alpha = 1.0 if form == "face" else _axial_distance(distance, factors, len(corners), centre)
    if form == "inscribed" and alpha < 1:
        raise ValueError(f"an inscribed design needs an axial distance of at least 1, and it is {alpha:.4g}")
    axial = alpha * np.kron(np.eye(factors), [[-1.0], [1.0]])
    points = np.vstack([corners, axial, np.zeros((centre, factors))]) / (alpha if form == "inscribed" else 1.0)
    kinds = ("corner",) * len(corners) + ("axial",) * len(axial) + ("centre",) * centre
    return Composite(points + 0.0, kinds, alpha)


def box_behnken(factors: int) -> Array:
    """
    Return a Box-Behnken design without centre runs.

    Parameters
    ----------
    factors : int
        3 to 7.

    Returns
    -------
    ndarray of shape (n, factors)
        Coded units, -1, 0 and +1; 12, 24, 40, 48 or 56 runs.

    Raises
    ------
    ValueError
        For any other number of factors.

    References
    ----------
    Box and Behnken, "Some new three level designs for the study of quantitative variables", Technometrics 2 (1960) 455.

    """
    if factors not in _BOX_BEHNKEN_RUNS:
        raise ValueError(f"Box-Behnken designs are tabulated for 3 to 7 factors, and there are {factors}")
    if factors in _BOX_BEHNKEN_BLOCKS:
        points = np.vstack([_varied(block, factors) for block in _BOX_BEHNKEN_BLOCKS[factors]])
    else:
        points = np.asarray(pyDOE3.bbdesign(factors, center=0), dtype=float)
    _require(points.shape == (_BOX_BEHNKEN_RUNS[factors], factors), "Box-Behnken: wrong shape")
    _require(bool(np.isin(points, (-1, 0, 1)).all()), "Box-Behnken: a level is not -1, 0 or 1")
    _require(len(np.unique(points, axis=0)) == len(points), "Box-Behnken: a run is repeated")
    _require_orthogonal(points, "interactions", "Box-Behnken")
    return points


def _varied(block: tuple[int, ...], factors: int) -> Array:
    points = np.zeros((2 ** len(block), factors))
    points[:, block] = 2 * full_factorial((2,) * len(block)) - 1
    return points


def _axial_distance(distance: str | float, factors: int, corners: int, centre: int) -> float:
    """Return the axial distance of a circumscribed design."""
    if not isinstance(distance, str):
        if not (math.isfinite(distance) and distance > 0):
            raise ValueError(f"an axial distance must be above 0, and it is {distance:g}")
        return float(distance)
    if distance == "rotatable":
        return float(corners**0.25)
    if distance == "orthogonal":
        return math.sqrt((math.sqrt(corners * (corners + 2 * factors + centre)) - corners) / 2)
    if distance != "blocking":
        raise ValueError(f"'{distance}' is not an axial distance; it is a number, rotatable, orthogonal or blocking")
    if centre % 2:
        raise ValueError(f"two orthogonal blocks share the centre runs equally, and {centre} is an odd number")
    half = centre / 2
    return math.sqrt(corners * (2 * factors + half) / (2 * (corners + half)))


def _generators(factors: int, runs: int) -> tuple[Term, ...]:
    """Return the generating words of a tabulated fraction as factor indices, each with the factor that it adds."""
    base = int(math.log2(runs))
    texts = _GENERATORS[factors].get(runs, _LETTERS[:base]).split()
    return tuple((*(_LETTERS.index(letter) for letter in text), base + added) for added, text in enumerate(texts))


def _resolution(generators: tuple[Term, ...]) -> int:
    return min(len(word) for word in defining_relation(generators))


def _fraction_points(factors: int, generators: tuple[Term, ...]) -> Array:
    names = [chr(ord("a") + index) for index in range(factors)]  # the letters that pyDOE3 reads, with i among them
    base = factors - len(generators)
    written = names[:base] + ["".join(names[index] for index in word[:-1]) for word in generators]
    points = np.asarray(pyDOE3.fracfact(" ".join(written)), dtype=float)
    _require(points.shape == (2**base, factors), "fraction: wrong shape")
    _require(bool(np.isin(points, (-1, 1)).all()), "fraction: a level is not -1 or 1")
    _require(len(np.unique(points, axis=0)) == len(points), "fraction: a run is repeated")
    for word in generators:
        _require(bool((points[:, word].prod(axis=1) == 1).all()), "fraction: a generator does not hold")
    _require_orthogonal(points, "main", "fraction")
    return points


def _require_orthogonal(points: Array, family: str, design: str) -> None:
    levels = (0,) * points.shape[1]
    X = model_matrix(points, standard_terms(family, levels), levels)
    products = X.T @ X
    _require(bool((products == np.diag(np.diag(products))).all()), f"{design}: its columns are not orthogonal")


def _require(holds: bool, what: str) -> None:
    if not holds:
        raise InternalFault(f"a design came out wrong ({what}); please report this with the versions that you use")
