"""Readings of actual values at the prints: their column on the sheet, and in the record and its files."""

from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.schema import TABLES, value_columns
from doe.sheet import layout
from doe.sheet.instructions import instructions
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, Operator, make_design, make_study

PLAIN, DESIGN = make_study(), make_design()
FACTOR = next(factor for factor in PLAIN.factors if factor.is_numeric and factor.change == "print")
STUDY = PLAIN.model_copy(
    update={"factors": tuple(one.model_copy(update={"reading_sd": 1.5}) if one == FACTOR else one for one in PLAIN.factors)}
)
KEY = f"read.{FACTOR.name}"


def collected(study, value):
    hand = Operator(blank_book(study), study)
    hand.type("Prints", "P01A", {"outcome": "completed", **({KEY: value} if value else {})})
    book = match(STUDY, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS)
    return book.record, book.remarks


def test_a_reading_goes_from_the_sheet_to_the_record_and_its_files_and_is_no_result():
    record = merge(None, collected(STUDY, 254.5)[0], "N. N.", "2026-03-08T10:00:00Z")[0]
    row = record.prints[record.prints["print"] == "P01A"]
    assert row[KEY].tolist() == [254.5]
    assert KEY not in value_columns(record.prints)
    again = read_record(record_files(record), STUDY)
    for table in TABLES:
        assert getattr(again, table).equals(getattr(record, table))


def test_a_sheet_from_before_readings_were_asked_for_still_reads():
    record, messages = collected(PLAIN, None)
    assert record.prints[KEY].isna().all()
    assert any("there is no column" in message for message in messages)


def test_operators_are_asked_only_where_the_study_trusts_readings():
    for study, asked in ((STUDY, 1), (PLAIN, 0)):
        texts = [line.text for line in instructions(study, layout.sheets(study, DESIGN, 1), ())]
        assert sum("read its actual" in text for text in texts) == asked
