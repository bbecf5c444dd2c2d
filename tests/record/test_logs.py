"""What is logged beside settings and results: from the workbook into the record, its files, and back, with nothing lost."""

import datetime

import pandas as pd
import pytest

from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.schema import TABLES, value_columns
from doe.sheet.logs import log_columns
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, Operator, filled_book, make_design, make_study

STUDY, DESIGN = make_study(), make_design()
PLACES = {"print": ("Prints", "P02C", "prints"), "coupon": ("Coupons", "P02C-1", "coupons"), "load": ("Loads", "L01X", "loads")}
TYPED = {
    "number": (17.25, 17.25),
    "text": ("=not computed; äöü", "=not computed; äöü"),
    "date": (datetime.datetime(2026, 3, 9), "2026-03-09"),
    "datetime": (datetime.datetime(2026, 3, 9, 7, 45), "2026-03-09T07:45"),
}
"""By kind, what is typed and what is kept."""


def collected(content):
    book = match(STUDY, DESIGN, read_workbook(content, NAME), DEFINITIONS)
    return book.record, book.remarks


@pytest.fixture(scope="module")
def record():
    hand = Operator(blank_book())
    for per, (sheet, row, _) in PLACES.items():
        for column in log_columns(STUDY, per):
            hand.book[sheet][hand.address(sheet, row, column.key)].value = TYPED[column.kind][0]
            hand.book[sheet][hand.address(sheet, row, column.key)].data_type = {"text": "s", "number": "n"}.get(column.kind, "d")
    book, remarks = collected(hand.save())
    assert remarks == ()
    return merge(None, book, "N. N.", "2026-03-10T10:00:00Z")[0]


@pytest.mark.parametrize("per", PLACES)
def test_everything_that_was_typed_is_in_the_record(record, per):
    _, name, table = PLACES[per]
    row = getattr(record, table).set_index(per).loc[name]
    columns = log_columns(STUDY, per)
    assert len(columns) >= 2
    assert {column.key: row[column.key] for column in columns} == {column.key: TYPED[column.kind][1] for column in columns}


def test_files_hold_it_and_read_back(record):
    files = record_files(record)
    for per, (_, _, table) in PLACES.items():
        header = files[f"record/{table}.csv"].decode().splitlines()[0].split(",")
        assert {column.key for column in log_columns(STUDY, per)} <= set(header)
    back = read_record(files, STUDY)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(back, table), getattr(record, table))


def test_it_is_no_result_and_computed_cells_are_not_collected(record):
    assert not [key for key in value_columns(record.prints) if key.startswith("log.")]
    assert not [key for table in TABLES for key in getattr(record, table) if key.startswith("live.")]
    assert set(record.prints["outcome"]) == {""}


def test_where_nothing_was_logged_the_files_are_what_they_were():
    files = record_files(merge(None, collected(filled_book())[0], "N. N.", "2026-03-10T10:00:00Z")[0])
    assert not any(b"log." in content for content in files.values())


def test_a_sheet_without_these_columns_is_read_without_a_word():
    hand = Operator(blank_book())
    for per, (sheet, _, _) in PLACES.items():
        for column in log_columns(STUDY, per):
            place = hand.places[sheet]
            hand.book[sheet][f"{place['columns'][column.key]}{place['header_row']}"] = None
    book, remarks = collected(hand.save())
    assert remarks == ()
    assert set(book.prints["log.photographs"]) == {""}
