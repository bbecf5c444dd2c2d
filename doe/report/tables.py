"""A table of texts where there is only plain text: a terminal, a pipe, a log."""

import re
import textwrap
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

_GAP = 2
_CUT_HEAD, _SHORT_HEAD, _LONG_HEAD = 8, 12, 18
"""A heading asks for no more than the last, leaves long cells the room above the second, and breaks words at the first."""

_IN_FONTS = (
    (0x20, 0x7E), (0xA0, 0xAC), (0xAE, 0x24F), (0x250, 0x2E9), (0x370, 0x377), (0x37A, 0x37E), (0x384, 0x38A),
    (0x38C, 0x38C), (0x38E, 0x3A1), (0x3A3, 0x3FF), (0x400, 0x4FF), (0x1E00, 0x1EFB), (0x2000, 0x200A),
    (0x2010, 0x2027), (0x202F, 0x2040), (0x2070, 0x2071), (0x2074, 0x208E), (0x2090, 0x209C), (0x20A0, 0x20B5),
    (0x2100, 0x211E), (0x2122, 0x2122), (0x2126, 0x214B), (0x2190, 0x21FF), (0x2200, 0x22FF), (0x25A0, 0x25FF),
)
"""What both the fonts of the report and those of its figures hold; the tests print every one of them."""
_NOT_IN_FONTS = re.compile("[^" + "".join(f"{chr(first)}-{chr(last)}" for first, last in _IN_FONTS) + "]")


@dataclass(frozen=True)
class Table:
    """A table of texts that are ready to be shown."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str
    """One letter per column: ``l`` for text, ``r`` for numbers."""
    note: str = ""
    """What the reader must know to read it right; shown below."""


def words(label: str) -> str:
    """
    Return a name or a term of the model as people write it.

    ``drying_time^2`` becomes ``drying time²`` and ``nozzle_temperature * bed_surface [pei_1]`` becomes
    ``nozzle temperature × bed surface [pei_1]``: what stands in brackets is a level, which is the engineer's own text.
    A setting's values get the same sign as all others: ``z_offset -0.06 mm`` becomes ``z offset −0.06 mm``.
    """
    parts = re.split(r"(\[[^\]]*\])", label)
    for index in range(0, len(parts), 2):
        parts[index] = parts[index].replace("_", " ").replace(" * ", " × ").replace("^2", "²").replace("^3", "³")
        parts[index] = re.sub(r"(?<= )-(?=\d)", "−", parts[index])
    return "".join(parts)


def clean(text: str) -> str:
    """Return text on one line without what would steer a terminal or turn its direction."""
    if text.isascii() and text.isprintable():
        return text
    kept = []
    for letter in unicodedata.normalize("NFC", text):
        category = unicodedata.category(letter)
        if letter in "\t\n\r" or category in ("Zl", "Zp"):
            kept.append(" ")
        elif category in ("Cc", "Cs"):
            kept.append("\N{REPLACEMENT CHARACTER}")
        elif category != "Cf":
            kept.append(letter)
    return "".join(kept)


def in_fonts(text: str) -> str:
    """Return clean text in which a letter that the report's fonts do not hold shows as its code point: ``[U+65E5]``."""
    if unicodedata.is_normalized("NFC", text) and not _NOT_IN_FONTS.search(text):  # nearly always; no letter needs a look then
        return text
    return _NOT_IN_FONTS.sub(lambda found: f"[U+{ord(found.group()):04X}]", clean(text))


