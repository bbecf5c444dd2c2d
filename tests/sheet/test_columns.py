"""Columns that are kept for later, plausible ranges, and what a cell says when it is chosen."""

import pytest

from doe.numerics.strength import FORMULAS
from doe.sheet import columns, layout, usual
from doe.sheet.logs import log_columns
from doe.sheet.states import ROW, in_letters
from doe.sheet.validation import rule
from doe.study.operators import texts
from doe.study.spec import Factor, Oven, Response
from tests.sheet.books import STUDY, make_design, make_study

ENGLISH = texts("en")


def column(study, sheet, key):
    table = next(one for one in layout.sheets(study, make_design(), 1) if one.name == sheet)
    return next(one for one in table.columns if one.key == key)


def test_outcomes_with_every_value_are_none_of_those_without():
    assert not set(columns.TESTED) & set(columns.NEVER_TESTED)
    assert set(columns.TESTED) < set(columns.OUTCOMES)


@pytest.mark.parametrize("per", ["print", "coupon", "load"])
def test_what_is_kept_for_later_is_filled_in_and_optional(per):
    for one in log_columns(make_study(), per):
        assert one.key.startswith("log.") and one.fill and one.optional and one.hint
        assert one.kind in ("number", "text", "date", "datetime")


def test_what_the_study_asks_for_has_no_second_column():
    study = make_study(
        factors=[{**STUDY["factors"][0], "reading_sd": 1.5}, *STUDY["factors"][1:]],
        covariates=[{"name": "grams_through_nozzle", "unit": "g"}, {"name": "tested_on", "kind": "date"}],
    )
    kept = [one.key for per in ("print", "coupon", "load") for one in log_columns(study, per)]
    assert "log.bed_temperature_actual" in kept
    assert not {"log.nozzle_temperature_actual", "log.grams_through_nozzle", "log.tested_on"} & set(kept)


@pytest.mark.parametrize(
    ("response", "positive", "range_"),
    [
        ({"unit": "MPa", "at_least": 25}, True, (0, 250)),
        ({"unit": "mm", "at_most": 0.8}, False, (-8, 8)),
        ({"unit": "mm", "at_least": 9.9, "at_most": 10.1}, False, (0, 101)),
        ({"unit": "mm", "at_least": -0.1, "at_most": 0.2}, False, (-2, 2)),
        ({"unit": "mm", "aim": "minimise", "worthless_above": 3, "perfect_at": 0}, False, (-30, 30)),
        ({"unit": "mm", "at_least": 0}, False, None),
    ],
)
def test_a_response_is_usual_up_to_ten_times_what_is_asked(response, positive, range_):
    assert usual.of_response(Response(name="y", **response), positive=positive) == range_


@pytest.mark.parametrize("name", FORMULAS)
def test_a_formula_asks_for_what_it_needs(name):
    formula = FORMULAS[name]
    response = {"name": "y", "unit": formula.unit, "formula": name, "coupons": 2, "at_least": 1, "method": "m"}
    study = make_study(responses=[response])
    *asked, computed = columns.value_columns(study.responses[0], ENGLISH)
    assert [one.key for one in asked] == [f"{one.key}.y" for one in formula.inputs]
    assert [one.header for one in asked] == [f"Y: {one.label} ({one.unit})" for one in formula.inputs]
    assert all(one.fill and one.positive and one.kind == "number" and one.upto == 2 for one in asked)
    assert all("Method: m." in rule(one, {}, ENGLISH)["prompt"] for one in asked[:1])  # nothing of the hint is cut off
    assert [one.hint for one in asked[1:]] == ["Measured before the test."] * (len(asked) - 1)
    assert (computed.key, computed.kind, computed.fill) == ("y", "stress", False)
    cells = {one.key: f"${letter}7" for letter, one in zip("ABCD", formula.inputs, strict=False)}
    letters = {f"{key}.y": cell.strip("$7") for key, cell in cells.items()}
    assert in_letters(computed.formula, letters).replace(ROW, "7") == (
        f'=IF(MIN({",".join(cells.values())})>0,{formula.in_cell(cells)[1:]},"")'
    )


