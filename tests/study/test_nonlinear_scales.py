"""Factors on a logarithmic or a moisture scale: what goes with them, what they rest on, and how it is said."""

import re

import numpy as np
import pytest
from scipy import special

from doe.errors import InputRefused
from doe.study import nonlinear_scales, scale
from doe.study.read import parse_study
from tests.study.studies import WHOLE

DRYING = """
[material.drying]
diffusivity = 5e-13
diffusivity_temperature = 23
activation_energy = 55
strand_diameter = 1.75
spool_factor = 3
start_moisture = 2.7
equilibrium_moisture = 2.7
equilibrium_humidity = 50
room_temperature = 23
room_humidity = 50

[material.drying.basis]
diffusivity = "fitted"
activation_energy = "illustrative"
strand_diameter = "given"
spool_factor = "fitted"
start_moisture = "given"
equilibrium_moisture = "illustrative"
air = "given"
"""
OF_HOURS = 'name = "drying_time"\nunit = "h"\n'


def text_of(kind, *changes, drying=DRYING):
    text = WHOLE.replace(OF_HOURS, f'{OF_HOURS}scale = "{kind}"\n') + drying
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text


def factor(study, name="drying_time"):
    return next(one for one in study.factors if one.name == name)


def refused(text):
    with pytest.raises(InputRefused, match=r"study\.toml") as caught:
        parse_study(text)
    return caught.value.problems


def left_after(hours):
    """Moisture by Crank's series and the Magnus form, written anew: see doe/numerics/strand.py and oven_air.py."""
    def saturated(celsius):
        return 6.1094 * np.exp(17.625 * celsius / (243.04 + celsius))

    floor = 2.7 / 50 * 50 * saturated(23) / saturated(80)
    diffusivity = 5e-13 * np.exp(-55_000 / 8.314462618 * (1 / 353.15 - 1 / 296.15))
    tau = diffusivity * 3600 * np.asarray(hours, dtype=float) / 0.875e-3**2 / 3
    zeros = special.jn_zeros(0, 200)
    return floor + (2.7 - floor) * (4 / zeros**2 * np.exp(-np.multiply.outer(tau, zeros**2))).sum(axis=-1)


def test_without_a_scale_a_factor_is_linear():
    study = parse_study(WHOLE)
    assert {one.scale for one in study.factors} == {"linear"}
    assert factor(study).coding.coded([2, 6, 10]).tolist() == [-1, 0, 1]
    assert factor(study).middle == 6
    assert (nonlinear_scales.scale_words(study, factor(study)), nonlinear_scales.verdicts(study)) == ("", ())


def test_equal_ratios_of_a_logarithmic_factor_are_equal_steps():
    study = parse_study(text_of("log", drying=""))
    one = factor(study)
    assert one.coding.coded([2, 20**0.5, 10]) == pytest.approx([-1, 0, 1], abs=1e-12)
    assert one.middle == pytest.approx(20**0.5)
    assert one.coding.natural([-1, 1]).tolist() == [2, 10]
    grid = np.arange(2, 10.5, 0.5)
    assert one.coding.natural(one.coding.coded(grid)) == pytest.approx(grid, rel=1e-13)
    assert nonlinear_scales.scale_words(study, one) == "Drying time is modelled on a logarithmic scale: equal ratios count alike."
    assert nonlinear_scales.verdicts(study) == ()


def test_equal_moistures_are_equal_steps_and_longer_dryings_lie_higher():
    one = factor(parse_study(text_of("moisture")))
    hours = np.array([2, 3, 4.5, 7, 9.5, 10])
    wet, dry = left_after(2), left_after(10)
    assert one.coding.coded(hours) == pytest.approx(1 - 2 * (left_after(hours) - dry) / (wet - dry), abs=1e-9)
    assert one.coding.natural(one.coding.coded(hours)) == pytest.approx(hours, rel=1e-9)
    assert one.coding.natural([-1, 1]).tolist() == [2, 10]
    assert left_after(one.middle) == pytest.approx((wet + dry) / 2, rel=1e-9)


