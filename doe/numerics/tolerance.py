"""Limits that a share of future values keeps, from the same draws as the conformance."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import special

from doe.numerics.posterior import Draws

Array = NDArray[np.float64]

_ROUNDS = 60
_CLOSE = 1e-13  # of a standard deviation


def tolerance_limits(draws: Sequence[Draws], rows: Sequence[Array], sd: Array, share: float, level: float) -> Array:
    """
    Return the limits that a share of future values stays above, and below, each by itself.

    They come from the same draws as the conformance and agree with it: the quantile at ``level`` of the share above a
    limit reaches ``share`` where, and only where, the lower limit here reaches that limit. Quantiles are order
    statistics of the draws, which makes this exact; interpolated ones agree up to the gap between two draws.

    Parameters
    ----------
    draws : sequence of Draws
        One a printer, as seen from its setpoint, see ``conformance.shifted``.
    rows : sequence of ndarray of shape (nodes, m, p)
        One a printer: model rows of m settings at each node of the setpoint's scatter, see ``conformance.setpoint_nodes``.
    sd : ndarray of shape (size,)
        Of a future value, from ``conformance.future_sd``.
    share : float
        Between 0 and 1: of future values, averaged over the nodes.
    level : float
        Posterior quantile, such as 0.05.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper limit, response units, each one-sided.
    """
    means = np.concatenate([own @ one.beta.T for one, own in zip(draws, rows, strict=True)])  # (nodes, m, size)
    low, high = (_reached(side * means, sd, share) for side in (1.0, -1.0))
    lower, upper = (np.quantile(one, level, axis=-1, method="inverted_cdf") for one in (low, high))
    return np.column_stack([lower, -upper])


def _reached(means: Array, sd: Array, share: float) -> Array:
    """
    Return the value that a share of an even mixture of normal distributions exceeds, shape (m, size).

    By Newton's steps, and by halving where one would leave the interval that is known to hold the value.
    """
    step = special.ndtri(share) * sd
    low, high = means.min(axis=0) - step, means.max(axis=0) - step
    found = (low + high) / 2
    for _ in range(_ROUNDS if len(means) > 1 else 0):
        z = (means - found) / sd
        above = special.ndtr(z).mean(axis=0) - share
        low, high = np.where(above >= 0, found, low), np.where(above >= 0, high, found)
        density = np.exp(-z * z / 2).mean(axis=0) / (math.sqrt(2 * math.pi) * sd)
        with np.errstate(divide="ignore", invalid="ignore"):
            newton = found + above / density
        following = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
        moved = np.abs(following - found)
        found = following
        if (moved <= _CLOSE * sd).all():
            break
    return np.asarray(found)
