"""What the terminal shows of cost and calendar."""

from doe.design.effort import effort
from doe.design.timetable import DRYING_ALONE, timetable
from doe.report.tables import plain_text
from doe.report.timetable import effort_table, timetable_table
from tests.sheet.books import make_design, make_study

OVEN = {"spools": 2, "delayed_start": True}


def shown(**changes):
    study, runs = make_study(oven=OVEN, **changes), make_design().runs
    return effort(study, runs), timetable(study, runs)


def test_effort_stands_beside_its_contingency():
    # Six prints of 150 min on two printers; three loads of 4, 8 and 12 h and 30 min of warming up each; a print has 3
    # and 2 coupons and its warp is measured: 6 tests of 6 min. Loads take 2 spools each. 1.15 * 7.5 h is 8.625 h.
    table = effort_table(*shown())
    assert table.columns == ("What", "Planned", "With 15 % contingency")
    assert table.rows[:-1] == (
        ("prints", "6", "7"),
        ("drying loads", "3", "4"),
        ("oven, h", "25.5", "29.3"),
        ("printer A, h", "7.5", "8.6"),
        ("printer B, h", "7.5", "8.6"),
        ("tests", "36", "42"),
        ("testing, h", "3.6", "4.1"),
        ("filament, g", "240", "276"),
        ("full spools, fresh for each load", "6", "7"),
    )
    assert table.rows[-1][0] == "working days"
    # 240 g would fit on one spool of 1 kg: why there are six stands below
    assert "one for each printer that it feeds" in table.note and "more spools than the grams fill" in table.note


def test_without_loads_no_row_speaks_of_the_oven():
    study, runs = make_study(), make_design().runs.assign(load="")
    table = effort_table(effort(study, runs), timetable(study, runs))
    assert not {"drying loads", "oven, h"} & {row[0] for row in table.rows}
    assert "dried" not in table.note and "full spools" in {row[0] for row in table.rows}
    assert timetable_table(timetable(study, runs)).columns == ("Day", "Time", "What", "Prints", "Printer", "Note")


def test_the_timetable_has_a_row_a_step_and_says_what_to_beware_of():
    _, made = shown()
    table = timetable_table(made)
    assert len(table.rows) == len(made.steps)
    assert table.columns == ("Day", "Time", "What", "Load", "Prints", "Printer", "Note")
    assert table.note.startswith(DRYING_ALONE)
    assert "a print 150 min" in table.note
    assert all(len(row) == len(table.columns) == len(table.align) for row in table.rows)


def test_tables_fit_a_terminal():
    cost, made = shown(budget={"start": "2026-03-02"})
    for table in (effort_table(cost, made), timetable_table(made)):
        assert max(len(line) for line in plain_text(table, 80).splitlines()) <= 80
    assert timetable_table(made).columns[1] == "Date"
