"""Workbooks in every language that there are texts in: complete, read back alike, and none of it part of the protocol."""

import functools
import itertools
import re
import string
from dataclasses import replace

import pandas as pd
import pytest
from openpyxl.utils import column_index_from_string

from doe.design.timetable import timetable
from doe.errors import InputRefused
from doe.record.match import match
from doe.record.read import read_workbook
from doe.record.schema import LEDGERS, TABLES
from doe.sheet import layout
from doe.sheet.write import write_workbook
from doe.study import materials
from doe.study.amend import definitions, protocol
from doe.study.operators import in_language, languages, texts
from doe.study.read import parse_study
from tests.sheet.books import (
    DEFINITIONS,
    MADE_AT,
    NAME,
    STUDY,
    fill,
    make_book,
    make_design,
    make_study,
    opened,
)

ENGLISH, GERMAN = texts("en"), texts("de")
OTHERS = [one for one in languages() if one != "en"]
DESIGN = make_design()
CAUTIONS = materials.template("PA-CF").cautions
RICH = make_study(
    study={**STUDY["study"], "simulated": True},
    factors=[{**STUDY["factors"][0], "reading_sd": 1.5}, *STUDY["factors"][1:]],
    responses=[
        *STUDY["responses"][:2], {**STUDY["responses"][2], "grader_check": 2}, *STUDY["responses"][3:],
        *({"name": name, "unit": unit, "coupons": 3, "formula": name, "at_least": 1}
          for name, unit in (("flexural", "MPa"), ("charpy", "kJ/m2"), ("charpy_notched", "kJ/m2"), ("peel", "N/mm"),
                             ("nominal_strain", "%"), ("flexural_strain", "%"), ("pull_off", "MPa"), ("lap_shear", "MPa"))),
    ],
    printers=[{**STUDY["printers"][0], "z_closer": "negative"}, {**STUDY["printers"][1], "z_closer": "negative"}],
    covariates=[
        {"name": "hours_out", "unit": "h"}, {"name": "opened", "kind": "date"}, {"name": "room", "unit": "%", "per": "load"},
    ],
    conditions={"fan": "0 %"}, plate={"positions": ["1", "2", "3"], "orientation": "ZX"},
    oven={"out_hours": 0.5, "temperature": 80},
)
"""Asks for every kind of sheet and column."""


def said(language):
    """Return every text of the language's file, by key."""
    return {key: text for key, text in texts(language)._texts.items() if not key.startswith(("language", "grammar."))}


