"""The command that runs the whole path on a simulated shop: ``demo``."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from doe.cli.open_study import Done
from doe.cli.options import JsonOption, show
from doe.files import Folder

if TYPE_CHECKING:
    from doe.cli.demo_steps import Step


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command()(demo)


def demo(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make for it.")] = Path("demo-study"),
    full: Annotated[
        bool, typer.Option("--full", help="Show all that each step prints, some hundred lines, instead of a few lines on each.")
    ] = False,
    seed: Annotated[
        int,
        typer.Option(
            min=0, metavar="N", help="Number that starts the random choices: another one gives another order and other results."
        ),
    ] = 20,
    as_json: JsonOption = False,
) -> None:
    """
    Run a whole study of an invented material, from plan to report, in about half a minute.

    Printing and testing are simulated; every step is the one that a study of your own takes.
    """
    from doe.cli import demo_run

    started: list[str] = []
    if not as_json:
        show(Done({}, lines=("SIMULATED: an invented material on an invented bench, in about half a minute.", "")), as_json)

    def tell(step: "Step") -> None:
        started.append(step.typed)
        if as_json:
            return
        if full and step.done is not None:
            show(replace(step.done, opening=(f"{len(started)}  {step.typed}", *step.done.opening)), as_json)
        else:
            show(Done({}, lines=step.lines(len(started))), as_json)
        print(flush=True)

    show(demo_run.demo(Folder(directory), seed, tell), as_json)
