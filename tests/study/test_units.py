"""Units that the checks of heat and drying go by. The facts of the trade here are common practice, no source."""

import pytest

from doe.errors import InputRefused
from doe.study.materials import families, new_study_text
from doe.study.read import parse_study
from doe.study.units import drying_warnings
from tests.study.test_heat import stripped

PETG = new_study_text("PETG", "clip", ["A"])
DRYING = 'name = "drying_time"\nunit = "h"'


def with_unit(name, unit):
    """Return the text with another unit of a factor."""
    first, _, rest = PETG.partition(f'name = "{name}"\n')
    _, _, after = rest.partition("\n")
    return f'{first}name = "{name}"\nunit = "{unit}"\n{after}'


def refused(text):
    with pytest.raises(InputRefused, match=r"study\.toml") as caught:
        parse_study(text)
    return caught.value.problems


def test_fahrenheit_does_not_get_past_the_hot_end():
    text = with_unit("nozzle_temperature", "F").replace("high = 238", "high = 500").replace("low = 220", "low = 428")
    (problem,) = [one for one in refused(text) if "key 'unit'" in one.where]
    assert "'nozzle_temperature'" in problem.where
    # 212 degF are 100 degC and 32 degF are 0: 428 is 220, 500 is 260
    assert 'write unit = "degC" and its values as (F - 32) / 1.8: low = 220, high = 260' in problem.remedy


@pytest.mark.parametrize("unit", ["°C", "C", "Celsius"])
def test_another_name_for_degrees_celsius_is_named(unit):
    (problem,) = refused(with_unit("bed_temperature", unit))
    assert problem.remedy == 'write unit = "degC"'


def test_a_temperature_in_no_unit_of_temperature_is_refused():
    (problem,) = refused(with_unit("bed_temperature", "1"))
    assert "degrees Celsius" in problem.allowed and "without 'temperature'" in problem.remedy


@pytest.mark.parametrize(("unit", "remedy"), [("hrs", 'write unit = "h"'), ("Minuten", 'write unit = "min"'), ("d", "in it")])
def test_a_unit_of_time_that_is_not_known_as_one_is_named(unit, remedy):
    (problem,) = refused(with_unit("drying_time", unit))
    assert problem.remedy.endswith(remedy)


@pytest.mark.parametrize("unit", ["h", "hours", "minutes"])
def test_units_of_time_that_are_understood(unit):
    assert drying_warnings(parse_study(with_unit("drying_time", unit))) == ()


def test_drying_is_not_set_from_print_to_print():
    assert 'change = "load"' in PETG
    (problem,) = refused(PETG.replace('change = "load"\n', 'change = "print"\n'))
    assert "'drying_time' is set from print to print" in problem.found
    assert 'write change = "load"' in problem.remedy


def test_minutes_typed_as_hours_are_questioned():
    text = PETG.replace("low = 4\n", "low = 120\n").replace("high = 8 ", "high = 480 ")
    (said,) = drying_warnings(parse_study(text))
    assert said.name == "drying for days"
    assert "drying_time goes up to 480 h, which is 20 days" in said.cause
    assert drying_warnings(parse_study(text.replace(DRYING, DRYING.replace('"h"', '"min"')))) == ()


def test_an_oven_without_a_temperature_is_said_where_something_is_dried():
    (said,) = drying_warnings(parse_study(stripped(PETG, "temperature")))
    assert said.name == "oven temperature not stated"
    assert "under [oven]" in said.next_step


@pytest.mark.parametrize("family", families())
def test_nothing_is_said_of_a_new_study(family):
    assert drying_warnings(parse_study(new_study_text(family, "clip", ["A"]))) == ()
