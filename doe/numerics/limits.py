"""Values that are only limits: how they are written, how probable is what they leave open.

A value is a pair (lower, upper). Measured: lower = upper. A left limit (the value lies below): lower = -inf. A right
limit (the value lies above): upper = +inf. An interval: both finite, lower < upper.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from doe.numerics.leastsq import check_model
from doe.numerics.terms import estimable

Array = NDArray[np.float64]

_HALF_LOG_2PI = 0.5 * np.log(2 * np.pi)
_NARROW = 1e-6  # intervals below this share of the spread lose too many digits in differences of probabilities


@dataclass(frozen=True)
class Limits:
    """
    Values with their limits, checked.

    Parameters
    ----------
    lower, upper : ndarray of shape (n,)
        Response units; equal where the value was measured.
    measured : ndarray of shape (n,), bool
        Where the two are equal.
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


def check_measured(limits: Limits, X: Array) -> None:
    """
    Refuse a model that the measured values alone cannot tell.

    Parameters
    ----------
    limits : Limits
    X : ndarray of shape (n, p)
        Model matrix, coded units.

    Raises
    ------
    ValueError
        Shapes that differ; numbers that are not finite; no measured value; too few of them for the coefficients;
        coefficients that rest on limits alone, which may have no finite estimate; an interval too narrow to compute
        with.
    """
    if X.ndim != 2 or limits.lower.shape != X.shape[:1]:
        raise ValueError("the limits and X need one entry for each value")
    check_model(np.zeros(len(X)), X)
    count, p = int(limits.measured.sum()), X.shape[1]
    if count == 0:
        raise ValueError("no value was measured, all are only limits, so no standard deviation can be estimated")
    if count <= p:
        raise ValueError(
            f"{count} measured {'value' if count == 1 else 'values'} cannot give {p} coefficients and a variance; "
            f"at least {p + 1} are needed beside those that are only limits"
        )
    if not estimable(X[limits.measured]):
        raise ValueError(
            "some coefficients rest on values that are only limits: the columns of X are linearly dependent where values "
            "were measured"
        )
    width, spread = limits.upper - limits.lower, float(np.std(limits.lower[limits.measured]))
    if np.any((width > 0) & (width < _NARROW * spread)):
        raise ValueError(
            f"an interval is narrower than {_NARROW:g} of the spread of the measured values: give it as a measured value"
        )


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
