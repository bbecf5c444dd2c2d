"""Which way Z goes: what is refused because it leaves that open, and that turning a value twice leaves it as it was."""

import numpy as np
import pytest

from doe.errors import InputRefused
from doe.study import z_direction
from doe.study.read import parse_study
from tests.study.studies import WHOLE, changed

GAP = '[[factors]]\nname = "z_offset"\nunit = "mm"\nlow = -0.12\nhigh = 0.06\nincrement = 0.02\n{more}\n\n[[responses]]'


def text_of(more='z_closer = "negative"', b='z_closer = "positive"'):
    text = changed('name = "B"', f'name = "B"\n{b}')
    return changed("[[responses]]", GAP.format(more=more), text)


def test_a_printer_that_goes_the_other_way_is_turned_and_back():
    study = parse_study(text_of())
    gap = next(one for one in study.factors if one.name == "z_offset")
    a, b = study.printers
    assert (z_direction.is_turned(gap, a), z_direction.is_turned(gap, b)) == (False, True)
    values = np.array([-0.12, 0.0, np.nan, 0.06])
    there = z_direction.turned(gap, b, values)
    np.testing.assert_array_equal(there, [0.12, 0.0, np.nan, -0.06])
    assert not np.signbit(there[1])  # no minus before a zero
    np.testing.assert_array_equal(z_direction.turned(gap, b, there), values)
    np.testing.assert_array_equal(z_direction.turned_prints(study, gap, [0.02, 0.02], ["A", "B"]), [0.02, -0.02])
    assert z_direction.said_of_printers(study)[0].startswith("Z offset: in targets, model and maps more negative is closer")


def test_limits_are_those_of_the_printer():
    limited = changed("bed_temperature = [0, 100]", "bed_temperature = [0, 100], z_offset = [-0.06, 0.2]", text_of())
    study = parse_study(limited)
    gap = next(one for one in study.factors if one.name == "z_offset")
    assert z_direction.limits_of(gap, study.printers[1]) == (-0.2, 0.06)
    with pytest.raises(InputRefused, match="where positive is closer and the sign is the other way round"):
        parse_study(limited.replace("[-0.06, 0.2]", "[-0.2, 0.06]"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (text_of(more=""), "no factor says in which sense its range is written; one number in the plan"),
        (text_of(more=""), r'write z_closer = "negative" \(or "positive", as its range is meant\)'),
        (changed('z_closer = "negative"', 'z_closer = "positive"', text_of(more="", b='z_closer = "negative"')),
         r'write z_closer = "positive" \(or "negative", as its range is meant\)'),
        (text_of(b=""), "each printer must say which sign brings its nozzle closer"),
        (text_of(more='z_closer = "negative"\nchange = "load"'), "is not a number that is set print by print"),
        (changed("increment = 1", 'increment = 1\nz_closer = "positive"', text_of()), "one factor of a study is its Z offset"),
    ],
)
def test_what_leaves_the_sense_open_is_refused(text, said):
    with pytest.raises(InputRefused, match=said):
        parse_study(text)


def test_without_a_length_among_the_factors_printers_may_differ():
    assert parse_study(changed('name = "B"', 'name = "B"\nz_closer = "positive"', WHOLE))
