"""How fast a spool dries, by a series of weighings."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from doe.numerics.drying import GAS_CONSTANT, KELVIN, mm2_per_hour
from doe.numerics.strand import removed

Array = NDArray[np.float64]
Codes = NDArray[np.intp]
_RATES = (-16.0, 9.0)  # logarithms of rates in 1/h beyond which nothing is told from standing still, or from done at once
_ENERGIES = (-400.0, 400.0)  # kJ/mol, far beyond any polymer
_USUAL_ENERGY = 50.0  # kJ/mol, where a search starts


@dataclass(frozen=True)
class Weighings:
    """
    Masses during one or several dryings of one kind of filament, each from an even moisture.

    Parameters
    ----------
    hours : ndarray of shape (n,)
        Since the filament was at the oven's temperature, h.
    mass : ndarray of shape (n,)
        g, gross or net: only differences count. A spool of cardboard must have been dried before.
    run : integer ndarray of shape (n,)
        Code of the drying, 0 .. J - 1.
    temperature : ndarray of shape (J,)
        Of the oven in each drying, degC.
    """

    hours: Array
    mass: Array
    run: Codes
    temperature: Array

    def __post_init__(self) -> None:
        """Refuse what cannot be fitted."""
        if not (len(self.hours) == len(self.mass) == len(self.run)):
            raise ValueError("every weighing needs its hours, its mass and its drying")
        if not (np.all(np.isfinite(self.hours)) and np.all(self.hours >= 0) and np.all(np.isfinite(self.mass))):
            raise ValueError("hours must be 0 or more, and masses be numbers")
        if not np.all(self.temperature > -KELVIN):
            raise ValueError(f"the oven's temperatures must lie above {-KELVIN} degC")
        if len(self.run) and not (self.run.min() >= 0 and self.run.max() < len(self.temperature)):
            raise ValueError("every weighing belongs to a drying whose temperature is given")
        for code in range(len(self.temperature)):
            if (times := len(np.unique(self.hours[self.run == code]))) < 3:
                raise ValueError(f"drying {code + 1} was weighed at {times} times: at least 3 are needed, the start among them")


@dataclass(frozen=True)
class Estimate:
    """A value with its confidence limits; a limit is infinite, or 0 of a diffusivity, where the weighings do not set it."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class DryingFit:
    """
    What weighings say about drying.

    Parameters
    ----------
    diffusivity : Estimate
        Effective D at ``temperature``, m^2/s: of a spool, that of a strand divided by the slow-down.
    temperature : float
        Middle of the ovens' temperatures (of their reciprocals in kelvin), degC.
    activation : Estimate or None
        E, J/mol; None for a single temperature.
    loss : tuple of Estimate
        Of each drying: mass that leaves until equilibrium with its air, g; below 0 where it enters.
    residual_sd : float
        Of a weighing, g; not below what the readability makes.
    dof : int
        Residual degrees of freedom.
    level : float
        Two-sided confidence level of each interval by itself.
    """

    diffusivity: Estimate
    temperature: float
    activation: Estimate | None
    loss: tuple[Estimate, ...]
    residual_sd: float
    dof: int
    level: float


@dataclass(frozen=True)
class _Model:
    """The weighings with the sum of squares of every parameter's value; a drying may have its loss fixed."""

    data: Weighings
    lag: Array
    """Of each drying: -(1/T - 1/T_middle) / R, mol/kJ, by which E raises the logarithm of the rate."""
    fixed: tuple[int, float] | None = None

    def residuals(self, place: Array) -> Array:
        """Return observed less fitted masses; ``place`` is the logarithm of the rate at the middle, and E in kJ/mol."""
        log_rate = place[0] + (self.lag * place[1] if len(place) > 1 else 0 * self.lag)
        left = np.empty_like(self.data.mass)
        for code, rate in enumerate(np.exp(np.clip(log_rate, *_RATES))):
            own = self.data.run == code
            left[own] = self._of_one(code, self.data.mass[own], removed(rate * self.data.hours[own]))
        return left

    def _of_one(self, code: int, mass: Array, share: Array) -> Array:
        if self.fixed is not None and self.fixed[0] == code:
            mass = mass + self.fixed[1] * share
            return np.asarray(mass - mass.mean())
        share, mass = share - share.mean(), mass - mass.mean()
        size = share @ share
        return mass if size == 0 else mass - share * (share @ mass) / size

    def squares(self, place: Array) -> float:
        """Return the sum of squared residuals."""
        found = self.residuals(place)
        return float(found @ found)

    def loss(self, place: Array, code: int) -> float:
        """Return the best loss of one drying, g."""
        own = self.data.run == code
        shift = place[0] + (self.lag[code] * place[1] if len(place) > 1 else 0.0)
        share = removed(math.exp(shift) * self.data.hours[own])
        share = share - share.mean()
        return float(-(share @ self.data.mass[own]) / (share @ share))

    def best(self, start: Array, held: tuple[int, float] | None = None) -> Array:
        """Return the place of the least sum of squares near a start, with one of its parameters held where wanted."""
        free = [number for number in range(len(start)) if held is None or number != held[0]]
        place = start.copy()
        if held is not None:
            place[held[0]] = held[1]
        if not free:
            return place
        scale = np.array([1.0, 10.0])[free]

        def residuals(moved: Array) -> Array:
            at = place.copy()
            at[free] = moved
            return self.residuals(at)

        lower, upper = (np.array([_RATES[side], _ENERGIES[side]])[free] for side in (0, 1))
        found = optimize.least_squares(
            residuals, np.clip(place[free], lower, upper), bounds=(lower, upper), x_scale=scale,
            xtol=1e-10, ftol=1e-12, gtol=1e-12,
        )
        place[free] = found.x
        return place