def placeholders(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("language", OTHERS)
def test_every_language_has_every_text_with_the_same_placeholders(language):
    ours, theirs = said("en"), said(language)
    assert ours.keys() == theirs.keys()
    assert not {key for key in ours if placeholders(ours[key]) != placeholders(theirs[key])}
    assert texts(language).table("grammar").keys() == ENGLISH.table("grammar").keys()


@pytest.mark.parametrize("language", OTHERS)
def test_every_caution_of_every_material_is_translated_with_its_figures(language):
    say = texts(language)
    for caution in {one for family in materials.families() for one in materials.template(family).cautions}:
        assert say.caution(caution) != caution, caution
        figures = [re.findall(r"\d+", text.replace(",", ".")) for text in (caution, say.caution(caution))]
        assert sorted(figures[0]) == sorted(figures[1]), caution


@pytest.mark.parametrize("language", languages())
def test_words_and_headers_of_one_list_or_sheet_differ_and_fit(language):
    say = texts(language)
    titles = list(say.table("sheets").values())
    assert len({title.casefold() for title in titles}) == len(titles)
    assert all(0 < len(title) <= 31 and not set(title) & set(":\\/?*[]'") for title in titles)
    for table in ("outcomes.word", "deviations.word", "pass_fail", "conditions", "states"):
        found = say.table(table).values()
        assert len(set(found)) == len(found)
    for sheet in layout.sheets(in_language(RICH, language), DESIGN, 1):
        headers = [" ".join(column.header.split()).casefold() for column in sheet.columns]
        assert len(set(headers)) == len(headers), sheet.name
        longest = {max(len(word) for word in column.header.replace("-", "- ").split()): column for column in sheet.columns}
        assert all(length <= column.width for length, column in longest.items())
        assert all(len(column.hint) <= 255 for column in sheet.columns)


def test_no_heading_or_sheet_means_another_thing_in_another_language():
    for first, second in itertools.combinations(languages(), 2):
        one, other = (layout.sheets(in_language(RICH, language), DESIGN, 1) for language in (first, second))
        assert [sheet.name for sheet in one] == [sheet.name for sheet in other]
        for here, there in zip(one, other, strict=True):
            assert [column.key for column in here.columns] == [column.key for column in there.columns]
            by_header = {column.header.casefold(): column.key for column in here.columns}
            assert all(by_header.get(column.header.casefold(), column.key) == column.key for column in there.columns)


@functools.cache
def german_bytes():
    return write_german()


def write_german():
    return write_workbook(in_language(RICH, "de"), DESIGN, 1, "0" * 64, CAUTIONS, MADE_AT)


@functools.cache
def german_book():
    return opened(german_bytes())


def strings(book):
    """Yield every text that a workbook shows: cells, texts in formulas and conditions, prompts, errors, headers, names."""
    for page in book.worksheets:
        yield page.title
        head, foot = page.oddHeader, page.oddFooter
        yield from (part.text for part in (head.left, head.center, head.right, foot.center) if part.text)
        for cell in (cell for row in page.iter_rows() for cell in row if isinstance(cell.value, str)):
            yield from re.findall(r'"([^"]*)"', cell.value) if cell.data_type == "f" else [cell.value]
        for one in page.data_validations.dataValidation:
            yield from (one.prompt, one.promptTitle, one.error, one.errorTitle)
        for area in page.conditional_formatting:
            for rule in area.rules:
                yield from re.findall(r'"([^"]*)"', " ".join(rule.formula))
    yield book.properties.title


def pattern(text):
    """Return what finds a text in others whatever is put in; short ones only where they stand alone."""
    parts = [re.escape(part) if isinstance(part, str) else ".*" for part in _parts(text)]
    inner = "".join(parts)
    fixed = sum(len(part) for part in _parts(text) if isinstance(part, str))
    return re.compile(inner if fixed >= 15 else f"^{inner}$", re.DOTALL)


def _parts(text):
    for literal, name, _, _ in string.Formatter().parse(text):
        if literal:
            yield literal
        if name:
            yield None


SHORT = {
    "columns.second_grade", "columns.read", "columns.set", "columns.target", "columns.computed", "columns.date",
    "verdicts.late.each", "timetable.more_loads",
}
"""Their fixed part is a word, and everything may be put in."""


def test_a_german_workbook_holds_no_english_text():
    shown = {" ".join(text.split()) for text in strings(german_book()) if text}
    known = set(said("de").values())  # some words German has, too
    for key, text in {**said("en"), **{one: one for one in CAUTIONS}}.items():
        if text not in known and key not in SHORT and not key.startswith("columns.reason"):
            english = pattern(text)
            found = [one for one in shown if english.search(one)]
            assert not found, (key, found[:3])


def test_a_german_workbook_says_everything_in_german():
    book = german_book()
    shown = "\n".join(text for text in strings(book) if text)
    assert set(book.sheetnames) == set(GERMAN.table("sheets").values())
    for wanted in ("Z-Versatz: negativer ist näher am Druckbett", "Üblich: 0,1 bis 20000.", "Seite &P von &N", "SIMULIERTE DATEN",
                   "Düsentemperatur, einstellen (°C)", "8 h bei 80 °C", *map(GERMAN.caution, CAUTIONS)):
        assert wanted in shown, wanted


def on(book, say, sheet):
    """Return the texts of one sheet."""
    return {cell.value for row in book[say(f"sheets.{sheet}")].iter_rows() for cell in row if isinstance(cell.value, str)}


def test_each_printer_says_its_sense_where_they_differ():
    for language in languages():
        say = texts(language)
        factors = [STUDY["factors"][0], {**STUDY["factors"][1], "z_closer": "negative"}, *STUDY["factors"][2:]]
        printers = [{**one, "z_closer": sense} for one, sense in zip(STUDY["printers"], ("negative", "positive"), strict=True)]
        study = in_language(make_study(factors=factors, printers=printers), language)
        book = opened(make_book(study))
        for printer, sense, key in (("A", "negative", "on_printer"), ("B", "positive", "on_turned")):
            stated = say(f"z_sense.{sense}", factor=say.name("z_offset"))
            line = say(f"z_sense.{key}", printer=printer, sense=stated)
            assert line in on(book, say, "instructions") and f"! {line}" in on(book, say, "prints")
            assert f"! {say('z_sense.on_printer', printer=printer, sense=stated)}" in on(book, say, "checks")


def tables(study, cells):
    record = match(study, DESIGN, cells, DEFINITIONS).record
    return {name: getattr(record, name) for name in (*TABLES, *LEDGERS)}


@functools.cache
def written(language):
    """Return the cells of a filled workbook."""
    study = in_language(make_study(), language)
    return read_workbook(fill(make_book(study), study=study), NAME)


def typed(language, sheet, row, key, value):
    """Return the cells of a filled workbook with one of them typed over."""
    places = layout.locations(in_language(make_study(), language), DESIGN, 1)[sheet]
    names = next(one for one in layout.sheets(make_study(), DESIGN, 1) if one.name == sheet).row_ids()
    where = places["first_row"] + names.index(row), column_index_from_string(places["columns"][key])
    cells = written(language)
    return replace(cells, sheets={**cells.sheets, places["sheet"]: {**cells.sheets[places["sheet"]], where: value}})


def test_a_workbook_of_any_language_gives_the_same_record_whatever_the_study_asks_for_now():
    studies = {language: in_language(make_study(), language) for language in languages()}
    wanted = tables(studies["en"], written("en"))
    assert set(wanted["prints"]["outcome"]) == {"completed", "lost"} and "off plan" in set(wanted["prints"]["deviation"])
    for now, then in itertools.product(languages(), languages()):
        found = tables(studies[now], written(then))
        for name, table in wanted.items():
            pd.testing.assert_frame_equal(found[name], table)


@pytest.mark.parametrize(("language", "key", "text", "kept", "shown"), [
    ("de", "outcome", "Detached", "detached", "abgelöst"),
    ("en", "outcome", "abgelöst", "detached", "detached"),
    ("en", "deviation", "Zweifelhaft", "suspect", "suspect"),
    ("en", "leak_test", "nicht bestanden", "fail", "fail"),
])
def test_a_word_as_it_is_recorded_or_in_another_language_is_read_and_said(language, key, text, kept, shown):
    study = in_language(make_study(), language)
    found = match(study, DESIGN, typed(language, "Prints", "P01A", key, text), DEFINITIONS)
    assert found.record.prints[key][0] == kept
    assert [(one.found, one.value) for one in found.read_as] == [(text, shown)]


def test_no_word_means_another_thing_in_another_language():
    for table in ("outcomes.word", "deviations.word", "pass_fail", "conditions"):
        meant = {(text.casefold(), kept) for language in languages() for kept, text in texts(language).table(table).items()}
        assert len({text for text, _ in meant}) == len(meant)


@pytest.mark.parametrize("text", ["3. März 2026", "3 March 2026", "3. Mär. 2026", "3-mar-2026"])
def test_a_month_is_read_by_its_name_in_any_language(text):
    study = in_language(make_study(), "de")
    assert tables(study, typed("de", "Prints", "P01A", "printed_on", text))["prints"]["printed_on"][0] == "2026-03-03"


def test_what_is_wrong_is_named_by_the_sheet_that_the_operators_know():
    study = in_language(make_study(), "de")
    with pytest.raises(InputRefused, match=r"sheet Drucke, cell .*'abgelost' is not among .* did you mean 'abgelöst'\?"):
        tables(study, typed("de", "Prints", "P01A", "outcome", "abgelost"))


@pytest.mark.parametrize("title", ["Anleitung", "Tabelle1"])
def test_the_first_sheet_may_have_another_name(title):
    cells = written("en")
    renamed = replace(cells, sheets={title if name == "Instructions" else name: one for name, one in cells.sheets.items()})
    found = match(make_study(), DESIGN, renamed, DEFINITIONS)
    assert set(found.record.prints["outcome"]) == {"completed", "lost"} and not [one for one in found.remarks if title in one]


def test_a_sheet_with_the_name_that_it_has_in_another_language_is_known_by_its_headings():
    cells = written("en")
    renamed = replace(cells, sheets={"Drucke" if name == "Prints" else name: one for name, one in cells.sheets.items()})
    found = match(make_study(), DESIGN, renamed, DEFINITIONS)
    assert "round-1.xlsx, sheet Prints: it is called 'Drucke' now, and was known by its headings." in found.remarks


STUDY_TEXT = """
[study]
id = "clip"
title = "Clip"
material = "invented"
family = "PA-CF"
operator_language = "{language}"

[[factors]]
name = "nozzle_temperature"
unit = "degC"
low = 255
high = 285
increment = 1

[[responses]]
name = "z_strength"
unit = "MPa"
at_least = 20
"""


def test_a_language_without_texts_is_refused_with_those_that_there_are():
    allowed = r"the languages are 'de \(Deutsch\)', 'en \(English\)'"
    with pytest.raises(InputRefused, match=rf"'operator_language'.* no operators' texts in 'xx'; {allowed}"):
        parse_study(STUDY_TEXT.format(language="xx"))
    assert parse_study(STUDY_TEXT.format(language="de")).header.operator_language == "de"


def test_the_language_is_nothing_of_the_protocol():
    study = make_study()
    german = in_language(study, "de")
    assert protocol(study) == protocol(german) and definitions(study) == definitions(german)


def test_the_timetable_is_one_in_every_language():
    for language in OTHERS:
        ours, theirs = timetable(RICH, DESIGN.runs), timetable(RICH, DESIGN.runs, texts(language))
        when = [[(one.moment, one.load, one.prints) for one in made.steps] for made in (ours, theirs)]
        assert when[0] == when[1]
        assert len(ours.verdicts) == len(theirs.verdicts) > 0
        assert not {one.note for one in ours.steps} & {one.note for one in theirs.steps}


def test_equal_inputs_give_equal_bytes_in_every_language():
    assert write_german() == german_bytes()
