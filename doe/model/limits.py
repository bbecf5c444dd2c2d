"""Values that are only limits: they enter the fit as what they say, beside the measured ones."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from doe.model.data import ResponseData, without
from doe.model.structure import Strata, groups
from doe.numerics.censored import CensoredFit, fit_censored
from doe.numerics.reml import MixedFit
from doe.verdicts import Verdict

_LEAST_WEIGHT = 0.5


@dataclass(frozen=True)
class Limited:
    """A fit in which values that are only limits count."""

    data: ResponseData
    """Prints with measured values, and those whose limits say about as much; limits as the values that they act like."""
    mixed: MixedFit
    converged: bool


@dataclass(frozen=True)
class LimitCount:
    """How many values of one response are only limits, and whether they count."""

    at_least: int
    """Values that lie above a limit: no break, or broke in the grips."""
    at_most: int
    """Values that lie below one: broke in handling, or detached at zero load."""
    used: bool
    """Whether the fit has them; False where it could not be made with them."""
    items: tuple[str, ...]


def counted(everything: ResponseData, used: bool) -> LimitCount:
    """Return how many values of a response are only limits; ``everything`` has some."""
    assert everything.limits is not None
    open_ = ~everything.limits.measured
    return LimitCount(
        at_least=int((open_ & np.isinf(everything.limits.upper)).sum()),
        at_most=int((open_ & np.isinf(everything.limits.lower)).sum()),
        used=used,
        items=tuple(item for item, one in zip(everything.items, open_.tolist(), strict=True) if one),
    )


def fit_limited(everything: ResponseData, found: Strata) -> Limited | str:
    """
    Fit all values, or return why that cannot be done.

    Parameters
    ----------
    everything : ResponseData
        With limits.
    found : Strata
        Of the measured values: the components that these can tell.

    Returns
    -------
    Limited or str
    """
    assert everything.limits is not None
    rows = everything.of_print
    if "print" not in found.random and len(rows) > len(everything.names):
        return "no print has two measured values, so that coupons cannot be told from prints"
    codes = groups(everything, rows, found.random)
    try:
        fit = fit_censored(everything.limits.lower, everything.limits.upper, everything.X[rows], codes)
    except ValueError as error:
        return str(error)
    return Limited(_acting(everything, fit), fit.mixed, fit.mixed.converged)


def _acting(everything: ResponseData, fit: CensoredFit) -> ResponseData:
    """Return the data with each limit as the value that it acts like; prints that hardly say anything are left out."""
    total = np.bincount(everything.of_print, fit.weights, minlength=len(everything.names))
    kept = total[everything.of_print] >= _LEAST_WEIGHT
    speaking = replace(everything, values=np.nan_to_num(fit.values), weights=fit.weights)
    left = without(speaking, ~kept)
    assert left is not None  # measured values are among them
    return left


def verdicts(count: LimitCount, name: str, trouble: str, converged: bool) -> Iterator[Verdict]:
    """Yield what is to be said of limits: that they count, and with what reserve, or why they could not."""
    parts = {"above a limit (no break, broke in grips)": count.at_least, "below one (broke in handling, detached)": count.at_most}
    listed = " and ".join(f"{number} {what}" for what, number in parts.items() if number)
    if not count.used:
        yield Verdict(
            "limits left out",
            f"{len(count.items)} values are only limits, {listed}, and do not enter, since {trouble}: {', '.join(count.items)}",
            "read the model as that of the measured values alone; it errs towards them",
            name,
        )
        return
    yield Verdict(
        "values that are only limits",
        f"{listed}: each counts as what it says, a limit and not a value",
        "nothing to do where few are limits; change the test (grips, travel) where many are",
        name,
    )
    if not converged:
        yield Verdict(
            "limits not settled",
            "the search for the most likely model with limits did not come to rest",
            "take the intervals of this response as rough, and look for coupons whose limits contradict each other",
            name,
        )

