"""Coefficients of a fit, each judged in the stratum that it changes in, beside its variance components."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.model import inference
from doe.model.data import ResponseData
from doe.model.inference import Inference
from doe.model.structure import Strata, varies_between_loads
from doe.numerics import reml
from doe.numerics.reml import MixedFit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Coefficient:
    """One coefficient of the model, coded units of the factors, response units."""

    label: str
    """In words: ``nozzle_temperature * drying_time``, ``drying_time^2``, ``printer B``, ``intercept``."""
    estimate: float
    se: float | None
    """Standard error (Kenward-Roger adjusted); None where no error degree of freedom exists for it."""
    dof: float | None
    low: float | None
    high: float | None
    p_value: float | None
    changes: str
    """``print`` or ``load``: the stratum in which the column varies."""
    basis: str = ""
    """What ``low`` and ``high`` come from: ``Kenward-Roger``, or with few loads ``posterior under a weak prior``; empty without.
    ``se``, ``dof`` and ``p_value`` are Kenward and Roger's in any case, with the degrees of freedom as they are."""


@dataclass(frozen=True)
class Component:
    """One variance component."""

    name: str
    """``load``, ``print`` or ``residual`` (coupon within print, or print where there is one value a print)."""
    variance: float
    dof: float
    """Error degrees of freedom of the stratum."""
    groups: int
    at_zero: bool
    upper_ratio: float | None
    """Upper 95 % limit of its ratio to the residual variance, where it is not resolvable; else None."""


def coefficients(
    data: ResponseData, inferred: Inference | None, estimates: Array, found: Strata, level: float
) -> tuple[Coefficient, ...]:
    """
    Return every coefficient with its interval.

    Parameters
    ----------
    data : ResponseData
    inferred : Inference or None
        None where nothing can be said about precision.
    estimates : ndarray of shape (p,)
    found : Strata
    level : float

    Returns
    -------
    tuple of Coefficient
        Without interval where the loads are used up by the columns that change with them.
    """
    between = varies_between_loads(data)
    judged = np.zeros(len(estimates), dtype=bool)
    if inferred is not None:
        judged = ~between if found.load_dof == 0 else np.ones(len(estimates), dtype=bool)
    limits = None if inferred is None else inference.contrasts(inferred, np.eye(len(estimates)), between, level)
    made = []
    for place, label in enumerate(data.labels):
        known = limits if judged[place] else None
        se, dof = (None, None) if known is None else (float(known.se[place]), float(known.dof[place]))
        by_posterior = inferred is not None and inferred.mixture is not None and bool(between[place])
        made.append(
            Coefficient(
                label=label,
                estimate=float(estimates[place]),
                se=se,
                dof=dof,
                low=None if known is None else float(known.low[place]),
                high=None if known is None else float(known.high[place]),
                p_value=None if se is None or dof is None else two_sided(float(estimates[place]), se, dof),
                changes="load" if between[place] else "print",
                basis="" if known is None else inference.POSTERIOR if by_posterior else inference.KENWARD_ROGER,
            )
        )
    return tuple(made)


def components(mixed: MixedFit, random: Sequence[str], values: int) -> tuple[Component, ...]:
    """
    Return the variance components, the residual last; what cannot be told from zero has an upper limit.

    Parameters
    ----------
    mixed : MixedFit
    random : sequence of str
        Names of its components before the residual.
    values : int
        How many single values the fit rests on.

    Returns
    -------
    tuple of Component
    """
    made = [
        Component(
            name=name,
            variance=float(mixed.variances[place]),
            dof=mixed.dof[place],
            groups=mixed.groups[place],
            at_zero=mixed.at_zero[place],
            upper_ratio=reml.upper_ratio_limit(mixed, place) if mixed.at_zero[place] else None,
        )
        for place, name in enumerate(random)
    ]
    return (*made, Component("residual", float(mixed.variances[-1]), mixed.dof[-1], values, False, None))


def two_sided(estimate: float, se: float, dof: float) -> float:
    """Return the p value of Student's t for an estimate against zero."""
    return float(2 * stats.t.sf(abs(estimate) / se, dof))
