"""The same model without the values that are in doubt: shown beside the fit, never instead of it."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData, without
from doe.model.limits import fit_limited
from doe.model.structure import mixed_or_trouble, strata
from doe.numerics import reml
from doe.numerics.reml import MixedFit
from doe.numerics.terms import rank
from doe.record.findings import listed as shortly
from doe.verdicts import Verdict

_MOVED = 1.0
"""Standard errors of the declared fit by which a coefficient must move for the values in doubt to decide."""


@dataclass(frozen=True)
class Shift:
    """One coefficient with and without the values in doubt, response units."""

    label: str
    estimate: float
    without: float | None
    """None where the other values cannot carry the model."""
    standard_errors: float | None
    """How far it moves, in standard errors of the declared fit."""


@dataclass(frozen=True)
class Sensitivity:
    """What the values in doubt do to a fit."""

    items: tuple[str, ...]
    """Coupons or prints that are marked suspect and count in the fit."""
    shifts: tuple[Shift, ...]
    """Empty where the model cannot be fitted without them."""
    trouble: str


def sensitivity(everything: ResponseData, mixed: MixedFit | None) -> Sensitivity | None:
    """
    Fit the model again without the values that are in doubt, limits as limits.

    Parameters
    ----------
    everything : ResponseData
        Values that count in the reported fit, those that are only limits among them where they do.
    mixed : MixedFit or None
        The reported fit.

    Returns
    -------
    Sensitivity or None
        None where no value is in doubt.
    """
    if everything.suspect is None or mixed is None:
        return None
    items = tuple(item for item, doubted in zip(everything.items, everything.suspect.tolist(), strict=True) if doubted)
    found = _refitted(everything, everything.suspect)
    if isinstance(found, str):
        return Sensitivity(items, (), found)
    se = reml.contrast(mixed, np.eye(len(mixed.estimates))).se
    moved = (found.estimates - mixed.estimates) / se
    shifts = zip(everything.labels, mixed.estimates.tolist(), found.estimates.tolist(), moved.tolist(), strict=True)
    return Sensitivity(items, tuple(Shift(*one) for one in shifts), "")


def _refitted(everything: ResponseData, dropped: NDArray[np.bool_]) -> MixedFit | str:
    """Return the fit without some values, or why there is none."""
    rest, measured = without(everything, dropped), without(everything, dropped | ~everything.measured)
    if rest is None or measured is None or rank(measured.X) < measured.X.shape[1]:
        return "the other values cannot tell its coefficients apart"
    found = strata(measured)
    fitted = mixed_or_trouble(measured, found)
    if fitted.fit is None:
        return fitted.trouble or "the other values leave no error degree of freedom"
    if rest.measured.all():
        return fitted.fit
    limited = fit_limited(rest, found)
    return limited if isinstance(limited, str) else limited.mixed


def verdicts(found: Sensitivity, name: str) -> Iterator[Verdict]:
    """Yield whether the values in doubt decide."""
    listed = shortly(list(found.items))
    if found.trouble:
        yield Verdict(
            "values in doubt cannot be left out",
            f"without {listed} the model cannot be fitted: {found.trouble}",
            "find out about the instrument, or test or print these again, before signing",
            name,
        )
        return
    most = max(found.shifts, key=lambda shift: abs(shift.standard_errors or 0.0))
    if most.standard_errors is not None and abs(most.standard_errors) > _MOVED:
        yield Verdict(
            "values in doubt decide",
            f"without {listed} the coefficient of {most.label} moves from {most.estimate:.3g} to {most.without:.3g}, "
            f"{abs(most.standard_errors):.1f} times its standard error",
            "find out about the instrument, or test or print these again, before signing",
            name,
        )
