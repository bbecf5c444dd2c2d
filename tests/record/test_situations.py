"""What happens to workbooks in use: each is read rightly, with a line about it, or refused with its cell."""

import pytest
from openpyxl.styles import Font

from doe.errors import InputRefused
from doe.record import parts, read
from doe.record.read import read_workbook, take
from doe.record.schema import TABLES
from tests.record.test_read import part, repacked
from tests.record.typing_over import matched_book
from tests.sheet.books import NAME, Operator, filled_book

FORCE = ("Coupons", "P02C-1", "force.z_strength")


def changed(change):
    """Return what a filled workbook gives after a change by hand."""
    hand = Operator(filled_book())
    change(hand)
    return matched_book(read_workbook(hand.save(), NAME))


def cell(hand, sheet=FORCE[0], row=FORCE[1], key=FORCE[2]):
    return hand.book[sheet][hand.address(sheet, row, key)]


@pytest.fixture(scope="module")
def usual():
    return matched_book(read_workbook(filled_book(), NAME))


def hide_rows(hand):
    hand.book["Coupons"].row_dimensions[cell(hand).row].hidden = True


def hide_columns(hand):
    hand.book["Coupons"].column_dimensions[cell(hand).column_letter].hidden = True


def rename(hand):
    hand.book["Coupons"].title = "Results of tests"


def copy(hand):
    hand.book.copy_worksheet(hand.book["Coupons"])


def sort(hand):
    sheet, first, last = hand.book["Coupons"], hand.places["Coupons"]["first_row"], hand.places["Coupons"]["last_row"]
    rows = [[one.value for one in sheet[number]] for number in range(first, last + 1)]
    for number, values in zip(range(first, last + 1), reversed(rows), strict=True):
        for one, value in zip(sheet[number], values, strict=True):
            one.value = value


def insert_column(hand):
    hand.book["Coupons"].insert_cols(2)
    hand.book["Coupons"]["B1"] = None
    hand.book["Coupons"].cell(cell(hand).row, 2).value = None


def insert_row(hand):
    hand.book["Coupons"].insert_rows(hand.places["Coupons"]["first_row"] + 4)


def filter_rows(hand):
    place, sheet = hand.places["Coupons"], hand.book["Coupons"]
    sheet.auto_filter.ref = f"A{place['header_row']}:K{place['last_row']}"
    for number in range(place["first_row"] + 3, place["last_row"] + 1):
        sheet.row_dimensions[number].hidden = True


def move_column(hand):
    """Cut a column and put it behind another one, headings and all."""
    place, sheet = hand.places["Prints"], hand.book["Prints"]
    first, last = (sheet[f"{place['columns'][key]}1"].column for key in ("warp", "note"))
    for number in range(place["header_row"], place["last_row"] + 1):
        values = [sheet.cell(number, column).value for column in range(first, last + 1)]
        for column, value in zip(range(first, last + 1), [*values[1:], values[0]], strict=True):
            sheet.cell(number, column).value = value


def blanks_at_the_end(hand):
    cell(hand, "Prints", "P02C", "outcome").value = "completed\u00a0"
    cell(hand, "Prints", "P02C", "print").value = "P02C\u00a0 "
    cell(hand).value = "258.1 \u00a0"
    place = hand.places["Prints"]
    hand.book["Prints"][f"{place['columns']['warp']}{place['header_row']}"].value = "Warp\u00a0(mm) "


def strike_through(hand):
    cell(hand).font = Font(strike=True)


def scribble_below(hand):
    hand.book["Prints"].cell(hand.places["Prints"]["last_row"] + 3, 5).value = "seen by the foreman"


AS_BEFORE = {
    "hidden row": (hide_rows, "hidden rows were read like the others: 7"),
    "hidden column": (hide_columns, "hidden columns were read like the others"),
    "renamed sheet": (rename, "sheet Coupons: it is called 'Results of tests' now"),
    "copied sheet": (copy, "sheet 'Coupons Copy' is none of the workbook's own, and was not collected"),
    "sorted rows": (sort, None),
    "inserted column": (insert_column, None),
    "inserted row": (insert_row, None),
    "filter": (filter_rows, "hidden rows were read like the others: 7, 8, 9, 10, 11, 12 and 9 more"),
    "moved column": (move_column, None),
    "blanks at the end": (blanks_at_the_end, None),
    "struck through": (strike_through, "struck through, and read like the others: H7. Clear a cell whose value does not count."),
    "a remark below the table": (scribble_below, "'seen by the foreman' has no identifier; not collected"),
}


