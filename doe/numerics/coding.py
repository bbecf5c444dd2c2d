"""Natural units to the coded scale and back: low is -1, high is +1, the centre is 0."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_DIGITS = 9  # kept beyond the increment's first: more than increments are written with, less than rounding noise


def to_coded(values: ArrayLike, low: float, high: float) -> Array:
    """
    Return natural values on the coded scale.

    Parameters
    ----------
    values : array-like of any shape
        Natural units; a missing value (NaN) stays missing.
    low, high : float
        Ends of the factor's range, natural units.

    Returns
    -------
    ndarray of the same shape
        Coded units.

    Raises
    ------
    ValueError
        Where low is not below high.

    """
    _require_range(low, high)
    return (np.asarray(values, dtype=float) - (low + high) / 2) / ((high - low) / 2)


def to_natural(coded: ArrayLike, low: float, high: float) -> Array:
    """
    Return coded values in natural units.

    Parameters
    ----------
    coded : array-like of any shape
        Coded units.
    low, high : float
        Ends of the factor's range, natural units.

    Returns
    -------
    ndarray of the same shape
        Natural units; exactly low at -1 and high at +1.

    Raises
    ------
    ValueError
        Where low is not below high.

    """
    _require_range(low, high)
    position = np.asarray(coded, dtype=float)
    # Weighting the two ends, and not centre + coded * half range, returns the ends themselves without rounding noise.
    return low * (1 - position) / 2 + high * (1 + position) / 2


def round_to_increment(values: ArrayLike, increment: float, origin: float) -> Array:
    """
    Return the nearest values that can be set: origin + i * increment for a whole number i.

    Parameters
    ----------
    values : array-like of any shape
        Natural units.
    increment : float
        Finest step that can be set, natural units, above 0.
    origin : float
        A value on the grid, natural units: the factor's low.

    Returns
    -------
    ndarray of the same shape
        Natural units. A value midway between two steps goes to the upper one. Noise beyond nine digits of the
        increment is removed, so that a plan reads 0.01 and not 0.010000000000000009.

    Raises
    ------
    ValueError
        Where the increment is not a positive number.

    """
    if not (math.isfinite(increment) and increment > 0):
        raise ValueError(f"the increment must be above 0, and it is {increment:g}")
    steps = np.round((np.asarray(values, dtype=float) - origin) / increment, _DIGITS)
    decimals = _DIGITS - math.floor(math.log10(increment))
    return np.asarray(np.round(origin + np.floor(steps + 0.5) * increment, decimals), dtype=float) + 0.0


def _require_range(low: float, high: float) -> None:
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"low must be below high, and they are {low:g} and {high:g}")
