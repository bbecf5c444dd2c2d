"""What a study says of its filament, its oven or the air, in the words of ``doe drying``."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from doe.errors import Problem
from doe.study.dryer import FITTED, ILLUSTRATIVE, RANGES, STUDY, Asked, option
from doe.study.filament import DryingData
from doe.study.heat import drying_limits
from doe.study.spec import Study

_BASES: Mapping[str, str] = {"given": STUDY, "fitted": f"{STUDY}, {FITTED}", "illustrative": f"{STUDY}, {ILLUSTRATIVE}"}
_KEYS: Mapping[str, tuple[str, str]] = {
    "diffusivity": ("diffusivity", "diffusivity"), "diffusivity_temperature": ("diffusivity_temperature", "diffusivity"),
    "activation_energy": ("activation_energy", "activation_energy"), "diameter": ("strand_diameter", "strand_diameter"),
    "spool_factor": ("spool_factor", "spool_factor"), "start_moisture": ("start_moisture", "start_moisture"),
    "equilibrium_moisture": ("equilibrium_moisture", "equilibrium_moisture"),
    "equilibrium_humidity": ("equilibrium_humidity", "equilibrium_moisture"), "dew_point": ("dew_point", "air"),
    "room_temperature": ("room_temperature", "air"), "room_humidity": ("room_humidity", "air"),
}  # fmt: skip
"""By the names of :class:`doe.study.dryer.Asked`: the key under ``[material.drying]``, and whose basis counts for it."""


@dataclass(frozen=True)
class Known:
    """A value that a study gives."""

    value: float
    """In the unit of :data:`doe.study.dryer.RANGES`."""
    source: str
    """Where it comes from, in words; ends with ``ILLUSTRATIVE`` where the study says that it is of no real filament."""
    where: str
    """Its key."""


def known_of(study: Study) -> dict[str, Known]:
    """Return what a study says of a drying, by the names of :class:`doe.study.dryer.Asked`."""
    found = {}
    if study.oven.temperature is not None:
        found["temperature"] = Known(study.oven.temperature, STUDY, "oven.temperature")
    if study.oven.drying_time is not None:
        found["hours"] = Known(study.oven.drying_time, STUDY, "oven.drying_time")
    material = study.material
    if material.moisture_at_most is not None:
        source = f"{STUDY}, {material.moisture_at_most_source or 'without a source'}"
        found["ceiling"] = Known(material.moisture_at_most, source, "material.moisture_at_most")
    return found | ({} if material.drying is None else dict(_of_filament(material.drying)))


def known_problems(study: Study, asked: Asked) -> Iterator[Problem]:
    """Yield what a study says that nothing can be computed with, unless an option goes before it, and heat that harms."""
    for bound in drying_limits(study.material, study.oven) if asked.temperature is not None else ():
        assert asked.temperature is not None
        if bound.broken_by(asked.temperature):
            yield Problem("--temperature", f"{asked.temperature:g} °C", bound.allowed, bound.remedy)
    for name, one in known_of(study).items():
        if getattr(asked, name) is None and not RANGES[name].holds(one.value):
            found = f"{one.value:g} {RANGES[name].unit}".rstrip()
            yield Problem(f"{STUDY}, {one.where}", found, f"it is {RANGES[name].words}", f"give {option(name)}")


def _of_filament(data: DryingData) -> Iterator[tuple[str, Known]]:
    basis: Mapping[Any, str] = data.basis
    for name, (key, based) in _KEYS.items():
        value = getattr(data, key)
        if value is not None:
            yield name, Known(float(value), _BASES[basis.get(based, "given")], f"material.drying.{key}")