def test_minutes_are_hours():
    text = text_of("moisture", ('unit = "h"', 'unit = "min"'), ("low = 2\nhigh = 10", "low = 120\nhigh = 600"))
    one, other = factor(parse_study(text.replace("increment = 0.5", "increment = 30"))), factor(parse_study(text_of("moisture")))
    assert one.coding.coded([150, 300, 600]) == pytest.approx(other.coding.coded([2.5, 5, 10]), abs=1e-12)


def test_what_no_setting_stands_for_has_no_natural_value():
    one = factor(parse_study(text_of("moisture")))
    assert np.isnan(one.coding.natural([-50.0, 50.0])).all()


def test_every_value_is_said_with_its_basis():
    study = parse_study(text_of("moisture"))
    said = nonlinear_scales.scale_words(study, factor(study))
    wet, dry = left_after(2), left_after(10)
    assert f"{wet:.3g} % of the dry mass after 2 h and {dry:.3g} % after 10 h" in said
    assert "a diffusivity of 5e-13 m²/s at 23 °C (fitted to weighings)" in said
    assert "an activation energy of 55 kJ/mol (illustrative, not your material)" in said
    assert "room air of 23 °C and 50 % humidity, warmed (given)" in said
    verdict, = nonlinear_scales.verdicts(study)
    assert verdict.name == "illustrative drying values"
    assert "activation energy and equilibrium moisture" in verdict.cause
    assert nonlinear_scales.verdicts(parse_study(text_of("moisture", ('"illustrative"', '"given"')))) == ()


WRONG = {
    "no logarithm": ("log", ("low = 2\nhigh = 10", "low = 0\nhigh = 10"), "a logarithm needs values above 0"),
    "not the drying": ("moisture", ('increment = 0.5\nchange = "load"', "increment = 0.5"), "not the drying time"),
    "no data": ("moisture", (DRYING, ""), "without [material.drying]"),
    "no oven": ("moisture", ("[oven]\ntemperature = 80", "[oven]"), "the oven has no temperature"),
    "oven is a factor": (
        "moisture", ("high = 80\nincrement = 1", 'high = 80\nincrement = 1\nchange = "load"'),
        "'bed_temperature' is a factor too",
    ),
    "no basis": ("moisture", ('air = "given"\n', ""), "it says nothing of air"),
    "no air": ("moisture", ("room_humidity = 50\n", ""), "of the oven's air is given: 'room_temperature'"),
    "nothing dries": ("moisture", ("start_moisture = 2.7", "start_moisture = 0.1"), "keeps"),
    "dried out": ("moisture", ("high = 10\n", "high = 600\n"), "the last step to 600 h changes nothing"),
    "constraint": ("log", ("coef = { nozzle", "coef = { drying_time = 1.0, nozzle"), "it has 'drying_time'"),
    "spread": ("log", ('change = "load"', 'change = "load"\nsetpoint_sd = 0.6'), "found 0.6 with low = 2"),
    "unknown key": ("moisture", ("spool_factor = 3", "spool_facto = 3"), "the key is not known"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG.values(), ids=WRONG.keys())
def test_what_does_not_go_together_is_refused(case):
    kind, change, found = case
    assert any(re.search(re.escape(found), str(one.found) + str(one.allowed)) for one in refused(text_of(kind, change)))


def test_readings_and_checks_are_refused_on_another_scale():
    checked = (
        '[[printers.checks]]\nfactor = "bed_temperature"\nset = [60, 70, 80]\nactual = [59, 69, 79]\n'
    )
    text = WHOLE.replace('name = "bed_temperature"\n', 'name = "bed_temperature"\nscale = "log"\nreading_sd = 0.5\n')
    text = text.replace("[[constraints]]", checked + "\n[[constraints]]")
    wheres = [one.where for one in refused(text)]
    assert any("reading_sd" in one for one in wheres)
    assert any("checks[1]" in one for one in wheres)


def test_a_setting_that_is_not_on_the_scale_is_refused_with_words():
    study = parse_study(text_of("log", drying=""))
    settings = {one.name: [one.low if one.is_numeric else one.levels[0]] for one in study.factors} | {"drying_time": [0.0]}
    with pytest.raises(InputRefused, match="0 has no logarithm"):
        scale.coded(study, settings)
