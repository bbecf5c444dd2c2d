"""Values that are only limits: they enter the fit as what they say, beside the measured ones."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData, without
from doe.model.structure import Strata, groups
from doe.numerics.censored import CensoredFit, fit_censored
from doe.numerics.reml import MixedFit
from doe.study.names import identifiers
from doe.verdicts import Verdict

Array = NDArray[np.float64]

_LEAST_SHARE = 0.01
"""Of a measured print: what says less is left out, since the value that it acts like may lie anywhere."""


@dataclass(frozen=True)
class Limited:
    """A fit in which values that are only limits count."""

    data: ResponseData
    """Prints with measured values, and those whose limits say something; limits as the values that they act like."""
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
    return Limited(_acting(everything, fit, found.random), fit.mixed, fit.mixed.converged)


def shares_said(data: ResponseData, variances: Array, random: Sequence[str]) -> Array:
    """
    Return how much each print says about its load and settings, beside the same print with all its values measured.

    Where prints vary more than coupons, a small part of a coupon says nearly as much as all of them.

    Parameters
    ----------
    data : ResponseData
        With weights.
    variances : ndarray of shape (K + 1,)
        Of the components, residual last, response units squared.
    random : sequence of K str
        Names of the components before the residual.

    Returns
    -------
    ndarray of shape (n,)
        (s_p + s_c / m) / (s_p + s_c / w) for m values that act like w measured ones.
    """
    of_prints = float(variances[list(random).index("print")]) if "print" in random else 0.0
    whole = of_prints + float(variances[-1]) / np.bincount(data.of_print, minlength=len(data.names))
    return np.asarray(whole * data.counts / (of_prints * data.counts + float(variances[-1])))


def _acting(everything: ResponseData, fit: CensoredFit, random: Sequence[str]) -> ResponseData:
    """
    Return the data with each limit as the value that it acts like; prints that hardly say anything are left out.

    A print that says something is in the estimates: left out here, it would be missing from the draws that go with them.
    """
    speaking = replace(everything, values=np.nan_to_num(fit.values), weights=fit.weights)
    left = without(speaking, (shares_said(speaking, fit.mixed.variances, random) < _LEAST_SHARE)[everything.of_print])
    assert left is not None  # measured values are among them
    return left


def verdicts(count: LimitCount, name: str, trouble: str, converged: bool) -> Iterator[Verdict]:
    """Yield what is to be said of limits: that they count, and with what reserve, or why they could not."""
    parts = {"above a limit (no break, broke in grips)": count.at_least, "below one (broke in handling, detached)": count.at_most}
    listed = " and ".join(f"{number} {what}" for what, number in parts.items() if number)
    if not count.used:
        yield Verdict(
            "limits left out",
            f"{len(count.items)} values are only limits, {listed}, and do not enter, since {trouble}: {identifiers(count.items)}",
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

