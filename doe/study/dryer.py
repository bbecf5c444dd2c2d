"""What a drying is asked about: the filament, the oven's air, the air of the room.

What was not said is filled in: of the material by illustrative values, which are no measurement of anybody's filament and carry
that label wherever they are shown; of the shop by common practice.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields

import numpy as np

from doe.errors import InputRefused, Problem
from doe.numerics import drying, oven_air
from doe.numerics.drying import Course, Diffusivity, Stage
from doe.numerics.weighings import DryingFit, Estimate, slowdown

GIVEN, FITTED = "given", "fitted to weighings"
ILLUSTRATIVE = "illustrative, not your material"
USUAL = "common practice, no source"
STUDY = "study.toml"
_HALF = "half of the highest moisture to print with, for want of a better"
STRAND, SPOOL = "bare strand", "wound spool"
_LONGEST = 10_000.0
_DRY_ENOUGH = 0.05
"""Share of what can leave that is still inside where drying ends for want of a target that is ever met."""
_FROM = {
    "diameter": (1.75, USUAL), "temperature": (80.0, USUAL),
    "diffusivity": (5e-13, ILLUSTRATIVE), "diffusivity_temperature": (23.0, ILLUSTRATIVE),
    "activation_energy": (55.0, ILLUSTRATIVE), "start_moisture": (2.7, ILLUSTRATIVE),
    "equilibrium_moisture": (2.7, ILLUSTRATIVE), "equilibrium_humidity": (50.0, ILLUSTRATIVE), "target": (0.2, ILLUSTRATIVE),
    "room_temperature": (23.0, USUAL), "room_humidity": (50.0, USUAL), "spool_factor": (3.0, USUAL),
}  # fmt: skip
"""What stands where nothing was said. The material is of the order of a polyamide 6 in a room."""


@dataclass(frozen=True)
class Range:
    """What an option may be."""

    low: float
    high: float
    unit: str
    above: bool = False
    """Whether the lower end itself is excluded."""

    def holds(self, value: float) -> bool:
        """Whether a value lies in it; what is no number does not."""
        return self.low <= value <= self.high and not (self.above and value == self.low)

    @property
    def words(self) -> str:
        """The range as text."""
        start = f"above {self.low:g} and at most" if self.above else f"{self.low:g} to"
        return f"{start} {self.high:g} {self.unit}".rstrip()


RANGES: Mapping[str, Range] = {
    "diameter": Range(0.1, 20, "mm"),
    "temperature": Range(0, 150, "°C"),
    "diffusivity": Range(1e-20, 1e-6, "m²/s"),
    "diffusivity_temperature": Range(-50, 300, "°C"),
    "activation_energy": Range(0, 400, "kJ/mol"),
    "start_moisture": Range(0, 100, "%", above=True),
    "equilibrium_moisture": Range(0, 100, "%"),
    "equilibrium_humidity": Range(0, 100, "%", above=True),
    "target": Range(0, 100, "%", above=True),
    "ceiling": Range(0, 100, "%", above=True),
    "hours": Range(0, _LONGEST, "h", above=True),
    "room_temperature": Range(-20, 60, "°C"),
    "room_humidity": Range(0, 100, "%"),
    "dew_point": Range(-80, 150, "°C"),
    "spool_factor": Range(1, 1000, ""),
}


@dataclass(frozen=True)
class Asked:
    """What was said; None where nothing was. Moistures are in % of the dry mass, humidities relative and in %."""

    diameter: float | None = None
    """mm."""
    temperature: float | None = None
    """Of the oven, degC."""
    diffusivity: float | None = None
    """m^2/s, of the strand."""
    diffusivity_temperature: float | None = None
    """degC at which it holds."""
    activation_energy: float | None = None
    """kJ/mol."""
    start_moisture: float | None = None
    equilibrium_moisture: float | None = None
    """In air of ``equilibrium_humidity``."""
    equilibrium_humidity: float | None = None
    target: float | None = None
    ceiling: float | None = None
    """Highest moisture to print with."""
    hours: float | None = None
    """h."""
    room_temperature: float | None = None
    """degC."""
    room_humidity: float | None = None
    dew_point: float | None = None
    """degC, of dried air; None: air of the room is warmed."""
    spool_factor: float | None = None
    """How many times longer a spool takes than a bare strand."""


@dataclass(frozen=True)
class Dryer:
    """A drying with everything that is needed to compute it."""

    values: Mapping[str, float]
    """By the names of :class:`Asked`, in its units."""
    sources: Mapping[str, str]
    forms: Mapping[str, Diffusivity]
    """Of a strand, and of the same strand on a spool (effective)."""
    factor: Estimate | None
    """How many times longer the spool takes, with limits where it was fitted; None where the strand is not known."""
    humidity: float
    """Of the air in the oven, relative, %."""
    floor: float
    """Moisture that this air keeps in the filament, % of the dry mass."""
    room_floor: float
    """The same of the room's air."""

    @property
    def illustrative(self) -> bool:
        """Whether anything of the material was not said, or is of no real filament by what the study says."""
        return any(source.endswith(ILLUSTRATIVE) for source in self.sources.values())

    def course(self, form: str) -> Course:
        """Return how one form of the filament dries in the oven."""
        return Course(self._rate(form, self.values["temperature"]), self.values["start_moisture"], self.floor)

    def open_air(self, form: str) -> Course:
        """Return rate and floor in the room; what the oven left counts for the start, not this one's."""
        rate = self._rate(form, self.values["room_temperature"])
        return Course(rate, 0.0 if self.room_floor > 0 else 1.0, self.room_floor)

    def moisture_out(self, form: str, out: float) -> float:
        """Return the moisture after some hours in the room that follow the drying, % of the dry mass."""
        oven, room = self.course(form), self.open_air(form)
        stages = [Stage(oven.rate, oven.floor, self.values["hours"]), Stage(room.rate, room.floor, out)]
        return float(drying.moisture_after(oven.start, stages))

    def hours_out(self, form: str) -> float:
        """Return how long it may stay in the room after the drying until it holds the ceiling, h; 0 where it is too wet then."""
        oven, room = self.course(form), self.open_air(form)
        return drying.hours_open(oven, self.values["hours"], room, self.values["ceiling"])

    def hours_to_target(self, form: str) -> float:
        """Return the hours until the target is met; infinity where this air never lets it."""
        return float(drying.hours_until(self.course(form), self.values["target"]))

    def highest_dew_point(self) -> float | None:
        """Return the dew point with which the air keeps half of the target in the filament, degC; None where none can."""
        known, at_humidity = self.values["equilibrium_moisture"], self.values["equilibrium_humidity"]
        humidity = min(self.values["target"] / 2 / known * at_humidity, 100.0) if known > 0 else 100.0
        pressure = humidity / 100 * float(oven_air.saturation_pressure(self.values["temperature"]))
        return float(oven_air.dew_point(pressure)) if pressure >= float(oven_air.vapour_pressure(-80)) else None

    def _rate(self, form: str, celsius: float) -> float:
        return drying.rate(float(self.forms[form].at(celsius)), self.values["diameter"])


