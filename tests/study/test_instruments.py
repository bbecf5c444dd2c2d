"""What may be said of how well printers were read, and what follows when it changes."""

import pytest

from doe.errors import InputRefused
from doe.study.amend import check_amendment
from doe.study.read import parse_study
from tests.study.studies import WHOLE, changed

CONTACT = ('instrument = "TC-03"', 'instrument = "TC-03"\ncontact = {}')
LIMIT = ("due = 2027-03-31", "due = 2027-03-31\nlimit_of_error = {}\nreadout = 0.1")


def text_with(*pairs):
    text = WHOLE
    for old, new in pairs:
        text = changed(old, new, text)
    return text


def with_value(pair, value):
    return pair[0], pair[1].format(value)


def test_keys_are_read_and_absent_ones_stay_open():
    study = parse_study(text_with(with_value(CONTACT, "2.5\nrepeatability = 0.3"), with_value(LIMIT, 0.8)))
    check, tool = study.printers[0].checks[0], study.instruments[0]
    assert (check.contact, check.repeatability, tool.limit_of_error, tool.readout) == (2.5, 0.3, 0.8, 0.1)
    check, tool = parse_study(WHOLE).printers[0].checks[0], parse_study(WHOLE).instruments[0]
    assert (check.contact, check.repeatability, tool.limit_of_error, tool.readout) == (None, None, None, None)


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        (with_value(CONTACT, -1), r"key 'contact'.*-1"),
        (with_value(CONTACT, 30), r"key 'contact'.*found 30, and 'nozzle_temperature' runs over 30"),
        (with_value(CONTACT, "0\nrepeatability = 0"), r"key 'repeatability'.*above 0"),
        (with_value(CONTACT, "0\nrepeatability = 45"), r"key 'repeatability'.*found 45"),
        (with_value(LIMIT, 0), r"key 'limit_of_error'.*above 0"),
        (with_value(LIMIT, 40), r"instruments\[1\] 'TC-03', key 'limit_of_error'.*below the range of the factor"),
        (with_value(LIMIT, "inf"), r"key 'limit_of_error'.*finite"),
        (("due = 2027-03-31", "limit_of_eror = 1"), r"did you mean 'limit_of_error'"),
    ],
)
def test_nonsense_is_refused(pair, words):
    with pytest.raises(InputRefused, match=f"(?s){words}"):
        parse_study(text_with(pair))


def test_one_instrument_is_said_to_be_too_coarse_once():
    twice = ("[[instruments]]", "[[printers]]\nname = \"C\"\n[[printers.checks]]\nfactor = \"nozzle_temperature\"\nset = [260]\n"
             "actual = [255]\ninstrument = \"TC-03\"\n[[instruments]]")
    with pytest.raises(InputRefused) as refused:
        parse_study(text_with(twice, with_value(LIMIT, 40)))
    assert len(refused.value.problems) == 1


BEFORE = parse_study(WHOLE)


@pytest.mark.parametrize("has_sheets", [False, True])
def test_how_well_was_read_leaves_the_plan_as_it_is(has_sheets):
    after = parse_study(text_with(with_value(CONTACT, 2.5), with_value(LIMIT, 0.8)))
    assert check_amendment(BEFORE, after, has_plan=True, has_sheets=has_sheets) == ()


def test_what_was_read_makes_the_plan_stale_and_later_moves_the_prints():
    after = parse_study(changed("244.1", "246.1"))
    (verdict,) = check_amendment(BEFORE, after, has_plan=True, has_sheets=False)
    assert verdict.name == "plan made for the protocol before"
    (verdict,) = check_amendment(BEFORE, after, has_plan=True, has_sheets=True)
    assert verdict.name == "checks changed after sheets were written"
    assert "printer A has other readings now" in verdict.cause
