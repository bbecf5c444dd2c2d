"""Covariates in the workbook, in the record and in its files."""

import datetime
import math

import pandas as pd
import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.record.schema import TABLES, value_columns
from doe.sheet import layout
from doe.sheet.instructions import instructions
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, Operator, fill, filled_book, make_book, make_design, make_study

COVARIATES = [
    {"name": "hours_out", "unit": "h", "method": "From the dryer to the start"},
    {"name": "room_temperature", "unit": "degC"},
    {"name": "tested_on", "kind": "date"},
    {"name": "spool_age", "unit": "d", "per": "load", "fit": False},
]
STUDY, DESIGN = make_study(covariates=COVARIATES), make_design()
WHEN = "2026-03-08T10:00:00Z"


def filled(*typed):
    hand = Operator(blank_book(STUDY), STUDY)
    for sheet, row, key, value in typed:
        hand.type(sheet, row, {key: value})
    return hand.save()


def collected(content, study=STUDY):
    book = match(study, DESIGN, read_workbook(content, NAME), DEFINITIONS)
    return book.record, book.remarks


TYPED = (
    ("Prints", "P01A", "outcome", "completed"),
    ("Prints", "P01A", "covariate.hours_out", 3.5),
    ("Prints", "P01A", "covariate.room_temperature", -2),
    ("Prints", "P01A", "covariate.tested_on", datetime.datetime(2026, 3, 9)),
    ("Loads", "L01X", "covariate.spool_age", 12),
)


@pytest.fixture(scope="module")
def record():
    return merge(None, collected(filled(*TYPED))[0], "N. N.", WHEN)[0]


def test_columns_stand_on_their_sheets_with_unit_and_hint():
    sheets = {sheet.name: sheet for sheet in layout.sheets(STUDY, DESIGN, 1)}
    headers = {column.key: column for sheet in sheets.values() for column in sheet.columns}
    assert headers["covariate.hours_out"].header == "Hours out (h)"
    assert headers["covariate.room_temperature"].header == "Room temperature (°C)"
    assert headers["covariate.tested_on"].header == "Tested on (date)"
    assert "From the dryer to the start" in headers["covariate.hours_out"].hint
    assert "covariate.spool_age" in [column.key for column in sheets["Loads"].columns]
    assert [column.key for column in sheets["Prints"].columns][-6:] == [
        "covariate.hours_out", "covariate.room_temperature", "covariate.tested_on", "operator", "printed_on", "note",
    ]


def test_instructions_ask_for_them_where_there_are_any():
    texts = [line.text for line in instructions(STUDY, layout.sheets(STUDY, DESIGN, 1), ())]
    assert sum("hours out, room temperature, tested on" in text for text in texts) == 1
    assert sum("For every load write down on 'Loads'" in text and "spool age" in text for text in texts) == 1
    plain = make_study()
    texts = [line.text for line in instructions(plain, layout.sheets(plain, DESIGN, 1), ())]
    assert not any("without changing anything for it" in text for text in texts)


def test_values_are_collected(record):
    first = record.prints.set_index("print").loc["P01A"]
    assert first["covariate.hours_out"] == 3.5 and first["covariate.room_temperature"] == -2
    assert first["covariate.tested_on"] == "2026-03-09"
    assert record.loads.set_index("load").loc["L01X", "covariate.spool_age"] == 12
    assert math.isnan(record.prints["covariate.hours_out"][1]) and record.prints["covariate.tested_on"][1] == ""


def test_a_covariate_is_no_result():
    record, _ = merge(None, collected(filled(("Prints", "P02C", "covariate.hours_out", 1)))[0], "N. N.", WHEN)
    assert record.prints.set_index("print").loc["P02C", "outcome"] == ""
    assert "covariate.hours_out" not in value_columns(record.prints)
    lost = (("Prints", "P02C", "covariate.hours_out", 1), ("Prints", "P02C", "outcome", "lost"))
    kept, _ = merge(None, collected(filled(*lost))[0], "N. N.", WHEN)
    assert kept.prints.set_index("print").loc["P02C", "covariate.hours_out"] == 1


