"""What a balance says about a spool: at which reading it is dry enough, or what a drying took out."""

from collections.abc import Iterator
from dataclasses import dataclass, fields

from doe.errors import Problem
from doe.numerics import water_loss
from doe.study.dryer import option

_MOST = 1e6
"""Grams; more is a slip."""
_COVERAGE = 2.0
"""Factor k of an expanded uncertainty."""


@dataclass(frozen=True)
class Masses:
    """What was weighed, g; None where nothing was said."""

    mass_before: float | None = None
    """Filament and spool together."""
    mass_after: float | None = None
    empty_spool: float | None = None
    empty_spool_loss: float | None = None
    """What an empty spool lost that was dried alongside."""
    readability: float = 0.1
    """Smallest step of the balance."""

    @property
    def said(self) -> bool:
        """Whether there is anything to work out."""
        return self.mass_before is not None


@dataclass(frozen=True)
class Lost:
    """What left the filament, and what is left in it."""

    grams: float
    percent: float
    """% of the net mass before drying."""
    percent_uncertainty: float
    """Expanded (k = 2), from the balance's readability alone; percentage points."""
    left: float
    """% of the dry mass; below 0 where a mass or the moisture at the start cannot be right."""


@dataclass(frozen=True)
class SpoolMass:
    """The arithmetic of one spool, g."""

    net: float
    dry: float
    """Net mass without any water."""
    target_reading: float
    """What the balance shows, spool included, when the filament has its target."""
    lost: Lost | None


def mass_problems(masses: Masses) -> Iterator[Problem]:
    """Yield everything that is wrong with the masses."""
    said = {one.name: getattr(masses, one.name) for one in fields(masses) if getattr(masses, one.name) is not None}
    wrong = False
    for name, value in said.items():
        least = "above 0" if name in ("readability", "mass_before", "mass_after") else "0 or more"
        if not 0 <= value <= _MOST or (value == 0 and least == "above 0"):
            wrong = True
            allowed = f"it is {least} and at most {_MOST:g} g"
            yield Problem(option(name), f"{value:g}", allowed, "look for a slip of the decimal point")
    for name in said:
        for other in ("mass_before", "empty_spool"):
            if name not in ("readability", other) and other not in said:
                wrong = True
                yield Problem(option(name), f"there is no {option(other)}", "the net mass needs both", f"add {option(other)}")
    if not wrong and masses.said:
        tare, hub = said["empty_spool"], said.get("empty_spool_loss", 0.0)
        for name, least in (("mass_before", tare), ("mass_after", tare - hub)):
            if name in said and said[name] <= least:
                yield Problem(
                    option(name), f"{said[name]:g} g", f"with filament it is above that of the empty spool, {least:g} g",
                    "weigh the spool with its filament, and an empty spool of the same kind",
                )  # fmt: skip


def spool_mass(masses: Masses, start: float, target: float) -> SpoolMass:
    """
    Work out a spool's masses.

    Parameters
    ----------
    masses : Masses
        Without problems (:func:`mass_problems`), with the mass before drying.
    start, target : float
        % of the dry mass.
    """
    assert masses.mass_before is not None and masses.empty_spool is not None
    hub = masses.empty_spool_loss or 0.0
    net = masses.mass_before - masses.empty_spool
    reading = masses.empty_spool - hub + float(water_loss.mass_at(net, start, target))
    lost = None
    if masses.mass_after is not None:
        found = water_loss.mass_lost(masses.mass_before, masses.mass_after, masses.empty_spool, masses.readability, hub)
        percent = float(found.percent)
        left = float(water_loss.moisture_left(start, percent))
        lost = Lost(float(found.grams), percent, _COVERAGE * float(found.uncertainty), left)
    return SpoolMass(net, float(water_loss.mass_at(net, start, 0.0)), reading, lost)
