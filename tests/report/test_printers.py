"""Cards of the printers and the table of one setpoint for all, as a reader sees them."""

import pandas as pd
import pytest

from doe.design import calibrated
from doe.recommend import printers as recommended
from doe.recommend.results import Setting
from doe.report import printers
from doe.report.tables import in_fonts, plain_text
from tests.conftest import make_study, numeric

SURFACE = {"name": "bed_surface", "levels": ["glass", "textured sheet"]}
SETTINGS = (
    Setting("nozzle_temperature", "°C", 270.0, (265.0, 275.0)), Setting("drying_time", "h", 8.0, (6.0, 12.0)),
    Setting("bed_surface", "", "glass", ("glass",)),
)
WANTED = {one.factor: one.value for one in SETTINGS}


def check(miss, low=250, high=290, **more):
    at = [low, (low + high) / 2, high]
    return {"factor": "nozzle_temperature", "set": at, "actual": [one - miss for one in at], "instrument": "TC-1", **more}


def study_of(*checks, kind="type K class 1"):
    return make_study(
        factors=[
            numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load"), SURFACE,
        ],
        printers=[{"name": name, "checks": [one] if one else []} for name, one in zip("ABC", checks, strict=False)],
        instruments=[{"id": "TC-1", "kind": kind}],
    )


def cards(study):
    rows, _ = recommended.printer_rows(study, "ABC", WANTED)
    return printers.card_tables(rows, SETTINGS)


def test_card_of_a_printer_that_reads_high():
    (card,) = cards(study_of(check(6, repeatability=1.0, contact=2.5)))
    assert card.title == "Setpoints of printer A"
    # u = sqrt((1.5^2 + 2.5^2 + 1) / 3 + 1/3 + 6^2 / 800) = 1.88: twice that, to two digits
    assert card.rows[0] == ("nozzle temperature", "°C", "270", "276", "270.0 ± 3.8", "yes")
    assert card.rows[1] == ("drying time", "h", "8", "8", "8", "")  # set with the load, not on the printer
    assert "Not checked" not in card.note
    assert card.rows[2] == ("bed surface", "", "glass", "glass", "glass", "")
    assert "times 2.0 (JCGM 100:2008)" in card.note
    assert "the scatter from print to print is not in it" in card.note
    assert "± 1 °C for the readout" in card.note  # not stated; the contact is
    assert "for the contact" not in card.note
    assert in_fonts(card.note) == card.note


def test_card_gives_no_setpoint_beyond_the_checks():
    (card,) = cards(study_of(check(6, low=240, high=270)))
    assert card.rows[0][3:] == ("none", "n/a", "beyond checks: 240 to 270; read the probe at 276")


def test_card_of_a_printer_that_nobody_read():
    card = cards(study_of(check(6, repeatability=1.0), None))[1]
    assert card.rows[0][2:] == ("270", "270", "not known", "no")
    assert "no reference probe has read this factor on this printer" in card.note


def test_card_of_a_printer_that_drifted_says_so():
    study = study_of(check(6, repeatability=0.3, contact=0.2))
    readings = pd.DataFrame([
        {"reading": f"R{at}", "printer": "A", "factor": "nozzle_temperature", "set": at, "actual": at + 6.0,
         "instrument": "TC-1", "read_on": ""}
        for at in (250, 270, 290)
    ])
    rows, _ = recommended.printer_rows(study, "A", WANTED, calibrated.lines_of(study, readings))
    (card,) = printers.card_tables(rows, SETTINGS)
    assert card.rows[0][3] == "264" and card.rows[0][5] == "yes, drifted"
    assert "this setpoint comes from the later ones alone" in card.note
    assert "Drifted" not in cards(study)[0].note


@pytest.mark.parametrize(
    ("instrument", "more", "shown", "note"),
    [
        (None, {"repeatability": 1.0}, "*", "like the worst instrument of the study that has one and reads this factor"),
        ("TC-1", {}, "†", "Too few readings to show how they scatter"),
    ],
)
def test_what_an_uncertainty_leaves_out_is_marked(instrument, more, shown, note):
    card = cards(study_of(check(6, **{**more, "instrument": instrument}), check(0)))[0]
    assert card.rows[0][4].endswith(shown)
    assert note in card.note


@pytest.mark.parametrize("more", [{}, {"repeatability": 1.0}], ids=["nothing known", "scatter known"])
def test_without_a_limit_of_error_no_uncertainty_is_shown(more):
    (card,) = cards(study_of(check(6, **more), kind="thermocouple"))
    assert card.rows[0][4] == "270, ± not known"
    assert "JCGM" not in card.note
    assert "the scatter of the readings alone would claim too much" in card.note


def test_fleet_with_shares():
    study = study_of(check(6), check(0))
    fleet = recommended.fleet_settings(study, "AB", WANTED)
    table = printers.fleet_table(fleet, SETTINGS, {"A": 0.81, "B": 0.90}, {"A": 0.93, "B": 0.92})
    assert table.columns[1] == "nozzle temperature reached, °C"
    assert [row[:2] for row in table.rows] == [("A", "267.0"), ("B", "273.0")]  # 6.0 apart
    assert table.rows[0][2:] == ("81.0 %", "93.0 %", "12.0")
    assert "nozzle temperature 273 °C (wanted 270)" in table.note
    assert printers.fleet_table(fleet, SETTINGS).columns == ("Printer", "nozzle temperature reached, °C")


def test_fleet_beyond_the_readings_of_a_printer_is_marked():
    study = study_of(check(6, low=240, high=270), check(0))
    table = printers.fleet_table(recommended.fleet_settings(study, "AB", WANTED), SETTINGS)
    assert [row[1] for row in table.rows] == ["267.0‡", "273.0"]
    assert "do not cover this setpoint" in table.note
    assert in_fonts(table.note) == table.note
    inside = printers.fleet_table(recommended.fleet_settings(study_of(check(6), check(0)), "AB", WANTED), SETTINGS)
    assert "‡" not in inside.note


def test_fleet_of_one_or_without_checks_has_no_rows():
    for study, names in ((study_of(check(6)), "A"), (study_of(None, None), "AB")):
        fleet = recommended.fleet_settings(study, names, WANTED)
        assert printers.fleet_table(fleet, SETTINGS).rows == ()


def test_lines_as_planned_and_now():
    study = study_of(check(6, repeatability=0.3, contact=0.2), None)
    readings = pd.DataFrame([
        {"reading": f"R{name}{at}", "printer": name, "factor": "nozzle_temperature", "set": at, "actual": at + miss,
         "instrument": "TC-1", "read_on": ""}
        for name, miss in (("A", 6), ("B", -2)) for at in (250, 270, 290)
    ])
    table = printers.lines_table(study, calibrated.lines_of(study, readings))
    assert table.rows[0] == ("A", "nozzle temperature", "°C", "270", "−6.0", "−6.0", "6.0", "250 to 290")
    assert table.rows[1][4:] == ("not read", "−2.0", "−2.0", "250 to 290")
    assert "Below 0 the printer reaches less than it shows and must be set higher by as much" in table.note
    assert len(plain_text(table).splitlines()) > 3


def test_a_printer_that_was_not_read_is_in_the_table_of_lines():
    study = study_of(check(6, repeatability=0.3, contact=0.2), None)
    table = printers.lines_table(study, calibrated.lines_of(study))
    assert [row[0] for row in table.rows] == ["A", "B"]
    assert table.rows[1][4:] == ("not read", "not read", "not read", "none")
    nothing = study_of(None, None)
    assert printers.lines_table(nothing, calibrated.lines_of(nothing)).rows == ()