def option(name: str) -> str:
    """Return a name as it is typed: ``--start-moisture``."""
    return "--" + name.replace("_", "-")


def problems_of(asked: Asked) -> list[Problem]:
    """Return everything that is wrong with what was said, as far as it shows before any weighings are read."""
    return [*_out_of_range(asked), *_alone(asked)]


def dryer(
    asked: Asked, strand: DryingFit | None = None, spool: DryingFit | None = None,
    known: Mapping[str, tuple[float, str]] | None = None,
) -> Dryer:
    """
    Complete what was said.

    Parameters
    ----------
    asked : Asked
        Without problems of its own (:func:`problems_of`).
    strand, spool : DryingFit, optional
        What weighings of loose filament, and of a wound spool, say. They go before what was given.
    known : mapping of name to (value, source), optional
        What a study says, by the names of :class:`Asked`, for where nothing was given. With its ``ceiling`` half of the ceiling
        is dried to where no target was given.

    Returns
    -------
    Dryer

    Raises
    ------
    InputRefused
        Where the parts do not fit each other, with every problem.
    """
    values = {name: usual for name, (usual, _) in _FROM.items()}
    sources = {name: source for name, (_, source) in _FROM.items()}
    for name, (value, source) in (known or {}).items():
        values[name], sources[name] = value, source
    for name, value in _said(asked):
        values[name], sources[name] = value, GIVEN
    if "ceiling" in (known or {}) and asked.target is None:
        values["target"], sources["target"] = values["ceiling"] / 2, _HALF
    if strand is not None:
        _take(values, sources, strand)
    values.setdefault("ceiling", 2 * values["target"])
    sources.setdefault("ceiling", "twice the target, for want of a better")
    problems = [*_uneven(values, sources), *_cold(strand, spool)]
    if problems:
        raise InputRefused(problems)
    humidity = _humidity(values)
    held = values["equilibrium_moisture"], values["equilibrium_humidity"]
    floor = float(oven_air.equilibrium_moisture(humidity, *held))
    if floor >= values["start_moisture"]:
        raise InputRefused(_nothing_dries(values["start_moisture"], floor))
    forms, factor = _forms(values, sources, strand, spool)
    room = float(oven_air.equilibrium_moisture(values["room_humidity"], *held))
    made = Dryer(values, sources, forms, factor, humidity, floor, room)
    if "hours" not in values:
        values["hours"], sources["hours"] = _long_enough(made)
    return made