def fit_drying(weighings: Weighings, diameter: float, readability: float, level: float = 0.95) -> DryingFit:
    """
    Estimate diffusivity, its activation energy and the loss until equilibrium by least squares.

    Each drying has a mass at its start and a loss of its own; the logarithm of the rate is a straight line in 1 / T.

    Parameters
    ----------
    weighings : Weighings
    diameter : float
        Of the filament, mm.
    readability : float
        Smallest step of the balance, g.
    level : float
        Two-sided confidence level.

    Returns
    -------
    DryingFit

    Raises
    ------
    ValueError
        Where diameter, readability or level are out of range, or the weighings are too few or show no drying.

    Notes
    -----
    Limits are where the sum of squares, least over all other parameters, exceeds its minimum by t^2 s^2. They are not
    symmetric, and open where a drying was stopped before its rate and its loss can be told apart: early on only
    loss * sqrt(D) shows.

    In simulations of five ways to weigh, nominal 95 % intervals of D, E and the loss held the truth in 93 to 98 % of 100 dryings
    each (``tests/studies/drying_coverage.csv``; standard error 2 %).

    References
    ----------
    Bates and Watts, *Nonlinear regression analysis and its applications* (1988), sec. 6.1 (profile t). Golub and Pereyra,
    "The differentiation of pseudo-inverses and nonlinear least squares problems whose variables separate", SIAM J. Numer.
    Anal. 10 (1973) 413 (masses and losses are solved for within).
    """
    if not 0 < diameter < math.inf:
        raise ValueError(f"the diameter is {diameter:g} mm: it must be above 0")
    if not 0 < readability < math.inf:
        raise ValueError(f"the balance's readability is {readability:g} g: it must be above 0")
    if not 0 < level < 1:
        raise ValueError(f"the confidence level is {level:g}: it must lie between 0 and 1")
    inverse = 1 / (weighings.temperature + KELVIN)
    several = len(np.unique(weighings.temperature)) > 1
    model = _Model(weighings, -(inverse - inverse.mean()) * 1000 / GAS_CONSTANT)
    dof = len(weighings.mass) - 2 * len(inverse) - (2 if several else 1)
    if dof < 1:
        raise ValueError(f"{len(weighings.mass)} weighings leave no measure of their scatter: weigh at more times")
    place = model.best(_started(model, several))
    sd = max(math.sqrt(model.squares(place) / dof), readability / math.sqrt(12))
    allowed = (float(stats.t.ppf((1 + level) / 2, dof)) * sd) ** 2
    rate = _profiled(lambda value: model.squares(model.best(place, (0, value))), float(place[0]), allowed, _RATES)
    area = (diameter / 2) ** 2 / float(mm2_per_hour(1.0))
    energy = None
    if several:
        found = _profiled(lambda value: model.squares(model.best(place, (1, value))), float(place[1]), allowed, _ENERGIES)
        energy = Estimate(*(1000 * value for value in (found.value, found.low, found.high)))
    return DryingFit(
        diffusivity=Estimate(*(math.exp(value) * area for value in (rate.value, rate.low, rate.high))),
        temperature=1 / float(inverse.mean()) - KELVIN,
        activation=energy,
        loss=tuple(_loss_of(model, place, code, allowed) for code in range(len(inverse))),
        residual_sd=sd, dof=dof, level=level,
    )


def slowdown(strand: float, spool: Estimate) -> Estimate:
    """
    How many times longer a spool takes than a bare strand.

    Parameters
    ----------
    strand : float
        D of the strand at the temperature of the spool's fit, m^2/s.
    spool : Estimate
        Effective D from weighings of the spool, m^2/s.

    Returns
    -------
    Estimate

    Raises
    ------
    ValueError
        Where the diffusivity of the strand is not above 0.
    """
    if not 0 < strand < math.inf:
        raise ValueError(f"the diffusivity of the strand is {strand:g} m2/s: it must be above 0")
    return Estimate(strand / spool.value, strand / spool.high, strand / spool.low if spool.low > 0 else math.inf)


def _started(model: _Model, several: bool) -> Array:
    """Return where the sum of squares is least on a grid of rates."""
    tried = [np.array([rate, _USUAL_ENERGY] if several else [rate]) for rate in np.arange(-9.0, 4.0, 0.5)]
    return min(tried, key=model.squares)


def _loss_of(model: _Model, place: Array, code: int, allowed: float) -> Estimate:
    value = model.loss(place, code)

    def squares(loss: float) -> float:
        held = _Model(model.data, model.lag, (code, loss))
        return held.squares(held.best(place))

    return _profiled(squares, value, allowed, (-1000 * abs(value), 1000 * abs(value)))


def _profiled(squares: Callable[[float], float], value: float, allowed: float, ends: tuple[float, float]) -> Estimate:
    """Find where the sum of squares exceeds that at ``value`` by ``allowed``; infinite where it does not before an end."""
    least = squares(value)

    def excess(at: float) -> float:
        return squares(at) - least - allowed

    def limit(end: float) -> float:
        inner, step = value, math.copysign(1e-3 * max(abs(value), 1.0), end - value)
        rise = squares(value + step) - least
        if rise > 0:  # where a parabola through it would reach the limit, and a little beyond
            step *= min(max(1.1 * math.sqrt(allowed / rise), 1.0), 1000.0)
        while (end - inner) * step > 0:
            outer = inner + step
            if (end - outer) * step <= 0:
                outer = end
            if excess(outer) > 0:
                return float(optimize.brentq(excess, inner, outer, xtol=1e-9 * max(abs(value), 1.0)))
            inner, step = outer, 2 * step
        return math.copysign(math.inf, end - value)

    return Estimate(value, limit(ends[0]), limit(ends[1]))
