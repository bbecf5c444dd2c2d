"""Commands that look for what was altered: ``check`` in a study, ``verify`` in a report."""

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.open_study import STUDY, Done, no_study
from doe.cli.options import HERE, JsonOption, StudyOption, show
from doe.errors import InputRefused, StudyAltered
from doe.files import Folder


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command()(check)
    app.command()(verify)


def check(study: StudyOption = HERE, as_json: JsonOption = False) -> None:
    """
    Say which files were altered outside doe since it wrote them.

    Compares every file of the study with its log, and changes nothing.
    """
    show(checked(Folder(study)), as_json)


def verify(
    report: Annotated[Path, typer.Argument(metavar="FILE", help="The report: a report.pdf that 'doe report' wrote.")],
    as_json: JsonOption = False,
) -> None:
    """
    Compute a report anew from the study inside it, and compare every number.

    Needs nothing but the file, and changes nothing.
    """
    from doe.cli import verifying

    show(verifying.verified(report), as_json)


def checked(folder: Folder) -> Done:
    """
    Compare the study with its log.

    Raises
    ------
    InputRefused
        No study there.
    StudyAltered
        One problem for each thing that was altered.
    """
    if not folder.has(STUDY):
        raise InputRefused(no_study(folder))
    from doe.record.integrity import examine

    with folder.settled("check") as stopped:
        found = examine(folder)
    if found.problems:
        raise StudyAltered(found.problems)
    resumed = () if stopped is None else (f"'doe {stopped}' had been interrupted while it wrote; it is finished now.",)
    notes = (*resumed, *found.notes)
    data = {"lines": found.lines, "files": found.files, "notes": list(notes)}
    whole = f"{found.files} files are as the log's {found.lines} lines say; nothing was altered outside doe."
    return Done(data, lines=(*notes, whole))