@pytest.mark.parametrize(
    ("sheet", "row", "key", "value", "found"),
    [
        ("Prints", "P01A", "covariate.hours_out", "three", "'three' is not a number"),
        ("Prints", "P01A", "covariate.tested_on", "last week", "'last week' is not a date"),
        ("Loads", "L01X", "covariate.spool_age", datetime.datetime(2026, 3, 1), "is a date or a time"),
    ],
)
def test_what_is_no_value_is_refused_with_its_cell(sheet, row, key, value, found):
    with pytest.raises(InputRefused, match=f"sheet {sheet}, cell") as caught:
        collected(filled((sheet, row, key, value)))
    assert [found in problem.found for problem in caught.value.problems] == [True]


def test_made_prints_and_loads_that_lack_one_are_named():
    typed = (
        *TYPED, ("Prints", "P02C", "outcome", "completed"), ("Prints", "P03D", "outcome", "lost"),
        ("Loads", "L02R", "spool", "S2"),
    )
    remarks = collected(filled(*typed))[1]
    assert "hours_out of prints P02C is not filled in yet." in remarks
    assert "spool_age of loads L02R is not filled in yet." in remarks


def test_a_changed_value_is_a_correction_and_an_empty_cell_erases_nothing(record):
    changed = collected(filled(("Prints", "P01A", "covariate.hours_out", 4.5), ("Loads", "L01X", "spool", "S1")))[0]
    merged, made = merge(record, changed, "N. N.", WHEN)
    assert [(one.table, one.row, one.column, one.old, one.new) for one in made] == [
        ("prints", "P01A", "covariate.hours_out", "3.5", "4.5")
    ]
    assert merged.loads["covariate.spool_age"][0] == 12


def test_a_workbook_from_before_the_covariates_is_read_as_before():
    record, remarks = collected(filled_book())
    plain, _ = collected(filled_book(), make_study())
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(record, table)[list(getattr(plain, table))], getattr(plain, table))
    assert record.prints["covariate.hours_out"].isna().all()
    assert sum("there is no column 'Hours out (h)'" in remark for remark in remarks) == 1
    assert not any("is not filled in yet" in remark for remark in remarks)


def test_without_covariates_the_workbook_is_byte_for_byte_what_it_was_with_an_empty_list():
    assert make_book(make_study(covariates=[])) == make_book(make_study())


def test_files_read_back(record):
    read = read_record(record_files(record), STUDY)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(read, table), getattr(record, table))


def test_files_from_before_the_covariates_are_read_with_empty_ones():
    plain = merge(None, collected(filled_book(), make_study())[0], "N. N.", WHEN)[0]
    read = read_record(record_files(plain), STUDY)
    assert read.prints["covariate.hours_out"].isna().all() and set(read.prints["covariate.tested_on"]) == {""}
    assert read.loads["covariate.spool_age"].isna().all()
    assert list(merge(read, collected(filled(*TYPED))[0], "N. N.", WHEN)[0].prints["covariate.hours_out"].dropna()) == [3.5]


def test_a_file_with_a_bad_value_is_refused(record):
    files = record_files(record)
    files["record/prints.csv"] = files["record/prints.csv"].replace(b"2026-03-09", b"9 March").replace(b"3.5", b"x")
    with pytest.raises(InputRefused, match="is not a date") as caught:
        read_record(files, STUDY)
    assert [problem.found for problem in caught.value.problems] == ["'x' is not a number", "'9 March' is not a date"]


def test_a_file_with_an_unknown_covariate_is_refused(record):
    with pytest.raises(InputRefused, match=r"column 'covariate\.hours_out' is unknown"):
        read_record(record_files(record), make_study())


def test_an_operator_can_fill_all_the_rest_beside_them():
    record, _ = collected(fill(blank_book(STUDY), study=STUDY))
    assert record.prints["warp"].notna().sum() == 5
