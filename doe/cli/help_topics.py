"""Help for somebody who never ran a designed experiment: ``help``, from the texts in ``templates/help``."""

import json
import re
import shutil
import textwrap
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import typer

from doe.cli.options import JsonOption
from doe.cli.paragraphs import NARROWEST, WIDEST
from doe.errors import InternalFault
from doe.files import templates_path

_NAME = re.compile(r"\d+-([a-z-]+)")
_COMMAND = re.compile(r"`([^`]+)`")
_HELD = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class Topic:
    """One text of help."""

    topic: str
    """Its name, as it is typed."""
    about: str
    """What it is about, in one line."""
    text: str
    """Paragraphs, ``##`` headings, ``-`` or numbered points, and lines indented by four spaces, which stand as they are."""


def register(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(name="help")(help_on)


def help_on(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="Which topic to read; without it, a list of them.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Explain designed experiments and this tool in plain words, topic by topic."""
    known = topics()
    if topic is not None and topic not in known:
        raise typer.BadParameter(_unknown(topic, known), param_hint="TOPIC")
    if as_json:
        print(json.dumps(_listed(known) if topic is None else asdict(known[topic]), ensure_ascii=False))
        return
    for line in _list(known) if topic is None else laid_out(known[topic], _width()):
        print(line)


def topics() -> dict[str, Topic]:
    """Return the topics by name, in the order of their files' numbers."""
    return {one.topic: one for one in map(_topic, sorted((templates_path() / "help").glob("*.md")))}


def laid_out(topic: Topic, width: int) -> Iterator[str]:
    """
    Yield a topic as plain lines.

    Parameters
    ----------
    topic : Topic
    width : int
        Columns of the terminal. Only lines that the text indents by four spaces, and single commands, may be longer.

    Yields
    ------
    str
        A line without its end.
    """
    yield from textwrap.wrap(topic.about, width)
    for block in re.split(r"\n{2,}", topic.text.strip("\n")):
        yield ""
        if block.startswith("## "):
            yield block.removeprefix("## ").upper()
        elif block.startswith("    "):
            yield from block.split("\n")
        else:
            for point in re.split(r"\n(?=- |\d+\. )", block):
                yield from _wrapped(point, width)


def _wrapped(text: str, width: int) -> list[str]:
    """Return a paragraph or a point, its commands in quotes and never broken over two lines."""
    mark = re.match(r"- |\d+\. ", text)
    indent = " " * len(mark[0]) if mark else ""
    whole = _COMMAND.sub(lambda found: f"'{found[1].replace(' ', _HELD)}'", " ".join(text.split()))
    lines = textwrap.wrap(whole, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return [line.replace(_HELD, " ") for line in lines]


def _topic(path: Path) -> Topic:
    heading, _, text = path.read_text(encoding="utf-8").partition("\n")
    name = _NAME.fullmatch(path.stem)
    if name is None or not heading.startswith("# "):
        raise InternalFault(f"{path.name}: a topic is named like 1-words.md and begins with a heading")
    return Topic(name[1], heading.removeprefix("# ").strip(), text.strip("\n"))


def _list(known: dict[str, Topic]) -> Iterator[str]:
    room = max(map(len, known)) + 2
    yield "Topics; read one with 'doe help TOPIC':"
    yield ""
    yield from (f"  {one.topic:<{room}}{one.about}" for one in known.values())
    yield ""
    yield "'doe COMMAND --help' says what a command takes; 'doe status' says where a study stands."


def _listed(known: dict[str, Topic]) -> dict[str, list[dict[str, str]]]:
    return {"topics": [{"topic": one.topic, "about": one.about} for one in known.values()]}


def _unknown(topic: str, known: dict[str, Topic]) -> str:
    return (
        f"there is no topic '{topic}'. The topics are {', '.join(known)}. What a command takes says 'doe COMMAND --help'."
    )


def _width() -> int:
    return min(max(shutil.get_terminal_size((80, 24)).columns, NARROWEST), WIDEST)
