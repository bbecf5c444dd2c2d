"""
Values that are only limits: how they are written, and the normal probability of what they leave open.

A value is a pair (lower, upper). Measured: lower = upper. A left limit (the value lies below): lower = -inf. A right
limit (the value lies above): upper = +inf. An interval: both finite, lower < upper.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True)
class Limits:
    """
    Values with their limits, checked.

    Parameters
    ----------
    lower, upper : ndarray of shape (n,)
        Response units; equal where the value was measured.
    measured : ndarray of shape (n,), bool
    """

    lower: Array
    upper: Array
    measured: NDArray[np.bool_]


@dataclass(frozen=True)
class Windows:
    """
    The logarithm of D = P(a < Z < b), Z standard normal, and two ratios; each of the shape of a and b.

    ``pull`` is (phi(a) - phi(b)) / D, the slope of log D where both bounds move down together (the mean moves up);
    ``stretch`` is (a phi(a) - b phi(b)) / D, its slope by the logarithm of the standard deviation. Minus the second
    derivative by the mean is pull^2 - stretch.
    """

    log_probability: Array
    pull: Array
    stretch: Array


def read_limits(lower: ArrayLike, upper: ArrayLike) -> Limits:
    """
    Check pairs of limits.

    Parameters
    ----------
    lower, upper : arrays of shape (n,)
        Response units; -inf and inf where there is no limit on that side.

    Returns
    -------
    Limits

    Raises
    ------
    ValueError
        Shapes that differ; a limit that is not a number; a lower limit above its upper one; a pair that says nothing.
    """
    low, high = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
    if low.ndim != 1 or low.shape != high.shape:
        raise ValueError("every value needs one lower and one upper limit")
    if np.isnan(low).any() or np.isnan(high).any() or np.any(low == np.inf) or np.any(high == -np.inf):
        raise ValueError("a limit is a number, or minus or plus infinity where there is none on that side")
    if np.any(low > high):
        raise ValueError("a lower limit lies above its upper limit")
    if np.any(np.isinf(low) & np.isinf(high)):
        raise ValueError("a value without any limit says nothing: leave it out")
    return Limits(low, high, low == high)


def windows(a: Array, b: Array) -> Windows:
    """
    Probability that a standard normal value lies between bounds, far in the tails too.

    Parameters
    ----------
    a, b : ndarray of one shape
        Standardised bounds, a < b; infinite where there is none.

    Returns
    -------
    Windows
    """
    flip = a > 0  # to the left tail, where probabilities keep their digits
    near, far = np.where(flip, -a, b), np.where(flip, -b, a)
    outer = special.log_ndtr(near)
    log_probability = outer + np.log(-np.expm1(special.log_ndtr(far) - outer))
    at_a, at_b = (np.exp(-0.5 * bound**2 - _HALF_LOG_2PI - log_probability) for bound in (a, b))
    moments = [np.where(np.isinf(bound), 0.0, bound) * density for bound, density in ((a, at_a), (b, at_b))]
    return Windows(log_probability, at_a - at_b, moments[0] - moments[1])
