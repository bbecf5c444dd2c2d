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
    plackett_burman = "plackett-burman"
    definitive_screening = "definitive-screening"
    central_composite = "central-composite"
    box_behnken = "box-behnken"
    d_optimal = "d-optimal"
    i_optimal = "i-optimal"
    compound = "compound"


class Purpose(StrEnum):
    """What the prints are for."""

    screen = "screen"
    map = "map"


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
    purpose: Annotated[
        Purpose | None,
        typer.Option(help="screen: which factors matter; map: where the best setting is. Without it, what the model is for."),
    ] = None,
    prints: Annotated[int | None, typer.Option(min=1, max=2000, help="Prints; the budget's without it.")] = None,
    loads: Annotated[int | None, typer.Option(min=1, max=500, help="Drying loads; the budget's without it.")] = None,
    one_round: Annotated[
        bool, typer.Option("--one-round", help="Plan all prints now; else a third waits for a second round from 36 on.")
    ] = False,
    kind: Annotated[
        Kind | None, typer.Option(help="Kind of plan; without it, the one that suits purpose and budget.")
    ] = None,
    resolution: Annotated[int | None, typer.Option(min=3, max=9, help="Least resolution of a fraction.")] = None,
    centre: Annotated[
        int | None, typer.Option(min=0, max=50, help="Centre prints; without it 4 in a named kind, 0 in a searched one.")
    ] = None,
    form: Annotated[Form, typer.Option(help="Form of a central composite plan.")] = Form.face,
    distance: Annotated[
        Distance, typer.Option(help="Axial distance, where the form leaves it open.")
    ] = Distance.rotatable,
    replicates: Annotated[int, typer.Option(min=1, max=20, help="How often a named kind is repeated.")] = 1,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of the search and the order; fresh without it.")] = None,
    compare: Annotated[bool, typer.Option("--compare", help="Show several plans side by side; writes nothing.")] = False,
    candidate: Annotated[
        list[str] | None,
        typer.Option(help="A plan to compare: a kind, PRINTS/LOADS, or both: 'compound 24/6'. Again for each."),
    ] = None,
    pilot: Annotated[
        bool, typer.Option("--pilot", help="First a few corner prints, before drying loads are spent.")
    ] = False,
    reprint: Annotated[
        bool, typer.Option("--reprint", help="Plan the prints that were lost anew, on new drying loads.")
    ] = False,
    adopt: Annotated[
        Path | None, typer.Option("--from", metavar="FILE", help="Take over a plan made elsewhere (CSV).")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Throw away the plan that is there.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Plan the prints: settings, drying loads, printers, random order. Locks the protocol."""
    from doe.cli import planning, steps
    from doe.design.request import PlanRequest

    folder = folder_of(study)
    if adopt is not None:
        show(planning.adopt(folder, adopt, replacing=replace), as_json)
        return
    number = steps.fresh_seed() if seed is None else seed
    if reprint:
        show(planning.reprint(folder, number), as_json)
        return
    if pilot:
        show(planning.pilot(folder, number, replacing=replace), as_json)
        return
    request = PlanRequest(
        kind=kind.value if kind else None,
        purpose=purpose.value if purpose else None,
        prints=prints,
        loads=loads,
        one_round=one_round,
        resolution=resolution,
        centre=centre,
        form=form.value,
        distance=distance.value,
        replicates=replicates,
        seed=number,
    )
    if compare or candidate:
        show(planning.compare(folder, candidate or [], request), as_json)
    else:
        show(planning.plan(folder, request, replacing=replace), as_json)


def sheet(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """Write the workbook that operators fill in. Freezes the plan."""
    from doe.cli import steps

    show(steps.sheet(folder_of(study)), as_json)


def collect(
    books: Annotated[
        list[Path] | None, typer.Argument(metavar="[FILE]...", help="Workbooks, several at once; those in sheets/ without it.")
    ] = None,
    study: StudyOption = HERE,
    operator: Annotated[str, typer.Option("--by", help="Who hands it in; stands with corrections.")] = "",
    prints: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Results of prints as CSV; headings as [exports.prints] in study.toml.")
    ] = None,
    coupons: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Results of coupons as CSV; headings as [exports.coupons] in study.toml.")
    ] = None,
    prefer: Annotated[
        str | None, typer.Option(metavar="FILE", help="The file whose values stand where files disagree.")
    ] = None,
    withdraw: Annotated[
        list[str] | None,
        typer.Option(metavar="ROW:COLUMN", help="Take a value off the record, such as P01A-1:note. Again for each."),
    ] = None,
    reason: Annotated[str, typer.Option(help="Why values were corrected or withdrawn, where a row does not say so itself.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Read what operators and test machines wrote down so far; again and again if you like."""
    from doe.cli import collecting

    asked = collecting.Asked(tuple(books or ()), prints, coupons, prefer, tuple(withdraw or ()), reason, operator)
    show(collecting.collect(folder_of(study), asked), as_json)
