"""
How well two gradings of the same pieces agree.

References
----------
Fleiss, Levin and Paik, *Statistical Methods for Rates and Proportions*, 3rd ed. (2003), ch. 18: weighted kappa and its
large-sample variance. Fleiss and Cohen, "The equivalence of weighted kappa and the intraclass correlation coefficient as
measures of reliability", Educ. Psychol. Meas. 33 (1973) 613. Landis and Koch, "The measurement of observer agreement for
categorical data", Biometrics 33 (1977) 159, p. 165: the words.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa

REPEATABLE = 0.6
"""Above it agreement is called substantial (Landis and Koch 1977)."""
_WORDS = ((0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial"))


@dataclass(frozen=True)
class Agreement:
    """Two gradings of the same pieces, summarised."""

    pieces: int
    equal: float
    """Share with the same grade twice."""
    within_one: float
    """Share whose two grades are the same or neighbours on the scale."""
    kappa: float | None
    """Quadratic-weighted; None where all grades are the same one, so that chance alone would agree."""
    low: float | None
    high: float | None
    """Its large-sample interval, within -1 to 1; None where there is none, as where one grading has the same grade throughout."""


def agreement(first: Sequence[float], second: Sequence[float], grades: Sequence[float], level: float) -> Agreement:
    """
    Summarise two gradings of the same pieces.

    Parameters
    ----------
    first, second : sequence of float, length n
        The grades of each piece.
    grades : sequence of float
        The scale, ascending; distances between grades are those of its numbers.
    level : float
        Of the interval, between 0 and 1.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        Without a piece, with lists of different lengths, or with a grade that is not on the scale.

    Notes
    -----
    Kappa is 1 less the mean squared difference over the one of independent gradings with the same counts (Fleiss, Levin and
    Paik 2003, ch. 18, with the weights of Fleiss and Cohen 1973). The interval is that of a normal distribution for many
    pieces; with ten or twenty it is rough, and where all pairs agree it has no width.
    """
    places = {float(grade): place for place, grade in enumerate(grades)}
    if not len(first) or len(first) != len(second):
        raise ValueError("two grades of at least one piece are needed")
    if strange := {*map(float, first), *map(float, second)} - places.keys():
        raise ValueError(f"{sorted(strange)[0]:g} is none of the grades")
    one, other = (np.array([places[float(grade)] for grade in listed]) for listed in (first, second))
    apart = np.abs(one - other)
    table = np.zeros((len(places), len(places)))
    np.add.at(table, (one, other), 1)
    kappa, low, high = _kappa(table, np.array(list(places)), level)
    return Agreement(len(one), float(np.mean(apart == 0)), float(np.mean(apart <= 1)), kappa, low, high)


def _kappa(
    table: NDArray[np.float64], grades: NDArray[np.float64], level: float
) -> tuple[float | None, float | None, float | None]:
    if np.count_nonzero(table.sum(axis=0) + table.sum(axis=1)) < 2:
        return None, None, None
    with np.errstate(all="ignore"):  # what is not defined is not a number, and left out below
        found = cohens_kappa(table, weights=grades, wt="quadratic")
    kappa, variance = float(found.kappa), float(found.var_kappa)
    if not np.isfinite(variance) or min(np.count_nonzero(table.sum(axis=0)), np.count_nonzero(table.sum(axis=1))) < 2:
        return kappa, None, None
    spread = float(np.sqrt(max(variance, 0.0)))
    reach = float(stats.norm.ppf((1 + level) / 2)) * spread
    return kappa, max(-1.0, kappa - reach), min(1.0, kappa + reach)


def word_for(kappa: float) -> str:
    """Return the word of Landis and Koch (1977) for a kappa: poor, slight, fair, moderate, substantial, almost perfect."""
    if kappa < 0:
        return "poor"
    return next((word for limit, word in _WORDS if kappa <= limit), "almost perfect")