@pytest.mark.parametrize(("change", "remark"), AS_BEFORE.values(), ids=AS_BEFORE)
def test_what_moves_or_hides_cells_changes_nothing(usual, change, remark):
    book = changed(change)
    for table in (table for table in TABLES if table != "corrections"):
        key = getattr(book.record, table).columns[0]
        rows = [getattr(one.record, table).set_index(key).sort_index() for one in (book, usual)]
        assert rows[0].equals(rows[1])
    assert remark is None or any(remark in one for one in book.remarks)


def merge(hand):
    number, letter = cell(hand).row, cell(hand).column_letter
    hand.book["Coupons"].merge_cells(f"{letter}{number}:{letter}{number + 1}")


def as_percent(hand):
    cell(hand).value, cell(hand).number_format = 0.264, "0.0%"


def over_the_formula(hand):
    cell(hand, key="z_strength").value = 26.4


def another_copy(hand):
    sheet = hand.book.copy_worksheet(hand.book["Coupons"])
    sheet[hand.address(*FORCE)] = 99.0


def copy_of_row(hand, sheet, source, target):
    """Copy a whole row over another one."""
    page = hand.book[sheet]
    rows = [hand.places[sheet]["first_row"] + number for number in (source, target)]
    for column in range(1, page.max_column + 1):
        page.cell(rows[1], column).value = page.cell(rows[0], column).value


def copied_row(hand):
    copy_of_row(hand, "Prints", 0, 2)


def copied_row_with_its_name_mended(hand):
    name = cell(hand, "Coupons", "P02C-2", "coupon").coordinate
    copy_of_row(hand, "Coupons", 0, 4)
    hand.book["Coupons"][name].value = "P02C-2"


def sorted_without_the_identifiers(hand):
    place, sheet = hand.places["Prints"], hand.book["Prints"]
    columns = [sheet[f"{letter}1"].column for key, letter in place["columns"].items() if key not in ("order", "print")]
    rows = range(place["first_row"], place["last_row"] + 1)
    values = [[sheet.cell(number, column).value for column in columns] for number in rows]
    for number, row in zip(rows, reversed(values), strict=True):
        for column, value in zip(columns, row, strict=True):
            sheet.cell(number, column).value = value


def shifted_down(hand):
    """Insert a cell in one column, as happens where one result was forgotten."""
    place, sheet = hand.places["Coupons"], hand.book["Coupons"]
    name = place["columns"]["force.z_strength"]
    for number in range(place["last_row"], place["first_row"] + 3, -1):
        sheet[f"{name}{number + 1}"].value = sheet[f"{name}{number}"].value


def merged_headings(hand):
    place = hand.places["Prints"]
    first, last = (f"{place['columns'][key]}{place['header_row']}" for key in ("bed_grade", "leak_test"))
    hand.book["Prints"].merge_cells(f"{first}:{last}")


def row_of_units(hand):
    place = hand.places["Prints"]
    hand.book["Prints"].insert_rows(place["first_row"])
    hand.book["Prints"][f"{place['columns']['warp']}{place['first_row']}"].value = "mm"


def error(hand):
    cell(hand, "Prints", "P02C", "note").value = "#REF!"


REFUSED = {
    "merged cells": (merge, "sheet Coupons, cells [A-Z]+7:[A-Z]+8: merged cells with something in them"),
    "percentage": (as_percent, "sheet Coupons, cell [A-Z]+7: 26.4 %, which a spreadsheet keeps as 0.264"),
    "typed over what is computed": (over_the_formula, "sheet Coupons, cell [A-Z]+7: '26.4' was typed over what is computed"),
    "a copy that differs": (another_copy, r"sheet Coupons Copy: .*differs in 1 cells, such as .*, cell [A-Z]+7"),
    "copied row": (copied_row, "sheet Prints, cell B5: 'P01A' stands in row 3 already"),
    "copied row, its name mended": (copied_row_with_its_name_mended, "Coupons, cell B8: 'P01A' was typed over the plan's 'P02C'"),
    "sorted but for identifiers": (sorted_without_the_identifiers, "Prints, cell C3: 'L03K' was typed over the plan's 'L01X'"),
    "shifted down": (shifted_down, "sheet Coupons, cell A22: a row is filled in but has no identifier"),
    "merged headings": (merged_headings, r"sheet Prints, row 2: the column 'Leak test \(pass or fail\)' is missing"),
    "a row of units": (row_of_units, "sheet Prints, cell B3: a row is filled in but has no identifier"),
    "error of a formula": (error, "'#REF!' is the error of a formula"),
}


