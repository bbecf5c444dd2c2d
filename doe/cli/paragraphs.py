"""Sentences in a terminal: wrapped between words, points indented, commands never broken over two lines."""

import json
import os
import re
import shutil
import textwrap
from typing import Any, TextIO

NARROWEST, WIDEST = 40, 100
_COMMAND = re.compile(r"'doe\s[^']{1,60}'")
_POINT = re.compile(r" *(?:- |\d+\. |\d+ {2,})?")
_HYPHENATED = re.compile(r"(?<=\S)-(?=\S)")
_STEERS = re.compile("[\\x00-\\x09\\x0b-\\x1f\\x7f-\\x9f\\u2028\\u2029\\u202a-\\u202e\\u2066-\\u2069]")
"""Letters that would steer a terminal, or turn the direction of what follows."""
_SPACE, _HYPHEN = "\N{NO-BREAK SPACE}", "\N{NON-BREAKING HYPHEN}"


def width_of(stream: TextIO) -> int | None:
    """Return how wide sentences may be on a stream; None where nobody reads it line by line: a pipe, a file."""
    if not stream.isatty() and "COLUMNS" not in os.environ:
        return None
    return min(max(shutil.get_terminal_size((80, 24)).columns, NARROWEST), WIDEST)


def wrapped(text: str, width: int | None) -> str:
    """
    Return text with each of its lines wrapped.

    Parameters
    ----------
    text : str
        Lines; what one begins with (spaces, ``- ``, ``1. ``) is the indent of all that it becomes.
    width : int or None
        Columns. A word, and a command in quotes, is never broken and may be longer. None: nothing is wrapped.

    Returns
    -------
    str
        Without letters that would steer a terminal.
    """
    shown = _STEERS.sub("\N{REPLACEMENT CHARACTER}", text)
    return shown if width is None else "\n".join(part for line in shown.split("\n") for part in _parts(line, width))


def json_line(data: Any) -> str:  # noqa: ANN401 - JSON values
    """Return JSON on one line, in which a letter that steers a terminal stands as its escape."""
    return _STEERS.sub(lambda found: f"\\u{ord(found[0]):04x}", json.dumps(data, ensure_ascii=False, allow_nan=False))


def held(text: str) -> str:
    """Return text with spaces and hyphens that no wrapping breaks: within a command in quotes, and within a word."""
    whole = _COMMAND.sub(lambda found: " ".join(found[0].split()).replace(" ", _SPACE), text)
    return _HYPHENATED.sub(_HYPHEN, whole)


def released(text: str) -> str:
    """Return held text as it is to be read."""
    return text.replace(_SPACE, " ").replace(_HYPHEN, "-")


def _parts(line: str, width: int) -> list[str]:
    mark = _POINT.match(line)
    indent = " " * len(mark[0]) if mark else ""
    parts = textwrap.wrap(held(line), width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return [released(part) for part in parts] or [""]
