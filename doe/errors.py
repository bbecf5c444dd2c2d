"""The one family of errors, made of the problems that it lists.

::

    DoeError
    ├── InputRefused      something the user gave cannot be used; exit status 3
    │   ├── StudyBusy     another command holds the study; exit status 3
    │   ├── StudyAltered  files were altered outside the tool; exit status 3
    │   └── NotReproduced a report says what its data do not; exit status 3
    └── InternalFault     the fault is ours; exit status 1

The library raises; only ``doe.cli.app`` turns an error into words and an exit status.
``doe.numerics`` raises ``ValueError``: it knows no names. The stages translate.
"""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing that is wrong with an input, where it is, and what to do about it."""

    where: str
    """File and key, or workbook, sheet and cell: ``study.toml, factors[2].low``."""
    found: str
    """What stands there now."""
    allowed: str
    """What may stand there."""
    remedy: str
    """What the reader should do next."""

    def __str__(self) -> str:
        return f"{self.where}: {self.found}; {self.allowed}; {self.remedy}."


class DoeError(Exception):
    """Base of every error that this package raises on purpose."""

    exit_status = 1


class InputRefused(DoeError):
    """
    An input was refused; nothing on disk was changed.

    Parameters
    ----------
    problems : Problem or iterable of Problem
        Every problem found, not only the first.
    """

    exit_status = 3
    heading = "Refused: {count}; nothing was changed."
    """What stands above the problems; ``{count}`` is their number in words."""
    shown: int | None = None
    """How many problems are shown, the first ones; all of them where it is None. ``--json`` lists them all in any case."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class StudyBusy(InputRefused):
    """Another command holds the study's lock."""


class StudyAltered(InputRefused):
    """Files of the study are not as the log says."""

    heading = "Altered outside doe: {count}."


class NotReproduced(InputRefused):
    """A report says what the data that it carries do not."""

    heading = "Not reproduced: {count}."
    shown = 12
    """What was changed comes first; what follows from it, and words that it moved, may be hundreds."""


class InternalFault(DoeError):
    """A check of our own work failed; the message is for the maintainers."""
