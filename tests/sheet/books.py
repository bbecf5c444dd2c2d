"""A small study, its plan and its workbook, made by hand; and an operator who types into it."""

import datetime
import functools
import io

import openpyxl
import pandas as pd

from doe.design.plan import Design
from doe.record.read import read_workbook
from doe.sheet import layout
from doe.sheet.write import write_workbook
from doe.study.spec import Study

MADE_AT = datetime.datetime(2026, 3, 1, 8, 30, tzinfo=datetime.UTC)
DEFINITIONS = {"factors": ["nozzle_temperature", "drying_time"], "responses": ["z_strength"]}
CAUTIONS = (
    "The hot end and the bed burn: let them cool before you clean, and change hot nozzles only when trained for it.",
    "Fibre dust: cut and sand wet or with extraction, wear a suitable respirator and gloves.",
    "The SDS, local codes and qualified people prevail over this list.",
)
NAME = "round-1.xlsx"

STUDY = {
    "study": {"id": "clip", "title": "Snap clip", "material": "invented filled polyamide", "family": "PA-CF"},
    "factors": [
        {"name": "nozzle_temperature", "unit": "degC", "low": 255, "high": 285, "increment": 1},
        {"name": "z_offset", "unit": "mm", "low": -0.06, "high": 0.06, "increment": 0.01},
        {"name": "bed_surface", "levels": ["glass, glue stick", "textured sheet"]},
        {"name": "drying_time", "unit": "h", "low": 4, "high": 12, "increment": 0.5, "change": "load"},
    ],
    "responses": [
        {"name": "z_strength", "unit": "MPa", "coupons": 3, "formula": "tensile", "at_least": 25, "method": "upright"},
        {"name": "first_layer_peel", "unit": "N/mm", "coupons": 2, "at_least": 1.2},
        {"name": "bed_grade", "kind": "graded", "per": "print", "grades": [0, 1, 2, 3, 4, 5], "at_least": 4},
        {"name": "leak_test", "kind": "pass_fail", "per": "print"},
        {"name": "warp", "unit": "mm", "per": "print", "at_most": 0.8},
    ],
    "printers": [
        {"name": "A", "limits": {"nozzle_temperature": [0, 300]}},
        {"name": "B", "limits": {"nozzle_temperature": [0, 290]}},
    ],
    "instruments": [{"id": "TC-03", "kind": "thermocouple, type K class 1"}],
}
PRINTS = ("P01A", "P02C", "P03D", "P04E", "P05F", "P06H")
LOADS = ("L01X", "L01X", "L02R", "L02R", "L03K", "L03K")
LEVELS = ["glass, glue stick", "textured sheet"] * 3


def make_study(**changes):
    return Study.model_validate({**STUDY, **changes})


def rows_of_round(number):
    marks = "" if number == 1 else str(number)
    return pd.DataFrame({
        "round": number, "order": range(1, 7), "print": [name + marks for name in PRINTS],
        "load": [name + marks for name in LOADS], "printer": ["A", "B"] * 3,
        "point": ["corner", "corner", "centre", "axial", "centre", "corner"], "cell": [1, 2, 3, 4, 3, 5],
        "kind": "central-composite", "seed": 42 + number,
        "target.nozzle_temperature": [255.0, 285, 270, 285, 270, 255],
        "set.nozzle_temperature": [262.0, 285, 277, 285, 277, 255],
        "target.z_offset": [-0.06, 0.06, 0.0, 0.0, 0.0, 0.06], "set.z_offset": [-0.06, 0.06, 0.0, 0.0, 0.0, 0.06],
        "target.bed_surface": LEVELS, "set.bed_surface": LEVELS,
        "target.drying_time": [4.0, 4, 8, 8, 12, 12], "set.drying_time": [4.0, 4, 8, 8, 12, 12],
    })


def make_design(rounds=1):
    """Return a plan of six prints on three loads a round; its figures mean nothing."""
    return Design(runs=pd.concat([rows_of_round(number + 1) for number in range(rounds)], ignore_index=True))