@pytest.mark.parametrize(("change", "message"), REFUSED.values(), ids=REFUSED)
def test_what_would_lose_or_change_a_value_is_refused(change, message):
    with pytest.raises(InputRefused, match=message):
        changed(change)


def test_what_was_tolerated_is_listed_with_its_cell():
    def change(hand):
        cell(hand).value = "258,1 N"
        cell(hand, "Prints", "P02C", "outcome").value = " Completed"
        cell(hand, "Prints", "P02C", "print").value = "p02c "

    book = changed(change)
    assert sorted((one.found, one.value) for one in book.read_as) == [
        (" Completed", "completed"), ("258,1 N", "258.1"), ("p02c ", "P02C"),
    ]
    assert all(one.where.startswith(f"{NAME}, sheet ") and ", cell " in one.where for one in book.read_as)


def test_a_formula_with_its_value_is_read_and_said():
    hand = Operator(filled_book())
    address = hand.address("Prints", "P02C", "warp")
    sheets = "xl/worksheets/sheet2.xml"
    text = part(filled_book(), sheets)
    start = text.index(f'r="{address}"'.encode())
    at = text.index(b"<v>", start)
    content = repacked(filled_book(), {sheets: text[:at] + b"<f>0.05*2</f>" + text[at:]})
    book = matched_book(read_workbook(content, NAME))
    assert any(f"the values they had when the workbook was saved were read: {address}" in one for one in book.remarks)
    assert book.record.prints["warp"][1] == 0.1


DISORDER = {
    "row twice": (b'<row r="4"', b'<row r="3"', "row 3 comes after row 3"),
    "cell in another's place": (b'r="B3"', b'r="A3"', "cell A3 does not stand where it belongs"),
    "cell of another row": (b'r="B3"', b'r="B4"', "cell B4 does not stand where it belongs"),
}


@pytest.mark.parametrize(("old", "new", "message"), DISORDER.values(), ids=DISORDER)
def test_a_sheet_on_which_readers_would_disagree_is_refused(old, new, message):
    text = part(filled_book(), "xl/worksheets/sheet2.xml")
    assert old in text
    with pytest.raises(InputRefused, match=f"it is damaged: {message}"):
        read_workbook(repacked(filled_book(), {"xl/worksheets/sheet2.xml": text.replace(old, new, 1)}), NAME)


LIMITS = {
    "pieces of a part": (parts, "MOST_OTHER_ELEMENTS", "more than 5 pieces"),
    "cells of a sheet": (parts, "MOST_CELLS", "more than 5 cells"),
    "reach of its cells": (parts, "MOST_REACH", "cells reach to column"),
    "bytes of all sheets": (read, "MOST_XML", "at most 5 bytes are read"),
    "filled cells": (read, "MOST_VALUES", "more than 5 cells are filled"),
}


@pytest.mark.parametrize(("where", "limit", "message"), LIMITS.values(), ids=LIMITS)
def test_more_than_a_workbook_holds_is_refused(monkeypatch, where, limit, message):
    monkeypatch.setattr(where, limit, 5)
    with pytest.raises(InputRefused, match=message):
        read_workbook(filled_book(), NAME)


def test_what_is_no_file_is_refused(tmp_path, monkeypatch):
    with pytest.raises(InputRefused, match="a folder, or no ordinary file"):
        take(tmp_path)
    with pytest.raises(InputRefused, match="it cannot be read"):
        take(tmp_path / "none.xlsx")
    (tmp_path / "large.xlsx").write_bytes(bytes(20))
    monkeypatch.setattr(read, "MOST_PACKED", 10)
    with pytest.raises(InputRefused, match="it has 20 bytes; at most 10 bytes are read"):
        take(tmp_path / "large.xlsx")
