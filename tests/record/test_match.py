import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.errors import InputRefused
from doe.record.corrections import merge
from doe.record.match import match
from doe.record.read import Cells, read_workbook
from doe.record.schema import TABLES
from doe.sheet import layout
from tests.record.typing_over import address, blank_book, matched, moved, place, place_of, put, typed
from tests.sheet.books import (
    DEFINITIONS,
    NAME,
    PRINTS,
    STUDY,
    Operator,
    filled_cells,
    make_book,
    make_design,
    make_study,
)


def same(record, other):
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(record, table), getattr(other, table))


@pytest.fixture(scope="module")
def record():
    return matched(filled_cells())[0]


def test_prints_are_matched(record):
    prints = record.prints.set_index("print")
    assert list(prints.index) == list(PRINTS)
    assert prints.loc["P02C", ["outcome", "operator", "printed_on", "leak_test", "load", "printer"]].to_list() == [
        "completed", "N. N.", "2026-03-03", "pass", "L01X", "B"
    ]
    assert prints.loc["P02C", ["bed_grade", "warp"]].to_list() == [1.0, 0.1]
    assert prints.loc["P04E", ["outcome", "note"]].to_list() == ["lost", "power cut"]
    assert np.isnan(prints.loc["P04E", "warp"])


def test_setpoints_used_are_recorded_also_those_of_a_whole_load(record):
    prints = record.prints.set_index("print")
    assert prints.loc["P03D", "used.nozzle_temperature"] == 280
    assert prints.loc["P03D", "used.bed_surface"] == "textured sheet"
    assert prints["used.drying_time"].dropna().to_dict() == {"P03D": 8.5, "P04E": 8.5}
    assert np.isnan(prints.loc["P01A", "used.nozzle_temperature"])
    assert prints.loc["P01A", "used.bed_surface"] == ""


def test_a_setpoint_used_that_is_the_plans_is_no_deviation():
    record, _ = matched(typed(("Prints", "P01A", "used.nozzle_temperature", 262)))
    assert np.isnan(record.prints["used.nozzle_temperature"][0])


def test_stress_is_force_over_the_measured_cross_section(record):
    coupon = record.coupons.set_index("coupon").loc["P03D-2"]
    assert coupon["z_strength"] == 266.1 / (5.0 * 2.01)
    assert np.isnan(record.coupons.set_index("coupon").loc["P04E-1", "z_strength"])


def test_loads_and_readings_are_matched(record):
    assert {key: value for key, value in record.loads.loc[1].items() if not key.startswith("log.")} == {
        "load": "L02R", "round": 1, "spool": "S-1", "dried_from": "2026-03-01T08:11", "dried_to": "2026-03-01T14:31",
        "oven_reading": 80.5, "mass_before": 1251.0, "mass_after": 1241.3, "note": "",
    }
    assert record.checks.to_dict("records") == [
        {"reading": "R1-01", "printer": "A", "factor": "nozzle_temperature", "set": 265.0, "actual": 258.6,
         "instrument": "TC-03", "read_on": "2026-02-27"},
        {"reading": "R1-02", "printer": "B", "factor": "z_offset", "set": 0.0, "actual": 0.01, "instrument": "", "read_on": ""},
    ]


def test_a_blank_workbook_gives_every_planned_row_without_outcome():
    record, remarks = matched(read_workbook(blank_book(), NAME))
    assert (record.prints["outcome"] == "").all()
    assert len(record.prints) == 6
    assert len(record.coupons) == 18
    assert record.checks.empty
    assert not remarks


def test_a_study_without_coupons_loads_or_printers():
    study = make_study(responses=[STUDY["responses"][4]], printers=[], factors=STUDY["factors"][:2])
    design = make_design()
    design = replace(design, runs=design.runs.assign(load="", printer=""))
    hand = Operator(make_book(study, design), study, design)
    hand.type("Prints", "P01A", {"warp": 0.3})
    record = match(study, design, read_workbook(hand.save(), NAME), DEFINITIONS).record
    merged, _ = merge(None, record, "N. N.", "2026-03-02T10:00:00Z")
    assert merged.prints["warp"][0] == 0.3
    assert merged.prints["outcome"].to_list() == ["completed", "", "", "", "", ""]
    assert merged.coupons.empty
    assert merged.loads.empty


