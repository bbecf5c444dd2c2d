"""The command about drying a filament: ``drying``. It works without a study, and changes none."""

from pathlib import Path
from typing import Annotated, Any

import typer

from doe.cli.options import JsonOption, show

_STUDY = (
    "A study: take what its [oven] and [material] say, where no option says otherwise, and propose levels for its drying time, "
    "if that is one of its factors. Nothing in it changes."
)
_COURSE = "CSV file with headings hours and mass (g), and for several dryings temperature (°C) and drying"
StudyLevels = Annotated[Path | None, typer.Option("--study", metavar="DIR", help=_STUDY)]
Levels = Annotated[int, typer.Option(min=2, max=9, help="Levels to propose, with --study.")]
Wettest = Annotated[float | None, typer.Option(help="Moisture of the shortest drying to propose, %; with --study.")]
Diameter = Annotated[float | None, typer.Option(help="Of the filament, mm; 1.75 without it.")]
Temperature = Annotated[float | None, typer.Option(help="Of the oven, °C; the study's or 80 without it.")]
Diffusivity = Annotated[float | None, typer.Option(help="Of water in the material, m²/s: 5e-13, say. Illustrative without it.")]
DiffusivityAt = Annotated[float | None, typer.Option(help="Temperature at which that diffusivity holds, °C.")]
Energy = Annotated[float | None, typer.Option(help="Activation energy of the diffusivity, kJ/mol. Illustrative without it.")]
Start = Annotated[float | None, typer.Option(help="Moisture before drying, % of the dry mass. Illustrative without it.")]
Target = Annotated[float | None, typer.Option(help="Moisture to dry to, % of the dry mass. Illustrative without it.")]
Ceiling = Annotated[float | None, typer.Option(help="Highest moisture to print with, %; twice the target without it.")]
Hours = Annotated[float | None, typer.Option(help="Drying time, h; without it the study's, else until a spool meets the target.")]
Holds = Annotated[float | None, typer.Option(help="Moisture that the material holds in air, %, as its data sheet says.")]
HoldsAt = Annotated[float | None, typer.Option(help="Relative humidity of that air, %; 100 for saturation.")]
Room = Annotated[float | None, typer.Option(help="Of the room, °C; 23 without it.")]
RoomHumidity = Annotated[float | None, typer.Option(help="Relative humidity of the room, %; 50 without it.")]
DewPoint = Annotated[float | None, typer.Option(help="Of the oven's air where it is dried, °C; else air of the room is warmed.")]
Factor = Annotated[float | None, typer.Option(help="How many times longer a spool takes than a strand; 3 without it.")]
OfStrand = Annotated[Path | None, typer.Option(metavar="FILE", help=f"Weighings of loose filament to fit: {_COURSE}.")]
OfSpool = Annotated[Path | None, typer.Option(metavar="FILE", help="The same of a wound spool.")]
Before = Annotated[float | None, typer.Option(help="Filament and spool before drying, g.")]
After = Annotated[float | None, typer.Option(help="Filament and spool after drying, g.")]
Empty = Annotated[float | None, typer.Option(help="The empty spool before drying, g.")]
EmptyLoss = Annotated[float | None, typer.Option(help="What an empty spool dried alongside lost, g: cardboard dries too.")]
Readability = Annotated[float, typer.Option(help="Smallest step of the balance, g.")]
FigureFile = Annotated[Path | None, typer.Option(metavar="FILE", help="Draw the course into a new .svg or .pdf file.")]


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(drying)


def drying(
    study: StudyLevels = None, levels: Levels = 3, wettest: Wettest = None,
    temperature: Temperature = None, hours: Hours = None, diameter: Diameter = None,
    start_moisture: Start = None, target: Target = None, ceiling: Ceiling = None,
    diffusivity: Diffusivity = None, diffusivity_temperature: DiffusivityAt = None, activation_energy: Energy = None,
    equilibrium_moisture: Holds = None, equilibrium_humidity: HoldsAt = None,
    room_temperature: Room = None, room_humidity: RoomHumidity = None, dew_point: DewPoint = None,
    spool_factor: Factor = None, strand_weighings: OfStrand = None, spool_weighings: OfSpool = None,
    mass_before: Before = None, mass_after: After = None, empty_spool: Empty = None, empty_spool_loss: EmptyLoss = None,
    readability: Readability = 0.1, figure: FigureFile = None, as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Say how long a filament dries, what the oven's air leaves in it, and how long it may stay out. Changes no study."""
    said: dict[str, Any] = dict(locals())  # the options by their names, which are those of the classes below
    from dataclasses import fields

    from doe.cli import drying_step
    from doe.study.dryer import Asked
    from doe.study.spool_mass import Masses

    asked = Asked(**{one.name: said[one.name] for one in fields(Asked)})
    masses = Masses(**{one.name: said[one.name] for one in fields(Masses)})
    files = drying_step.Sources(study, levels, wettest, strand_weighings, spool_weighings, figure)
    show(drying_step.dried(asked, masses, files), as_json)
