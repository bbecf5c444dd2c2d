"""
Natural units to the coded scale or back: low is -1, high is +1, the centre is 0.

Between the ends the coded scale is linear in the natural values, or in something that grows with them: their logarithm, or how
far a filament has dried. :class:`Scale` is the one place that knows which.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics import drying
from doe.numerics.drying import Course

Array = NDArray[np.float64]

_DIGITS = 9  # kept beyond the increment's first: more than increments are written with, less than rounding noise
_ROUNDING = 1e-13  # of the moisture at the start: more than what coding and decoding lose, less than the last step of any range
_FAR = 2.0  # coded, where a setting is outside of any plan but not of what was used


def to_coded(values: ArrayLike, low: float, high: float) -> Array:
    """
    Return natural values on the coded scale.

    Parameters
    ----------
    values : array-like of any shape
        Natural units; a missing value (NaN) stays missing.
    low, high : float
        Ends of the factor's range, natural units.

    Returns
    -------
    ndarray of the same shape
        Coded units.

    Raises
    ------
    ValueError
        Where low is not below high.

    """
    _require_range(low, high)
    return (np.asarray(values, dtype=float) - (low + high) / 2) / ((high - low) / 2)


def to_natural(coded: ArrayLike, low: float, high: float) -> Array:
    """
    Return coded values in natural units.

    Parameters
    ----------
    coded : array-like of any shape
        Coded units.
    low, high : float
        Ends of the factor's range, natural units.

    Returns
    -------
    ndarray of the same shape
        Natural units; exactly low at -1 and high at +1.

    Raises
    ------
    ValueError
        Where low is not below high.

    """
    _require_range(low, high)
    position = np.asarray(coded, dtype=float)
    # Weighting the two ends, and not centre + coded * half range, returns the ends themselves without rounding noise.
    return low * (1 - position) / 2 + high * (1 + position) / 2


def round_to_increment(values: ArrayLike, increment: float, origin: float) -> Array:
    """
    Return the nearest values that can be set: origin + i * increment for a whole number i.

    Parameters
    ----------
    values : array-like of any shape
        Natural units.
    increment : float
        Finest step that can be set, natural units, above 0.
    origin : float
        A value on the grid, natural units: the factor's low.

    Returns
    -------
    ndarray of the same shape
        Natural units. A value midway between two steps goes to the upper one. Noise beyond nine digits of the
        increment is removed, so that a plan reads 0.01 and not 0.010000000000000009.

    Raises
    ------
    ValueError
        Where the increment is not a positive number.

    """
    if not (math.isfinite(increment) and increment > 0):
        raise ValueError(f"the increment must be above 0, and it is {increment:g}")
    steps = np.round((np.asarray(values, dtype=float) - origin) / increment, _DIGITS)
    decimals = _DIGITS - math.floor(math.log10(increment))
    return np.asarray(np.round(origin + np.floor(steps + 0.5) * increment, decimals), dtype=float) + 0.0


def _require_range(low: float, high: float) -> None:
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"low must be below high, and they are {low:g} and {high:g}")


class Bend(Protocol):
    """What a coded scale is linear in: a function that grows strictly with the natural values."""

    def forward(self, values: ArrayLike) -> Array:
        """Return natural values, of any shape, on the scale; a value that has none raises ValueError."""

    def back(self, values: ArrayLike) -> Array:
        """Return natural values of places on the scale, of any shape; NaN where none stands for one."""


@dataclass(frozen=True)
class Logarithm:
    """Natural logarithm: equal steps are equal ratios."""

    def forward(self, values: ArrayLike) -> Array:
        """Return ln(x) of values of any shape; raises ValueError at 0 and below."""
        found = np.asarray(values, dtype=float)
        wrong = found[found <= 0]
        if wrong.size:
            raise ValueError(f"{wrong[0]:g} has no logarithm: values lie above 0")
        return np.asarray(np.log(found))

    def back(self, values: ArrayLike) -> Array:
        """Return exp(z) of values of any shape; infinity beyond what a number can be."""
        with np.errstate(over="ignore"):
            return np.asarray(np.exp(np.asarray(values, dtype=float)))


@dataclass(frozen=True)
class Drying:
    """
    The moisture that a drying takes out of a filament: equal steps are equal steps of what is left.

    It grows with the time, so that the low end of the time stays at -1 and the high end, the driest, at +1.

    Parameters
    ----------
    course : Course
        Towards a floor below the start.
    hours : float
        In one natural unit of the time.
    """

    course: Course
    hours: float = 1.0

    def forward(self, values: ArrayLike) -> Array:
        """
        Return what has left after times of any shape, % of the dry mass; a time that is missing (NaN) stays missing.

        Raises
        ------
        ValueError
            Where a time is below 0.
        """
        times = np.asarray(values, dtype=float)
        wrong = times[times < 0]
        if wrong.size:
            raise ValueError(f"{wrong[0]:g} is no drying time: it is 0 or more")
        known = np.isfinite(times)
        left = drying.moisture(self.course, np.where(known, times, 0.0) * self.hours)
        return np.where(known, self.course.start - left, times)

    def back(self, values: ArrayLike) -> Array:
        """
        Return times, in the shape of the values; NaN for more moisture than there is at the start, or less than the air leaves.

        Within rounding of the start that is 0, and within rounding of what the air leaves the longest time that can be told.
        """
        start, floor, slack = self.course.start, self.course.floor, _ROUNDING * self.course.start
        left = start - np.asarray(values, dtype=float)
        left = np.where(np.abs(left - start) <= slack, np.minimum(left, start), left)
        left = np.where(np.abs(left - floor) <= slack, floor + slack, left)
        reached = (left > floor) & (left <= start)
        return np.where(reached, drying.hours_at(self.course, np.where(reached, left, start)) / self.hours, np.nan)


@dataclass(frozen=True)
class Scale:
    """
    The coded scale of one factor, from which everything goes to natural values and back.

    Parameters
    ----------
    low, high : float
        Ends of the range, natural units; with a bend, values that it has.
    bend : Bend, optional
        None: linear in the natural values.
    """

    low: float
    high: float
    bend: Bend | None = None

    def coded(self, values: ArrayLike) -> Array:
        """Return natural values of any shape in coded units; ValueError for one that the scale does not have."""
        if self.bend is None:
            return to_coded(values, self.low, self.high)
        return to_coded(self.bend.forward(values), *self._ends(self.bend))

    def natural(self, coded: ArrayLike) -> Array:
        """
        Return coded values, of any shape, in natural units.

        They are exactly low at -1 and high at +1, and NaN where no natural value stands for one.
        """
        if self.bend is None:
            return to_natural(coded, self.low, self.high)
        position = np.asarray(coded, dtype=float)
        low, high = self._ends(self.bend)
        # Far outside the range the weights of the ends are large, and so would be the rounding: there, from the low end on.
        far = low + (high - low) * (1 + position) / 2
        found = self.bend.back(np.where(np.abs(position) > _FAR, far, to_natural(position, low, high)))
        return np.where(position == -1, self.low, np.where(position == 1, self.high, found))

    def moved(self, coded: ArrayLike, by: ArrayLike) -> Array:
        """
        Return where settings are that miss their natural value.

        Parameters
        ----------
        coded : array-like
            Any shape; settings wanted, coded units; within the range, or near it.
        by : array-like
            The same shape, or a number; natural units.

        Returns
        -------
        ndarray of that shape
            Coded units: not the move times a slope but the scale at the natural value itself.
        """
        if self.bend is None:
            return np.asarray(np.asarray(coded, dtype=float) + np.asarray(by, dtype=float) / ((self.high - self.low) / 2))
        return self.coded(self.natural(coded) + np.asarray(by, dtype=float))

    def _ends(self, bend: Bend) -> tuple[float, float]:
        low, high = bend.forward([self.low, self.high])
        return float(low), float(high)
