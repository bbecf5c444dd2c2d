"""``[material]``: what the filament stands or wants, how it dries."""

from typing import Annotated, Literal

from pydantic import Field

from doe.study.parts import NotNegative, Number, Part, Positive, Text

Basis = Literal["given", "fitted", "illustrative"]
"""Where a value is from: a data sheet or a measurement, weighings (``doe drying``), or nobody's filament at all."""
Based = Literal[
    "diffusivity", "activation_energy", "strand_diameter", "spool_factor", "start_moisture", "equilibrium_moisture", "air"
]
"""What has a basis: a diffusivity with the temperature at which it holds, an equilibrium moisture with its humidity."""
Percent = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]


class DryingData(Part):
    """
    ``[material.drying]``: what a factor with ``scale = "moisture"`` is computed from, each value with its basis.

    The words and units are those of ``doe drying``. Of the oven's air either the dew point is known (dried air), or the room's
    air is warmed.
    """

    diffusivity: Positive
    """m^2/s, of the bare strand."""
    diffusivity_temperature: Number
    """degC at which it holds."""
    activation_energy: Annotated[float, Field(ge=0, le=400, allow_inf_nan=False)]
    """kJ/mol."""
    strand_diameter: Positive
    """mm."""
    spool_factor: Annotated[float, Field(ge=1, le=1000, allow_inf_nan=False)]
    """How many times longer a wound spool takes than a bare strand."""
    start_moisture: Percent
    """Before drying, % of the dry mass."""
    equilibrium_moisture: NotNegative
    """In air of ``equilibrium_humidity``, % of the dry mass."""
    equilibrium_humidity: Percent
    """Relative, %."""
    dew_point: Number | None = None
    """Of dried air, degC."""
    room_temperature: Number | None = None
    """Of the air that the oven warms, degC."""
    room_humidity: Share | None = None
    """The same, relative, %."""
    basis: dict[Based, Basis]
    """For every one of the values: ``given``, ``fitted`` or ``illustrative``."""


class Material(Part):
    """
    ``[material]``: what the filament stands and wants, each value with its source; nothing is looked up elsewhere.

    Drying at or above 5 degC below ``glass_transition``, or above ``drying_at_most``, is refused; the other values warn.
    """

    glass_transition: Number | None = None
    """Degrees Celsius, the lower end; given where wound filament fuses near it (amorphous plastics, and PLA)."""
    glass_transition_source: Text | None = None
    drying_at_most: Number | None = None
    """Degrees Celsius, of wound filament."""
    drying_at_most_source: Text | None = None
    nozzle_advised_to: Number | None = None
    """Degrees Celsius; above it a range is warned of."""
    nozzle_advised_to_source: Text | None = None
    moisture_at_most: Percent | None = None
    """Highest moisture to print with, % of the mass; stated for those who weigh or measure."""
    moisture_at_most_source: Text | None = None
    fibres: Literal["none", "carbon", "glass"] = "none"
    """What it is filled with: fibres wear a brass nozzle."""
    drying: DryingData | None = None
    """How it dries, for a factor with ``scale = "moisture"``."""
