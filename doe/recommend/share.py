"""The share of future prints that meets every requirement at one setting, with its bound.

It is computed here for a recommendation, and again with all prints once a confirmation is judged, so that both figures mean the
same.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.numerics.conformance import bound_coverage, bound_level
from doe.recommend import printers, promise
from doe.recommend.outlook import Outlook
from doe.recommend.printers import FleetSettings
from doe.recommend.results import Conformance, Promise
from doe.study.spec import Study

Array = NDArray[np.float64]


def printers_that_printed(design: Design) -> list[str]:
    """Return the printers of the fitted prints."""
    return [name for name in dict.fromkeys(design.fitted["printer"]) if name]


def conformance(
    study: Study, view: Outlook, coded: Array, cards: Sequence[Mapping[str, Any]], fleet: FleetSettings | None
) -> tuple[Conformance, float]:
    """
    Return the share that meets every requirement at one setting, with its bound.

    Parameters
    ----------
    study : Study
    view : Outlook
    coded : ndarray of shape (1, k)
        Coded units.
    cards : sequence of mapping
        Setpoints of each printer, from ``printers.printer_rows``.
    fleet : FleetSettings or None
        One setpoint for all printers; None where it is not asked for.

    Returns
    -------
    Conformance
    float
        The posterior quantile that is the bound.
    """
    alone = view.by_response(coded)
    shares = view.shares(coded)[0].astype(float)
    level = bound_level([1 - float(one.mean(dtype=float)) for one in alone.values()])
    together = view.correlation(coded)
    return Conformance(
        estimate=float(np.median(shares)), lower=float(np.quantile(shares, level, method="inverted_cdf")),
        level=bound_coverage(level), required=study.header.conformance,
        by_response={name: float(np.median(one)) for name, one in alone.items()}, method=_method(view, level),
        correlated=None if together is None else float(np.median(together[1])),
        correlations={} if together is None else _pairs([one.response.name for one in view.views], together[0]),
        by_printer=_each_printer(study, view, [row["printer"] for row in cards], printers.reached(cards)),
        common_setpoint={} if fleet is None else _each_printer(study, view, fleet.printers, fleet.actual),
    ), level


def with_tolerance(
    study: Study, view: Outlook, coded: Array, quantile: float, promises: Sequence[Promise]
) -> Iterator[Promise]:
    """
    Yield the promises, those with a requirement with the limits that a share of future values keeps.

    Parameters
    ----------
    study : Study
    view : Outlook
    coded : ndarray of shape (1, k)
        Coded units.
    quantile : float
        Of the posterior, as :func:`conformance` returns it.
    promises : sequence of Promise
    """
    limits = view.tolerance(coded, study.header.conformance, quantile)
    level, of = bound_coverage(quantile), {one.response.name: one.response for one in view.views}
    for one in promises:
        if one.response in limits:
            found = promise.tolerance(of[one.response], limits[one.response], study.header.conformance, level)
            yield replace(one, tolerance=found)
        else:
            yield one


def _pairs(names: Sequence[str], correlation: Array) -> dict[str, float]:
    """Return each pair's correlation by the names of the two."""
    return {
        f"{names[one]}, {names[other]}": float(correlation[one, other])
        for one, other in itertools.combinations(range(len(names)), 2)
    }


def _each_printer(
    study: Study, view: Outlook, names: Sequence[str], actual: Sequence[Mapping[str, float | str]]
) -> dict[str, float]:
    """Return the estimate for every printer at the actual settings that it has; nothing with one printer or none."""
    if len(view.printers) < 2:
        return {}
    has = dict(zip(names, actual, strict=True))  # as the study lists them; the outlook has them as they printed
    shares = view.of_each_printer(printers.coded_settings(study, [has[name] for name in view.printers]))
    return {name: float(np.median(own.astype(float))) for name, own in zip(view.printers, shares, strict=True)}


def _method(view: Outlook, level: float) -> str:
    over = f", averaged over printers {', '.join(view.printers)}" if len(view.printers) > 1 else ""
    rounds = max((one.rounds for one in view.views), key=len, default=())
    over += f", averaged over rounds {', '.join(rounds)}" if len(rounds) > 1 else ""
    logs = [one.response.name for one in view.views if one.response.transform == "log"]
    median = f" The predicted mean of {', '.join(logs)}, which has a logarithmic model, is a median." if logs else ""
    return (
        "The share of future prints that complete, on new drying loads, in which every measured response meets its"
        f" requirement{over}: the posterior median, and as a bound for the chosen setting the posterior {100 * level:.3g} %"
        f" quantile{_why_lower(level)}, from print means with a half-Cauchy(1) prior on the ratio of load to print standard"
        " deviation, responses independent. It holds for the printers, spools and oven of this study. How far the printers'"
        " lines may be off from each other is in it; what is wrong with all of them was as wrong when the study was printed."
        f" Scatter about the setpoint counts on top of the scatter between prints, which errs on the safe side.{median}"
    )


def _why_lower(level: float) -> str:
    """Say why the bound is a lower quantile than its level lets expect; empty where it is not."""
    if f"{100 * level:.3g}" == "5":
        return ""
    return (
        " (lower than 5 %, since the setting was chosen for looking best, which flatters it, the more so the fewer responses"
        f" cause the failures; in simulated studies such a bound held in {100 * bound_coverage(level):g} % or more)"
    )
