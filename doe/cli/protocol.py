"""Commands about the protocol: ``new``, ``amend``, ``status``."""

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.options import HERE, JsonOption, StudyOption, folder_of, show


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(new)
    app.command()(amend)
    app.command()(status)


def new(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to make; its name becomes the study's id.")
    ],
    family: Annotated[str | None, typer.Option(help="Material family; picks ranges and cautions. Without it: a list.")] = None,
    title: Annotated[str | None, typer.Option(help="What the study is about, in one line.")] = None,
    printers: Annotated[int, typer.Option(min=1, max=12, help="How many printers take part.")] = 2,
    responses: Annotated[
        str | None, typer.Option(metavar="NAMES", help="What is measured, separated by commas; from what the family offers.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a study folder with a commented study.toml, and print the cautions."""
    from doe.cli import starting

    show(starting.new(folder_of(directory), starting.Wanted(family, title, printers, responses)), as_json)


def amend(
    reason: Annotated[str, typer.Option(help="Why the protocol changes; goes into the log and the report.")],
    study: StudyOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Accept a change of study.toml after the plan was made, with its reason."""
    from doe.cli import steps

    show(steps.amend(folder_of(study), reason), as_json)


def status(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """Say where the study stands and which command comes next."""
    from doe.cli import standing

    show(standing.status(folder_of(study)), as_json)