def test_a_later_round_is_matched_to_its_own_rows():
    design = make_design(rounds=2)
    cells = read_workbook(make_book(design=design, number=2), NAME)
    record, _ = matched(cells, design=design)
    assert set(record.prints["round"]) == {2}
    assert list(record.loads["load"]) == ["L01X2", "L02R2", "L03K2"]


# What survives ------------------------------------------------------------------------------------------------------

def test_rows_may_be_sorted(record):
    for sheet in ("Prints", "Coupons", "Loads"):
        at = layout.locations(make_study(), make_design(), 1)[sheet]
        first, ends = at["first_row"], at["first_row"] + at["last_row"]
        turned = moved(
            filled_cells(), sheet, lambda row, column, first=first, ends=ends: (row if row < first else ends - row, column)
        )
        same(matched(turned)[0], record)


def test_columns_may_be_inserted_and_rows_put_above(record):
    cells = moved(filled_cells(), "Prints", lambda row, column: (row + 2, column + (3 if column > 4 else 0)))
    cells = put(cells, "Prints", (4, 6), "Room (°C)")
    cells = put(cells, "Prints", (7, 6), 21)
    got, remarks = matched(cells)
    same(got, record)
    assert remarks == (f"{NAME}, sheet Prints: column F ('Room (°C)') is none of the sheet's own, and was not collected.",)


def test_headers_may_change_in_case_and_blanks(record):
    cells = typed(("Prints", None, "outcome", "  OUTCOME "), ("Prints", None, "warp", "warp\n(mm)"))
    same(matched(cells)[0], record)


def test_sheet_names_may_change_in_case(record):
    cells = filled_cells()
    renamed = {("COUPONS " if title == "Coupons" else title): content for title, content in cells.sheets.items()}
    same(matched(Cells(cells.where, renamed, cells.uncomputed))[0], record)


def test_blank_rows_for_readings_may_go(record):
    same(matched(moved(filled_cells(), "Printer checks", lambda row, column: (row, column) if row < 6 else None))[0], record)


def test_identifiers_may_change_in_case_and_blanks(record):
    same(matched(typed(("Prints", "P05F", "print", " p05f ")))[0], record)
    same(matched(typed(("Prints", "P05F", "print", "P05\u200bF\u00a0")))[0], record)


SAME_VALUE = {
    "number with its unit": (("Coupons", "P01A-1", "force.z_strength"), "251.1 N", 251.1),
    "number with its unit and a comma": (("Coupons", "P01A-1", "first_layer_peel"), "1,45N/mm", 1.45),
    "number with a sign that nobody sees": (("Coupons", "P01A-1", "force.z_strength"), "\u200b251.1\u200e", 251.1),
    "word with signs that nobody sees": (("Prints", "P02C", "outcome"), "com\u00adpleted\u200b", "completed"),
    "date with a sign that nobody sees": (("Prints", "P02C", "printed_on"), "\ufeff2026-03-09", "2026-03-09"),
    "nothing that can be seen": (("Prints", "P02C", "note"), " \u200b", ""),
    "minus of a word processor": (("Prints", "P01A", "warp"), "\u22120.2", -0.2),
    "date in words": (("Prints", "P02C", "printed_on"), "9 March 2026", "2026-03-09"),
    "month first in words": (("Prints", "P02C", "printed_on"), "Mar 9, 2026", "2026-03-09"),
    "year in two digits": (("Prints", "P02C", "printed_on"), "09.03.26", "2026-03-09"),
    "slashes, year first": (("Prints", "P02C", "printed_on"), "2026/3/9", "2026-03-09"),
    "half past two in the afternoon": (("Loads", "L01X", "dried_to"), "2026-03-01 2:30 PM", "2026-03-01T14:30"),
    "midnight of twelve hours": (("Loads", "L01X", "dried_from"), "1.3.2026 12:05 am", "2026-03-01T00:05"),
    "decimal comma": (("Coupons", "P01A-1", "force.z_strength"), "251,1", 251.1),
    "decimal point as text": (("Coupons", "P01A-1", "force.z_strength"), " 251.1 ", 251.1),
    "four places": (("Coupons", "P01A-1", "force.z_strength"), "251.1234", 251.1234),
    "fraction below one": (("Coupons", "P01A-1", "thickness.z_strength"), "0,125", 0.125),
    "negative": (("Prints", "P01A", "warp"), "-0.2", -0.2),
    "grade as text": (("Prints", "P02C", "bed_grade"), "3", 3.0),
    "case and blanks of an outcome": (("Prints", "P02C", "outcome"), "  Broke  in Handling", "broke in handling"),
    "case of a deviation": (("Prints", "P02C", "deviation"), "SUSPECT", "suspect"),
    "case of pass": (("Prints", "P02C", "leak_test"), "Pass", "pass"),
    "ISO date as text": (("Prints", "P02C", "printed_on"), "2026-03-09", "2026-03-09"),
    "dotted date": (("Prints", "P02C", "printed_on"), "9.3.2026", "2026-03-09"),
    "date with time": (("Prints", "P02C", "printed_on"), datetime.datetime(2026, 3, 9, 17, 0), "2026-03-09"),
    "date alone": (("Prints", "P02C", "printed_on"), datetime.date(2026, 3, 9), "2026-03-09"),
    "time as text": (("Loads", "L01X", "dried_from"), "01.03.2026 7:05", "2026-03-01T07:05"),
    "ISO time as text": (("Loads", "L01X", "dried_from"), "2026-03-01T07:05:30", "2026-03-01T07:05"),
    "a second lost in arithmetic": (
        ("Loads", "L01X", "dried_from"), datetime.datetime(2026, 3, 1, 7, 4, 59, 999999), "2026-03-01T07:05"
    ),
    "number as a note": (("Prints", "P02C", "note"), 12.0, "12"),
    "note of several lines": (("Prints", "P02C", "note"), "one\r\ntwo", "one\ntwo"),
    "blanks only": (("Prints", "P02C", "note"), "   ", ""),
}


