"""Options that every command shares, and how a result is shown."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from doe.files import Folder

if TYPE_CHECKING:
    from doe.cli.desk import Done

StudyOption = Annotated[
    Path, typer.Option("--study", metavar="DIR", help="The study's folder; the current one without it.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object on standard output, nothing else.")]
HERE = Path()


def folder_of(study: Path) -> Folder:
    """Return the study folder that the command works on."""
    return Folder(study)


def show(done: "Done", as_json: bool) -> None:
    """Print a finished step: one JSON object, or its tables and sentences."""
    if as_json:
        print(json.dumps(done.data, ensure_ascii=False, allow_nan=False))
        return
    from doe.report.tables import plain_text

    for line in done.opening:
        print(line)
    if done.opening:
        print()
    for table in done.tables:
        print(plain_text(table, _width()), end="\n\n")
    for line in done.lines:
        print(line)


def _width() -> int:
    import shutil

    return min(max(shutil.get_terminal_size((100, 24)).columns, 60), 140)
