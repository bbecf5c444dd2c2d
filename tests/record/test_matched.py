"""What a workbook gives beside its values: where each stands, setpoints that are the plan's, reasons, and sheets of one's own."""

from dataclasses import replace

import pytest

from doe.record.match import match
from doe.record.read import read_workbook
from doe.sheet.grading import gradings
from tests.record.typing_over import PLACES, address, matched, matched_book, place, put, typed
from tests.sheet.books import (
    DEFINITIONS,
    LOADS,
    NAME,
    PRINTS,
    STUDY,
    Operator,
    filled_cells,
    make_book,
    make_design,
    make_study,
)

HEADING = "Reason for change"


def with_reasons(cells, sheet, **by_row):
    """Return the cells with a column for reasons to the right of the sheet's own."""
    cells = put(cells, sheet, (PLACES[sheet]["header_row"], 60), HEADING)
    identifier = "print" if sheet == "Prints" else "load"
    for row, text in by_row.items():
        cells = put(cells, sheet, (place(cells, sheet, row, identifier)[0], 60), text)
    return cells


def test_coupons_belong_to_their_prints_and_are_numbered():
    record, _ = matched(filled_cells())
    assert record.coupons["print"].to_list() == [name for name in PRINTS for _ in range(3)]
    assert record.coupons["number"].to_list() == [1, 2, 3] * 6
    assert record.prints["load"].to_list() == list(LOADS)
    assert set(record.prints["round"]) == set(record.loads["round"]) == {1}
    assert record.corrections.empty and record.spools.empty and record.gradings.empty


@pytest.mark.parametrize(
    ("sheet", "table", "row", "key"),
    [
        ("Prints", "prints", "P02C", "warp"), ("Prints", "prints", "P03D", "used.nozzle_temperature"),
        ("Coupons", "coupons", "P01A-2", "force.z_strength"), ("Loads", "loads", "L02R", "mass_before"),
        ("Printer checks", "checks", "R1-01", "actual"),
    ],
)
def test_each_value_has_its_cell(sheet, table, row, key):
    assert matched_book(filled_cells()).places[table, row, key] == f"{NAME}, {address(sheet, row, key)}"


def test_cells_of_identifiers_and_reasons_hold_no_values():
    book = matched_book(with_reasons(filled_cells(), "Prints", P02C="read again"))
    assert {table for table, _, _ in book.places} == {"prints", "coupons", "loads", "checks"}
    assert not {key for _, _, key in book.places} & {"print", "coupon", "load", "reading", "reason"}
    assert len([key for table, row, key in book.places if (table, row) == ("prints", "P02C")]) == 6


def test_what_was_used_for_a_whole_load_stands_in_the_cell_of_the_load_for_each_of_its_prints():
    book = matched_book(filled_cells())
    wanted = f"{NAME}, {address('Loads', 'L02R', 'used.drying_time')}"
    found = {(table, row): where for (table, row, key), where in book.places.items() if key == "used.drying_time"}
    assert found == {("prints", "P03D"): wanted, ("prints", "P04E"): wanted}


def test_setpoints_that_are_the_plans_are_noted_and_not_recorded():
    cells = typed(("Prints", "P01A", "used.nozzle_temperature", 262), ("Loads", "L03K", "used.drying_time", 12))
    book = matched_book(cells)
    noted = {("prints", "P01A", "used.nozzle_temperature")} | {("prints", name, "used.drying_time") for name in ("P05F", "P06H")}
    assert book.as_set == noted
    assert book.record.prints.set_index("print").loc[["P01A", "P05F"], "used.nozzle_temperature"].isna().all()
    assert book.record.prints["used.drying_time"].dropna().to_dict() == {2: 8.5, 3: 8.5}


def test_reasons_are_those_of_the_row_and_else_of_its_load():
    cells = with_reasons(filled_cells(), "Prints", P02C="read again", P03D="nozzle was changed")
    book = matched_book(with_reasons(cells, "Loads", L01X="scale was off", L02R="oven was in use"))
    assert book.reasons == {
        ("prints", "P02C"): "read again", ("prints", "P03D"): "nozzle was changed", ("prints", "P04E"): "oven was in use",
        ("loads", "L01X"): "scale was off", ("loads", "L02R"): "oven was in use",
    }


def test_sheets_of_ones_own_are_named_and_those_that_were_renamed_are_known():
    cells = put(filled_cells(), "Prints", (PLACES["Prints"]["header_row"], 60), "Room")
    renamed = {("Bars" if title == "Coupons" else title): content for title, content in cells.sheets.items()}
    record, remarks = matched(replace(cells, sheets={**renamed, "Ideas": {(1, 1): "thicker walls"}, "Empty": {}}))
    assert record.coupons.equals(matched(filled_cells())[0].coupons)
    assert [text.removeprefix(f"{NAME}, ").removeprefix(f"{NAME}: ") for text in remarks] == [
        "sheet Prints: column BH ('Room') is none of the sheet's own, and was not collected.",
        "sheet Coupons: it is called 'Bars' now, and was known by its headings.",
        "sheet 'Ideas' is none of the workbook's own, and was not collected.",
    ]


def test_rows_with_a_single_cell_are_kept_and_rows_with_none_are_not():
    checked = [{**one, "grader_check": 4} if one["name"] == "bed_grade" else one for one in STUDY["responses"]]
    study, design = make_study(responses=checked, plate={"positions": ["front", "rear"]}), make_design()
    hand = Operator(make_book(study), study)
    hand.type("Coupons", "P01A-2", {"outcome": "lost"})
    hand.type("Spools", "S1-02", {"lot": "0815"})
    code = gradings(study, design, 1)[2]
    last = hand.places["Grader check"]
    rows = range(last["first_row"], last["last_row"] + 1)
    codes, grades = (last["columns"][key] for key in ("code", "grade.bed_grade"))
    (row,) = [row for row in rows if hand.book["Grader check"][f"{codes}{row}"].value == code.code]
    hand.book["Grader check"][f"{grades}{row}"] = 3
    record = match(study, design, read_workbook(hand.save(), NAME), DEFINITIONS).record
    placed = record.coupons.set_index("coupon")["plate.position"]
    assert placed[placed != ""].to_dict() == {"P01A-2": "rear"}
    assert record.spools[["entry", "lot"]].to_numpy().tolist() == [["S1-02", "0815"]]
    (grading,) = record.gradings.to_dict("records")
    assert (grading["code"], grading["item"], grading["time"], grading["grade.bed_grade"]) == (code.code, code.item, code.time, 3)
    assert record.checks.empty