def make_book(study=None, design=None, number=1):
    """Return the bytes of a blank workbook."""
    study, design = study or make_study(), design or make_design()
    digest = layout.plan_digest(DEFINITIONS, design.of_round(number))
    return write_workbook(study, design, number, digest, CAUTIONS, MADE_AT)


def opened(content):
    return openpyxl.load_workbook(io.BytesIO(content))


class Operator:
    """
    Opens a workbook and types into it: cells are named by sheet, row identifier and column key.

    What is chosen from a list is given as it is recorded, and typed in the words of the workbook.
    """

    def __init__(self, content, study=None, design=None, number=1):
        self.book = opened(content)
        self.places = layout.locations(study or make_study(), design or make_design(), number)

    def address(self, sheet, row, key):
        place = self.places[sheet]
        columns = place["columns"]
        identifier = columns["print" if sheet == "Prints" else next(iter(columns))]
        numbers = range(place["first_row"], place["last_row"] + 1)
        page = self.book[place["sheet"]]
        return f"{columns[key]}{next(n for n in numbers if page[f'{identifier}{n}'].value == row)}"

    def type(self, sheet, row, values):
        place = self.places[sheet]
        for key, value in values.items():
            chosen = place["words"].get(key, {})
            self.book[place["sheet"]][self.address(sheet, row, key)] = chosen.get(value, value)

    def save(self):
        content = io.BytesIO()
        self.book.save(content)
        return content.getvalue()


def filled_in():
    """Return what an operator types over a whole round, by sheet and row; a few things went wrong."""
    typed = {}
    for place, name in enumerate(PRINTS):
        day = datetime.datetime(2026, 3, 2 + place)
        typed["Prints", name] = {"outcome": "completed", "operator": "N. N.", "printed_on": day, "bed_grade": place,
                                 "leak_test": "pass" if place else "fail", "warp": 0.1 * place}
        for number in (1, 2, 3):
            typed["Coupons", f"{name}-{number}"] = {
                "outcome": "completed", "force.z_strength": 250.1 + 7 * place + number, "width.z_strength": 5.0,
                "thickness.z_strength": 2.01, **({"first_layer_peel": 1.5 + 0.01 * place} if number < 3 else {}),
            }
    typed["Prints", "P04E"] = {"outcome": "lost", "operator": "N. N.", "note": "power cut"}
    for number in (1, 2, 3):
        typed["Coupons", f"P04E-{number}"] = {"outcome": "lost"}
    typed["Prints", "P03D"] |= {
        "used.nozzle_temperature": 280, "used.bed_surface": "textured sheet", "deviation": "off plan",
    }
    typed["Coupons", "P02C-2"] |= {"outcome": "broke in grips", "note": "slipped, then broke; äöü µ"}
    for place, name in enumerate(dict.fromkeys(LOADS)):
        typed["Loads", name] = {
            "spool": f"S-{place}", "dried_from": datetime.datetime(2026, 3, 1, 8, 10 + place),
            "dried_to": datetime.datetime(2026, 3, 1, 14, 30 + place), "oven_reading": 80.5,
            "mass_before": 1250.0 + place, "mass_after": 1241.3,
        }
    typed["Loads", "L02R"] |= {"used.drying_time": 8.5}
    typed["Printer checks", "R1-01"] = {
        "printer": "A", "factor": "nozzle_temperature", "set": 265, "actual": 258.6, "instrument": "TC-03",
        "read_on": datetime.datetime(2026, 2, 27),
    }
    typed["Printer checks", "R1-02"] = {"printer": "B", "factor": "z_offset", "set": 0, "actual": 0.01}
    return typed


def fill(content, **places):
    """Return the workbook with everything typed in."""
    hand = Operator(content, **places)
    for (sheet, row), values in filled_in().items():
        hand.type(sheet, row, values)
    return hand.save()


@functools.cache
def filled_book():
    """Return the bytes of the filled workbook of the first round."""
    return fill(make_book())


@functools.cache
def filled_cells():
    """Return the cells of the filled workbook of the first round; they are shared, so copy before changing them."""
    return read_workbook(filled_book(), NAME)
