"""Commands about the protocol: ``new``, ``amend``, ``status``."""

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.open_study import require_begun
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.files import Folder


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(new)
    app.command()(amend)
    app.command()(status)


def new(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to make; its name becomes the name of the study.")
    ],
    family: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The material's family, such as PA-CF; it gives ranges and cautions to start from."),
    ] = None,
    title: Annotated[
        str | None, typer.Option(metavar="TEXT", help="What the study is about, in one line for the report.")
    ] = None,
    printers: Annotated[int, typer.Option(min=1, max=12, metavar="N", help="How many printers take part.")] = 2,
    responses: Annotated[
        str | None,
        typer.Option(
            metavar="NAMES",
            help="What is measured or graded, separated by commas, such as z_strength,bed_grade; the family's usual "
            "ones without it.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """
    Make a study folder with a commented study.toml, and print the cautions.

    Without --family it lists the families, and makes nothing.

    For instance: doe new my-study --family PA-CF --printers 3
    """
    from doe.cli import new_study

    show(new_study.new(Folder(directory), new_study.Wanted(family, title, printers, responses)), as_json)


def amend(
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Why the protocol changes; it stands in the log and in the report.")
    ],
    study: StudyOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """
    Accept a change of study.toml after the plan was made, with its reason.

    Edit study.toml first. The report shows before and after.

    For instance: doe amend --reason "bed_temperature: corners at 60 came off"
    """
    from doe.cli import steps

    show(steps.amend(require_begun(Folder(study), planned=False), reason), as_json)


def status(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """Say where the study stands and which command comes next."""
    from doe.cli import study_status

    show(study_status.status(Folder(study)), as_json)
