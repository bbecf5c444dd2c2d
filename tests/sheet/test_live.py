"""What the workbook computes and points out by itself, as LibreOffice Calc computes it."""

import datetime
import shutil
import subprocess

import openpyxl
import pytest

from doe.sheet import layout
from doe.sheet.marks import marks
from doe.sheet.states import ROW, in_letters
from doe.study.operators import in_language, texts
from tests.sheet.books import Operator, make_book, make_design, make_study

OFFICE = shutil.which("soffice")
pytestmark = [pytest.mark.office, pytest.mark.skipif(OFFICE is None, reason="LibreOffice Calc is not installed")]

FREE = 40
"""A column beyond all sheets, where the conditions of the marks are computed."""
GERMAN = in_language(make_study(), "de")
DAY = datetime.datetime(2026, 3, 1, 8)
WHOLE = {"force.z_strength": 250.0, "width.z_strength": 5.0, "thickness.z_strength": 2.0}
TYPED = {
    ("Prints", "P01A"): {"outcome": "completed", "bed_grade": 3, "leak_test": "pass", "warp": 0.2},
    ("Prints", "P02C"): {"outcome": "completed", "bed_grade": 3, "warp": 25},
    ("Prints", "P03D"): {"outcome": "lost", "warp": 0.2, "note": "power cut"},
    ("Prints", "P04E"): {"used.nozzle_temperature": 260, "warp": "0,3"},
    ("Prints", "P05F"): {"outcome": "detached"},
    ("Coupons", "P01A-1"): {"outcome": "completed", **WHOLE, "first_layer_peel": 1.5},
    ("Coupons", "P01A-2"): {"outcome": "broke in grips", **WHOLE},
    ("Coupons", "P01A-3"): {"outcome": "no break", **WHOLE},
    ("Coupons", "P02C-1"): {"outcome": "detached", "force.z_strength": 250.0},
    ("Coupons", "P02C-2"): {"outcome": "broke in handling", "width.z_strength": 5.0},
    ("Coupons", "P02C-3"): {"thickness.z_strength": 2.0, "width.z_strength": -1.0},
    ("Coupons", "P03D-1"): {"outcome": "completed", "first_layer_peel": 1.0, **WHOLE},
    ("Coupons", "P04E-1"): {"outcome": "completed", **WHOLE, "outcome.first_layer_peel": "broke in handling"},
    ("Coupons", "P04E-2"): {"outcome": "completed", **WHOLE, "outcome.z_strength": "broke in handling"},
    ("Coupons", "P04E-3"): {"outcome": "completed", "outcome.z_strength": "no break", "force.z_strength": 250.0},
    ("Loads", "L01X"): {
        "dried_from": DAY, "dried_to": DAY.replace(hour=14), "mass_before": 1250, "mass_after": 1242.5, "log.empty_spool": 250,
    },
    ("Loads", "L02R"): {"dried_from": DAY, "dried_to": DAY.replace(hour=7), "mass_before": 1000, "mass_after": 1010},
    ("Loads", "L03K"): {"spool": "0815", "oven_reading": 300},
}


def typed_over(study):
    hand = Operator(make_book(study), study=study)
    for (sheet, row), values in TYPED.items():
        hand.type(sheet, row, values)
    return hand


@pytest.fixture(scope="module")
def office(tmp_path_factory):
    """Return the typed workbook and a German one with everything computed, and per mark the column that says whether it holds."""
    folder = tmp_path_factory.mktemp("live")
    hand, german = typed_over(make_study()), typed_over(GERMAN)
    columns = {}
    for table in layout.sheets(make_study(), make_design(), 1):
        for place, mark in enumerate(marks(table, texts("en")), FREE):
            columns[table.name, mark] = place
            condition = in_letters(mark.condition, table.letters)
            for row in range(table.first_row, table.last_row + 1):
                hand.book[table.name].cell(row, place).value = f"=IF({condition.replace(ROW, str(row))},1,0)"
    files = [folder / "book.xlsx", folder / "german.xlsx"]
    for file, one in zip(files, (hand, german), strict=True):
        file.write_bytes(one.save())
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    command = [OFFICE, profile, "--headless", "--convert-to", "xlsx", "--outdir", folder / "out", *files]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return *(openpyxl.load_workbook(folder / "out" / file.name, data_only=True) for file in files), columns


@pytest.fixture(scope="module")
def computed(office):
    book, _, columns = office
    return book, columns


def value(book, sheet, row, key, study=None):
    hand = Operator.__new__(Operator)
    hand.book, hand.places = book, layout.locations(study or make_study(), make_design(), 1)
    return book[hand.places[sheet]["sheet"]][hand.address(sheet, row, key)].value