def test_what_the_tensile_formula_asks_for_is_as_it_was():
    force, width, thickness, computed = columns.value_columns(make_study().responses[0], ENGLISH)
    assert [one.header for one in (force, width, thickness, computed)] == [
        "Z strength: force (N)", "Z strength: width (mm)", "Z strength: thickness (mm)", "Z strength (MPa), computed",
    ]
    assert [one.usual for one in (force, width, thickness, computed)] == [(0.1, 20_000), (1, 60), (0.2, 30), None]
    assert force.hint == "Highest force. Leave it empty where nothing was measured. Method: upright."
    inner = '=IF(COUNT({force.z_strength},{width.z_strength},{thickness.z_strength})=3,'
    assert inner[1:] + '{force.z_strength}/({width.z_strength}*{thickness.z_strength}),"")' in computed.formula


def test_dimensions_are_those_of_all_formulas():
    assert set(columns.DIMENSIONS) == {"width.", "thickness.", "distance.", "span.", "diameter.", "overlap."}
    assert set(usual.INPUTS) == {one.key for formula in FORMULAS.values() for one in formula.inputs}
    assert all(0 < low < high for low, high in usual.INPUTS.values())


def test_readings_are_usual_within_three_widths_of_the_range():
    nozzle, bed = (Factor(name=name, low=low, high=high) for name, low, high in (("a", 255, 285), ("b", 60, 80)))
    assert usual.of_factors([nozzle]) == (225, 315)
    assert usual.of_factors([nozzle, bed]) == (40, 315)
    assert usual.of_factors([]) is None
    assert usual.of_oven(Oven(temperature=80)) == (60, 100)


def test_an_unlikely_number_is_asked_about_and_an_impossible_word_refused():
    study = make_study()
    force, outcome = column(study, "Coupons", "force.z_strength"), column(study, "Coupons", "outcome")
    asked = rule(force, {}, ENGLISH)
    assert (asked["type"], asked["formula1"], asked["formula2"]) == ("decimal", "0.1", "20000.0")
    assert asked["errorStyle"] == "warning" and "Usual: 0.1 to 20000." in asked["prompt"]
    refused = rule(outcome, {tuple(columns.OUTCOMES): "Lists!$A$1:$A$9"}, ENGLISH)
    assert refused["errorStyle"] == "stop" and refused["formula1"] == "Lists!$A$1:$A$9"


def test_a_setpoint_beyond_every_printer_is_refused():
    limited = rule(column(make_study(), "Prints", "used.nozzle_temperature"), {}, ENGLISH)
    assert (limited["formula1"], limited["formula2"], limited["errorStyle"]) == ("0.0", "300.0", "stop")


def test_long_hints_leave_room_for_the_range():
    long = make_study(responses=[{"name": "warp", "unit": "mm", "per": "print", "at_most": 0.8, "method": "m" * 400}])
    said = rule(column(long, "Prints", "warp"), {}, ENGLISH)
    assert len(said["prompt"]) <= 255 and said["prompt"].endswith("Usual: -8 to 8.")


def test_formulas_of_the_largest_study_are_within_what_spreadsheets_compute():
    tensile = [{"name": f"strength_{n:02d}", "unit": "MPa", "coupons": 5, "formula": "tensile", "at_least": 1} for n in range(20)]
    study = make_study(responses=tensile)
    for table in layout.sheets(study, make_design(), 1):
        for one in (one for one in table.columns if one.formula):
            formula = in_letters(one.formula, table.letters).replace(ROW, "20000")
            assert len(formula) <= 8192  # characters of a formula, and below arguments of a function: limits of Excel
            assert max(part.count(",") for part in formula.split("(")) < 255
