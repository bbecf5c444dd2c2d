import dataclasses
import datetime
import io
import zipfile

import pandas as pd
import pytest

from doe.design.plan import Design
from doe.design.timetable import timetable
from doe.record.schema import LEDGERS, TABLES
from doe.sheet import layout
from doe.sheet.write import write_workbook
from doe.study.operators import in_language, languages
from tests.record.typing_over import matched
from tests.sheet.books import (
    CAUTIONS,
    DEFINITIONS,
    MADE_AT,
    PRINTS,
    STUDY,
    Operator,
    filled_cells,
    make_book,
    make_design,
    make_study,
    opened,
    rows_of_round,
)


@pytest.fixture(scope="module")
def book():
    return opened(make_book())


def test_equal_inputs_give_equal_bytes():
    assert make_book() == make_book()


def test_every_time_in_the_file_is_the_one_that_was_passed():
    study, design, other = make_study(), make_design(), datetime.datetime(2027, 7, 7, 7, 7, tzinfo=datetime.UTC)
    content = write_workbook(study, design, 1, "0" * 64, CAUTIONS, other)
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(2027, 7, 7, 7, 7, 0)}
    properties = opened(content).properties
    assert properties.created == properties.modified == other.replace(tzinfo=None)


def test_without_a_time_the_clock_is_read_and_may_be_fixed(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1772353800")
    study, design = make_study(), make_design()
    digest = layout.plan_digest(DEFINITIONS, design.of_round(1))
    assert write_workbook(study, design, 1, digest, CAUTIONS) == write_workbook(study, design, 1, digest, CAUTIONS, MADE_AT)


def test_sheets_and_identity(book):
    names = ["Instructions", "Prints", "Coupons", "Loads", "Spools", "Printer checks", "Timetable", "Labels", "Lists"]
    assert book.sheetnames == names
    assert book["Lists"].sheet_state == "hidden"
    front, place = book["Instructions"], layout.locations(make_study(), make_design(), 1)["Instructions"]
    said = {key: front[f"B{row}"].value for key, row in place["rows"].items()}
    digest = layout.plan_digest(DEFINITIONS, make_design().of_round(1))
    assert said == {"study": "clip", "title": "Snap clip", "material": "invented filled polyamide", "round": 1,
                    "digest": digest, "seed": 43, "format": 1}


def test_instructions_hold_the_cautions_each_once(book):
    texts = " ".join(str(cell.value) for row in book["Instructions"].iter_rows() for cell in row if cell.value)
    for wanted in (*CAUTIONS, "SDS", "qualified people prevail", "Never type 0", "broke in grips", "off plan"):
        assert wanted in texts
    assert texts.count("prevail") == 1
    assert "SIMULATED" not in texts


@pytest.mark.parametrize("language", languages())
def test_titles_are_not_cut_off_on_paper(language):
    study = in_language(make_study(study={**STUDY["study"], "simulated": True}), language)
    written = opened(make_book(study))
    for table in layout.sheets(study, make_design(), 1):
        page = written[table.title]
        starts = [cell.column for cell in page[1] if cell.value and cell.data_type == "s"]
        ends = [*(end.id for end in page.col_breaks.brk), len(table.columns)]
        for start in starts:
            room = sum(column.width for column in table.columns[start - 1 : next(end for end in ends if end >= start)])
            text = page.cell(1, start).value
            assert start == 1 < len(starts) or 1.1 * len(text) <= room, text  # so wide LibreOffice prints bold type of 11 points


def test_simulated_studies_say_so_on_every_sheet():
    study = make_study(study={**STUDY["study"], "simulated": True})
    simulated = opened(make_book(study))
    assert simulated["Instructions"]["A2"].value.startswith("SIMULATED DATA")
    for name in ("Prints", "Coupons", "Loads", "Printer checks", "Timetable"):
        assert "SIMULATED DATA" in " ".join(cell.value for cell in simulated[name][1] if cell.value)
        assert "SIMULATED DATA" in simulated[name].oddHeader.center.text
        assert simulated[name].oddFooter.center.text == "SIMULATED DATA"
    assert "SIMULATED" in simulated["Labels"]["A5"].value


def test_cells_to_fill_are_unlocked_and_all_else_is_locked(book):
    for table in layout.sheets(make_study(), make_design(), 1):
        page = book[table.name]
        for place, column in enumerate(table.columns, 1):
            for row, identifier in enumerate(table.row_ids(), table.first_row):
                cell = page.cell(row, place)
                open_cell = column.fill and (identifier, column.key) not in table.closed
                assert cell.protection.locked is not open_cell, f"{table.name} {cell.coordinate}"


def test_sheets_are_protected_without_a_password(book):
    for page in book.worksheets:
        assert page.protection.sheet
        assert page.protection.password is None


def test_every_cell_to_fill_is_validated(book):
    for table in layout.sheets(make_study(), make_design(), 1):
        page = book[table.name]
        covered = [rule for rule in page.data_validations.dataValidation if rule.showErrorMessage and rule.showInputMessage]
        for place, column in enumerate(table.columns, 1):
            rules = [rule for rule in covered if f"{layout.letter(place)}{table.last_row}" in rule.sqref]
            assert len(rules) == int(column.fill), column.key
            if column.fill:
                kinds = {"choice": "list", "number": "decimal", "date": "date", "datetime": "date", "text": "textLength"}
                assert rules[0].type == kinds[column.kind]
                assert rules[0].prompt and len(rules[0].prompt) <= 255
                assert rules[0].promptTitle and len(rules[0].promptTitle) <= 32
                assert len(rules[0].error) <= 225
                assert rules[0].errorStyle == ("warning" if column.usual and column.kind == "number" else "stop")


def test_lists_offer_levels_that_hold_a_comma_as_one(book):
    prints, place = book["Prints"], layout.locations(make_study(), make_design(), 1)["Prints"]["columns"]
    formula = next(
        rule.formula1 for rule in prints.data_validations.dataValidation if f"{place['used.bed_surface']}3" in rule.sqref
    )
    cells = book["Lists"][formula.split("!")[1].replace("$", "")]
    assert [cell.value for (cell,) in cells] == ["glass, glue stick", "textured sheet"]


def test_grades_are_offered_as_numbers(book):
    assert [cell.value for cell in next(iter(book["Lists"].iter_cols(min_row=1, max_row=6, min_col=4, max_col=4)))] == [
        0, 1, 2, 3, 4, 5
    ]


def test_stress_is_a_live_formula_in_a_locked_cell(book):
    cell = book["Coupons"]["K4"]  # a line above the headers says which test has which numbers
    assert cell.value == '=IF(MIN($H4,$I4,$J4)>0,IF(COUNT($H4,$I4,$J4)=3,$H4/($I4*$J4),""),"")'
    assert cell.protection.locked


def test_pages_are_set_up_for_printing(book):
    page = book["Prints"]
    assert page.freeze_panes == "C3"
    assert (page.print_title_rows, page.print_title_cols) == ("$1:$2", "$A:$B")
    assert page.page_setup.orientation == "landscape"
    assert 70 <= int(page.page_setup.scale) <= 85 and not page.sheet_properties.pageSetUpPr.fitToPage
    assert [end.id for end in page.col_breaks.brk] == [14, 20]  # before the outcome, and after the results
    assert page.print_area == "'Prints'!$A$1:$AB$8"
    assert page.oddHeader.left.text == "clip, round 1"
    assert page.oddHeader.right.text == "Page &P of &N"
    front = book["Instructions"]
    assert (front.page_setup.orientation, int(front.page_setup.scale)) == ("portrait", 90)
    for end in front.row_breaks.brk:  # no heading is alone at the foot
        assert front.cell(end.id, 2).value


def test_what_is_kept_for_later_is_outlined(book):
    places = layout.locations(make_study(), make_design(), 1)
    for name in ("Prints", "Coupons", "Loads"):
        for key, letter in places[name]["columns"].items():
            assert bool(book[name].column_dimensions[letter].outlineLevel) is key.startswith("log."), key


def test_text_that_operators_type_stays_text(book):
    places = layout.locations(make_study(), make_design(), 1)
    for name, key in (("Prints", "note"), ("Prints", "operator"), ("Loads", "spool"), ("Prints", "outcome"),
                      ("Prints", "used.bed_surface"), ("Coupons", "log.conditioning")):
        assert book[name][f"{places[name]['columns'][key]}{places[name]['first_row']}"].number_format == "@", key
    for name, key in (("Prints", "bed_grade"), ("Prints", "warp"), ("Coupons", "force.z_strength")):
        assert book[name][f"{places[name]['columns'][key]}{places[name]['first_row']}"].number_format == "General", key


def test_bands_change_with_the_drying_load(book):
    colours = [book["Prints"][f"A{row}"].fill.fgColor.rgb for row in range(3, 9)]
    assert colours[0] == colours[1] != colours[2] == colours[3] != colours[4]
    assert book["Prints"]["A5"].border.top.style == "medium"
    assert book["Prints"]["A4"].border.top.style != "medium"


def test_text_of_the_study_is_never_a_formula():
    starts = ("=SUM(77)", "+77", "-77", "@SUM(77)")
    first, second, *_ = starts
    surfaces = [f"{start} glass" for start in starts]
    factors = [*STUDY["factors"][:2], {"name": "bed_surface", "levels": surfaces}, STUDY["factors"][3]]
    responses = [{**one, "method": f"{first} method"} for one in STUDY["responses"]]
    study = make_study(
        factors=factors, responses=responses, covariates=[{"name": "humidity", "unit": f"{first} %", "method": f"{first} read"}],
        study={**STUDY["study"], "title": f"{first} title", "material": f"{second} material"},
        instruments=[{"id": "TC-03", "kind": f"{first} kind"}],
    )
    runs = rows_of_round(1).assign(**{key: [*surfaces, *surfaces[:2]] for key in ("target.bed_surface", "set.bed_surface")})
    cautions = [f"{start} caution" for start in starts]
    written = opened(write_workbook(study, Design(runs=runs), 1, "0" * 64, (*cautions, *CAUTIONS), MADE_AT))
    found = set()
    for page in written.worksheets:
        for cell in (cell for row in page.iter_rows() for cell in row if isinstance(cell.value, str)):
            ours = cell.value.startswith(("=IF(", "=IFERROR(", "=COUNTIF(")) and "77" not in cell.value
            assert (cell.data_type == "f") is ours, f"{page.title} {cell.coordinate}"
            if cell.value.startswith(starts):
                found.add(cell.value)
                assert cell.quotePrefix, f"{page.title} {cell.coordinate}"
        rules = [rule.condition for rule in _conditions(page)] + _validations(page)
        assert not any(start in rule for rule in rules for start in starts)
    assert found == {f"{first} title", f"{second} material", *surfaces, *cautions}


def _conditions(page):
    for area in page.conditional_formatting:
        for rule in area.rules:
            rule.condition = " ".join(rule.formula)
            yield rule


def _validations(page):
    return [str(rule.formula1) + str(rule.formula2) for rule in page.data_validations.dataValidation]


def test_the_second_round_has_its_own_prints():
    design = make_design(rounds=2)
    content = make_book(design=design, number=2)
    hand = Operator(content, design=design, number=2)
    assert hand.book["Prints"][hand.address("Prints", "P01A2", "print")].value == "P01A2"
    assert hand.book["Printer checks"]["A3"].value == "R2-01"
    assert dataclasses.replace(design, runs=design.of_round(2)).rounds == [2]


def test_the_timetable_is_locked_and_asks_for_nothing(book):
    page = book["Timetable"]
    assert page.protection.sheet
    assert all(cell.protection.locked for row in page.iter_rows() for cell in row)
    assert not page.data_validations.dataValidation
    assert "to look at only" in page["A1"].value


def test_the_timetable_prints_its_headers_and_cautions_on_every_page(book):
    # The loads dry for up to 12 h, so that something runs overnight.
    page, place = book["Timetable"], layout.locations(make_study(), make_design(), 1)["Timetable"]
    head = place["header_row"]
    above = [page[f"A{row}"].value for row in range(2, head)]
    assert above[0].startswith("! Drying runs on while nobody is there")
    assert "independent over-temperature cut-out; site rules govern" in above[0]
    assert page.print_title_rows == f"$1:${head}"
    assert page.freeze_panes == f"B{head + 1}"
    assert page[f"A{head}"].value == "Step"
    assert page.print_area == f"'Timetable'!$A$1:${list(place['columns'].values())[-1]}${place['last_row']}"


def test_the_timetable_lists_every_step_of_the_plan(book):
    page, place = book["Timetable"], layout.locations(make_study(), make_design(), 1)["Timetable"]
    rows = [
        {key: page[f"{column}{row}"].value for key, column in place["columns"].items()}
        for row in range(place["first_row"], place["last_row"] + 1)
    ]
    steps = timetable(make_study(), make_design().runs).steps
    assert [row["step"] for row in rows] == list(range(1, len(steps) + 1))
    assert [(row["day"], row["time"], row["what"], row["load"]) for row in rows] == [
        (step.day, step.time, step.what, step.load) for step in steps
    ]
    started = {row["prints"]: row["printer"] for row in rows if row["what"] == "start print"}
    assert started == dict(zip(PRINTS, "ABABAB", strict=True))
    dated = opened(make_book(make_study(budget={"start": datetime.date(2026, 3, 2)})))["Timetable"]
    assert "2026-03-02" in {cell.value for row in dated.iter_rows() for cell in row}


def test_the_record_does_not_depend_on_the_timetable():
    whole = filled_cells()
    without = {title: cells for title, cells in whole.sheets.items() if title != "Timetable"}
    scribbled = {**whole.sheets, "Timetable": {(row, column): "P01A" for row in range(8, 41) for column in (1, 9)}}
    books = (whole, *(dataclasses.replace(whole, sheets=sheets) for sheets in (without, scribbled)))
    records = [matched(cells)[0] for cells in books]
    for name in (*TABLES, *LEDGERS):
        for other in records[1:]:
            pd.testing.assert_frame_equal(getattr(records[0], name), getattr(other, name))
