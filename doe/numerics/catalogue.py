"""Named designs, coded: factorials, fractions, central composite, Box-Behnken, screening designs.

This is the only module that calls pyDOE3. What goes in is checked before the call and what comes back is checked after
it; where pyDOE3 departs from the literature, the published generators, blocks and rows are used instead:

- its fractions "by resolution" are of lower resolution than asked for, or refused, for many numbers of factors;
- its Box-Behnken designs for 6 and 7 factors have 60 and 84 runs instead of 48 and 56;
- its Plackett-Burman designs of 28, 36 and 44 runs are refused;
- its "orthogonal" axial distance is the one of orthogonal blocking, not of orthogonal quadratic columns.

pyDOE3 is imported where it is called: it brings in a second's worth of other packages.

"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from doe.numerics.design_checks import require, require_orthogonal
from doe.numerics.fractions import Fraction, defining_relation, tabulated
from doe.numerics.screening import definitive_screening, plackett_burman
from doe.numerics.terms import Term

__all__ = [
    "Composite", "Form", "Fraction", "box_behnken", "central_composite", "definitive_screening", "fractional_factorial",
    "full_factorial", "plackett_burman",
]

Array = NDArray[np.float64]
Form = Literal["circumscribed", "inscribed", "face"]

_MOST_RUNS = 100_000

# Box and Behnken, "Some new three level designs for the study of quantitative variables", Technometrics 2 (1960) 455:
# the factors that are varied together, three at a time, while the others stay at the centre.
_BOX_BEHNKEN_BLOCKS: dict[int, tuple[tuple[int, int, int], ...]] = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
_BOX_BEHNKEN_RUNS = {3: 12, 4: 24, 5: 40, 6: 48, 7: 56}


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
    import pyDOE3

    points = np.asarray(pyDOE3.fullfact(list(levels)), dtype=float)
    require(points.shape == (runs, len(levels)), "full factorial: wrong shape")
    require(len(np.unique(points, axis=0)) == runs, "full factorial: a combination is repeated")
    require(bool(np.isin(points, np.arange(max(levels))).all()), "full factorial: a level is not a whole number")
    require(bool((points.max(axis=0) == np.array(levels) - 1).all()), "full factorial: a level is missing")
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
    sizes = tabulated(factors)
    if resolution is None and runs is None:
        raise ValueError("a fraction needs a resolution or a number of runs")
    if resolution is not None and resolution < 3:
        raise ValueError("a fraction of resolution below 3 cannot tell main effects apart; ask for 3 or more")
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
        import pyDOE3

        points = np.asarray(pyDOE3.bbdesign(factors, center=0), dtype=float)
    require(points.shape == (_BOX_BEHNKEN_RUNS[factors], factors), "Box-Behnken: wrong shape")
    require(bool(np.isin(points, (-1, 0, 1)).all()), "Box-Behnken: a level is not -1, 0 or 1")
    require(len(np.unique(points, axis=0)) == len(points), "Box-Behnken: a run is repeated")
    require_orthogonal(points, "interactions", "Box-Behnken")
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


def _resolution(generators: tuple[Term, ...]) -> int:
    return min(len(word) for word in defining_relation(generators))


def _fraction_points(factors: int, generators: tuple[Term, ...]) -> Array:
    import pyDOE3

    names = [chr(ord("a") + index) for index in range(factors)]  # the letters that pyDOE3 reads, with i among them
    base = factors - len(generators)
    written = names[:base] + ["".join(names[index] for index in word[:-1]) for word in generators]
    points = np.asarray(pyDOE3.fracfact(" ".join(written)), dtype=float)
    require(points.shape == (2**base, factors), "fraction: wrong shape")
    require(bool(np.isin(points, (-1, 1)).all()), "fraction: a level is not -1 or 1")
    require(len(np.unique(points, axis=0)) == len(points), "fraction: a run is repeated")
    for word in generators:
        require(bool((points[:, word].prod(axis=1) == 1).all()), "fraction: a generator does not hold")
    require_orthogonal(points, "main", "fraction")
    return points
