"""Options that every command shares."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from doe.cli.paragraphs import json_line, width_of, wrapped

if TYPE_CHECKING:
    from doe.cli.open_study import Done

StudyOption = Annotated[
    Path,
    typer.Option("--study", metavar="DIR", show_default=False, help="The study's folder; the current folder without it."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output, nothing else.")]
HERE = Path()


def show(done: "Done", as_json: bool) -> None:
    """Print a finished step: one JSON object, or its tables and sentences."""
    if as_json:
        print(json_line(done.data))
        return
    room = width_of(sys.stdout)
    for line in done.opening:
        print(wrapped(line, room))
    if done.opening:
        print()
    if done.tables:
        from doe.report.tables import plain_text

        for table in done.tables:
            print(plain_text(table, _width()), end="\n\n")
    for line in done.lines:
        print(wrapped(line, room))


def _width() -> int:
    import shutil

    return min(max(shutil.get_terminal_size((100, 24)).columns, 60), 140)
