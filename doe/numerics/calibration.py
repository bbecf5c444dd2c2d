"""From a setpoint to the actual value and back: a straight line through the readings of a reference probe."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


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
    """Return the actual values reached at some setpoints, the factor's unit; a missing value stays missing."""
    return line.intercept + line.slope * np.asarray(setpoints, dtype=float)


def to_set(line: Line, actual: ArrayLike) -> Array:
    """Return the setpoints that reach some actual values, the factor's unit; a missing value stays missing."""
    return (np.asarray(actual, dtype=float) - line.intercept) / line.slope


def covers(line: Line, setpoints: ArrayLike) -> NDArray[np.bool_]:
    """Return, per setpoint, whether it lies within the setpoints that were checked."""
    values = np.asarray(setpoints, dtype=float)
    slack = 1e-9 * max(abs(line.low), abs(line.high), 1.0)  # a setpoint computed from a target carries rounding noise
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
