"""Values that were taken after their instrument was due: found by the day of the test, else of the print."""

import datetime

import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.instruments import overdue_lines
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.report.protocol import deviation_rows
from doe.study.read import parse_study
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, STUDY, Operator, make_design, make_study
from tests.study.studies import WHOLE, changed

DUE = datetime.date(2026, 3, 31)
TOOLS = [
    {"id": "UTM-1", "kind": "testing machine", "due": DUE}, {"id": "TC-03", "kind": "thermocouple, type K class 1", "due": DUE},
]
RESPONSES = [
    {**one, "instrument": "UTM-1"} if one["name"] in ("first_layer_peel", "warp") else one for one in STUDY["responses"]
]
GUARDED, DESIGN = make_study(instruments=TOOLS, responses=RESPONSES), make_design()


def day(number, month=4):
    return datetime.datetime(2026, month, number)


def test_an_instrument_is_named_as_the_study_does_and_said():
    hand = Operator(blank_book(GUARDED), GUARDED)
    for row, name in (("R1-01", "tc-03 "), ("R1-02", "TC-03"), ("R1-03", "a lent one"), ("R1-04", None)):
        read = {"printer": "A", "factor": "nozzle_temperature", "set": 265, "actual": 258.6, "instrument": name}
        hand.type("Printer checks", row, {**read, "read_on": day(1)})
    book = match(GUARDED, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS)
    checks = book.record.checks
    assert checks["instrument"].to_list() == ["TC-03", "TC-03", "a lent one", ""]
    cell = book.places["checks", "R1-01", "instrument"]
    assert (cell, "tc-03", "TC-03", "Instrument") in {(one.where, one.found, one.value, one.column) for one in book.read_as}
    lent = next(one for one in book.remarks if "'a lent one'" in one)
    assert "sheet Printer checks, cell " in lent and "add it there with its kind or its limit_of_error" in lent
    assert not [one for one in book.remarks if "TC-03" in one]  # one that is named, or nothing, is nothing to remark on
    (line,) = overdue_lines(GUARDED, book.record.prints, book.record.coupons, checks)
    assert line == "Instrument TC-03 was due 2026-03-31, and was used after that day: readings R1-01, R1-02."


def test_a_slip_in_the_name_of_an_instrument_is_said_with_its_cell_and_what_was_meant():
    hand = Operator(blank_book(GUARDED), GUARDED)
    read = {"printer": "A", "factor": "nozzle_temperature", "set": 265, "actual": 258.6, "instrument": "TC03"}
    hand.type("Printer checks", "R1-01", read)
    book = match(GUARDED, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS)
    (said,) = [one for one in book.remarks if "TC03" in one]
    cell = book.places["checks", "R1-01", "instrument"]
    assert said.startswith(f"{cell}: no instrument is named 'TC03' under [[instruments]]")
    assert "did you mean 'TC-03'?" in said


def recorded(typed, study=GUARDED):
    hand = Operator(blank_book(study), study)
    for (sheet, row), values in typed.items():
        hand.type(sheet, row, values)
    book = match(study, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS).record
    return read_record(record_files(merge(None, book, "N. N.", "2026-04-10T10:00:00Z")[0]), study)


def lines(record, study=GUARDED):
    return overdue_lines(study, record.prints, record.coupons, record.checks)


@pytest.fixture(scope="module")
def record():
    return recorded({
        ("Prints", "P01A"): {"printed_on": day(31, 3), "warp": 0.2},
        ("Prints", "P02C"): {"printed_on": day(1), "warp": 0.2},
        ("Coupons", "P01A-1"): {"first_layer_peel": 1.5, "log.tested_on": day(1)},
        ("Coupons", "P01A-2"): {"first_layer_peel": 1.5},
        ("Coupons", "P02C-1"): {"first_layer_peel": 1.5, "log.tested_on": day(31, 3)},
        ("Coupons", "P02C-2"): {"first_layer_peel": 1.5},
        ("Coupons", "P02C-3"): {"log.tested_on": day(5)},
        ("Coupons", "P03D-1"): {"first_layer_peel": 1.5},
        ("Printer checks", "R1-01"): {
            "printer": "A", "factor": "Nozzle temperature", "set": 265, "actual": 258.6, "instrument": "TC-03", "read_on": day(2),
        },
    })


def test_a_value_counts_by_the_day_of_its_test_and_else_of_its_print(record):
    why = "instrument UTM-1 was due 2026-03-31"
    assert record.doubts == {"first_layer_peel": {"P01A-1": why, "P02C-2": why}, "warp": {"P02C": why}}


def test_each_instrument_has_one_line_and_values_without_a_day_one_note(record):
    said = lines(record)
    assert len(said) == 3
    assert said[0].startswith(
        "Instrument UTM-1 was due 2026-03-31, and was used after that day: first_layer_peel of P01A-1, P02C-2; warp of P02C."
    )
    assert "Such values count as suspect" in said[0]
    assert said[1] == "Instrument TC-03 was due 2026-03-31, and was used after that day: readings R1-01."
    assert said[2].endswith("could not be judged for values without a day of test or print: 1 of first_layer_peel.")


def test_a_day_of_tests_that_the_study_asks_for_goes_before_the_print(record):
    study = make_study(instruments=TOOLS, responses=RESPONSES, covariates=[{"name": "tested_on", "kind": "date"}])
    typed = {("Prints", "P01A"): {"printed_on": day(1, 3), "covariate.tested_on": day(1), "warp": 0.2},
             ("Coupons", "P01A-1"): {"first_layer_peel": 1.5}}
    assert {name: list(items) for name, items in recorded(typed, study).doubts.items()} == {
        "first_layer_peel": ["P01A-1"], "warp": ["P01A"],
    }


def test_nothing_is_said_without_a_due_day_or_without_an_instrument(record):
    assert lines(record, make_study(instruments=[{**tool, "due": None} for tool in TOOLS], responses=RESPONSES)) == ()
    assert lines(record, make_study()) == ()


def test_what_is_in_doubt_stands_in_no_file(record):
    assert not any(b"was due" in content for content in record_files(record).values())


def test_the_report_lists_it(record):
    rows = [row for row in deviation_rows(GUARDED, DESIGN, record).rows if row[3] == "suspect"]
    assert [row[0] for row in rows] == ["2 values", "1 value"]
    assert rows[0][4] == "first layer peel: instrument UTM-1 was due 2026-03-31; P01A-1, P02C-2"


def test_an_instrument_that_the_study_does_not_name_is_refused():
    text = changed("method = ", 'instrument = "TC-30"\nmethod = ')
    words = r"responses\[1\] 'z_strength', key 'instrument'.*no instrument has the id 'TC-30'"
    with pytest.raises(InputRefused, match=words) as no:
        parse_study(text)
    assert "did you mean 'TC-03'" in no.value.problems[0].remedy
    assert parse_study(text.replace("TC-30", "TC-03")).responses[0].instrument == "TC-03"
    assert parse_study(WHOLE).responses[0].instrument is None
