"""What ``--help`` shows, in words: no names of programming types, no signs of inequality, no sentence cut off."""

import re
from typing import Any

from typer.core import TyperCommand, TyperGroup

from doe.cli.paragraphs import held, released
from doe.cli.plain_values import taken_plainly

SECTIONS = (
    ("Learn", ("help", "demo")),
    ("A study, step by step", ("new", "plan", "sheet", "collect", "fit", "recommend", "confirm", "release", "report")),
    ("When it is needed", ("status", "extend", "amend", "drying", "check", "verify")),
)
"""Every command, in the order in which a newcomer meets it."""

ARGUMENTS, OPTIONS = "Arguments", "Options"

_TYPES = (
    (r"<(?:str|list\[str\])>|\bTEXT\b", "TEXT"),
    (r"<(?:int|int range)>|\bINTEGER(?: RANGE)?\b", "N"),
    (r"<(?:float|float range)>|\bFLOAT(?: RANGE)?\b", "NUMBER"),
    (r"<(?:path|file|directory|list\[Path\])>|\bPATH\b", "FILE"),
    (r"<([a-z-]+(?:\|[a-z-]+)+)>", r"\1"),
)
_NUMBER = r"-?[0-9.]+"
_RANGES = (
    (rf"({_NUMBER})<=x<=({_NUMBER})", r"\1 to \2"),
    (rf"x>=({_NUMBER})", r"\1 or more"),
    (rf"x<=({_NUMBER})", r"\1 or less"),
)


class CommandPage(TyperCommand):
    """One command: its arguments and options."""

    def __init__(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401 - handed on to typer
        super().__init__(*arguments, **named)
        self.help = held(self.help or "")

    def get_params(self, ctx: Any) -> list[Any]:  # noqa: ANN401 - the class belongs to typer's parser
        """Return what may be given, the option for help included."""
        return taken_plainly(super().get_params(ctx))

    def get_help(self, ctx: Any) -> str:  # noqa: ANN401 - the class belongs to typer's parser
        """Return the page."""
        return released(super().get_help(ctx))

    def collect_usage_pieces(self, ctx: Any) -> list[str]:  # noqa: ANN401
        """Return the parts of the usage line; what must be given stands bare."""
        return [re.sub(r"^\{(.*)\}", r"\1", piece) for piece in super().collect_usage_pieces(ctx)]

    def format_options(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401
        """Write what may be given, each with its explanation."""
        panels: dict[str, list[tuple[str, str]]] = {ARGUMENTS: [], OPTIONS: []}
        for parameter in self.get_params(ctx):
            record = parameter.get_help_record(ctx)
            if record is not None:
                argument = parameter.param_type_name == "argument"
                name = parameter.metavar if argument and parameter.metavar else record[0]
                panel = ARGUMENTS if argument else getattr(parameter, "rich_help_panel", None) or OPTIONS
                panels.setdefault(panel, []).append((_in_words(name, _TYPES), held(_in_words(record[1], _RANGES))))
        for title, rows in panels.items():
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows, col_max=24)


class FirstPage(TyperGroup):
    """The list of commands."""

    def __init__(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401
        super().__init__(*arguments, **named)
        self.epilog = held(self.epilog or "")

    def get_params(self, ctx: Any) -> list[Any]:  # noqa: ANN401
        """Return what may be given, the option for help included."""
        return taken_plainly(super().get_params(ctx))

    def get_help(self, ctx: Any) -> str:  # noqa: ANN401
        """Return the page."""
        return released(super().get_help(ctx))

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401, ARG002
        """Write each command with the first sentence of its explanation, whole."""
        room = max(map(len, self.commands))
        for title, names in SECTIONS:
            rows = [(f"{name:<{room}}", _first_sentence(self.commands[name].help or "")) for name in names]
            with formatter.section(title):
                formatter.write_dl(rows)


def _in_words(text: str, changes: tuple[tuple[str, str], ...]) -> str:
    for pattern, word in changes:
        text = re.sub(pattern, word, text)
    return text


def _first_sentence(text: str) -> str:
    return re.split(r"(?<=\.)\s+(?=[A-Z])", " ".join(text.split()))[0]
