"""Days on which something can hardly have been done are named with their cells, and recorded as they stand."""

import datetime

import pytest

from doe.record.days import contradictions, unlikely_days
from tests.record.typing_over import matched_book, typed
from tests.sheet.books import make_design

FIRST, TODAY = datetime.date(2026, 3, 1), datetime.date(2026, 3, 20)


def said(*changes, design=None, issued=FIRST, today=TODAY):
    book = matched_book(typed(*changes))
    return unlikely_days(design or make_design(), book.record, book.places, {1: issued}, today)


def day(number, month=3, year=2026):
    return datetime.datetime(year, month, number)


def test_days_that_fit_are_not_named():
    assert said() == ()


@pytest.mark.parametrize(("sheet", "row", "column", "typed_day", "why"), [
    ("Prints", "P02C", "printed_on", day(1, 4), "2026-04-01, which is still to come: today is 2026-03-20"),
    ("Prints", "P06H", "printed_on", day(7, year=2025), "2025-03-07, before the workbook of its round was written on 2026-03-01"),
    ("Prints", "P02C", "log.out_of_dry_box", day(2, 5), "still to come"),
    ("Loads", "L01X", "dried_from", day(1, year=2025), "before the workbook of its round was written"),
    ("Printer checks", "R1-01", "read_on", day(2, 4), "still to come"),
    ("Spools", "S1-01", "opened_on", day(2, 4), "still to come"),
    ("Coupons", "P02C-1", "log.tested_on", day(2), "2026-03-02, before its print was made on 2026-03-03"),
])
def test_a_day_that_cannot_be_is_named_with_its_cell(sheet, row, column, typed_day, why):
    (line,) = said((sheet, row, column, typed_day))
    assert line.startswith(f"Please look again, round-1.xlsx, sheet {sheet}, cell ")
    assert f": {column} of {row} is " in line and why in line and line.endswith("It is recorded as it stands.")


def test_a_print_before_its_load_was_dried_is_named():
    lines = said(("Loads", "L01X", "dried_to", day(3) + datetime.timedelta(hours=9)))  # its prints: 2 and 3 March
    assert [line.split(": ")[1] for line in lines] == [
        "printed_on of P01A is 2026-03-02, before its load L01X came out of the dryer on 2026-03-03. It is recorded as it stands."
    ]


def test_many_days_of_one_sort_are_one_line_a_column():
    lines = said(today=datetime.date(2026, 2, 1), issued=datetime.date(2026, 2, 1))
    (prints,) = [line for line in lines if "printed_on" in line]
    assert prints.startswith("Please look again, round-1.xlsx, sheet Prints, cells ")
    assert prints.endswith(", which is still to come: today is 2026-02-01. They are recorded as they stand.")
    days = [one for one in matched_book(typed()).record.prints[["print", "printed_on"]].itertuples(index=False) if one[1]]
    first, last = min(day for _, day in days), max(day for _, day in days)
    assert f"printed_on of {len(days)} prints, {days[0][0]} to {days[-1][0]}, is {first} to {last}, " in prints


def test_what_contradicts_itself_is_told_of_the_prints_that_are_asked_about():
    record = matched_book(typed(("Coupons", "P02C-1", "log.tested_on", day(2)))).record
    (line,) = contradictions(record, ["P02C"], TODAY)
    assert line == "log.tested_on of P02C-1 is 2026-03-02, before its print was made on 2026-03-03"
    assert contradictions(record, ["P01A"], TODAY) == ()
    (line,) = contradictions(record, ["P01A"], datetime.date(2026, 2, 1))
    assert line.startswith("printed_on of P01A is 2026-03-02, which is still to come")


def test_one_day_of_a_time_zone_is_allowed():
    assert said(today=datetime.date(2026, 3, 6)) == ()  # the last print is of the 7th
    assert len(said(today=datetime.date(2026, 3, 5))) == 1
    assert said(issued=datetime.date(2026, 3, 2)) == ()  # all was dried on the 1st
    assert len(said(issued=datetime.date(2026, 3, 3))) == 6  # began and ended, of three loads


def test_an_experiment_that_was_run_before_it_was_handed_in_has_its_own_days():
    design = make_design()
    design.runs["kind"] = "adopted"
    assert said(design=design, issued=datetime.date(2026, 9, 1), today=datetime.date(2026, 9, 2)) == ()
