"""How a sheet falls on paper: in which size, or where a page ends.

Pages are set out for A4 and US letter alike, tables turned to landscape: the narrower width and the lower height of the two.
Sizes are in points of 1/72 inch, widths in the characters of spreadsheets.
"""

import itertools
import textwrap
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass

from doe.sheet.columns import Column
from doe.sheet.layout import Sheet
from doe.sheet.logs import PREFIX

MARGINS = {"left": 0.4, "right": 0.4, "top": 0.85, "bottom": 0.6, "header": 0.4, "footer": 0.3}
"""Inches."""
POINTS_PER_LINE = 13.5
"""Of text of 10 points."""
_INCH, _POINTS = 25.4, 72.0
_WIDE, _HIGH, _LONG = 279.4, 210.0, 279.4
"""Width of a turned letter page, height of a turned A4 page, and height of a letter page, mm."""
_CHARACTER = 7 / 96
"""Width of a character of 10 points, inches."""
_SLACK = 0.96
"""Programs differ by some per cent in the widths and heights that they print."""
_SMALLEST, _LARGEST, _STEP = 70, 85, 5
"""Per cent; below, 10 points are no longer easy to read, and there is no room to write."""
_UPRIGHT = 90
"""Per cent, at which the instructions fill the width of an upright A4 page."""
_ROOM = 18.0
"""Least height on paper of a row that is written in by hand: a good 6 mm."""


@dataclass(frozen=True)
class Pages:
    """The size in per cent, and the numbers of the columns and rows after which a page ends."""

    scale: int
    columns: tuple[int, ...]
    rows: tuple[int, ...]
    header_height: float
    heights: tuple[float, ...]
    """Of each data row, points at 100 %."""


def pages(table: Sheet) -> Pages:
    """
    Return how a sheet that is filled in falls on paper: parts of it side by side, loads (or prints) kept together.

    Parameters
    ----------
    table : Sheet
    """
    breaks = {scale: _column_breaks(table, scale) for scale in range(_LARGEST, _SMALLEST - 1, -_STEP)}
    scale = min(breaks, key=lambda one: (len(breaks[one]), _divided(table, breaks[one]), -one))
    header = _header_height(table)
    above = title_height(table, breaks[scale]) + header
    heights = tuple(max(100 * _ROOM / scale, height) for height in row_heights(table))
    return Pages(scale, breaks[scale], tuple(_row_breaks(table, scale, heights, above)), header, heights)


def fitted(table: Sheet) -> Pages:
    """Return how a sheet that is only looked at falls on paper: in the width of one page."""
    return Pages(100, (), (), _header_height(table), tuple(row_heights(table)))


def front(heights: Sequence[float], headings: Container[int]) -> tuple[int, tuple[int, ...]]:
    """
    Return how the instructions fall on upright paper.

    Parameters
    ----------
    heights : sequence of float
        Of each row, points at 100 %.
    headings : container of int
        Numbers of the rows, counted from 1, after which no page ends.

    Returns
    -------
    int
        Size in per cent.
    tuple of int
        Numbers of the rows after which a page ends.
    """
    inches = _LONG / _INCH - MARGINS["top"] - MARGINS["bottom"]
    room = _SLACK * inches * _POINTS * 100 / _UPRIGHT
    ends, taken = [0], 0.0
    for row, height in enumerate(heights, 1):
        if taken + height > room and row - 1 > ends[-1]:
            end = row - 2 if row - 1 in headings and row - 2 > ends[-1] else row - 1
            ends.append(end)
            taken = sum(heights[end : row - 1])
        taken += height
    return _UPRIGHT, tuple(ends[1:])


def _header_height(table: Sheet) -> float:
    """Return the height of the headers, points."""
    return POINTS_PER_LINE * max(lines(column.header, column.width) for column in table.columns) + 4


