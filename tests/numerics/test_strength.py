"""Strengths from forces, energies and dimensions, and the workbook's cells that compute the same."""

import ast
import math
import operator
import re
import shutil
import subprocess

import numpy as np
import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.numerics import strength
from doe.numerics.strength import FORMULAS

OFFICE = shutil.which("soffice")
SIZES = st.floats(0.05, 500)
EXAMPLES = {  # by hand from the standards' equations, the arithmetic written out
    "tensile": ((1234.5, 9.87, 4.05), 1234.5 / 39.9735),
    "nominal_strain": ((2.5, 58.0), 250 / 58),
    "flexural": ((60.0, 64.0, 10.0, 4.0), 3 * 60 * 64 / 320),
    "flexural_strain": ((6.0, 64.0, 4.0), 14400 / 4096),
    "peel": ((30.0, 25.0), 1.2),
    "pull_off": ((1000.0, 20.0), 1000 / (math.pi * 10**2)),
    "lap_shear": ((2500.0, 12.5, 25.0), 8.0),
    "charpy": ((1.2, 10.0, 4.0), 1.2 / (0.010 * 0.004) / 1e3),  # J/m2 -> kJ/m2
    "charpy_notched": ((0.16, 8.0, 4.0), 0.16 / (0.008 * 0.004) / 1e3),
    "izod": ((1.2, 10.0, 4.0), 30.0),
    "izod_notched": ((0.32, 8.0, 4.0), 10.0),
    "tear": ((45.0, 2.0), 22.5),
}
_OPERATIONS = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}


def computed(expression):
    """Value of a spreadsheet's expression of numbers, + - * /, brackets and PI(), and of nothing else."""

    def value(node):
        match node:
            case ast.Constant(value=int() | float() as number):
                return float(number)
            case ast.BinOp(left=left, op=op, right=right):
                return _OPERATIONS[type(op)](value(left), value(right))
            case ast.Call(func=ast.Name(id="PI"), args=[], keywords=[]):
                return math.pi
        raise AssertionError(f"not plain arithmetic: {ast.dump(node)}")

    return value(ast.parse(expression, mode="eval").body)


def shown(cell, numbers):
    """What a spreadsheet shows for ``=IF(COUNT(cells)=n,arithmetic,"")``; None stands for an empty cell."""
    counted, wanted, expression = re.fullmatch(r'=IF\(COUNT\(([^()]*)\)=(\d+),(.*),""\)', cell).groups()
    if sum(numbers[one] is not None for one in counted.split(",")) != int(wanted):
        return ""
    return computed(re.sub(r"\$?[A-Z]+\d+", lambda found: repr(numbers[found[0]]), expression))


def addresses(formula, row=7):
    return {one.key: f"${letter}{row}" for one, letter in zip(formula.inputs, "CDEFG", strict=False)}


@pytest.mark.parametrize("name", FORMULAS)
def test_by_hand(name):
    values, expected = EXAMPLES[name]
    assert FORMULAS[name].function(*values) == pytest.approx(expected, rel=1e-14)


def test_pull_off_of_one_kilonewton():
    # trade sheet, §5: 1 kN, 20 mm
    assert strength.pull_off_strength(1000, 20) == pytest.approx(3.183, abs=5e-4)


def test_peel_of_thirty_newton():
    # trade sheet, §5: 30 N / 25 mm
    assert strength.peel_strength(30, 25) == pytest.approx(1.2, abs=1e-15)


def test_tensile_of_450_newton():
    # trade sheet, §5: 450 N over 10 mm2, a 1BA bar of 5 x 2 mm
    assert strength.tensile_stress(450, 5, 2) == 45


def test_bending_of_sixty_newton():
    # trade sheet, §5: an ISO bar of 80 x 10 x 4 mm over 64 mm
    assert strength.flexural_stress(60, 64, 10, 4) == pytest.approx(36.0, abs=1e-13)


def test_bending_speed():
    # trade sheet, §5: 1 % a minute is 1.71 mm a minute
    assert strength.flexural_strain(1.71, 64, 4) == pytest.approx(1, abs=3e-3)


def test_notched_impact():
    # trade sheet, §5: 0.16 J, thickness 4, width at the notch 8
    assert strength.impact_strength(0.16, 8, 4) == pytest.approx(5.0, abs=1e-14)


def test_bending_agrees_with_the_theory_of_beams():
    # simple bending: a central load F gives M = F L / 4 and s = F L^3 / (48 E I); stress M (h / 2) / I must be E times strain
    force, span, width, thickness, modulus = 80.0, 60.0, 12.0, 3.5, 2400.0
    inertia = width * thickness**3 / 12
    stress = strength.flexural_stress(force, span, width, thickness)
    assert stress == pytest.approx(force * span / 4 * (thickness / 2) / inertia, rel=1e-14)
    deflection = force * span**3 / (48 * modulus * inertia)
    assert strength.flexural_strain(deflection, span, thickness) == pytest.approx(100 * stress / modulus, rel=1e-14)