@pytest.mark.parametrize(("where", "raw", "wanted"), SAME_VALUE.values(), ids=SAME_VALUE)
def test_what_is_unambiguous_is_read(where, raw, wanted):
    sheet, row, key = where
    record, _ = matched(typed((*where, raw)))
    table = {"Prints": record.prints, "Coupons": record.coupons, "Loads": record.loads}[sheet]
    assert table.set_index(table.columns[0]).loc[row, key] == wanted


# What is refused ----------------------------------------------------------------------------------------------------

REFUSED = {
    "text for a number": (
        ("Coupons", "P03D-1", "force.z_strength", "n/a"),
        "'n/a' is not a number; a number is allowed; leave the cell empty for a missing result",
    ),
    "number in another unit": (
        ("Coupons", "P03D-1", "first_layer_peel", "26.4 kN/m"), "'26.4 kN/m' is not a number; a number in N/mm is allowed"
    ),
    "unit with another prefix": (("Coupons", "P03D-1", "force.z_strength", "26.4 n"), "a number in N is allowed"),
    "formula kept as text": (("Coupons", "P03D-1", "force.z_strength", "=250+1"), r"'=250\+1' is not a number"),
    "thousands set apart by a blank": (("Coupons", "P03D-1", "force.z_strength", "1 234,5"), "'1 234,5' is not a number"),
    "more than": (("Coupons", "P03D-1", "force.z_strength", ">250"), "'>250' is not a number; .* type the number alone"),
    "letter for a digit": (("Coupons", "P03D-1", "force.z_strength", "25O.1"), "'25O.1' is not a number"),
    "day without a year": (("Prints", "P03D", "printed_on", "4.3."), "'4.3.' is not a date"),
    "time without a day": (("Loads", "L01X", "dried_from", datetime.time(8, 30)), "'08:30:00' is not a date with its time"),
    "dash": (("Prints", "P03D", "warp", "-"), "'-' is not a number"),
    "thousand or fraction": (("Coupons", "P03D-1", "force.z_strength", "1,234"), "may be a thousand or a fraction"),
    "thousand or fraction, point": (("Coupons", "P03D-1", "force.z_strength", "1.234"), "may be a thousand or a fraction"),
    "two decimal signs": (("Coupons", "P03D-1", "force.z_strength", "1.234,5"), "is not a number"),
    "truth for a number": (("Prints", "P03D", "warp", True), "'TRUE' is not a number"),
    "error for a number": (("Prints", "P03D", "warp", "#DIV/0!"), "'#DIV/0!' is not a number"),
    "date for a number": (("Prints", "P03D", "warp", datetime.datetime(2026, 4, 26)), "'2026-04-26' is a date or a time"),
    "time for a number": (("Prints", "P03D", "warp", datetime.time(26 - 24, 4)), "'02:04:00' is a date or a time"),
    "negative force": (("Coupons", "P03D-1", "force.z_strength", -3.0), "-3 is not possible here; a number above zero"),
    "zero thickness": (("Coupons", "P03D-1", "thickness.z_strength", 0), "0 is not possible here"),
    "zero for no result": (("Coupons", "P03D-1", "first_layer_peel", 0), "let the outcome say why"),
    "infinite": (("Prints", "P03D", "warp", "1e999"), "the number is too large"),
    "oven out of reach": (("Loads", "L01X", "oven_reading", 5000), "5000 is out of reach; at least -50 and at most 500"),
    "outcome not in the list": (
        ("Prints", "P03D", "outcome", "complete"),
        "'complete' is not among the words of this column; completed, detached, .* did you mean 'completed'",
    ),
    "outcome far from all": (("Prints", "P03D", "outcome", "ok"), "'ok' is not among .* choose from the list"),
    "deviation not in the list": (("Prints", "P03D", "deviation", "of plan"), "did you mean 'off plan'"),
    "grade not in the list": (("Prints", "P03D", "bed_grade", 7), "'7' is not among the words of this column; 0, 1, 2"),
    "grade between two": (("Prints", "P03D", "bed_grade", 3.5), "'3.5' is not among"),
    "neither pass nor fail": (("Prints", "P03D", "leak_test", "passed"), "did you mean 'pass'"),
    "level not in the list": (("Prints", "P03D", "used.bed_surface", "glas, glue stick"), "did you mean 'glass, glue stick'"),
    "word for a date": (("Prints", "P03D", "printed_on", "Monday"), "'Monday' is not a date; a date, such as 2026-03-01"),
    "date that is none": (("Prints", "P03D", "printed_on", "31.02.2026"), "'31.02.2026' is not a date"),
    "number for a date": (("Prints", "P03D", "printed_on", 46100), "'46100' is not a date"),
    "month first": (("Prints", "P03D", "printed_on", "03/09/2026"), "is not a date"),
    "year that cannot be": (("Prints", "P03D", "printed_on", datetime.datetime(1900, 1, 1)), "the year 1900 cannot be meant"),
    "date without time": (("Loads", "L01X", "dried_from", "2026-03-01"), "is not a date with its time"),
    "time that is none": (("Loads", "L01X", "dried_from", "2026-03-01 25:00"), "is not a date with its time"),
    "dried backwards": (("Loads", "L01X", "dried_to", datetime.datetime(2026, 2, 28)), "it ends after it began"),
    "long note": (("Prints", "P03D", "note", "x" * 1001), "the text has 1001 characters"),
    "beyond the printer's limit": (
        ("Prints", "P02C", "used.nozzle_temperature", 295), "295 is beyond the limits of printer B; 0 to 290 is allowed"
    ),
    "beyond every printer's limit": (("Prints", "P03D", "used.nozzle_temperature", 301), "301 is out of reach"),
    "typed over a setpoint": (
        ("Prints", "P03D", "set.nozzle_temperature", 280),
        "'280' was typed over the plan's '277'; .* another setpoint goes under 'Nozzle temperature, used if not as set",
    ),
    "typed over a printer": (("Prints", "P03D", "printer", "B"), "'B' was typed over the plan's 'A'"),
    "value for a lost print": (
        ("Prints", "P04E", "warp", 0.3), "a value, although the outcome of print P04E is 'lost'"
    ),
    "grade for a lost print": (("Prints", "P04E", "bed_grade", 2), "although the outcome of print P04E is 'lost'"),
    "strength of a detached coupon": (
        ("Coupons", "P03D-2", "outcome", "detached"), "a value, although the outcome of coupon P03D-2 is 'detached'"
    ),
    "strength of a coupon broken before the test": (
        ("Coupons", "P03D-3", "outcome", "broke in handling"), "although the outcome of coupon P03D-3 is"
    ),
    "coupon beyond a response's number": (
        ("Coupons", "P03D-3", "first_layer_peel", 1.4), "a value for .*; coupon P03D-3 is not measured for it"
    ),
    "unknown identifier": (("Prints", "P03D", "print", "P03X"), "'P03X' is not in the plan.* did you mean 'P03D'"),
    "unlike any identifier": (("Loads", "L02R", "load", "spare"), "'spare' is not in the plan.* or clear the row"),
    "repeated identifier": (("Coupons", "P03D-2", "coupon", "P03D-1"), "'P03D-1' stands in row 10 already"),
    "identifier cleared": (("Coupons", "P03D-2", "coupon", None), "a row is filled in but has no identifier"),
    "reading without its actual": (("Printer checks", "R1-01", "actual", None), "the reading lacks: Actual"),
    "reading of one cell": (("Printer checks", "R1-03", "printer", "A"), "the reading lacks: What was read, Setpoint, Actual"),
    "unknown factor": (("Printer checks", "R1-01", "factor", "Nozle temperature"), "did you mean 'Nozzle temperature'"),
}