def _said(asked: Asked) -> Iterator[tuple[str, float]]:
    for one in fields(asked):
        value = getattr(asked, one.name)
        if value is not None:
            yield one.name, float(value)


def _out_of_range(asked: Asked) -> Iterator[Problem]:
    for name, value in _said(asked):
        if not RANGES[name].holds(value):
            remedy = "give it in m²/s, such as 5e-13" if name == "diffusivity" else "look for a slip of decimal point or unit"
            yield Problem(option(name), f"{value:g}", f"it is {RANGES[name].words}", remedy)


def _alone(asked: Asked) -> Iterator[Problem]:
    pairs = (
        ("diffusivity", "diffusivity_temperature", "a diffusivity holds at one temperature"),
        ("diffusivity_temperature", "diffusivity", "it is the temperature of a diffusivity"),
        ("equilibrium_humidity", "equilibrium_moisture", "it is the humidity of a known moisture"),
        ("equilibrium_moisture", "equilibrium_humidity", "a moisture in equilibrium belongs to a humidity"),
    )
    for one, other, allowed in pairs:
        if getattr(asked, one) is not None and getattr(asked, other) is None:
            yield Problem(option(one), f"there is no {option(other)}", allowed, f"add {option(other)}, or leave both out")


def _uneven(values: Mapping[str, float], sources: Mapping[str, str]) -> Iterator[Problem]:
    start, target, ceiling = (values[name] for name in ("start_moisture", "target", "ceiling"))
    if target >= start:
        yield Problem(
            "--target", f"{target:g} %, and the filament holds {start:g} % at the start", "drying makes it less",
            "give a lower --target, or the measured --start-moisture",
        )
    if ceiling < target:
        where = f"{STUDY}, material.moisture_at_most" if sources["ceiling"].startswith(STUDY) else "--ceiling"
        yield Problem(
            where, f"{ceiling:g} %, and the target is {target:g} %", "what was dried to its target may be printed",
            "give a --ceiling that is not below the target",
        )
    if _moist_air(values):
        where = "--dew-point" if "dew_point" in values else "--temperature"
        yield Problem(
            where, "the air would hold more water than it can at the oven's temperature", "the oven is warmer than its dew point",
            "look at --temperature and at what was said of the air",
        )


