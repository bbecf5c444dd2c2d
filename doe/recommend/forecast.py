"""What the fit says of confirmation prints before they are made: intervals, the chance to catch a drop, how many loads do."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from doe.model.data import in_response_units
from doe.model.measured import Fitted
from doe.model.results import as_data
from doe.numerics import confirming
from doe.numerics.confirming import NewPrints, Prospect
from doe.numerics.mixture import Mixture
from doe.recommend.confirmation import Basis, Catch, Forecast, Mean, PosteriorBasis, Print, Single, restored
from doe.study import scale
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

CANDIDATES = tuple(range(3, 13))
"""Numbers of single-print loads that are compared."""
SDS = (2.0, 3.0)
"""Drops, in standard deviations of a new print."""
WANTED_CHANCE = 0.8
MOST_LOADS = 50
"""More are not proposed, and not taken by ``doe confirm``."""
_LEAST_LEVEL = 0.95
_ROUNDING = 1e-9


def overall_level(study: Study) -> float:
    """
    Return the level of all judged responses together: the study's, and 95 % at least.

    Below that, an unchanged material would be called changed more often than 7 times in 100.
    """
    return max(study.header.confidence, _LEAST_LEVEL)


def has_requirement(response: Response) -> bool:
    """Whether there is something to meet."""
    return response.kind == "pass_fail" or response.at_least is not None or response.at_most is not None


def bad_side(response: Response) -> str:
    """Return on which side of its interval a measured response is worse than predicted; empty without requirement or aim."""
    if response.aim is not None:
        return {"maximise": "low", "minimise": "high", "target": "both"}[response.aim]
    if response.kind != "measured" or not has_requirement(response):
        return ""
    if response.at_least is not None and response.at_most is not None:
        return "both"
    return "low" if response.at_most is None else "high"


def level_of_each(study: Study, fitted: Sequence[Fitted]) -> float:
    """Return the level of one response, so that all judged ones hold together (Bonferroni)."""
    judged = sum(bool(bad_side(one.data.response)) for one in fitted)
    return 1 - (1 - overall_level(study)) / max(judged, 1)


def rule(study: Study, fitted: Sequence[Fitted]) -> str:
    """Return in words what decides."""
    each = 100 * level_of_each(study, fitted)
    what, missed = _BY_AIMS if any(one.data.response.aim is not None for one in fitted) else _BY_REQUIREMENTS
    return (
        f"Not confirmed: the mean of the prints lies on the bad side of its prediction interval for a response with {what},"
        " no print completes, or more prints fail or miss a grade than the earlier ones let expect (2.5 %)."
        f" Inconclusive: the mean lies beyond the good side, a single print lies outside its interval, {missed},"
        " or less than half of the planned prints have a value."
        f" Confirmed otherwise. Every response has a level of {each:.4g} %, so that all together have"
        f" {100 * overall_level(study):g} %; the intervals of single prints hold for all prints at once. All are widened, since"
        " the setting was chosen by its predictions, and come from the fit as it was before these prints."
    )


_BY_REQUIREMENTS = (
    "a requirement", "a print fails or misses its requirement, values miss it more often than the study allows",
)  # fmt: skip
_BY_AIMS = (
    "an aim (both sides are bad where the aim is a target)",
    "a print fails or misses its grade, the mean itself is worth nothing by its aim",
)


def forecast(one: Fitted, coded: Array, prints: Sequence[Print], level: float) -> Forecast:
    """
    Freeze what one response is predicted to be.

    Parameters
    ----------
    one : Fitted
        With an inference.
    coded : ndarray of shape (1, k)
        The setting, coded units.
    prints : sequence of Print
        Planned, each on a load of its own.
    level : float
        Of this response.

    Returns
    -------
    Forecast
    """
    response = one.data.response
    printers = tuple(dict.fromkeys(each.printer for each in prints))
    known = _prospect(one, coded, printers)
    coupons = response.coupons
    new = new_prints(printers, prints, [coupons] * len(prints))
    ahead = confirming.mean_ahead(known, new, level)
    means = [
        (m, confirming.mean_ahead(known, NewPrints(new.printer[:m], new.coupons[:m]), level))
        for m in range(1, len(prints) + 1)
    ]
    singles = confirming.each_ahead(known, new, level)
    side = bad_side(response)
    return Forecast(
        response=response.name,
        unit=response.display_unit,
        requirement=scale.describe_requirement(response, "{:.10g}".format),
        bad_side=side,
        coupons=coupons,
        level=level,
        estimate=float(in_response_units(response, ahead.estimate)),
        sd=confirming.new_print_sd(known, coupons),
        means=tuple(Mean(m, *in_response_units(response, np.array([found.low, found.high])).tolist()) for m, found in means),
        singles=tuple(
            Single(each.print, *in_response_units(response, np.array([found.estimate, found.low, found.high])).tolist())
            for each, found in zip(prints, singles, strict=True)
        ),
        catches=_catches(known, response, level, len(prints)) if side else (),
        basis=_basis(known, printers),
    )


def _prospect(one: Fitted, coded: Array, printers: Sequence[str]) -> Prospect:
    assert one.inference is not None
    data = one.data
    codes = [data.printers.index(name) if name in data.printers else None for name in printers]
    rows = np.vstack([data.rows(coded, code) for code in codes])
    return confirming.prospect(
        one.inference.mixed, rows, of_coupons="print" in one.random, posterior=one.inference.mixture
    )


def new_prints(printers: Sequence[str], prints: Sequence[Print], coupons: Sequence[int]) -> NewPrints:
    """Return prints with the places of their printers."""
    return NewPrints(tuple(printers.index(one.printer) for one in prints), tuple(coupons))


def _catches(known: Prospect, response: Response, level: float, planned: int) -> tuple[Catch, ...]:
    """Return the chances to catch a drop, by number of loads with the printers in turn."""
    sd = confirming.new_print_sd(known, response.coupons)
    printers = len(known.estimates)
    centre = float(known.estimates.mean())
    sign = 1.0 if bad_side(response) == "high" else -1.0
    found = []
    for loads in sorted({*CANDIDATES, planned}):
        new = NewPrints(tuple(place % printers for place in range(loads)), (response.coupons,) * loads)
        for sds in SDS:
            drop = float(abs(in_response_units(response, centre + sign * sds * sd) - in_response_units(response, centre)))
            found.append(Catch(loads, sds, drop, confirming.chance_to_catch(known, new, level, sds * sd)))
    return tuple(found)


def needed_prints(forecasts: Sequence[Forecast]) -> int | None:
    """
    Return the fewest completed prints that catch three standard deviations of any judged response in four of five cases.

    Each is on a load of its own; None where 12 do not.
    """
    for loads in CANDIDATES:
        found = least_caught(forecasts, loads)
        if found is not None and found[0] >= WANTED_CHANCE:
            return loads
    return None


def least_caught(forecasts: Sequence[Forecast], loads: int) -> tuple[float, str] | None:
    """
    Return the least chance, over responses, that so many single-print loads catch a drop of three standard deviations.

    Parameters
    ----------
    forecasts : sequence of Forecast
    loads : int

    Returns
    -------
    tuple of (float, str), or None
        The chance with the response that has it; None where nothing was computed for so many loads.
    """
    chances = [
        (one.chance, each.response) for each in forecasts for one in each.catches if (one.loads, one.sds) == (loads, 3.0)
    ]
    return min(chances, default=None)


def proposed_loads(forecasts: Sequence[Forecast], completes: float | None = None) -> int | None:
    """
    Return the fewest single-print loads of which as many prints as are needed may be expected to complete.

    Parameters
    ----------
    forecasts : sequence of Forecast
    completes : float, optional
        Lower bound of the chance that a print completes; without it all do.

    Returns
    -------
    int or None
        None where 12 completed prints would not do, or it takes more than 50 loads.
    """
    needed = needed_prints(forecasts)
    if needed is None or completes is None:
        return needed
    return next((loads for loads in range(needed, MOST_LOADS + 1) if expected(loads, completes) >= needed), None)


def expected(loads: int, completes: float | None) -> int:
    """Return how many of so many prints may be expected to complete, whole ones."""
    return loads if completes is None else math.floor(loads * completes + _ROUNDING)


def _basis(known: Prospect, printers: Sequence[str]) -> Basis:
    values = as_data(known)
    return restored(Basis, {**values, "printers": list(printers)})


def known_again(basis: Basis) -> Prospect:
    """Return what was frozen as arrays."""
    posterior = None if basis.posterior is None else _posterior(basis.posterior, len(basis.estimates))
    return Prospect(
        estimates=np.array(basis.estimates),
        covariance=np.array(basis.covariance),
        adjusted=np.array(basis.adjusted),
        slopes=np.array(basis.slopes),
        variances=np.array(basis.variances),
        variances_covariance=np.array(basis.variances_covariance),
        coefficients=basis.coefficients,
        of_coupons=basis.of_coupons,
        posterior=posterior,
    )


def _posterior(found: PosteriorBasis, means: int) -> Mixture:
    grid = len(found.weights)
    return Mixture(
        np.array(found.ratios).reshape(grid, -1),
        np.array(found.weights),
        np.array(found.q),
        np.array(found.centres).reshape(grid, means),
        np.array(found.covariances).reshape(grid, means, means),
        found.dof,
    )
