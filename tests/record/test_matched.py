"""What a workbook gives beside its values: where each stands, setpoints that are the plan's, reasons, and sheets of one's own."""

from dataclasses import replace

import pytest

from doe.errors import InputRefused
from doe.record.match import match
from doe.record.read import read_workbook
from doe.sheet.grading import gradings
from doe.study.operators import in_language
from tests.record.typing_over import PLACES, address, matched, matched_book, moved, place, put, typed
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


def test_empty_cells_are_noted_and_those_of_a_load_for_each_of_its_prints():
    book = matched_book(filled_cells())
    assert {("prints", "P02C", "note"), ("checks", "R1-03", "actual"), ("coupons", "P04E-1", "force.z_strength")} <= book.blank
    assert not book.blank & book.places.keys()
    own = {("prints", "print"), ("coupons", "coupon"), ("loads", "load"), ("checks", "reading"), ("spools", "entry")}
    assert not {(table, key) for table, _, key in book.blank} & own and not [key for _, _, key in book.blank if key == "reason"]
    emptied = {(table, row) for table, row, key in book.blank if key == "used.drying_time"}
    assert emptied == {("prints", name) for name in ("P01A", "P02C", "P05F", "P06H")}  # the others were dried otherwise


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


# In which language a workbook is written, and where it says whose it is ------------------------------------------------

def first_sheet(cells, title, to=lambda row, column: (row, column), other=None):
    """Return the cells with the first sheet under another name, its cells moved, and something else written on it."""
    cells = moved(cells, "Instructions", to)
    said = {**cells.sheets["Instructions"], **(other or {})}
    rest = {name: content for name, content in cells.sheets.items() if name != "Instructions"}
    return replace(cells, sheets={**rest, title: said})


@pytest.mark.parametrize(("now", "then", "sheet"), [("en", "de", "Drucke"), ("de", "en", "Prints")])
def test_a_workbook_is_read_in_its_own_language_whatever_the_study_asks_for_by_now(now, then, sheet):
    study = make_study()
    hand = Operator(make_book(in_language(study, then)), in_language(study, then))
    hand.type("Prints", "P02C", {"outcome": "detached"})
    book = match(in_language(study, now), make_design(), read_workbook(hand.save(), NAME), DEFINITIONS)
    assert book.record.prints["outcome"].to_list() == ["", "detached", "", "", "", ""]
    assert book.remarks == () and book.read_as == ()
    assert book.places["prints", "P02C", "outcome"].startswith(f"{NAME}, sheet {sheet}, cell ")


@pytest.mark.parametrize("title", ["Instructions", "Anleitung", "Sheet1"])
def test_the_first_sheet_is_known_by_its_name_in_any_language_and_else_by_what_stands_on_it(title):
    record, remarks = matched(first_sheet(filled_cells(), title))
    assert record.prints.equals(matched(filled_cells())[0].prints) and remarks == ()


def test_what_makes_a_workbook_known_is_looked_for_in_the_first_fifty_rows_and_to_the_right():
    rows = PLACES["Instructions"]["rows"]
    down = 50 - max(rows.values())  # the last label then stands in row 50
    lower = first_sheet(filled_cells(), "Instructions", lambda row, column: (row + down, column + (60 if column > 1 else 0)))
    assert matched(lower)[0].prints.equals(matched(filled_cells())[0].prints)
    too_low = first_sheet(filled_cells(), "Instructions", lambda row, column: (row + down + 1, column))
    with pytest.raises(InputRefused, match="the workbook has format none"):
        matched(too_low)


def test_the_value_beside_a_label_is_the_nearest_to_its_right_and_of_two_labels_the_first_counts():
    row = PLACES["Instructions"]["rows"]["study"]
    assert matched(first_sheet(filled_cells(), "Instructions", other={(row, 3): "other-clip"}))[1] == ()
    label = filled_cells().sheets["Instructions"][row, 1]
    again = {(row + 1, 70): label, (row + 2, 70): label, (row + 2, 71): "other-clip"}  # the first of them has no value
    assert matched(first_sheet(filled_cells(), "Instructions", other=again))[1] == ()
    with pytest.raises(InputRefused, match="the workbook belongs to study 'other-clip'"):
        matched(put(first_sheet(filled_cells(), "Instructions", other=again), "Instructions", (row, 2), None))
