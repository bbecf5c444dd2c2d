"""The bound of the conformance at any setting, with one posterior quantile for all."""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.recommend.outlook import Outlook
from doe.recommend.search import Indices, Region

Array = NDArray[np.float64]

QUICK = 400
"""Draws that are enough to see that the bound of most failing settings is below what is asked."""

ALL = 2000
"""Draws, or so, where all count."""

_CHUNK = 48
_SAMPLE = 128


@dataclass(frozen=True)
class Chosen:
    """
    The recommended setting, with what it was chosen from and by, and what is asked of it.

    Parameters
    ----------
    area : Region
    view : Outlook
    best : ndarray of shape (k,)
        Places on the axes.
    required : float
        Share of future prints that is to meet every requirement.
    quantile : float
        Posterior quantile that bounds the conformance at the recommended setting, taken for every other setting as well.
    """

    area: Region
    view: Outlook
    best: Indices
    required: float
    quantile: float

    @property
    def coded(self) -> Array:
        """The setting, coded units, shape (1, k)."""
        return self.area.coded(self.best[None])


def estimates_and_bounds(chosen: Chosen, places: Indices) -> tuple[Array, Array]:
    """
    Return estimate and bound of the conformance at settings.

    Parameters
    ----------
    chosen : Chosen
    places : ndarray of shape (m, k)

    Returns
    -------
    estimate, bound : ndarray of shape (m,)
        Posterior median, and the quantile at ``chosen.quantile``.
    """
    found = [_two(chosen, chosen.area.coded(part)) for part in chunks(places)]
    estimate, bound = np.concatenate(found, axis=1)
    return estimate, bound


def _two(chosen: Chosen, coded: Array) -> Array:
    shares = chosen.view.shares(coded).astype(float)
    bound = np.quantile(shares, chosen.quantile, axis=1, method="inverted_cdf")
    return np.vstack([np.median(shares, axis=1), bound])


def chunks(places: Indices, draws: int = ALL) -> list[Indices]:
    """Cut settings into parts whose draws fit into the memory next to the processor."""
    size = _CHUNK * max(1, ALL // draws)
    return [places[start : start + size] for start in range(0, len(places), size)]


def may_fail(chosen: Chosen, draws: int | None = None) -> int:
    """In how many of the draws the conformance may be below what is asked where the bound is not."""
    size = chosen.view.size if draws is None else min(draws, chosen.view.size)
    return int(np.quantile(np.arange(size), chosen.quantile, method="inverted_cdf"))


@dataclass(frozen=True)
class OverRegion:
    """What part of the region passes."""

    bound_share: float
    estimate_share: float
    best_bound: float
    best_estimate: float
    looked_at: int


def over_region(chosen: Chosen, here: tuple[float, float]) -> OverRegion:
    """Judge all settings where they are few, else an even (Sobol) sample of them; the recommended one only for the best."""
    sizes = np.array([len(axis.natural) for axis in chosen.area.axes])
    if np.prod(sizes.astype(float)) <= _SAMPLE:
        places = np.array(list(itertools.product(*(range(size) for size in sizes))))
    else:
        places = (qmc.Sobol(len(sizes), scramble=False).random(_SAMPLE) * sizes).astype(np.int64)
    places = places[chosen.area.allows(places)]
    if not len(places):
        return OverRegion(0.0, 0.0, here[1], here[0], 0)
    estimate, bound = _screened(chosen, places)
    return OverRegion(
        bound_share=float((bound >= chosen.required).mean()),
        estimate_share=float((estimate >= chosen.required).mean()),
        best_bound=max(here[1], float(bound.max())),
        best_estimate=max(here[0], float(estimate.max())),
        looked_at=len(places),
    )


def _screened(chosen: Chosen, places: Indices) -> tuple[Array, Array]:
    """Return estimates and bounds; from the first 400 draws alone where the others cannot bring the bound to what is asked."""
    estimate, bound, passing = np.empty(len(places)), np.empty(len(places)), np.empty(len(places), dtype=bool)
    most = may_fail(chosen)
    done = 0
    for part in chunks(places, QUICK):
        own = slice(done, done + len(part))
        shares = chosen.view.shares(chosen.area.coded(part), QUICK).astype(float)
        estimate[own] = np.median(shares, axis=1)
        bound[own] = np.quantile(shares, chosen.quantile, axis=1, method="inverted_cdf")
        passing[own] = (shares < chosen.required).sum(axis=1) <= most
        done += len(part)
    if passing.any():
        estimate[passing], bound[passing] = estimates_and_bounds(chosen, places[passing])
    return estimate, np.where(passing, bound, np.minimum(bound, np.nextafter(chosen.required, 0)))
