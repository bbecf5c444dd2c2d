"""The command that runs the whole path on a simulated shop: ``demo``."""

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.options import JsonOption, folder_of, show


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(demo)


def demo(
    directory: Annotated[Path, typer.Argument(metavar="[DIR]", help="The folder to make.")] = Path("demo-study"),
    seed: Annotated[int, typer.Option(min=0, help="Seed of the order and of the simulated results.")] = 20,
    as_json: JsonOption = False,
) -> None:
    """Run a whole study of an invented material on a simulated bench, from plan to report."""
    from doe.cli import rehearsal

    show(rehearsal.demo(folder_of(directory), seed), as_json)
