"""How much water left a spool in drying, by its masses.

A balance shows the loss, not what is left. What is left follows only from a moisture that was measured by itself (ISO 15512)
at the start or the end.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Loss:
    """
    What a drying took out of a filament.

    Parameters
    ----------
    grams : ndarray
        Mass of water that left the filament, g.
    percent : ndarray
        The same, % of the net mass before drying (wet basis).
    uncertainty : ndarray
        Standard uncertainty of ``percent`` from the balance's readability, percentage points.
    """

    grams: Array
    percent: Array
    uncertainty: Array


def mass_lost(
    before: ArrayLike, after: ArrayLike, empty_spool: ArrayLike, readability: float, spool_loss: ArrayLike = 0.0
) -> Loss:
    """
    Work out the moisture lost from the masses before and after drying.

    Parameters
    ----------
    before, after : array_like
        Filament and spool together, g; all masses of one shape, or single numbers.
    empty_spool : array_like
        Tare, as it was before drying, g; weighed on the same balance.
    readability : float
        Smallest step of the balance, g.
    spool_loss : array_like
        What the spool itself lost, g: cardboard dries too, 150 g may hold 10 g of water. An empty one that was dried
        alongside shows it; its two weighings are counted in the uncertainty wherever it is not 0.

    Returns
    -------
    Loss
        A gain has a negative sign.

    Raises
    ------
    ValueError
        Where the readability is not above 0, or a mass is not above that of the empty spool.

    References
    ----------
    JCGM 100:2008, 4.3.7 (a reading lies evenly within half a step: step / sqrt(12)) and eq. 10.
    """
    gross, dried, tare, spool = (np.asarray(mass, dtype=float) for mass in (before, after, empty_spool, spool_loss))
    if not 0 < readability < math.inf:
        raise ValueError(f"the balance's readability is {readability:g} g: it must be above 0")
    net = gross - tare
    if not (np.all(net > 0) and np.all(dried > tare - spool) and np.all(tare >= 0) and np.all(np.isfinite(spool))):
        raise ValueError("the masses before and after drying must be above that of the empty spool, which is 0 g or more")
    grams = gross - dried - spool
    share = grams / net
    variance = (1 - share) ** 2 + 1 + share**2 + np.where(spool != 0, 2.0, 0.0)
    return Loss(grams, 100 * share, 100 * readability / math.sqrt(12) * np.sqrt(variance) / net)


def mass_at(net: ArrayLike, start: ArrayLike, target: ArrayLike) -> Array:
    """
    Net mass at which a filament has its target moisture.

    Parameters
    ----------
    net : array_like
        Net mass at the start, g; all three of one shape, or single numbers.
    start, target : array_like
        Moisture at the start and wanted, % of the dry mass.

    Returns
    -------
    ndarray
        g; ``mass_at(net, start, 0)`` is the dry mass.

    Raises
    ------
    ValueError
        Where any of them is below 0.
    """
    for what, value in (("net mass", net), ("moisture at the start", start), ("target", target)):
        if not np.all(np.asarray(value, dtype=float) >= 0):
            raise ValueError(f"the {what} must be 0 or more")
    mass, begun, wanted = (np.asarray(value, dtype=float) for value in (net, start, target))
    return np.asarray(mass * (100 + wanted) / (100 + begun))


def moisture_left(start: ArrayLike, percent_lost: ArrayLike) -> Array:
    """
    Moisture that a loss has left.

    Parameters
    ----------
    start : array_like
        Moisture at the start, % of the dry mass.
    percent_lost : array_like
        A shape that goes with that of the start; % of the net mass before drying, from :func:`mass_lost`.

    Returns
    -------
    ndarray
        % of the dry mass; below 0 where more was lost than there was, which means that a mass or the start is wrong.
    """
    return (100 + np.asarray(start, dtype=float)) * (1 - np.asarray(percent_lost, dtype=float) / 100) - 100