def plain_text(table: Table, width: int = 80) -> str:
    """
    Return a table as lines of text, without colour.

    Parameters
    ----------
    table : Table
        Any of those made in ``doe.report.rows``.
    width : int
        Columns of the terminal. Cells wrap to stay within it, between words; a table with too many columns for that is
        shown one row after the other, a line per cell.

    Returns
    -------
    str
        Lines that end in a newline.
    """
    lines = [*textwrap.wrap(clean(table.title), width)]
    if table.rows:
        columns = [clean(column) for column in table.columns]
        cells = [[clean(cell) for cell in row] for row in table.rows]
        widths = _widths(columns, cells, table.align, width)
        lines += _stacked(columns, cells, width) if widths is None else _grid(columns, cells, widths, table.align)
    else:
        lines.append("none")
    lines += textwrap.wrap(clean(table.note), width)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _widths(columns: list[str], cells: list[list[str]], align: str, width: int) -> list[int] | None:
    """
    Return column widths at which no word breaks, no number wraps and, where there is room, headings and cells stay whole.

    The template of the report chooses its widths in the same order. Headings may break within words before all else gives
    way; None where even that does not help.
    """
    room = width - _GAP * (len(columns) - 1)
    texts = list(zip(*cells, strict=True))
    heads = [_wide(column) for column in columns]
    inside = [
        _longest([part for cell in column for part in parts(cell, side)]) for column, side in zip(texts, align, strict=True)
    ]
    word = [max(least, _longest(head.split())) for least, head in zip(inside, columns, strict=True)]
    if sum(word) > room:
        word = [max(least, min(_longest(head.split()), _CUT_HEAD)) for least, head in zip(inside, columns, strict=True)]
    cell = [max(least, _longest(column)) for least, column in zip(word, texts, strict=True)]
    some = [max(least, min(head, _SHORT_HEAD)) for least, head in zip(word, heads, strict=True)]
    if sum(word) > room:
        return None
    if sum(cell) <= room:
        return _fill(cell, [max(least, min(head, _LONG_HEAD)) for least, head in zip(cell, heads, strict=True)], room)
    if sum(some) <= room:
        return _fill(some, [max(pair) for pair in zip(some, cell, strict=True)], room)
    return _fill(word, cell, room)


def _fill(needed: list[int], liked: list[int], room: int) -> list[int]:
    """Return widths between what is needed and what would be liked; the widest give way first."""
    widths = list(liked)
    while sum(widths) > room:
        widest = max((index for index in range(len(widths)) if widths[index] > needed[index]), key=lambda index: widths[index])
        widths[widest] -= 1
    return widths


def parts(cell: str, side: str) -> list[str]:
    """Return what must stay together in a cell: a number with all that belongs to it, else each word."""
    return [cell] if side == "r" and re.match("[−<>]? ?[0-9]", cell) else cell.split()


def _longest(texts: Sequence[str]) -> int:
    return max((_wide(text) for text in texts), default=0)


def _grid(columns: list[str], cells: list[list[str]], widths: list[int], align: str) -> list[str]:
    rule = "  ".join("-" * size for size in widths)
    lines = [*_row(columns, widths, align), rule]
    for row in cells:
        lines += _row(row, widths, align)
    return lines


def _row(cells: Sequence[str], widths: Sequence[int], align: str) -> list[str]:
    """Return the lines of one row; a cell that wraps makes the row taller."""
    wrapped = [_wrap(cell, size) for cell, size in zip(cells, widths, strict=True)]
    lines = []
    for number in range(max(len(lines) for lines in wrapped)):
        parts = []
        for part, size, side in zip(wrapped, widths, align, strict=True):
            text = part[number] if number < len(part) else ""
            space = " " * (size - _wide(text))
            parts.append(space + text if side == "r" else text + space)
        lines.append((" " * _GAP).join(parts))
    return lines


def _stacked(columns: list[str], cells: list[list[str]], width: int) -> list[str]:
    lines: list[str] = []
    for row in cells:
        for column, cell in zip(columns, row, strict=True):
            lines += textwrap.wrap(f"{column}: {cell}", width, initial_indent="  ", subsequent_indent="      ")
        lines.append("")
    return lines[:-1]


def _wrap(text: str, size: int) -> list[str]:
    """Wrap by the width on screen: letters of East Asian scripts take two places."""
    if _wide(text) == len(text):
        return textwrap.wrap(text, size, break_on_hyphens=False) or [""]
    lines, line = [], ""
    for letter in text:
        if _wide(line + letter) > size:
            lines.append(line)
            line = ""
        line += letter
    return [*lines, line]


def _wide(text: str) -> int:
    """Return how many places some text takes on screen."""
    double = sum(unicodedata.east_asian_width(letter) in "WF" for letter in text)
    return len(text) + double - sum(unicodedata.combining(letter) > 0 for letter in text)


def unit(text: str) -> str:
    """Return a unit as people write it: ``°C`` for ``degC``."""
    return {"degC": "°C"}.get(text, text)
