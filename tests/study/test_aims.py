"""Aims in the study file: which keys belong together, that requirements and aims do not mix, and late changes."""

import pytest

from doe.errors import InputRefused
from doe.study import amend
from doe.study.read import parse_study
from doe.study.scale import describe_requirement
from tests.study.studies import WHOLE, changed

REQUIRED = 'at_least = 27.0\nrequirement_on = "coupon"\n'
HIGH = 'aim = "maximise"\nworthless_below = 20\nperfect_at = 35\n'
LOW = 'aim = "minimise"\nworthless_above = 35\nperfect_at = 20\n'
TARGET = 'aim = "target"\nworthless_below = 20\nperfect_at = 30\nworthless_above = 35\n'


def with_aim(aim, text=WHOLE):
    return changed(REQUIRED, aim, text)


@pytest.mark.parametrize(
    ("aim", "words"),
    [
        (HIGH, "high: worth nothing up to 20 MPa, perfect from 35 MPa"),
        (LOW, "low: worth nothing from 35 MPa, perfect down from 20 MPa"),
        (TARGET, "at 30 MPa: worth nothing up to 20 MPa and from 35 MPa"),
    ],
)
def test_an_aim_stands_in_place_of_a_requirement(aim, words):
    response = parse_study(with_aim(aim)).responses[0]
    assert describe_requirement(response, "{:g}".format) == words
    assert (response.shape, response.shape_above, response.priority) == (1.0, None, 1.0)


@pytest.mark.parametrize(
    ("aim", "words"),
    [
        ("", "every response needs a requirement, or a measured one an aim"),
        (HIGH.replace("perfect_at = 35\n", ""), "key 'perfect_at'.*: the key is missing; that aim has"),
        (HIGH + "worthless_above = 40\n", "found worthless_above with aim = 'maximise'"),
        (LOW + "worthless_below = 10\n", "found worthless_below with aim = 'minimise'"),
        (HIGH.replace("35", "15"), "found worthless_below = 20, perfect_at = 15; these must ascend"),
        (LOW.replace("20", "40"), "found perfect_at = 40, worthless_above = 35; these must ascend"),
        (TARGET.replace("30", "36"), "these must ascend: worthless_below < perfect_at < worthless_above"),
        (HIGH + "at_least = 27\n", "found an aim beside at_least or at_most"),
        (HIGH + 'requirement_on = "print mean"\n', "found 'print mean' beside an aim"),
        (HIGH + "shape_above = 2\n", "only a target has a side above it"),
        ("at_least = 27\nperfect_at = 30\n", "found perfect_at without an aim"),
        (HIGH.replace("maximise", "maximize"), "aim.*maximize.*target"),
        (HIGH + "priority = 0\n", "key 'priority'"),
        (HIGH + "shape = 100\n", "key 'shape'"),
    ],
)
def test_keys_that_do_not_belong_together_are_refused(aim, words):
    with pytest.raises(InputRefused, match=words) as refused:
        parse_study(with_aim(aim))
    assert len(refused.value.problems) == 1


def test_log_needs_a_perfect_value_above_zero():
    text = with_aim('aim = "minimise"\nworthless_above = 5\nperfect_at = 0\n')
    with pytest.raises(InputRefused, match="found 0 with transform = 'log'; it must be above 0; correct the aim"):
        parse_study(changed('transform = "none"', 'transform = "log"', text))


def test_a_graded_response_has_no_aim():
    with pytest.raises(InputRefused, match="found an aim on a graded response"):
        parse_study(changed("at_least = 4\n", HIGH, with_aim(HIGH)))


def test_aims_and_requirements_of_measured_responses_do_not_mix():
    second = '[[responses]]\nname = "warp"\nunit = "mm"\nper = "print"\nat_most = 0.8\n\n[model]'
    with pytest.raises(InputRefused, match="found an aim here and a requirement on 'warp'") as refused:
        parse_study(changed("[model]", second, with_aim(HIGH)))
    assert len(refused.value.problems) == 1
    wished = second.replace("at_most = 0.8", 'aim = "minimise"\nworthless_above = 0.8\nperfect_at = 0.2')
    assert len(parse_study(changed("[model]", wished, with_aim(HIGH))).responses) == 4


def test_an_aim_that_changes_after_sheets_is_said():
    before = parse_study(with_aim(HIGH))
    after = parse_study(with_aim(HIGH.replace("35", "32") + "priority = 2\n"))
    found = amend.check_amendment(before, after, has_plan=True, has_sheets=True)
    assert [one.name for one in found] == ["declaration changed after sheets were written"] * 2
    assert found[0].cause.startswith("responses 'z_strength'.perfect_at was 35 and is 32 now")
    assert amend.check_amendment(before, after, has_plan=True, has_sheets=False) == ()


def test_a_requirement_turned_into_an_aim_after_sheets_is_said():
    found = amend.check_amendment(parse_study(WHOLE), parse_study(with_aim(HIGH)), has_plan=True, has_sheets=True)
    assert {one.about for one in found} == {
        f"responses 'z_strength'.{key}" for key in ("at_least", "aim", "worthless_below", "perfect_at")
    }
