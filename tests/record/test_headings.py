"""Headings in another language than the workbook's are understood, and said; what they stand for is never guessed."""

import functools
from dataclasses import replace

import pytest

from doe.errors import InputRefused
from doe.record import headings
from doe.record.headings import known_headings
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.schema import TABLES
from doe.record.together import join
from doe.sheet import layout
from doe.study.operators import in_language, languages
from tests.record.test_exported import read as exported
from tests.sheet.books import DEFINITIONS, NAME, fill, make_book, make_design, make_study

DESIGN = make_design()
STUDIES = {language: in_language(make_study(), language) for language in ("de", "en")}
OTHER = {"de": "en", "en": "de"}


@functools.cache
def cells_of(language):
    return read_workbook(fill(make_book(STUDIES[language]), study=STUDIES[language]), NAME)


def headers(language, sheet):
    """Return, by key, the place and the text of a sheet's headings."""
    (found,) = [one for one in layout.sheets(STUDIES[language], DESIGN, 1) if one.name == sheet]
    row, columns = found.header_row, enumerate(found.columns, 1)
    return {column.key: (found.title, (row, number), column.header) for number, column in columns}


def reheaded(language, *changes):
    """Return a filled workbook's cells with the text of headings changed, each given by sheet, key and text."""
    cells = cells_of(language)
    for sheet, key, text in changes:
        title, where, _ = headers(language, sheet)[key]
        cells = replace(cells, sheets={**cells.sheets, title: {**cells.sheets[title], where: text}})
    return cells


def matched(language, cells):
    return match(STUDIES[language], DESIGN, cells, DEFINITIONS)


def same(found):
    wanted = matched("en", cells_of("en")).record
    return all(getattr(found.record, table).equals(getattr(wanted, table)) for table in TABLES)


@pytest.mark.parametrize("language", OTHER)
@pytest.mark.parametrize(("sheet", "key"), [
    ("Prints", "outcome"), ("Prints", "print"), ("Prints", "used.nozzle_temperature"), ("Coupons", "force.z_strength"),
    ("Loads", "dried_from"), ("Printer checks", "actual"),
])
def test_one_heading_in_the_other_language_is_understood_and_said(language, sheet, key):
    _, _, text = headers(OTHER[language], sheet)[key]
    title, (row, column), own = headers(language, sheet)[key]
    found = matched(language, reheaded(language, (sheet, key, text.upper())))
    assert same(found)
    assert [(one.where, one.found, one.value) for one in found.read_as] == [
        (f"{NAME}, sheet {title}, cell {layout.letter(column)}{row}", text.upper(), own)
    ]


@pytest.mark.parametrize("language", OTHER)
def test_a_sheet_may_be_in_the_other_language_altogether(language):
    changes = [("Coupons", key, text) for key, (_, _, text) in headers(OTHER[language], "Coupons").items()]
    cells = reheaded(language, *changes)
    title, other = headers(language, "Coupons")["coupon"][0], headers(OTHER[language], "Coupons")["coupon"][0]
    renamed = replace(cells, sheets={other if name == title else name: one for name, one in cells.sheets.items()})
    for found in (matched(language, cells), matched(language, renamed)):
        assert same(found)
        assert {one.column for one in found.read_as} == {"heading"}
    assert any(f"sheet {title}: it is called '{other}' now" in one for one in found.remarks)


def test_a_column_that_somebody_added_beside_the_sheets_own_is_not_taken_for_it():
    cells = reheaded("de")
    drucke = {**cells.sheets["Drucke"], (2, 60): "Note", (3, 60): "gone over"}
    found = matched("de", replace(cells, sheets={**cells.sheets, "Drucke": drucke}))
    assert same(found) and found.read_as == ()
    assert any("column BH ('Note') is none of the sheet's own" in one for one in found.remarks)


def test_two_columns_for_one_thing_are_refused_with_the_cell_of_the_second():
    cells = reheaded("de", ("Prints", "note", "Note"))
    drucke = {**cells.sheets["Drucke"], (2, 60): "NOTE"}
    with pytest.raises(InputRefused, match="sheet Drucke, cell BH2: this heading stands in two columns"):
        matched("de", replace(cells, sheets={**cells.sheets, "Drucke": drucke}))


def test_headings_that_are_none_in_any_language_are_missed():
    with pytest.raises(InputRefused, match=r"sheet Drucke, row 2: the column 'Ausgang' is missing; .*rename 'Ausgan' back"):
        matched("de", reheaded("de", ("Prints", "outcome", "Ausgan")))


def test_every_heading_of_every_sheet_is_known_by_its_key():
    known = known_headings(make_study(), DESIGN, 1)
    for language in languages():
        for sheet in layout.sheets(STUDIES[language], DESIGN, 1):
            assert {column.header: known[sheet.name].get(headings.key_of(column.header)) for column in sheet.columns} == {
                column.header: column.key for column in sheet.columns
            }
    assert known["Prints"]["grund der korrektur"] == known["Prints"]["reason for change"] == "reason"


