"""What is held fixed is listed for the operators, and ticked off print by print."""

import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.read_tables import read_record, record_files
from doe.report.protocol import deviation_rows
from doe.sheet import layout
from doe.sheet.instructions import instructions
from tests.record.typing_over import blank_book
from tests.sheet.books import DEFINITIONS, NAME, Operator, make_design, make_study

HELD = {"fan": "off", "print_speed": "60 mm/s"}
STUDY, DESIGN = make_study(conditions=HELD), make_design()


def collected(typed):
    hand = Operator(blank_book(STUDY), STUDY)
    for row, values in typed.items():
        hand.type("Prints", row, values)
    return match(STUDY, DESIGN, read_workbook(hand.save(), NAME), DEFINITIONS).record


@pytest.fixture(scope="module")
def record():
    typed = {
        "P01A": {"outcome": "completed", "log.conditions": "As listed"},
        "P02C": {"outcome": "completed", "log.conditions": "changed", "note": "fan at 20 %"},
        "P03D": {"outcome": "detached", "log.conditions": "changed"},
        "P04E": {"outcome": "completed"},
    }
    return merge(None, collected(typed), "N. N.", "2026-03-10T10:00:00Z")[0]


def test_they_are_listed_for_the_operators():
    told = [(line.label, line.text) for line in instructions(STUDY, layout.sheets(STUDY, DESIGN, 1), ())]
    assert ("Fan", "off") in told and ("Print speed", "60 mm/s") in told
    plain = make_study()
    assert not any("held fixed" in line.label for line in instructions(plain, layout.sheets(plain, DESIGN, 1), ()))


def test_there_is_a_column_only_where_something_is_listed():
    for study, there in ((STUDY, True), (make_study(), False)):
        assert ("log.conditions" in [column.key for column in layout.sheets(study, DESIGN, 1)[0].columns]) is there


def test_what_was_chosen_is_kept(record):
    assert record.prints["log.conditions"].to_list() == ["as listed", "changed", "changed", "", "", ""]
    back = read_record(record_files(record), STUDY)
    assert back.prints["log.conditions"].to_list() == record.prints["log.conditions"].to_list()


def test_a_change_is_a_deviation_with_its_note(record):
    rows = {row[0]: row for row in deviation_rows(STUDY, DESIGN, record).rows}
    assert rows["P02C"][3:] == ("conditions changed", "fan at 20 %")
    assert rows["P03D"][3] == "detached, conditions changed"
    assert "P01A" not in rows and "P04E" not in rows


def test_another_word_is_refused_in_the_workbook_and_in_the_file(record):
    with pytest.raises(InputRefused, match=r"sheet Prints, cell .*as listed"):
        collected({"P01A": {"log.conditions": "nearly"}})
    files = record_files(record)
    files["record/prints.csv"] = files["record/prints.csv"].replace(b"as listed", b"nearly")
    with pytest.raises(InputRefused, match=r"column 'log\.conditions': 'nearly'; as listed, changed are allowed"):
        read_record(files, STUDY)
