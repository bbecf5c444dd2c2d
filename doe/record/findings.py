"""What comes up while a file is read, with the words to say it."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from doe.errors import Problem

_SHOWN = 6
"""How many identifiers a sentence lists before it only counts the rest."""


@dataclass(frozen=True)
class ReadAs:
    """One cell that was read although what stood in it was not quite what belongs there."""

    where: str
    found: str
    value: str
    column: str
    """Heading of its column."""


@dataclass
class Findings:
    """Problems, which refuse the file; remarks and values that were read in another spelling, which do not."""

    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    read_as: list[ReadAs] = field(default_factory=list)


def listed(names: list[str]) -> str:
    """Return names in a sentence: the first few, then how many more."""
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def spanned(names: list[str]) -> str:
    """Return names in a sentence: a few as they are, of many the first and the last with their number."""
    return ", ".join(names) if len(names) <= _SHOWN else f"{names[0]} to {names[-1]} ({len(names)} of them)"


def in_words(names: Iterable[str]) -> str:
    """Return a few names in a sentence, all of them: ``span, width and thickness``."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last
