"""
Diffusion in a long round strand whose surface takes on the moisture of the air at once, in numbers without units.

With a the radius, D the diffusivity and tau = D t / a^2, the share of the excess moisture that is still inside is Crank's
series over the zeros alpha_n of the Bessel function J0::

    R(tau) = sum_n 4 / alpha_n^2 exp(-alpha_n^2 tau)                      Crank, eq. 5.23

It converges slowly at short times. There the expansion for short times serves, of which Crank gives three terms::

    1 - R(tau) = 4 sqrt(tau / pi) - tau - tau^(3/2) / (3 sqrt(pi)) - ...  Crank, eq. 5.25

The change-over is at tau = 0.005, where 16 terms of the expansion and 30 of the series agree within 1e-15. Three terms alone
are off by 3e-6 there and by 2e-3 at tau = 0.1.

References
----------
Crank, *The Mathematics of Diffusion*, 2nd edition (1975), sec. 5.3 (equation numbers from memory). The further terms of the
expansion follow from the series of I1(q) / I0(q) in 1 / q, which solves y' = 1 - y / q - y^2.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]
_SWITCH = 0.005
_POLES = special.jn_zeros(0, 30) ** 2
_SHORT_TERMS = 16
_STEPS = 6
_LEAST = 1e-150  # share below which one is as good as none; its square can still be divided by


def _short_coefficients() -> Array:
    """Return what multiplies tau^(1/2), tau, tau^(3/2) ... in 1 - R."""
    ratio = [1.0]  # of I1(q) / I0(q) = sum_k ratio_k q^-k
    for k in range(1, _SHORT_TERMS):
        ratio.append(((k - 2) * ratio[-1] - sum(ratio[j] * ratio[k - j] for j in range(1, k))) / 2)
    return np.asarray(2 * np.array(ratio) / special.gamma((np.arange(_SHORT_TERMS) + 3) / 2))


_SHORT = _short_coefficients()


def remaining(tau: ArrayLike) -> Array:
    """
    Share of the excess moisture that is still in a strand.

    Parameters
    ----------
    tau : array_like
        Any shape; D t / a^2, 0 or more.

    Returns
    -------
    ndarray of that shape
        R, from 1 to 0, to 1e-15.

    References
    ----------
    Crank (1975), eq. 5.23; for short times eq. 5.25 with further terms.
    """
    times = times_of(tau, "time")
    return np.where(times < _SWITCH, 1 - _removed_early(times), _remaining_late(times))


def removed(tau: ArrayLike) -> Array:
    """
    Share of the excess moisture that has left a strand, accurate in relation to itself.

    Parameters
    ----------
    tau : array_like
        Any shape; D t / a^2, 0 or more.

    Returns
    -------
    ndarray of that shape
        1 - R, from 0 to 1.
    """
    times = times_of(tau, "time")
    return np.where(times < _SWITCH, _removed_early(times), 1 - _remaining_late(times))


def times_of(value: ArrayLike, what: str) -> Array:
    """Return times of any unit and shape as an array; raises ValueError where one is below 0 or missing."""
    times = np.asarray(value, dtype=float)
    wrong = times[~(times >= 0)]
    if wrong.size:
        raise ValueError(f"the {what} is {wrong[0]:g}: it must be 0 or more")
    return times


def _removed_early(times: Array) -> Array:
    root = np.sqrt(np.minimum(times, _SWITCH))
    return root * np.polynomial.polynomial.polyval(root, _SHORT)


def _remaining_late(times: Array) -> Array:
    return np.asarray(np.exp(-np.maximum(times, _SWITCH)[..., None] * _POLES) @ (4 / _POLES))


def _speed(times: Array) -> Array:
    """Return -dR/dtau, not at 0."""
    root = np.sqrt(np.minimum(times, _SWITCH))
    early = np.polynomial.polynomial.polyval(root, _SHORT * np.arange(1, _SHORT_TERMS + 1) / 2) / root
    late = 4 * np.exp(-np.maximum(times, _SWITCH)[..., None] * _POLES).sum(axis=-1)
    return np.where(times < _SWITCH, early, late)


def inverted(left: Array, gone: Array) -> Array:
    """
    Time at which shares are still inside and gone, as accurate as the smaller of the two.

    Parameters
    ----------
    left, gone : ndarray
        R and 1 - R, from 0 to 1, of the same shape.

    Returns
    -------
    ndarray
        tau; 0 where nothing is gone, infinity where nothing is left.
    """
    early, late = np.clip(gone, _LEAST, 0.5), np.clip(left, _LEAST, 0.5)
    # where a root or logarithm of the first two terms, or of the first, starts Newton's method
    root = 2 / math.sqrt(math.pi) - np.sqrt(4 / math.pi - early)
    root = np.maximum(root, early * math.sqrt(math.pi) / 4)
    time = np.log(4 / _POLES[0] / late) / _POLES[0]
    for _ in range(_STEPS):
        root = root - (removed(root**2) - early) / (2 * root * _speed(root**2))
        found = remaining(time)
        time = time + found / _speed(time) * np.log(found / late)
    found = np.where(gone < 0.5, root**2, time)
    return np.where(gone <= 0, 0.0, np.where(left <= 0, np.inf, found))