def title_height(table: Sheet, breaks: Sequence[int] = ()) -> float:
    """Return the height of what stands above the headers: title, cautions, remarks; points."""
    return 22 + sum(remark_height(table, text, breaks) for text in (*table.cautions, *table.remarks))


def remark_height(table: Sheet, text: str, breaks: Sequence[int] = ()) -> float:
    """Return the height of a line above the headers, points."""
    width = min(sum(column.width for column in table.columns[start:end]) for start, end in remark_places(table, breaks))
    return POINTS_PER_LINE * lines(text, width) + 3


def remark_places(table: Sheet, breaks: Sequence[int]) -> list[tuple[int, int]]:
    """
    Return the columns across which lines above the headers are written, as ends of slices.

    Where pages stand side by side a line stands on each that shows what is planned, beside what all of them repeat.
    """
    if not breaks:
        return [(0, len(table.columns))]
    blocks = list(itertools.pairwise([table.through_id, *breaks, len(table.columns)]))
    return [block for block in blocks if any(column.part == "plan" for column in table.columns[slice(*block)])] or blocks[:1]


def row_heights(table: Sheet) -> list[float]:
    """Return the height that the planned texts of each row need, points."""
    texts = [column for column in table.columns if not column.fill and not column.formula and column.kind != "number"]
    return [
        POINTS_PER_LINE * max((lines(str(row[one.key]), one.width) for one in texts), default=1) + 4 for row in table.rows
    ]


def lines(text: str, width: float) -> int:
    """Return how many lines a text takes in a column of this width, with some room to spare."""
    if len(text) <= 0.9 * width and "\n" not in text:
        return 1
    return sum(max(1, len(textwrap.wrap(part, max(4, int(width * 0.95))))) for part in text.split("\n")) or 1


def page_width(scale: int) -> float:
    """Return how many characters stand side by side on a page at this size."""
    inches = _WIDE / _INCH - MARGINS["left"] - MARGINS["right"]
    return _SLACK * inches / _CHARACTER * 100 / scale


def _column_breaks(table: Sheet, scale: int) -> tuple[int, ...]:
    """Return the numbers of the columns after which a page ends: between parts, or else between what belongs together."""
    room = page_width(scale) - sum(column.width for column in table.columns[: table.through_id])
    place, free = table.through_id, room
    found = []
    for _, part in itertools.groupby(table.columns[table.through_id :], key=lambda column: column.part):
        groups = [list(group) for _, group in itertools.groupby(part, key=_about)]
        if free < sum(column.width for group in groups for column in group) <= room:
            found.append(place)
            free = room
        for group in groups:
            width = sum(column.width for column in group)
            if width > free < room:
                found.append(place)
                free = room
            free -= width
            place += len(group)
    return tuple(found)


def _about(column: Column) -> str:
    """Return the factor or response that a column is about: its target, setpoint and what was used stay together."""
    return column.key if column.key.startswith(PREFIX) else column.key.rpartition(".")[2]


def _divided(table: Sheet, breaks: Sequence[int]) -> int:
    """Return how many page ends divide a part."""
    return sum(table.columns[place - 1].part == table.columns[place].part for place in breaks)


def _row_breaks(table: Sheet, scale: int, heights: Sequence[float], above: float) -> Iterator[int]:
    """Yield the numbers of the rows after which a page ends: between bands where one fits on a page."""
    inches = _HIGH / _INCH - MARGINS["top"] - MARGINS["bottom"]
    room = free = _SLACK * inches * _POINTS * 100 / scale - above
    for start, end in _bands(table.bands):
        height = sum(heights[start:end])
        if height > free and free < room:
            yield table.first_row + start - 1
            free = room
        free = free - height if height <= free else room - height % room


def _bands(bands: Sequence[int]) -> Iterator[tuple[int, int]]:
    starts = [place for place, band in enumerate(bands) if not place or band != bands[place - 1]]
    yield from zip(starts, [*starts[1:], len(bands)], strict=True)