def test_states(computed):
    book, _ = computed
    state = {f"{sheet} {row}": value(book, sheet, row, "live.state") for sheet, row in TYPED}
    assert state == {
        "Prints P01A": "done", "Prints P02C": "incomplete", "Prints P03D": "check", "Prints P04E": "incomplete",
        "Prints P05F": "done", "Coupons P01A-1": "done", "Coupons P01A-2": "incomplete", "Coupons P01A-3": "done",
        "Coupons P04E-1": "done", "Coupons P04E-2": "check", "Coupons P04E-3": "incomplete",
        "Coupons P02C-1": "check", "Coupons P02C-2": "done", "Coupons P02C-3": "incomplete", "Coupons P03D-1": "check",
        "Loads L01X": "done", "Loads L02R": "check", "Loads L03K": "incomplete",
    }
    assert not value(book, "Prints", "P06H", "live.state") and not value(book, "Coupons", "P05F-1", "live.state")
    assert value(book, "Coupons", "P03D-2", "live.state") == "done"  # there is nothing to test of a lost print


def test_progress(computed):
    front = computed[0]["Instructions"]
    said = {row[0].value: row[1].value for row in front.iter_rows(min_row=1, max_row=20)}
    assert said["Prints"] == "2 of 6 prints done, 2 incomplete, 1 to check"
    assert said["Coupons"] == "6 of 18 coupons done, 3 incomplete, 3 to check"
    assert said["Loads"] == "1 of 3 loads done, 1 incomplete, 1 to check"


def test_a_german_workbook_computes_the_same_states(office):
    words = {"done": "fertig", "incomplete": "unvollständig", "check": "prüfen"}
    for sheet, row in TYPED:
        assert value(office[1], sheet, row, "live.state", GERMAN) == words[value(office[0], sheet, row, "live.state")], row
    said = {row[0].value: row[1].value for row in office[1]["Anleitung"].iter_rows(min_row=1, max_row=20)}
    assert said["Drucke"] == "2 von 6 Drucken fertig, 2 unvollständig, 1 zu prüfen"
    assert said["Probekörper"] == "6 von 18 Probekörpern fertig, 3 unvollständig, 3 zu prüfen"


def test_values(computed):
    book, _ = computed
    assert value(book, "Coupons", "P01A-1", "z_strength") == pytest.approx(25.0)  # 250 N on 5 mm x 2 mm
    assert not value(book, "Coupons", "P02C-1", "z_strength")
    assert value(book, "Coupons", "P03D-1", "live.print_outcome") == "lost"
    assert not value(book, "Coupons", "P06H-1", "live.print_outcome")
    assert value(book, "Loads", "L01X", "live.mass_lost") == pytest.approx(0.75)  # 7.5 g of 1250 g less 250 g for the spool
    assert value(book, "Loads", "L02R", "live.mass_lost") == pytest.approx(-1.0)


MARKED = {
    ("Prints", "P02C", "leak_test"): "missing", ("Prints", "P02C", "warp"): "unusual",
    ("Prints", "P03D", "outcome"): "contradiction", ("Prints", "P03D", "warp"): "contradiction",
    ("Prints", "P03D", "live.state"): "contradiction", ("Prints", "P04E", "outcome"): "missing",
    ("Prints", "P04E", "deviation"): "missing", ("Prints", "P04E", "warp"): "unusual",
    ("Coupons", "P01A-2", "first_layer_peel"): "missing",
    ("Coupons", "P02C-1", "outcome"): "contradiction", ("Coupons", "P02C-1", "live.state"): "contradiction",
    ("Coupons", "P02C-1", "force.z_strength"): "contradiction",
    ("Coupons", "P02C-3", "outcome"): "missing", ("Coupons", "P02C-3", "width.z_strength"): "unusual",
    ("Coupons", "P03D-1", "outcome"): "contradiction", ("Coupons", "P03D-1", "live.state"): "contradiction",
    ("Coupons", "P03D-1", "force.z_strength"): "contradiction", ("Coupons", "P03D-1", "first_layer_peel"): "contradiction",
    ("Coupons", "P04E-2", "force.z_strength"): "contradiction", ("Coupons", "P04E-2", "live.state"): "contradiction",
    ("Coupons", "P04E-2", "outcome.z_strength"): "contradiction",
    ("Coupons", "P04E-2", "first_layer_peel"): "missing", ("Coupons", "P04E-3", "width.z_strength"): "missing",
    ("Coupons", "P04E-3", "thickness.z_strength"): "missing",
    ("Loads", "L02R", "dried_to"): "contradiction", ("Loads", "L02R", "mass_after"): "contradiction",
    ("Loads", "L02R", "live.state"): "contradiction", ("Loads", "L03K", "oven_reading"): "unusual",
}
"""Every cell that is pointed out, by hand from what was typed; of a cell's rules the first that holds."""


def test_marks(computed):
    book, columns = computed
    found = {}
    for (sheet, mark), place in columns.items():
        table = next(one for one in layout.sheets(make_study(), make_design(), 1) if one.name == sheet)
        for row, name in enumerate(table.row_ids(), table.first_row):
            if book[sheet].cell(row, place).value == 1:
                found.setdefault((sheet, name, mark.key), mark.style)
    assert found == MARKED
