"""
Water leaving, or entering, a filament in the air of an oven or a room.

The filament is a long round strand of radius a with an even start, whose surface takes on at once the moisture that the air
holds in equilibrium; tau = D t / a^2, and the share of the excess moisture that is still inside is Crank's series
(:mod:`doe.numerics.strand`).

What this leaves out: the resistance of the air at the surface (nothing dries faster than computed here), D that depends on
the moisture, and the time until the filament is as hot as the oven. Strands on a spool hinder each other; a factor that
lengthens all times stands for it. Times of a bare strand are therefore lower limits.

References
----------
Crank, *The Mathematics of Diffusion*, 2nd edition (1975), sec. 5.3 (equation numbers from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

from doe.numerics.strand import inverted, remaining, removed, times_of

Array = NDArray[np.float64]
GAS_CONSTANT = 8.314462618
"""J / (mol K)."""
KELVIN = 273.15
"""0 degC in kelvin."""


@dataclass(frozen=True)
class Diffusivity:
    """
    How fast water moves in a polymer, by temperature: D = D0 exp(-E / (R T)).

    Parameters
    ----------
    value : float
        D at ``temperature``, m^2/s.
    activation : float
        E, J/mol.
    temperature : float
        degC.

    Notes
    -----
    The law holds on one side of the glass transition; E above it differs from E below.
    """

    value: float
    activation: float
    temperature: float

    def __post_init__(self) -> None:
        """Refuse what is no diffusivity."""
        if not 0 < self.value < math.inf:
            raise ValueError(f"the diffusivity is {self.value:g} m2/s: it must be above 0")
        if not 0 <= self.activation < math.inf:
            raise ValueError(f"the activation energy is {self.activation:g} J/mol: it must be 0 or more")
        if not -KELVIN < self.temperature < math.inf:
            raise ValueError(f"the temperature is {self.temperature:g} degC: it must lie above {-KELVIN} degC")

    @property
    def limit(self) -> float:
        """D0, the limit of D at high temperature, m^2/s."""
        return self.value * math.exp(self.activation / (GAS_CONSTANT * (self.temperature + KELVIN)))

    def at(self, celsius: ArrayLike) -> Array:
        """Return D in m^2/s at temperatures in degC, of any shape; raises ValueError at absolute zero and below."""
        kelvin = np.asarray(celsius, dtype=float) + KELVIN
        if not np.all(kelvin > 0):
            raise ValueError(f"a temperature is not above {-KELVIN} degC")
        lag = 1 / kelvin - 1 / (self.temperature + KELVIN)
        return np.asarray(self.value * np.exp(-self.activation / GAS_CONSTANT * lag))


def mm2_per_hour(diffusivity: ArrayLike) -> Array:
    """Return diffusivities, of any shape, in mm^2/h; they are given in m^2/s."""
    return np.asarray(diffusivity, dtype=float) * 3.6e9


def rate(diffusivity: float, diameter: float, slowdown: float = 1.0) -> float:
    """
    Rate at which tau passes.

    Parameters
    ----------
    diffusivity : float
        m^2/s.
    diameter : float
        Of the filament, mm.
    slowdown : float
        How many times longer everything takes on a spool than for a bare strand. A default of 2 to 4 is common practice
        without a source; :func:`doe.numerics.weighings.slowdown` finds it from weighings.

    Returns
    -------
    float
        D / (a^2 slowdown), 1/h.

    Raises
    ------
    ValueError
        Where diffusivity or diameter is not above 0, or the slow-down is below 1.
    """
    for what, value, unit in (("diffusivity", diffusivity, " m2/s"), ("diameter", diameter, " mm")):
        if not 0 < value < math.inf:
            raise ValueError(f"the {what} is {value:g}{unit}: it must be above 0")
    if not 1 <= slowdown < math.inf:
        raise ValueError(f"the slow-down on the spool is {slowdown:g}: a bare strand has 1, and a spool more")
    return float(mm2_per_hour(diffusivity)) / (diameter / 2) ** 2 / slowdown


@dataclass(frozen=True)
class Course:
    """
    How the mean moisture of a filament goes from an even start to what the air around it holds.

    Parameters
    ----------
    rate : float
        From :func:`rate`, 1/h.
    start : float
        Moisture at the start, the same throughout the strand; % of the dry mass.
    floor : float
        Moisture in equilibrium with the air, % of the dry mass: below the start when drying, above it when left in the open.
    """

    rate: float
    start: float
    floor: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not 0 < self.rate < math.inf:
            raise ValueError(f"the rate is {self.rate:g} per hour: it must be above 0")
        for what, value in (("at the start", self.start), ("in equilibrium with the air", self.floor)):
            if not 0 <= value < math.inf:
                raise ValueError(f"the moisture {what} is {value:g} %: it must be 0 or more")
        if self.start == self.floor:
            raise ValueError(f"the moisture at the start, {self.start:g} %, is that of the air: nothing changes")


def moisture(course: Course, hours: ArrayLike) -> Array:
    """
    Mean moisture after some time; strictly monotone as far as numbers can tell it from the floor.

    Parameters
    ----------
    course : Course
    hours : array_like
        Any shape; h.

    Returns
    -------
    ndarray of that shape
        floor + (start - floor) R, % of the dry mass.

    References
    ----------
    Crank (1975), eq. 5.23.
    """
    share = remaining(course.rate * times_of(hours, "time in hours"))
    low, high = sorted((course.start, course.floor))
    return np.clip(course.floor + (course.start - course.floor) * share, low, high)  # not beyond by rounding


def hours_at(course: Course, moisture: ArrayLike) -> Array:
    """
    Time at which the mean moisture has some value: the inverse of :func:`moisture`.

    Parameters
    ----------
    course : Course
    moisture : array_like
        Any shape; % of the dry mass, from the start to the floor.

    Returns
    -------
    ndarray of that shape
        h; infinity at the floor. As accurate as the difference of the moisture from start and floor.

    Raises
    ------
    ValueError
        Where a moisture lies outside start and floor.
    """
    wanted = np.asarray(moisture, dtype=float)
    low, high = sorted((course.start, course.floor))
    wrong = wanted[~((wanted >= low) & (wanted <= high))]
    if wrong.size:
        raise ValueError(f"a moisture of {wrong[0]:g} % is never had on the way from {course.start:g} % to {course.floor:g} %")
    span = course.start - course.floor
    return inverted((wanted - course.floor) / span, (course.start - wanted) / span) / course.rate


def hours_until(course: Course, limit: ArrayLike) -> Array:
    """
    Time until a target is met in drying, or a ceiling is reached in the open.

    Parameters
    ----------
    course : Course
    limit : array_like
        Any shape; % of the dry mass.

    Returns
    -------
    ndarray of that shape
        h: 0 where the start is at the limit already or beyond it, infinity where the air keeps the filament from it.

    Raises
    ------
    ValueError
        Where a limit is missing (NaN).

    Notes
    -----
    What comes out of the dryer is no even start: its skin is drier than its core, and takes up faster. :func:`hours_open` counts
    that in.
    """
    limits = np.asarray(limit, dtype=float)
    if np.isnan(limits).any():
        raise ValueError("a limit of the moisture is missing")
    low, high = sorted((course.start, course.floor))
    return hours_at(course, np.clip(limits, low, high))


@dataclass(frozen=True)
class Stage:
    """
    Some hours in the same surroundings.

    Parameters
    ----------
    rate : float
        From :func:`rate`, at the temperature of this stage, 1/h.
    floor : float
        Moisture in equilibrium with its air, % of the dry mass.
    hours : array_like
        h.
    """

    rate: float
    floor: float
    hours: ArrayLike


def moisture_after(start: float, stages: Sequence[Stage]) -> Array:
    """
    Mean moisture after several stages, each of which begins with what the one before left inside the strand.

    Parameters
    ----------
    start : float
        Even moisture before the first stage, % of the dry mass.
    stages : sequence of Stage
        In their order; their hours may be arrays that broadcast.

    Returns
    -------
    ndarray
        % of the dry mass.

    Notes
    -----
    Diffusion is linear, and tau adds up over temperatures: every step of the moisture at the surface acts from its beginning
    to the end (Duhamel's theorem; Carslaw and Jaeger, *Conduction of Heat in Solids*, 2nd edition (1959), sec. 1.14).
    """
    passed = [stage.rate * times_of(stage.hours, "time in hours") for stage in stages]
    found, surface = np.asarray(start, dtype=float), start
    for number, stage in enumerate(stages):
        found = found + (stage.floor - surface) * removed(np.asarray(sum(passed[number:])))
        surface = stage.floor
    return found


def hours_open(dried: Course, hours: float, air: Course, ceiling: float) -> float:
    """
    How long a filament may stay out after it was dried.

    Parameters
    ----------
    dried : Course
        In the dryer.
    hours : float
        How long it was there, h.
    air : Course
        In the open; its start does not count, since it is what the dryer left.
    ceiling : float
        Highest mean moisture that is allowed, % of the dry mass.

    Returns
    -------
    float
        h: 0 where the dryer left more than the ceiling, infinity where the ceiling is never reached.

    Notes
    -----
    :func:`hours_until` from the same mean, evenly spread, allows too long: nylon dried at 80 degC from 2.7 to 0.1 % has 0.2 % in
    air of 2.7 % after 7.0 minutes, by an even start after 7.5; from 0.3 to 0.75 % it takes 2.6 h, by an even start 3.2.
    """

    def above(out: ArrayLike) -> Array:
        stages = [Stage(dried.rate, dried.floor, hours), Stage(air.rate, air.floor, out)]
        return moisture_after(dried.start, stages) - ceiling

    if above(0.0) >= 0:
        return 0.0
    times = np.append(0.0, np.logspace(-12, 2, 700)) / air.rate
    beyond = np.flatnonzero(above(times) >= 0)
    if not beyond.size:
        return math.inf
    last = int(beyond[0])
    return float(optimize.brentq(lambda out: float(above(out)), times[last - 1], times[last], rtol=1e-12))


def levels_for(low: float, high: float, course: Course, number: int = 3) -> Array:
    """
    Drying times that stand for equal steps of the moisture that is left.

    Parameters
    ----------
    low, high : float
        Shortest and longest time, h.
    course : Course
    number : int
        How many times, at least 2.

    Returns
    -------
    ndarray of shape (number,)
        h, from ``low`` to ``high`` exactly. :func:`moisture` and :func:`hours_at` go from hours to moisture and back.

    Raises
    ------
    ValueError
        Where there are fewer than 2 levels, no range of times, or no moisture left to tell them apart.
    """
    if number < 2:
        raise ValueError(f"{number} levels make no range: at least 2 are needed")
    if not 0 <= low < high < math.inf:
        raise ValueError(f"drying times from {low:g} to {high:g} h are no range: the first must be 0 or more, the second longer")
    first, last = (float(moisture(course, hours)) for hours in (low, high))
    if abs(first - last) < 1e-6 * abs(course.start - course.floor):
        raise ValueError(f"after {low:g} h the moisture is as it is after {high:g} h, {first:.3g} %: choose shorter times")
    levels = hours_at(course, np.linspace(first, last, number))
    levels[[0, -1]] = low, high
    return levels
