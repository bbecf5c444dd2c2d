"""Who printed which print on which day, and what of that nobody wrote down."""

import dataclasses

import pytest

from doe.report import pieces, sections, who_printed
from tests.report import samples

STUDY = samples.study()
DESIGN = samples.design(STUDY)
RECORD = samples.record(STUDY, DESIGN)


def without(**columns):
    prints, loads = RECORD.prints, RECORD.loads
    prints = prints.assign(**{key: value for key, value in columns.items() if key in prints})
    loads = loads.assign(**{key: value for key, value in columns.items() if key in loads})
    return dataclasses.replace(RECORD, prints=prints, loads=loads)


def test_each_print_has_its_operator_and_its_day():
    table = who_printed.printed_table(DESIGN, RECORD)
    assert table.rows[0] == ("P01A", "L01C", "A", "R. T.", "2026-03-02")
    assert len(table.rows) == 29 and "P12A" not in {row[0] for row in table.rows}  # lost: nobody printed it
    assert who_printed.not_recorded_table(STUDY, RECORD).rows == ()


def test_what_nobody_wrote_down_is_counted():
    bare = without(operator="", dried_from="", dried_to=float("nan"))
    assert who_printed.printed_table(DESIGN, bare).rows[0][3:] == ("", "2026-03-02")
    table = who_printed.not_recorded_table(STUDY, dataclasses.replace(bare, checks=RECORD.checks.assign(read_on="")))
    assert table.rows == (
        ("who printed", "29 of 29 prints"), ("since when it was dried", "8 of 8 drying loads"),
        ("until when it was dried", "8 of 8 drying loads"), ("when the reference probe was read", "1 of 1 readings"),
    )
    assert who_printed.printed_table(DESIGN, without(operator="", printed_on="")).rows == ()


@pytest.mark.usefixtures("undrawn")
def test_both_stand_in_the_report():
    made = sections.document(samples.inputs(record=without(printed_on="")))
    texts = [*pieces.texts(made["sections"])]
    assert "Who printed, and when" in texts and "R. T." in texts
    assert "when it was printed" in texts and "29 of 29 prints" in texts
