"""The parts of a section as plain data: text, headings, lists, tables, figures."""

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from doe.report import rows
from doe.report.tables import Table, in_fonts, parts
from doe.verdicts import Verdict

Block = dict[str, Any]
"""``kind`` (text, strong, heading, list, table, figure) and what that kind needs."""

_COLUMNS_UPRIGHT = 10
_LONGEST_WORD = 36
_TIE = "\N{NO-BREAK SPACE}"


def verdicts(said: Sequence[Verdict]) -> list[Block]:
    """Return the table of some verdicts; nothing where there are none."""
    return [table(rows.verdict_table(said))] if said else []


def section(title: str, blocks: list[Block]) -> Block:
    """Return a numbered section."""
    return {"title": title, "blocks": blocks}


def text(said: str) -> Block:
    """Return a paragraph."""
    return {"kind": "text", "text": said}


def strong(said: str) -> Block:
    """Return a paragraph that stands out."""
    return {"kind": "strong", "text": said}


def heading(said: str) -> Block:
    """Return a heading within a section."""
    return {"kind": "heading", "text": said}


def table(shown: Table) -> Block:
    """Return a table, with where its cells may break."""
    return {
        "kind": "table", "title": shown.title, "columns": [column.replace(", ", f",{_TIE}") for column in shown.columns],
        "rows": [
            [" ".join(part.replace(" ", _TIE) for part in parts(cell, side)) for cell, side in zip(row, shown.align, strict=True)]
            for row in shown.rows
        ],
        "align": list(shown.align), "note": shown.note, "wide": len(shown.columns) > _COLUMNS_UPRIGHT,
        "mono": [index for index, column in enumerate(shown.columns) if column == "SHA-256"],
    }


def printable(value: Any) -> Any:  # noqa: ANN401 - JSON values
    """Return JSON values in which every text can be set: known letters, and breaks where they may be."""
    if isinstance(value, str):
        return _breakable(re.sub("(?<=[0-9]) (?=[%°])", _TIE, in_fonts(value)))
    if isinstance(value, bytes):
        return value.decode()
    if isinstance(value, dict):
        return {key: printable(item) for key, item in value.items()}
    if isinstance(value, Iterable):
        return [printable(item) for item in value]
    return value


def texts(value: Any) -> Iterator[str]:  # noqa: ANN401 - JSON values
    """Yield every text that a reader sees in blocks, those within drawings aside."""
    if isinstance(value, str):
        yield value.replace(_TIE, " ")
    elif isinstance(value, dict):
        for key, item in value.items():
            if key not in ("svg", "kind", "align"):
                yield from texts(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from texts(item)


def _breakable(text: str) -> str:
    """Give a word that no column can hold places to break, without a mark; digests stay whole, they have their own column."""
    def broken(match: re.Match[str]) -> str:
        word = match.group()
        if re.fullmatch("[0-9a-f]{64}", word):
            return word
        return "\u200b".join(word[start : start + _LONGEST_WORD // 2] for start in range(0, len(word), _LONGEST_WORD // 2))

    return re.sub(rf"\S{{{_LONGEST_WORD + 1},}}", broken, text)