def test_strain_at_the_conventional_deflection():
    # ISO 178 (from memory): 1.5 thicknesses, at a span of 16; 3.516 % is there called 3.5 %
    assert strength.flexural_strain(6, 64, 4) == pytest.approx(3.515625, abs=1e-12)


@pytest.mark.parametrize("name", FORMULAS)
@given(data=st.data())
@settings(max_examples=40)
def test_a_cell_computes_what_the_function_does(name, data):
    formula = FORMULAS[name]
    values = [data.draw(SIZES if one.dimension else st.floats(0, 1e5)) for one in formula.inputs]
    cells = addresses(formula)
    numbers = dict(zip(cells.values(), values, strict=True))
    assert shown(formula.in_cell(cells), numbers) == pytest.approx(float(formula.function(*values)), rel=1e-12, abs=0)


@pytest.mark.parametrize("name", FORMULAS)
def test_a_cell_is_empty_as_long_as_an_input_is(name):
    formula, cells = FORMULAS[name], addresses(FORMULAS[name])
    for missing in cells.values():
        numbers = {one: None if one == missing else 1.0 for one in cells.values()}
        assert shown(formula.in_cell(cells), numbers) == ""


@pytest.mark.parametrize("name", FORMULAS)
def test_the_table_is_complete(name):
    formula = FORMULAS[name]
    keys = {one.key for one in formula.inputs}
    assert set(re.findall(r"\{(\w+)\}", formula.arithmetic)) == keys
    assert {one.unit for one in formula.inputs} <= {"N", "mm", "J"}
    assert [one.dimension for one in formula.inputs] == [False] + [True] * (len(keys) - 1)
    assert formula.standard.startswith("ISO ")


def test_the_tensile_cell_is_as_it_was():
    # what workbooks that are out in the shop hold
    parts = {key: f"{{{key}.z_strength}}" for key in ("force", "width", "thickness")}
    assert FORMULAS["tensile"].in_cell(parts) == (
        '=IF(COUNT({force.z_strength},{width.z_strength},{thickness.z_strength})=3,'
        '{force.z_strength}/({width.z_strength}*{thickness.z_strength}),"")'
    )


@pytest.mark.parametrize("name", FORMULAS)
@pytest.mark.parametrize(
    ("wrong", "words"), [(0.0, "is 0 mm"), (-2.0, "is -2 mm"), (math.nan, "is missing"), (math.inf, "is inf mm")]
)
def test_impossible_dimensions_are_refused(name, wrong, words):
    formula = FORMULAS[name]
    for place, one in enumerate(formula.inputs):
        if one.dimension:
            values = [np.array([1.0, 1.0])] * len(formula.inputs)
            values[place] = np.array([1.0, wrong])
            with pytest.raises(ValueError, match=rf"the .* {words}: it must be measured, in mm, and be above 0"):
                formula.function(*values)


@pytest.mark.parametrize("name", FORMULAS)
def test_impossible_results_are_refused(name):
    formula = FORMULAS[name]
    unit, ones = formula.inputs[0].unit, [1.0] * (len(formula.inputs) - 1)
    with pytest.raises(ValueError, match=rf"is -3 {unit}: it must be 0 or more, and finite"):
        formula.function(-3.0, *ones)


@pytest.mark.parametrize("name", FORMULAS)
def test_what_was_not_measured_has_no_value_and_zero_is_a_value(name):
    formula = FORMULAS[name]
    ones = [1.0] * (len(formula.inputs) - 1)
    found = formula.function(np.array([np.nan, 0.0, 1.0]), *ones)
    assert np.isnan(found[0]) and found[1] == 0 and found[2] > 0


@pytest.mark.office
@pytest.mark.skipif(OFFICE is None, reason="LibreOffice Calc is not installed")
def test_an_office_program_computes_the_same(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    for row, (name, formula) in enumerate(FORMULAS.items(), start=1):
        for letter, value in zip("CDEFG", EXAMPLES[name][0], strict=False):
            sheet[f"{letter}{row}"] = value
        sheet[f"A{row}"] = formula.in_cell(addresses(formula, row))
        sheet[f"B{row}"] = formula.in_cell(addresses(formula, row + 100))
    book.save(tmp_path / "in.xlsx")
    (tmp_path / "out").mkdir()
    options = ["--headless", "--norestore", f"-env:UserInstallation=file://{tmp_path}/profile", "--convert-to", "xlsx"]
    subprocess.run(
        [OFFICE, *options, "--outdir", str(tmp_path / "out"), str(tmp_path / "in.xlsx")],
        check=True, capture_output=True, timeout=120,
    )
    found = openpyxl.load_workbook(tmp_path / "out" / "in.xlsx", data_only=True).active
    for row, name in enumerate(FORMULAS, start=1):
        assert found[f"A{row}"].value == pytest.approx(EXAMPLES[name][1], rel=1e-12)
        assert found[f"B{row}"].value in (None, "")
