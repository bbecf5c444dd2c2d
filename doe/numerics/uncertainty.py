"""Uncertainties from several sources put together, after the "Guide to the expression of uncertainty in measurement" (GUM)."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import stats

COVERAGE = 0.9545
"""Probability that an expanded uncertainty stands for: the factor is 2.00 where all parts are well known (GUM, table G.2)."""


@dataclass(frozen=True)
class Uncertainty:
    """
    A combined uncertainty.

    Parameters
    ----------
    standard : float
        Combined standard uncertainty u, the unit of the parts.
    dof : float
        Effective degrees of freedom; infinity where every part is well known.
    factor : float
        Coverage factor k for :data:`COVERAGE`.
    expanded : float
        k u: the actual value lies within plus or minus this.

    """

    standard: float
    dof: float
    factor: float
    expanded: float


def even_spread(half_width: float) -> float:
    """Return the standard uncertainty of what lies evenly within plus or minus a half-width (GUM 4.3.7, eq. 7)."""
    return half_width / math.sqrt(3)


def two_sided(dof: float, level: float) -> float:
    """Return the quantile of Student's t within which, on both sides of 0, a share ``level`` lies."""
    return float(stats.t.ppf((1 + level) / 2, dof))


def combined(parts: Sequence[tuple[float, float]]) -> Uncertainty:
    """
    Combine independent standard uncertainties.

    Parameters
    ----------
    parts : sequence of tuple of float
        Standard uncertainty and its degrees of freedom (infinity for a half-width), each with a weight of 1.

    Returns
    -------
    Uncertainty

    References
    ----------
    JCGM 100:2008: eq. 10 (squares add), eq. G.2b (effective degrees of freedom, Welch and Satterthwaite), G.3 (the factor is a
    quantile of Student's t; effective degrees of freedom are not cut to whole ones).

    """
    total = math.sqrt(sum(sd**2 for sd, _ in parts))
    doubt = sum((sd / total) ** 4 / dof for sd, dof in parts) if total else 0.0
    dof = 1 / doubt if doubt else math.inf
    factor = two_sided(dof, COVERAGE)
    return Uncertainty(total, dof, factor, factor * total)
