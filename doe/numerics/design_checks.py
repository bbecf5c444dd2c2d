"""What is checked of every named design before it is returned: a wrong one is our fault, not the user's."""

import numpy as np
from numpy.typing import NDArray

from doe.errors import InternalFault
from doe.numerics.terms import model_matrix, standard_terms

Array = NDArray[np.float64]


def require(holds: bool, what: str) -> None:
    """
    Stop where a design is not what was asked for.

    Parameters
    ----------
    holds : bool
    what : str
        The design and what is wrong with it.

    Raises
    ------
    InternalFault
        Where it does not hold.

    """
    if not holds:
        raise InternalFault(f"a design came out wrong ({what}); please report this with the versions that you use")


def require_orthogonal(points: Array, family: str, design: str) -> None:
    """
    Stop where the columns of a model are not orthogonal.

    Parameters
    ----------
    points : ndarray of shape (n, k)
        Coded units, numeric factors.
    family : {"main", "interactions", "quadratic"}
        The model, as for ``standard_terms``.
    design : str
        Name of the design, for the message.

    Raises
    ------
    InternalFault
        Where a product of two columns does not add up to exactly 0.

    """
    levels = (0,) * points.shape[1]
    X = model_matrix(points, standard_terms(family, levels), levels)
    products = X.T @ X
    require(bool((products == np.diag(np.diag(products))).all()), f"{design}: its columns are not orthogonal")
