"""Rows about the filament: what it stands, what it is filled with, how it dries, each value with where it comes from."""

from doe.report import numbers
from doe.report.tables import Table
from doe.study.filament import DryingData, Material
from doe.study.spec import Study

__all__ = ["filament_rows"]

_STANDS = (
    ("glass_transition", "glass transition, lower end", "°C"), ("drying_at_most", "dry no hotter than", "°C"),
    ("nozzle_advised_to", "nozzle advised up to", "°C"), ("moisture_at_most", "highest moisture to print with", "% of the mass"),
)
_DRYING = (
    ("diffusivity", "diffusivity of water in the bare strand", "m²/s", "diffusivity"),
    ("diffusivity_temperature", "temperature at which that holds", "°C", "diffusivity"),
    ("activation_energy", "activation energy of the diffusion", "kJ/mol", "activation_energy"),
    ("strand_diameter", "diameter of the strand", "mm", "strand_diameter"),
    ("spool_factor", "times longer that a wound spool takes", "", "spool_factor"),
    ("start_moisture", "moisture before drying", "% of the dry mass", "start_moisture"),
    ("equilibrium_moisture", "moisture taken up from air", "% of the dry mass", "equilibrium_moisture"),
    ("equilibrium_humidity", "relative humidity of that air", "%", "equilibrium_moisture"),
    ("dew_point", "dew point of the oven's dried air", "°C", "air"),
    ("room_temperature", "temperature of the air that the oven warms", "°C", "air"),
    ("room_humidity", "relative humidity of that air", "%", "air"),
)
"""Key, words, unit, and whose basis counts for it."""


def filament_rows(study: Study) -> Table:
    """Return what the study says of its filament; no rows where it says nothing."""
    material = study.material
    rows = [*_stands(material), *([] if material.drying is None else _dries(material.drying))]
    note = (
        "Given: from a data sheet or a measurement. Fitted: from weighings. Illustrative: invented, of nobody's filament; what"
        " is computed from it is no more than an example."
    )
    return Table("The filament", ("What", "Value", "From"), tuple(rows), "lll", note if material.drying is not None else "")


def _stands(material: Material) -> list[tuple[str, str, str]]:
    rows = []
    for key, said, unit in _STANDS:
        value = getattr(material, key)
        if value is not None:
            rows.append((said, f"{numbers.exact(value)} {unit}", getattr(material, f"{key}_source") or "no source stated"))
    return rows if material.fibres == "none" else [*rows, ("fibres", material.fibres, "the study")]


def _dries(data: DryingData) -> list[tuple[str, str, str]]:
    found = [(key, said, unit, based, getattr(data, key)) for key, said, unit, based in _DRYING]
    return [
        (said, f"{numbers.exact(value)} {unit}".rstrip(), data.basis.get(based, "given"))  # type: ignore[call-overload]
        for _, said, unit, based, value in found if value is not None
    ]  # fmt: skip
