"""Change single cells of a filled workbook that was already read, by sheet, row identifier and column key."""

import re
from dataclasses import replace

from openpyxl.utils import column_index_from_string

from doe.record.match import match
from doe.sheet import layout
from tests.sheet.books import DEFINITIONS, filled_cells, make_book, make_design, make_study

PLACES = layout.locations(make_study(), make_design(), 1)


_BLANK = {}


def blank_book(study=None):
    """Return the bytes of a blank workbook of the first round; they are made once for equal studies."""
    study = study or make_study()
    key = study.model_dump_json()
    if key not in _BLANK:
        _BLANK[key] = make_book(study)
    return _BLANK[key]


def place_of(address):
    letters, digits = re.fullmatch(r"([A-Z]+)(\d+)", address).groups()
    return int(digits), column_index_from_string(letters)


def place(cells, sheet, row, key):
    """Return row and column of a cell; ``row`` None means the headers."""
    columns = PLACES[sheet]["columns"]
    column = column_index_from_string(columns[key])
    if row is None:
        return PLACES[sheet]["header_row"], column
    names = column_index_from_string(columns["print" if sheet == "Prints" else next(iter(columns))])
    number = next(number for (number, at), value in cells.sheets[sheet].items() if at == names and value == row)
    return number, column


def address(sheet, row, key):
    number, column = place(filled_cells(), sheet, row, key)
    return f"sheet {sheet}, cell {layout.letter(column)}{number}"


def put(cells, sheet, where, value):
    """Return the cells with one of them replaced; None empties it."""
    changed = {**cells.sheets[sheet], where: value}
    if value is None:
        del changed[where]
    return replace(cells, sheets={**cells.sheets, sheet: changed})


def typed(*changes, cells=None):
    """Return the filled workbook's cells with (sheet, row, key, value) typed over them."""
    cells = filled_cells() if cells is None else cells
    for sheet, row, key, value in changes:
        cells = put(cells, sheet, place(cells, sheet, row, key), value)
    return cells


def moved(cells, sheet, to):
    """Return the cells of a sheet moved: ``to`` maps (row, column) to (row, column), or to None to drop the cell."""
    there = {to(*where): value for where, value in cells.sheets[sheet].items()}
    there.pop(None, None)
    return replace(cells, sheets={**cells.sheets, sheet: there})


def matched_book(cells, study=None, design=None, definitions=None):
    return match(study or make_study(), design or make_design(), cells, DEFINITIONS if definitions is None else definitions)


def matched(cells, **more):
    """Return the record that a workbook gives, and the remarks about it."""
    book = matched_book(cells, **more)
    return book.record, book.remarks
