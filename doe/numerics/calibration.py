"""From a setpoint to the actual value or back: a straight line through the readings of a reference probe, with its doubt.

The doubt has two kinds of parts (JCGM 100:2008, the GUM, 4.2 and 4.3). What the scatter of the readings tells of the line
(type A) has a standard error with degrees of freedom. What the readings have in common and no statistics can show (type B: the
probe's limit of error, its contact, the readout) is known as half-widths, taken as evenly spread. Both together are
the same for every print that a printer makes at a setpoint; nothing here is the scatter from print to print.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.uncertainty import Uncertainty, combined

Array = NDArray[np.float64]

_EXACT = 1e-9


@dataclass(frozen=True)
class Line:
    """
    The line actual = intercept + slope * set of one factor on one printer; all in the factor's unit but the slope.

    Parameters
    ----------
    intercept : float
        Actual value at setpoint 0.
    slope : float
        Above 0; exactly 1 where all readings are at one setpoint.
    residual_sd : float
        Scatter of the readings about the line; NaN where they leave no degree of freedom for it.
    low, high : float
        Lowest and highest setpoint that was checked.
    n : int
        Number of readings.
    mean : float
        Mean of the setpoints.
    spread : float
        Sum of squares of the setpoints about their mean, unit squared; 0 where all readings are at one setpoint.

    """

    intercept: float
    slope: float
    residual_sd: float
    low: float
    high: float
    n: int
    mean: float
    spread: float


@dataclass(frozen=True)
class Scatter:
    """
    Scatter of single readings about their line.

    Parameters
    ----------
    sd : float
        Standard deviation, the factor's unit.
    dof : float
        Degrees of freedom that it is known with; infinity where it was stated beforehand.

    """

    sd: float
    dof: float


@dataclass(frozen=True)
class Budget:
    """
    What all readings with a probe may be off by together: half-widths of an even spread, the factor's unit.

    Parameters
    ----------
    limit : float or None
        Limit of error of the probe; None where it is not stated.
    share : float
        Limit of error as a share of the actual value; the larger of the two counts.
    contact : float
        How far the probe may be from the temperature of what it touches.
    readout : float
        Of the instrument that shows the value.

    """

    limit: float | None = None
    share: float = 0.0
    contact: float = 0.0
    readout: float = 0.0


def fit_line(setpoints: ArrayLike, actual: ArrayLike) -> Line:
    """
    Fit the line by least squares.

    Parameters
    ----------
    setpoints : array-like of shape (n,)
        The factor's unit.
    actual : array-like of shape (n,)
        What the reference probe read, the factor's unit.

    Returns
    -------
    Line
        With readings at one setpoint only: slope 1 and their mean offset.

    Raises
    ------
    ValueError
        Where there is no reading, a value is missing, or the actual value does not rise with the setpoint.

    References
    ----------
    Draper and Smith, *Applied Regression Analysis*, 3rd ed. (1998), ch. 1.

    """
    x, y = np.asarray(setpoints, dtype=float), np.asarray(actual, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or not len(x):
        raise ValueError("a check needs one actual value for each setpoint, and at least one of each")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("setpoints and actual values of a check must all be numbers")
    mean, one_setpoint = float(x.mean()), bool(np.ptp(x) == 0)
    spread = 0.0 if one_setpoint else float(np.sum((x - mean) ** 2))
    slope = 1.0 if one_setpoint else float((x - mean) @ (y - y.mean())) / spread
    if slope <= 0:
        raise ValueError("the actual value does not rise with the setpoint, so no setpoint can be found for a target")
    level = float(y.mean())
    dof = len(x) - (1 if one_setpoint else 2)
    residuals = y - level - slope * (x - mean)
    residual_sd = math.sqrt(float(residuals @ residuals) / dof) if dof else math.nan
    return Line(level - slope * mean, slope, residual_sd, float(x.min()), float(x.max()), len(x), mean, spread)


def to_actual(line: Line, setpoints: ArrayLike) -> Array:
    """Return the actual values reached at setpoints of any shape, the factor's unit; a missing value stays missing."""
    return line.intercept + line.slope * np.asarray(setpoints, dtype=float)


def to_set(line: Line, actual: ArrayLike) -> Array:
    """Return the setpoints that reach actual values of any shape, the factor's unit; a missing value stays missing."""
    return (np.asarray(actual, dtype=float) - line.intercept) / line.slope


def covers(line: Line, setpoints: ArrayLike, step: float = 0.0) -> NDArray[np.bool_]:
    """Return, per setpoint (any shape), whether it lies within those that were checked, or beyond by ``step`` at most."""
    values = np.asarray(setpoints, dtype=float)
    # a setpoint computed from a target carries rounding noise
    slack = step + 1e-9 * max(abs(line.low), abs(line.high), 1.0)
    return np.asarray((values >= line.low - slack) & (values <= line.high + slack))


def standard_error(line: Line, setpoints: ArrayLike) -> Array:
    """
    Return the standard error of the line at some setpoints: what every print made there has in common.

    Parameters
    ----------
    line : Line
        From ``fit_line``.
    setpoints : array-like of any shape
        The factor's unit.

    Returns
    -------
    ndarray of the same shape
        The factor's unit; NaN where the readings leave no degree of freedom. With readings at one setpoint the slope
        is taken as exact, and only the offset's error is left.

    References
    ----------
    Draper and Smith, *Applied Regression Analysis*, 3rd ed. (1998), ch. 3.

    """
    away = np.asarray(setpoints, dtype=float) - line.mean
    of_slope = away**2 / line.spread if line.spread else np.zeros_like(away)
    return np.asarray(line.residual_sd * np.sqrt(1 / line.n + of_slope))