def test_a_heading_that_means_two_things_in_two_languages_is_known_as_neither(monkeypatch):
    """Were a note called in English what an outcome is called in German, nobody could tell them apart."""
    whole = layout.sheets

    def sheets(study, design, number):
        made = whole(study, design, number)
        if study.header.operator_language == "de":
            return made
        columns = [replace(one, header="Ausgang") if one.key == "note" else one for one in made[0].columns]
        return (replace(made[0], columns=tuple(columns)), *made[1:])

    monkeypatch.setattr(layout, "sheets", sheets)
    known = known_headings(make_study(), DESIGN, 1)["Prints"]
    assert "ausgang" not in known and known["outcome"] == "outcome"
    cells = cells_of("en")
    prints = {place: "Ausgang" if value == "Outcome" else value for place, value in cells.sheets["Prints"].items()}
    with pytest.raises(InputRefused, match="the column 'Outcome' is missing"):
        matched("en", replace(cells, sheets={**cells.sheets, "Prints": prints}))


def test_a_table_of_a_machine_is_known_by_headings_of_either_language():
    for text in ("Probekörper,Bemerkung\nP01A-1,a\n", "Coupon,Note\nP01A-1,a\n", "coupon,Bemerkung\nP01A-1,a\n"):
        assert exported(text).record.coupons["note"][0] == "a"


def test_two_sheets_with_the_headings_of_one_that_is_gone_are_named():
    cells = cells_of("en")
    two = {("Coupons final" if name == "Coupons" else name): one for name, one in cells.sheets.items()}
    two["Coupons old"] = cells.sheets["Coupons"]
    found = "there is no such sheet, and its headings stand on 'Coupons final' and 'Coupons old'.*give the right one"
    with pytest.raises(InputRefused, match=f"{NAME}, sheet Coupons: {found}"):
        matched("en", replace(cells, sheets=two))


def test_the_words_of_a_workbook_name_what_is_wrong_or_worth_a_word():
    columns = {key: where for key, (_, where, _) in headers("de", "Prints").items()}
    cells = cells_of("de")
    rows = {value: row for (row, column), value in cells.sheets["Drucke"].items() if column == columns["print"][1]}

    def typed(row, key, value):
        where = rows[row], columns[key][1]
        return replace(cells, sheets={**cells.sheets, "Drucke": {**cells.sheets["Drucke"], where: value}})

    checks, (_, (header, column), _) = cells.sheets["Druckerprüfung"], headers("de", "Printer checks")["actual"]
    without = {place: value for place, value in checks.items() if place != (header + 1, column)}
    lacking = replace(cells, sheets={**cells.sheets, "Druckerprüfung": without})
    for study in STUDIES.values():  # the study may ask for another language by now
        with pytest.raises(InputRefused, match="a value, although the outcome of print P04E is 'verloren'"):
            match(study, DESIGN, typed("P04E", "warp", 0.3), DEFINITIONS)
        (remark,) = match(study, DESIGN, typed("P02C", "outcome", None), DEFINITIONS).remarks
        assert "Values but no outcome for prints P02C: in Ordnung, unless" in remark
        with pytest.raises(InputRefused, match="sheet Druckerprüfung, cell E3: the reading lacks: Istwert"):
            match(study, DESIGN, lacking, DEFINITIONS)
        (remark,) = match(study, DESIGN, typed("P02C", "deviation", "abweichend"), DEFINITIONS).remarks
        assert "Prints P02C are marked 'abweichend' but nothing" in remark


def test_two_books_that_disagree_are_quoted_each_in_its_own_words():
    _, (header, column), _ = headers("de", "Prints")["outcome"]
    cells = cells_of("de")
    changed = {**cells.sheets["Drucke"], (header + 1, column): "abgelöst"}
    first = match(STUDIES["en"], DESIGN, replace(cells, where="a.xlsx", sheets={**cells.sheets, "Drucke": changed}), DEFINITIONS)
    second = match(STUDIES["en"], DESIGN, replace(cells_of("en"), where="b.xlsx"), DEFINITIONS)
    found = r"a\.xlsx, sheet Drucke, cell .*'abgelöst' for outcome of P01A, but b\.xlsx, sheet Prints, .* says 'completed'"
    with pytest.raises(InputRefused, match=found):
        join([first, second], None)


@pytest.mark.parametrize(("language", "word"), [("de", "Nozzle temperature"), ("en", "düsentemperatur")])
def test_what_was_read_on_a_printer_may_be_named_in_the_other_language(language, word):
    title, (header, column), _ = headers(language, "Printer checks")["factor"]
    cells = cells_of(language)
    typed = {**cells.sheets[title], (header + 1, column): word}
    found = matched(language, replace(cells, sheets={**cells.sheets, title: typed}))
    assert same(found) and [one.found for one in found.read_as] == [word]
