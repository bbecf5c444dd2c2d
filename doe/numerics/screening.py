"""Screening designs that are not regular fractions, coded: Plackett-Burman or definitive.

Both are built from squares: a Plackett-Burman design is a Hadamard matrix less its constant column, a definitive
screening design is a conference matrix, its mirror image and the centre. What is built is checked before it is returned.

References
----------
Plackett and Burman, "The design of optimum multifactorial experiments", Biometrika 33 (1946) 305. Paley, "On orthogonal
matrices", J. Math. Phys. 12 (1933) 311: both squares from the quadratic residues. Jones and Nachtsheim, "A class of
three-level designs for definitive screening in the presence of second-order effects", J. Quality Technology 43 (2011) 1.
Xiao, Lin and Bai, "Constructing definitive screening designs using conference matrices", J. Quality Technology 44 (2012) 2.

"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from doe.numerics.design_checks import require, require_orthogonal

Array = NDArray[np.float64]

_BURMAN_RUNS = (12, 20, 24, 28, 36, 40, 44, 48)
_ROW_OF_36 = "-+-+++---+++++-+++--+----+-+-++--+-"
# Plackett and Burman (1946), 28 runs: three blocks of nine columns, which change places twice for the other 18 rows.
_ROWS_OF_28 = """
+-++++--- -+---+--+ ++-+-++-+
++-+++--- --++--+-- -++++-++-
-+++++--- +---+--+- +-+-++-++
---+-++++ --+-+---+ +-+++-+-+
---++-+++ +----++-- ++--++++-
----+++++ -+-+---+- -+++-+-++
+++---+-+ --+--+-+- +-++-+++-
+++---++- +--+----+ ++-++--++
+++----++ -+--+-+-- -++-+++-+
"""
_CONFERENCE_ORDERS = (4, 6, 8, 10, 12, 14, 16, 18)


def plackett_burman(factors: int, runs: int | None = None) -> Array:
    """
    Return a Plackett-Burman design: main effects orthogonal to each other, each partly aliased with many interactions.

    Parameters
    ----------
    factors : int
        2 to 47.
    runs : int, optional
        12, 20, 24, 28, 36, 40, 44 or 48, more than there are factors; None: the fewest. 16 and 32 runs are not among
        them, since these designs are the regular fractions.

    Returns
    -------
    ndarray of shape (runs, factors)
        Coded units, -1 and +1; the last run has every factor at -1.

    Raises
    ------
    ValueError
        Where no design has as many runs, or it does not hold the factors.

    References
    ----------
    Plackett and Burman, Biometrika 33 (1946) 305: cyclic shifts of one row but for 28 runs (three blocks) and 40 runs
    (the design of 20 runs doubled).

    """
    if not 2 <= factors < _BURMAN_RUNS[-1]:
        raise ValueError(
            f"Plackett-Burman designs are for 2 to {_BURMAN_RUNS[-1] - 1} factors, and there are {factors}"
        )
    size = next(count for count in _BURMAN_RUNS if count > factors) if runs is None else runs
    if size not in _BURMAN_RUNS:
        fraction = "; designs of 8, 16 and 32 runs are regular fractions" if size in (4, 8, 16, 32) else ""
        known = ", ".join(str(count) for count in _BURMAN_RUNS)
        raise ValueError(f"no Plackett-Burman design has {size} runs; there are designs of {known} runs{fraction}")
    if size <= factors:
        raise ValueError(f"a Plackett-Burman design of {size} runs holds {size - 1} factors, and there are {factors}")
    points = _burman_square(size)[:, :factors] + 0.0
    require(points.shape == (size, factors), "Plackett-Burman: wrong shape")
    require(bool(np.isin(points, (-1, 1)).all()), "Plackett-Burman: a level is not -1 or 1")
    require_orthogonal(points, "main", "Plackett-Burman")
    return points


def definitive_screening(factors: int, extra_centre: int = 0) -> Array:
    """
    Return a definitive screening design: every factor at three levels in 2m + 1 runs.

    With m the smallest even number that is not below the number of factors, and at least 4. Main effects are orthogonal
    to each other, to all squares and to all interactions of two factors; the correlation of two squares is
    1/3 - 1/(m - 1) without extra centre runs.

    Parameters
    ----------
    factors : int
        3 to 18, all numeric: a factor with two named levels has no middle for its centre and zero runs.
    extra_centre : int
        Centre runs beyond the one that the design has, 0 or more.

    Returns
    -------
    ndarray of shape (2m + 1 + extra_centre, factors)
        Coded units, -1, 0 and +1: each run followed by its mirror image, then the centre.

    Raises
    ------
    ValueError
        Where there are fewer than 3 or more than 18 factors, or fewer than 0 extra centre runs.

    References
    ----------
    Jones and Nachtsheim, J. Quality Technology 43 (2011) 1. Xiao, Lin and Bai, J. Quality Technology 44 (2012) 2.

    """
    if not 3 <= factors <= _CONFERENCE_ORDERS[-1]:
        raise ValueError(
            f"definitive screening designs are for 3 to {_CONFERENCE_ORDERS[-1]} factors, and there are {factors}"
        )
    if extra_centre < 0:
        raise ValueError(f"extra centre runs must be 0 or more, and they are {extra_centre}")
    half = conference_matrix(max(4, factors + factors % 2))[:, :factors]
    mirrored = np.stack([half, -half], axis=1).reshape(-1, factors)
    return np.vstack([mirrored, np.zeros((1 + extra_centre, factors))]) + 0.0


def conference_matrix(order: int) -> Array:
    """
    Return a conference matrix: zeros on the diagonal, -1 and +1 elsewhere, and C'C = (order - 1) I.

    Parameters
    ----------
    order : int
        4, 6, 8, 10, 12, 14, 16 or 18.

    Returns
    -------
    ndarray of shape (order, order)

    Raises
    ------
    ValueError
        For any other order.

    References
    ----------
    Paley, J. Math. Phys. 12 (1933) 311: order - 1 a power of an odd prime. Order 16 is order 8 doubled, which keeps
    C' = -C (Williamson, "Hadamard's determinant theorem and the sum of four squares", Duke Math. J. 11 (1944) 65).

    """
    if order not in _CONFERENCE_ORDERS:
        raise ValueError(
            f"conference matrices are built for the even orders 4 to {_CONFERENCE_ORDERS[-1]}, and the order is {order}"
        )
    matrix = _doubled_skew(conference_matrix(8)) if order == 16 else _paley_conference(order - 1)
    require(bool((np.diag(matrix) == 0).all()), "conference matrix: its diagonal is not 0")
    require(bool((matrix.T @ matrix == (order - 1) * np.eye(order)).all()), "conference matrix: not orthogonal")
    return matrix


def _burman_square(runs: int) -> Array:
    """Return the Plackett-Burman design of as many runs with all its factors, one fewer than runs."""
    if runs == 40:
        return _doubled_burman(_burman_square(20))
    if runs == 28:
        blocks = [_signs(row) for row in _ROWS_OF_28.split()]
        first, second, third = (np.array(blocks[part::3]) for part in range(3))
        rows = np.block([[first, second, third], [third, first, second], [second, third, first]])
    else:
        row = _signs(_ROW_OF_36) if runs == 36 else _residue_signs(runs - 1)
        rows = np.array([np.roll(row, shift) for shift in range(runs - 1)])
    return np.vstack([rows, -np.ones(runs - 1)])


def _signs(text: str) -> Array:
    return np.array([1.0 if sign == "+" else -1.0 for sign in text])


def _residue_signs(prime: int) -> Array:
    """Return, for 0 .. prime - 1, +1 for zero and the squares modulo the prime, else -1: the published first rows."""
    squares = {number * number % prime for number in range(prime)}
    return np.array([1.0 if number in squares else -1.0 for number in range(prime)])


def _doubled_burman(points: Array) -> Array:
    """Return twice the runs for twice the factors and one: the repeated factors reversed in half of the runs."""
    half = np.ones((len(points), 1))
    return np.block([[points, half, -points], [points, -half, points]])


def _doubled_skew(skew: Array) -> Array:
    identity = np.eye(len(skew))
    return np.block([[skew, skew + identity], [skew - identity, -skew]])


def _paley_conference(size: int) -> Array:
    """Return the conference matrix of order size + 1 from the quadratic residues of the field with size elements."""
    character = _field_character(size)
    matrix = np.zeros((size + 1, size + 1))
    matrix[0, 1:] = 1.0
    matrix[1:, 0] = character[0, 1] * character[1, 0]  # +1 where -1 is a square (symmetric), else -1 (skew)
    matrix[1:, 1:] = character
    return matrix


def _field_character(size: int) -> Array:
    """Return chi(a - b) for all a, b of the field with 9 or a prime number of elements: 0, or +1 for a square, else -1."""
    if size == 9:  # numbers a + b i with i^2 = -1, a and b modulo 3
        elements = list(product(range(3), repeat=2))
        squares = {((a * a - b * b) % 3, 2 * a * b % 3) for a, b in elements}
        differences = [[((a - c) % 3, (b - d) % 3) for c, d in elements] for a, b in elements]
        return np.array([[0.0 if d == (0, 0) else 1.0 if d in squares else -1.0 for d in row] for row in differences])
    signs = _residue_signs(size)
    signs[0] = 0.0
    numbers = np.arange(size)
    return np.asarray(signs[np.subtract.outer(numbers, numbers) % size])