def _cold(*fits: DryingFit | None) -> Iterator[Problem]:
    for fit in fits:
        if fit is not None and fit.activation is not None and not fit.activation.value >= 0:
            yield Problem(
                "weighings", f"the warmer oven dried more slowly (activation energy {fit.activation.value / 1000:.3g} kJ/mol)",
                "water moves faster where it is warmer", "look at hours and temperatures, or fit the dryings one by one",
            )


def _moist_air(values: Mapping[str, float]) -> bool:
    return _pressure(values) > float(oven_air.saturation_pressure(values["temperature"]))


def _pressure(values: Mapping[str, float]) -> float:
    if "dew_point" in values:
        return float(oven_air.vapour_pressure(values["dew_point"]))
    return float(oven_air.room_pressure(values["room_temperature"], values["room_humidity"]))


def _humidity(values: Mapping[str, float]) -> float:
    return min(float(oven_air.relative_humidity(_pressure(values), values["temperature"])), 100.0)


def _nothing_dries(start: float, floor: float) -> Problem:
    return Problem(
        "--start-moisture", f"{start:g} %, and the air of the oven keeps {floor:.3g} % in the filament", "drying takes water out",
        "give dried air (--dew-point), a hotter oven, or the measured moisture",
    )


def _take(values: dict[str, float], sources: dict[str, str], fit: DryingFit) -> None:
    """Put what weighings of a strand say in the place of what was given."""
    values["diffusivity"], values["diffusivity_temperature"] = fit.diffusivity.value, fit.temperature
    sources["diffusivity"] = sources["diffusivity_temperature"] = FITTED
    if fit.activation is not None:
        values["activation_energy"], sources["activation_energy"] = fit.activation.value / 1000, FITTED


def _forms(
    values: dict[str, float], sources: dict[str, str], of_strand: DryingFit | None, fit: DryingFit | None
) -> tuple[dict[str, Diffusivity], Estimate | None]:
    """Return the diffusivity of strand and spool, and how many times longer the spool takes."""
    energy = 1000 * values["activation_energy"]
    strand = Diffusivity(values["diffusivity"], energy, values["diffusivity_temperature"])
    if fit is None:
        factor = values["spool_factor"]
        spool = Diffusivity(strand.value / factor, energy, strand.temperature)
        return {STRAND: strand, SPOOL: spool}, Estimate(factor, factor, factor)
    of_spool = energy if fit.activation is None else fit.activation.value
    spool = Diffusivity(fit.diffusivity.value, of_spool, fit.temperature)
    found = slowdown(float(strand.at(fit.temperature)), fit.diffusivity)
    values["spool_factor"], sources["spool_factor"] = found.value, FITTED
    if sources["diffusivity"].endswith(ILLUSTRATIVE):
        return {STRAND: strand, SPOOL: spool}, None
    return {STRAND: strand, SPOOL: spool}, found if of_strand is None else _both_ways(found, of_strand.diffusivity)


def _both_ways(factor: Estimate, strand: Estimate) -> Estimate:
    """Return the factor with limits from the ends of both intervals: wider than need be."""
    return Estimate(factor.value, factor.low * strand.low / strand.value, factor.high * strand.high / strand.value)


def _long_enough(made: Dryer) -> tuple[float, str]:
    """Return how long a spool is dried where nobody said it, h."""
    hours = made.hours_to_target(SPOOL)
    if math.isfinite(hours):
        return hours, "until a spool meets the target"
    course = made.course(SPOOL)
    left = course.floor + _DRY_ENOUGH * (course.start - course.floor)
    return float(drying.hours_at(course, np.float64(left))), "until 95 % of what can leave a spool has left"
