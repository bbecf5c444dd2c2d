"""Commands around the printing: ``plan``, ``sheet``, ``collect``."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from doe.cli.options import HERE, JsonOption, StudyOption, folder_of, show


class Kind(StrEnum):
    """Families of plans."""

    factorial = "factorial"
    fractional = "fractional"
    central_composite = "central-composite"
    box_behnken = "box-behnken"


class Form(StrEnum):
    """Forms of a central composite plan."""

    face = "face"
    circumscribed = "circumscribed"
    inscribed = "inscribed"


class Distance(StrEnum):
    """Choices of the axial distance."""

    rotatable = "rotatable"
    orthogonal = "orthogonal"


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(plan)
    app.command()(sheet)
    app.command()(collect)


def plan(
    study: StudyOption = HERE,
    kind: Annotated[
        Kind | None, typer.Option(help="Family of the plan; without it, the smallest that fits the model.")
    ] = None,
    resolution: Annotated[int | None, typer.Option(min=3, max=9, help="Least resolution of a fraction.")] = None,
    centre: Annotated[int | None, typer.Option(min=0, max=50, help="Centre prints; 4 without it.")] = None,
    form: Annotated[Form, typer.Option(help="Form of a central composite plan.")] = Form.face,
    distance: Annotated[
        Distance, typer.Option(help="Axial distance, where the form leaves it open.")
    ] = Distance.rotatable,
    replicates: Annotated[int, typer.Option(min=1, max=20, help="How often the whole plan is repeated.")] = 1,
    loads: Annotated[int | None, typer.Option(min=1, help="Drying loads; the budget's without it.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of the random order; a fresh one without it.")] = None,
    adopt: Annotated[
        Path | None, typer.Option("--from", metavar="FILE", help="Take over a plan made elsewhere (CSV).")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Throw away the plan that is there.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Plan the prints: settings, drying loads, printers, random order. Locks the protocol."""
    from doe.cli import steps
    from doe.design.points import PlanRequest

    folder = folder_of(study)
    if adopt is not None:
        show(steps.adopt(folder, adopt, replace=replace), as_json)
        return
    number = steps.fresh_seed() if seed is None else seed
    request = PlanRequest(
        kind.value if kind else None, resolution, centre, form.value, distance.value, replicates, loads, number
    )
    show(steps.plan(folder, request, replace=replace), as_json)


def sheet(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """Write the workbook that operators fill in. Freezes the plan."""
    from doe.cli import steps

    show(steps.sheet(folder_of(study)), as_json)


def collect(
    books: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE]...", help="Workbooks; those in sheets/ without it.")
    ] = None,
    study: StudyOption = HERE,
    operator: Annotated[str, typer.Option("--by", help="Who hands the workbook in; stands with corrections.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Read what operators filled in so far; again and again if you like."""
    from doe.cli import steps

    show(steps.collect(folder_of(study), books or [], operator), as_json)
