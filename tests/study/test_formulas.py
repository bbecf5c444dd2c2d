"""What may be said of a response that is computed by a formula."""

import re
from typing import get_args

import pytest

from doe.errors import InputRefused
from doe.numerics.strength import FORMULAS
from doe.study.read import parse_study
from doe.study.spec import FormulaName
from tests.study.studies import changed

TENSILE = 'unit = "MPa"\nkind = "measured"\nper = "coupon"\ncoupons = 5\nformula = "tensile"'


def study(name, unit, more=""):
    return changed(TENSILE, TENSILE.replace("MPa", unit).replace("tensile", name) + more)


def test_the_names_are_those_of_the_formulas():
    assert get_args(FormulaName) == tuple(FORMULAS)


@pytest.mark.parametrize("name", FORMULAS)
def test_every_formula_may_be_used_in_its_unit(name):
    formula = FORMULAS[name]
    response = parse_study(study(name, formula.unit)).responses[0]
    assert list(response.inputs) == [f"{one.key}.z_strength" for one in formula.inputs]
    assert tuple(response.inputs.values()) == formula.inputs


def test_a_response_without_a_formula_needs_nothing():
    assert parse_study(changed('formula = "tensile"\n', "")).responses[0].inputs == {}


@pytest.mark.parametrize("unit", ["kJ/m2", "kJ/m^2", "kJ/m²"])
def test_the_unit_of_impact_strength_has_three_spellings(unit):
    assert parse_study(study("izod", unit)).responses[0].unit == unit


@pytest.mark.parametrize(
    ("name", "unit", "allowed"),
    [
        ("flexural", "N/mm", "in MPa"), ("peel", "MPa", "in N/mm"), ("pull_off", "kPa", "in MPa"), ("tear", "kN/m", "in N/mm"),
        ("charpy", "J/m", "in kJ/m2 or kJ/m^2 or kJ/m²"), ("nominal_strain", "1", "in %"), ("flexural_strain", "mm", "in %"),
    ],
)
def test_another_unit_is_refused(name, unit, allowed):
    said = f"'{name}' on a measured response per coupon, unit {unit}; the formula gives a measured value per coupon {allowed};"
    with pytest.raises(InputRefused, match=re.escape(said)):
        parse_study(study(name, unit))


def test_an_unknown_formula_is_refused_with_those_that_there_are():
    said = r"key 'formula' .*: found 'flexure'; allowed are 'tensile'.*'tear'; did you mean 'flexural'"
    with pytest.raises(InputRefused, match=said):
        parse_study(study("flexure", "MPa"))


@pytest.mark.parametrize("name", ["nominal_strain", "flexural_strain"])
def test_a_strain_is_not_zero_where_the_print_came_off(name):
    assert parse_study(study("peel", "N/mm", "\nzero_when_detached = true")).responses[0].zero_when_detached
    with pytest.raises(InputRefused, match=f"found true beside formula = '{name}'; what came off carries no load"):
        parse_study(study(name, "%", "\nzero_when_detached = true"))
