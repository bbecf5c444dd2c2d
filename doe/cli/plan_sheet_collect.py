"""Commands around the printing: ``plan``, ``sheet``, ``collect``."""

from pathlib import Path
from typing import Annotated

import typer

from doe.cli import plan_options as ask
from doe.cli.open_study import require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.files import Folder


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(plan)
    app.command()(sheet)
    app.command()(collect)


def plan(
    study: StudyOption = HERE,
    purpose: ask.PurposeOption = None,
    prints: ask.Prints = None,
    loads: ask.Loads = None,
    one_round: ask.OneRound = False,
    compare: ask.Compare = False,
    candidate: ask.Candidate = None,
    pilot: ask.Pilot = False,
    reprint: ask.Reprint = False,
    adopt: ask.Adopt = None,
    kind: ask.KindOption = None,
    resolution: ask.Resolution = None,
    centre: ask.Centre = None,
    form: ask.FormOption = ask.Form.face,
    distance: ask.DistanceOption = ask.Distance.rotatable,
    replicates: ask.Replicates = 1,
    seed: ask.Seed = None,
    replace: ask.Replace = False,
    as_json: JsonOption = False,
) -> None:
    """
    Plan the prints: their settings, drying loads, printers and random order.

    Writes plan.csv and locks study.toml: from here on a change of it needs 'doe amend' and a reason. Says which effects the
    plan will find, and what it takes in prints, hours and filament.

    For instance: doe plan --prints 30 --loads 8
    """
    from doe.cli import planning, steps
    from doe.design.request import PlanRequest

    folder = require_begun(Folder(study), planned=False)
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
    """
    Write the workbook that operators fill in.

    It goes to sheets/. From here on the planned prints stay as they are; more can be added with 'doe extend'.
    """
    from doe.cli import steps

    show(steps.sheet(require_begun(Folder(study))), as_json)


def collect(
    books: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILE", help="Filled workbooks, also several at once; those in sheets/ without it."),
    ] = None,
    study: StudyOption = HERE,
    operator: Annotated[
        str, typer.Option("--by", metavar="NAME", help="Who hands the results in; the name stands beside corrections.")
    ] = "",
    prints: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Results of prints as a CSV file; [exports.prints] in study.toml says its headings."),
    ] = None,
    coupons: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Results of coupons as a CSV file; [exports.coupons] in study.toml says its headings."),
    ] = None,
    prefer: Annotated[
        str | None, typer.Option(metavar="FILE", help="The file that is right where two files disagree on a value.")
    ] = None,
    withdraw: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ROW:COLUMN",
            help="Take a value off the record, such as P01A-1:note; or a ROW, of a print with its coupons. Once for each.",
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Why values were corrected or withdrawn, where a row does not say so itself.")
    ] = "",
    as_json: JsonOption = False,
) -> None:
    """
    Read what operators and test machines have written down so far.

    As often as you like, also from half-filled workbooks. A value that changed is recorded as a correction.
    """
    folder = require_begun(Folder(study))
    from doe.cli import collecting

    asked = collecting.Asked(tuple(books or ()), prints, coupons, prefer, tuple(withdraw or ()), reason, operator)
    show(collecting.collect(folder, asked), as_json)
