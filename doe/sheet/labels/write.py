"""Render the sheet of labels, one cell after the other as they stand on the paper."""

import io
import textwrap
from collections.abc import Sequence

from openpyxl.drawing.image import Image
from openpyxl.drawing.spreadsheet_drawing import AnchorMarker, OneCellAnchor
from openpyxl.drawing.xdr import XDRPositiveSize2D
from openpyxl.styles import Alignment, Font
from openpyxl.utils.units import cm_to_EMU
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.worksheet import Worksheet

from doe.sheet.cells import put
from doe.sheet.labels.layout import ACROSS, CODE, DOWN, HEIGHT, TOP, WIDTH, Label
from doe.sheet.layout import letter

_CHARACTERS_OF_MM = 96 / 25.4 / 5.97
"""Of the workbook's own font, Arial of 8 points: programs take 6 or 5.93 pixels a character."""
_LARGE, _PLAIN, _SMALL = Font(name="Arial", bold=True, size=20), Font(name="Arial", size=10), Font(name="Arial", size=8)
_SIZES = (10.0, 9.0, 8.0, 7.0, 6.5, 6.0, 5.5)
"""Of the line that says where coupons were, points: it wraps, and is no smaller than can be read."""
_ADVANCE, _LEADING, _INDENT = 0.52, 1.2, 18.0
"""Mean width of a letter and height of a line, in sizes; what stands free on the left, points."""
_EDGE = 4.0
"""Between the code and the edge of the label, mm."""
_LABEL_ROWS = (27.0, 14.25, 14.25, 31.5, 15.0)
"""Heights of the rows of a label, points; programs keep multiples of 0.75, which is a pixel."""


def write_labels(sheet: Worksheet, made: Sequence[Label]) -> None:
    """Write the labels, each five rows high and two columns wide, on pages without margins."""
    text, rest = WIDTH - CODE - _EDGE, CODE + _EDGE
    for place in range(ACROSS):
        spare = _EDGE - 1 if place == ACROSS - 1 else 0  # a page that is too narrow by a hair would lose a column
        sheet.column_dimensions[letter(2 * place + 1)].width = text * _CHARACTERS_OF_MM
        sheet.column_dimensions[letter(2 * place + 2)].width = (rest - spare) * _CHARACTERS_OF_MM
    for number, label in enumerate(made):
        top, left = len(_LABEL_ROWS) * (number // ACROSS) + 1, 2 * (number % ACROSS) + 1
        _write_label(sheet, label, top, left)
    last = len(_LABEL_ROWS) * -(-len(made) // ACROSS)
    for row in range(1, last + 1):
        sheet.row_dimensions[row].height = _LABEL_ROWS[(row - 1) % len(_LABEL_ROWS)]
        if row % (len(_LABEL_ROWS) * DOWN) == 0 and row < last:
            sheet.row_breaks.append(Break(id=row))
    sheet.print_area = f"A1:{letter(2 * ACROSS)}{last}"
    sheet.protection.sheet = True
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "portrait", sheet.PAPERSIZE_A4
    sheet.page_setup.scale = 100
    for side in ("left", "right", "top", "bottom", "header", "footer"):
        setattr(sheet.page_margins, side, TOP / 25.4 if side == "top" else 0)


def _fitting(text: str) -> float:
    """Return the largest size, points, at which a text takes no more than the lines that there is room for."""
    room = (WIDTH - CODE - _EDGE) / 25.4 * 72 - _INDENT
    return next(size for size in _SIZES if size == _SIZES[-1] or _takes(text, room / (_ADVANCE * size)) <= _room(size))


def _takes(text: str, characters: float) -> int:
    return len(textwrap.wrap(text, int(characters)))


def _room(size: float) -> int:
    return int(_LABEL_ROWS[3] / (_LEADING * size))


def _write_label(sheet: Worksheet, label: Label, top: int, left: int) -> None:
    for row, text in enumerate((label.identifier, *label.lines), top):
        cell = put(sheet.cell(row, left), text)
        cell.font = _LARGE if row == top else _SMALL if row == top + len(label.lines) else _PLAIN
        placed = row == top + len(label.lines) - 1
        cell.alignment = Alignment(
            horizontal="left", vertical="center", indent=2, shrink_to_fit=row > top and not placed, wrap_text=placed
        )
        if placed:
            cell.font = Font(name="Arial", size=_fitting(text))
    if label.code:
        image = Image(io.BytesIO(label.code))
        start = AnchorMarker(col=left, row=top - 1, rowOff=cm_to_EMU((HEIGHT - CODE) / 20))
        side = cm_to_EMU(CODE / 10)
        image.anchor = OneCellAnchor(_from=start, ext=XDRPositiveSize2D(side, side))
        sheet.add_image(image)
