"""Settings and requirements in words."""

import pytest

from doe.study.scale import describe_requirement, describe_setting
from doe.study.spec import Factor, Response, Study

RATIO = {"name": "swell", "unit": "1"}


@pytest.mark.parametrize(
    ("response", "said"),
    [
        ({"name": "y", "unit": "MPa", "at_least": 27.0}, "at least 27 MPa on each coupon"),
        ({"name": "y", "unit": "degC", "per": "print", "at_least": 1.0, "at_most": 2.5},
         "at least 1 °C and at most 2.5 °C on each print"),
        ({"name": "y", "unit": "MPa", "at_most": 3.0, "requirement_on": "print mean"}, "at most 3 MPa on the print mean"),
        ({**RATIO, "at_least": 0.9}, "at least 0.9 on each coupon"),
        ({**RATIO, "aim": "target", "worthless_below": 0.8, "perfect_at": 1.0, "worthless_above": 1.2},
         "at 1: worth nothing up to 0.8 and from 1.2"),
        ({"name": "y", "unit": "N", "aim": "minimise", "perfect_at": 1.0, "worthless_above": 4.0},
         "low: worth nothing from 4 N, perfect down from 1 N"),
        ({"name": "y", "kind": "pass_fail", "per": "print"}, "pass on each print"),
    ],
)
def test_a_requirement_says_its_unit_unless_it_has_none(response, said):
    assert describe_requirement(Response(**response), "{:g}".format) == said


def test_a_setting_says_its_units_unless_they_are_none():
    factors = (
        Factor(name="nozzle", unit="degC", low=250, high=280), Factor(name="flow", unit="1", low=0.9, high=1.1),
        Factor(name="bed", levels=("glass", "film")),
    )
    study = Study.model_construct(factors=factors)
    assert describe_setting(study, {"nozzle": 265, "flow": 1.05, "bed": "film"}) == "nozzle 265 °C, flow 1.05, bed film"