@pytest.mark.parametrize(("change", "message"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_recorded_is_refused_with_its_cell(change, message):
    with pytest.raises(InputRefused, match=message) as refused:
        matched(typed(change))
    assert all(problem.where.startswith(f"{NAME}, sheet {change[0]}") for problem in refused.value.problems)
    assert all(problem.found and problem.allowed and problem.remedy for problem in refused.value.problems)


def test_the_cell_of_a_problem_is_named():
    with pytest.raises(InputRefused, match="is not a number") as refused:
        matched(typed(("Coupons", "P03D-1", "force.z_strength", "n/a")))
    (problem,) = refused.value.problems
    assert problem.where == f"{NAME}, {address('Coupons', 'P03D-1', 'force.z_strength')}"


def test_values_of_coupons_whose_print_was_lost_are_refused():
    cells = typed(("Coupons", "P04E-1", "outcome", "completed"), ("Coupons", "P04E-1", "first_layer_peel", 1.4))
    with pytest.raises(InputRefused, match="although the outcome of its print P04E is 'lost'"):
        matched(cells)


def test_a_deleted_row_is_missed():
    number, _ = place(filled_cells(), "Prints", "P03D", "print")
    cells = moved(filled_cells(), "Prints", lambda row, column: None if row == number else (row, column))
    with pytest.raises(InputRefused, match=f"{NAME}, sheet Prints: no row for P03D"):
        matched(cells)


def test_a_long_list_of_missing_rows_is_cut_short():
    cells = moved(filled_cells(), "Coupons", lambda row, column: (row, column) if row < 6 else None)
    with pytest.raises(InputRefused, match="no row for P01A-3, P02C-1, P02C-2, P02C-3, P03D-1, P03D-2 and 10 more"):
        matched(cells)


def test_a_missing_sheet_is_named():
    cells = filled_cells()
    with pytest.raises(InputRefused, match="sheet Loads: there is no such sheet"):
        matched(replace(cells, sheets={title: c for title, c in cells.sheets.items() if title != "Loads"}))


def test_a_missing_column_is_named_with_the_nearest():
    found = r"sheet Prints, row 2: the column 'Warp \(mm\)' is missing.*rename 'Warps \(mm\)' back"
    with pytest.raises(InputRefused, match=found):
        matched(typed(("Prints", None, "warp", "Warps (mm)")))
    with pytest.raises(InputRefused, match=r"the column 'Note' is missing.*put the heading back"):
        matched(typed(("Prints", None, "note", None)))


def test_readings_without_one_of_their_columns_are_refused():
    with pytest.raises(InputRefused, match="the column 'Setpoint' is missing"):
        matched(typed(("Printer checks", None, "set", None)))


def test_a_heading_that_stands_twice_is_refused():
    with pytest.raises(InputRefused, match="this heading stands in two columns"):
        matched(put(filled_cells(), "Prints", (2, 30), "Outcome"))


def test_missing_headings_are_refused():
    with pytest.raises(InputRefused, match="the row of headings is missing"):
        matched(moved(filled_cells(), "Loads", lambda row, column: None if row == 2 else (row, column)))


def test_a_formula_that_was_not_computed_is_refused():
    cells = filled_cells()
    where = place(cells, "Prints", "P03D", "warp")
    cells = replace(put(cells, "Prints", where, None), uncomputed={"Prints": frozenset({where})})
    with pytest.raises(InputRefused, match="a formula without its result"):
        matched(cells)


def test_all_problems_are_listed_at_once():
    cells = typed(
        ("Prints", "P01A", "outcome", "fine"), ("Prints", "P02C", "warp", "none"), ("Coupons", "P01A-1", "width.z_strength", 0),
        ("Loads", "L03K", "mass_after", "?"), ("Printer checks", "R1-02", "set", None),
    )
    with pytest.raises(InputRefused, match="fine") as refused:
        matched(cells)
    assert [problem.where.split(", ")[1] for problem in refused.value.problems] == [
        "sheet Prints", "sheet Prints", "sheet Coupons", "sheet Loads", "sheet Printer checks"
    ]


# Whose workbook it is -----------------------------------------------------------------------------------------------

def identity(key):
    return place_of(f"B{layout.locations(make_study(), make_design(), 1)['Instructions']['rows'][key]}")


STRANGERS = {
    "another study": ("study", "other-clip", "the workbook belongs to study 'other-clip'; this is study 'clip'"),
    "round that is not planned": ("round", 7, "the workbook is for round 7; the plan has 1, 2"),
    "later format": ("format", 2, "the workbook has format 2; this version reads format 1"),
    "changed digest": ("digest", "0" * 64, "the plan of round 1, or a factor or response, is not what it was"),
    "no digest": ("digest", None, "what makes the workbook known is missing"),
    "no study": ("study", None, "what makes the workbook known is missing"),
    "another round": ("round", 2, "the workbook says round 2, but it was written for round 1"),
}


@pytest.mark.parametrize(("key", "value", "message"), STRANGERS.values(), ids=STRANGERS)
def test_a_workbook_of_something_else_is_refused(key, value, message):
    with pytest.raises(InputRefused, match=message) as refused:
        matched(put(filled_cells(), "Instructions", identity(key), value), design=make_design(rounds=2))
    (problem,) = refused.value.problems
    assert problem.where == f"{NAME}, sheet Instructions"


def test_changed_definitions_refuse_an_older_workbook():
    with pytest.raises(InputRefused, match="is not what it was when the workbook was written"):
        matched(filled_cells(), definitions={**DEFINITIONS, "responses": ["z_strength", "warp"]})


def test_a_changed_plan_refuses_an_older_workbook():
    design = make_design()
    runs = design.runs.copy()
    runs.loc[2, "set.nozzle_temperature"] = 278.0
    with pytest.raises(InputRefused, match="the plan of round 1, or a factor or response, is not what it was"):
        matched(filled_cells(), design=replace(design, runs=runs))


def test_a_workbook_without_instructions_is_not_ours():
    cells = filled_cells()
    with pytest.raises(InputRefused, match="hand in the workbook that 'doe sheet' wrote"):
        matched(replace(cells, sheets={title: c for title, c in cells.sheets.items() if title != "Instructions"}))


# What is worth a word -----------------------------------------------------------------------------------------------

REMARKS = {
    "no outcome, print": ([("Prints", "P02C", "outcome", None)], "Values but no outcome for prints P02C: completed"),
    "no outcome, coupon": ([("Coupons", "P02C-1", "outcome", None)], "Values but no outcome for coupons P02C-1"),
    "force alone": ([("Coupons", "P02C-1", "width.z_strength", None)], "z_strength of coupons P02C-1 waits for their width"),
    "used, but not off plan": ([("Prints", "P02C", "used.z_offset", 0.05)], "they count at the setpoint under 'used'"),
    "off plan, but nothing used": ([("Prints", "P02C", "deviation", "off plan")], "marked 'off plan' but nothing is written"),
    "heavier when dry": ([("Loads", "L01X", "mass_after", 1260)], "heavier after drying than before"),
}


@pytest.mark.parametrize(("changes", "message"), REMARKS.values(), ids=REMARKS)
def test_remarks_do_not_refuse(changes, message):
    _, remarks = matched(typed(*changes))
    assert len(remarks) == 1
    assert message in remarks[0]


def test_a_print_off_plan_through_its_load_needs_no_remark():
    _, remarks = matched(typed(("Prints", "P03D", "used.nozzle_temperature", None), ("Prints", "P03D", "used.bed_surface", None)))
    assert remarks == ()