def moved(line: Line, setpoints: ArrayLike, actual: ArrayLike) -> Line:
    """Return a line that keeps its slope and its range, and takes its level from other readings (n,), two arrays of one shape."""
    x, y = np.asarray(setpoints, dtype=float), np.asarray(actual, dtype=float)
    mean = float(x.mean())
    return replace(line, intercept=float(y.mean()) - line.slope * mean, n=len(x), mean=mean)


def pooled_scatter(lines: Sequence[Line], stated: float | None = None) -> Scatter | None:
    """
    Return the scatter of single readings, from all lines that were read with the same care.

    Parameters
    ----------
    lines : sequence of Line
        Of one factor on several printers. Few readings on each leave one or two degrees of freedom a line; together they
        have more (GUM 4.2.4).
    stated : float, optional
        Standard deviation of repeated readings, known beforehand.

    Returns
    -------
    Scatter or None
        The larger of what is stated and what the readings show; None where neither is known. Readings that lie on their lines
        exactly were rounded to fit, and show nothing; those of other printers count alone.

    """
    told = [
        (line.residual_sd**2, line.n - (2 if line.spread else 1))
        for line in lines
        if line.residual_sd > _EXACT * max(abs(line.low), abs(line.high))  # false of NaN
    ]
    dof = sum(count for _, count in told)
    seen = math.sqrt(sum(variance * count for variance, count in told) / dof) if dof else None
    if stated is not None and (seen is None or stated >= seen):
        return Scatter(stated, math.inf)
    return None if seen is None else Scatter(seen, float(dof))


def with_scatter(line: Line, scatter: Scatter) -> Line:
    """Return a line whose readings scatter by this much, for :func:`standard_error`."""
    return replace(line, residual_sd=scatter.sd)


def common_sd(budget: Budget, actual: ArrayLike) -> Array:
    """
    Return what all readings with a probe have in common, as a standard uncertainty at some actual values.

    Parameters
    ----------
    budget : Budget
    actual : array-like of any shape
        The factor's unit.

    Returns
    -------
    ndarray of the same shape
        The factor's unit; 0 where the probe's limit of error is not stated, since a sum without it would claim too much.
        The limit of error is shared by all printers that were read with the same probe, and so may be the contact.

    """
    values = np.asarray(actual, dtype=float)
    if budget.limit is None:
        return np.zeros_like(values)
    limit = np.maximum(budget.limit, budget.share * np.abs(values))
    return np.asarray(np.sqrt((limit**2 + budget.contact**2 + budget.readout**2) / 3))


def actual_uncertainty(line: Line, scatter: Scatter | None, budget: Budget, setpoint: float) -> Uncertainty | None:
    """
    Return how well the actual value at a setpoint is known.

    Parameters
    ----------
    line : Line
    scatter : Scatter or None
        Of single readings; where it is unknown, only what the readings have in common counts.
    budget : Budget
        Where the probe's limit of error is not stated, only the scatter counts.
    setpoint : float
        The factor's unit.

    Returns
    -------
    Uncertainty or None
        The factor's unit; None where neither part is known.

    Notes
    -----
    Measured over 3000 printers each, three readings a line, all errors drawn as the budget says: the actual value is within the
    expanded uncertainty in 95 to 98 % of cases where the half-widths are the larger part (limit 1.5 and more). Where
    scatter dominates, one line's single degree of freedom is too little for the effective ones (GUM, G.4.2): 92 % at a limit of
    0.8 and a scatter of 1, 88 % at half-widths of 0.1; 94 and 93 % with three lines pooled. A stated repeatability mends it.

    The setpoint that is needed for an actual value, (actual - intercept) / slope, has this over the slope: the first-order
    ("delta") form of Fieller's interval, from which it differs by a share of about g = (t u(slope) / slope)^2. With three
    readings over 30 degrees that scatter by 0.2 and one degree of freedom, g is 0.02; with a stated scatter it is below 0.001.

    """
    parts: list[tuple[float, float]] = []
    if scatter is not None:
        parts.append((float(standard_error(with_scatter(line, scatter), setpoint)), scatter.dof))
    if budget.limit is not None:
        parts.append((float(common_sd(budget, to_actual(line, setpoint))), math.inf))
    return combined(parts) if parts else None


def set_uncertainty(line: Line, of_actual: Uncertainty) -> Uncertainty:
    """Return how well the setpoint is known that an actual value needs; see the notes of :func:`actual_uncertainty`."""
    return replace(of_actual, standard=of_actual.standard / line.slope, expanded=of_actual.expanded / line.slope)


def offset_from(
    line: Line, scatter: Scatter, setpoints: ArrayLike, actual: ArrayLike, between_sd: float
) -> tuple[float, Uncertainty]:
    """
    Return by how much later readings lie above a line on average, and how well that is known.

    Parameters
    ----------
    line : Line
        Of the earlier readings.
    scatter : Scatter
        Of single readings, earlier and later.
    setpoints, actual : array-like of shape (m,)
        The later readings, the factor's unit.
    between_sd : float
        What may differ between the two occasions although the printer is the same: contact, readout, another probe.

    Returns
    -------
    offset : float
        The factor's unit.
    Uncertainty
        Of the offset.

    """
    x, y = np.asarray(setpoints, dtype=float), np.asarray(actual, dtype=float)
    of_line = float(standard_error(with_scatter(line, scatter), float(x.mean())))
    by_scatter = math.hypot(of_line, scatter.sd / math.sqrt(len(x)))
    offset = float(np.mean(y - to_actual(line, x)))
    return offset, combined([(by_scatter, scatter.dof), (between_sd, math.inf)])
