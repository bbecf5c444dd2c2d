"""Weighings as text: what is read, in the decimal signs and separators of offices, and every problem with its place."""

import numpy as np
import pytest

from doe.errors import InputRefused
from doe.numerics import drying, strand
from doe.numerics.drying import Diffusivity
from doe.record.weighed import fit_weighings

TRUE = Diffusivity(5e-13, 55e3, 23)  # illustrative, trade sheet §4
HOURS = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0])


def masses(celsius, slowdown=1.0):
    """1 kg that loses 20 g by Crank's series; simulated, without error."""
    return 1000 - 20 * strand.removed(drying.rate(float(TRUE.at(celsius)), 1.75, slowdown) * HOURS)


def fitted(text, oven=80.0):
    return fit_weighings(text.encode(), "w.csv", oven, 1.75, 0.01)


def test_a_simple_table():
    text = "Hours, Mass\n" + "".join(f"{at}, {mass:.6f}\n" for at, mass in zip(HOURS, masses(80), strict=True))
    found = fitted(text)
    assert found.diffusivity.value == pytest.approx(float(TRUE.at(80)), rel=1e-4)
    assert (found.temperature, found.activation) == (pytest.approx(80), None)
    assert found.loss[0].value == pytest.approx(20, rel=1e-4)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_several_ovens_with_a_decimal_comma_and_a_mark_in_front(separator):
    lines = [("mass", "temperature", "note", "hours")]
    for celsius in (60, 80):
        lines += [(f"{mass:.6f}", f"{celsius}", "ok", f"{at}") for at, mass in zip(HOURS, masses(celsius), strict=True)]
    text = "\ufeff" + "\r\n".join(separator.join(line).replace(".", ",") for line in lines) + "\r\n\r\n"
    found = fitted(text)
    assert found.activation.value == pytest.approx(55e3, rel=1e-3)
    assert float(TRUE.at(found.temperature)) == pytest.approx(found.diffusivity.value, rel=1e-3)


def test_two_dryings_at_one_temperature_are_told_apart_by_name():
    lines = ["hours,mass,drying"]
    for name, offset in (("mon", 0), ("tue", 37)):
        lines += [f"{at},{mass + offset:.6f},{name}" for at, mass in zip(HOURS, masses(80), strict=True)]
    assert [one.value for one in fitted("\n".join(lines)).loss] == pytest.approx([20, 20], rel=1e-4)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", r"line 1: there is no heading 'hours'(.|\n)*there is no heading 'mass'"),
        (b"\xff\xfeh", r"it is not text in UTF-8"),
        (b"hours,mass\n", r"no line with a weighing"),
        (b'hours,mass\n1,"2', r"cannot be read as CSV"),
        (b"hours;mass;mass\n1;2;3", r"the heading 'mass' stands there twice"),
        (b"hours;mass\n-1;x\n2;\n\n;=1+1", r"line 2, hours: '-1'(.|\n)*line 2, mass: 'x'(.|\n)*line 3, mass: the cell is empty"
                                          r"(.|\n)*line 5, hours: the cell is empty(.|\n)*line 5, mass: '=1\+1'"),
        (b"hours,mass\nnan,1e999\n", r"hours: 'nan'(.|\n)*mass: '1e999'"),
        (b"hours,mass\n" + b"1,2\n" * 2000, r"at most 1000 are read"),
        (b"hours,mass\n" + b"1" * 2_000_000, r"at most 1000000 are read"),
        (b"hours,mass,drying,temperature\n0,1,a,60\n1,1,a,70\n", r"drying 'a' has 2 temperatures"),
        (b"hours,mass,drying\n" + b"".join(b"0,1,d%d\n" % n for n in range(9)), r"at most 6 are fitted"),
        (b"hours,mass\n0,10\n1,9\n", r"drying 1 was weighed at 2 times: at least 3"),
        (b"hours,mass\n0,1000\n1,999\n2,998\n4,996\n6,994\n", r"do not tell how slowly it dries"),
        (b"hours,mass\n0,1000\n1,1000\n2,1000\n4,1000\n6,1000\n", r"do not tell how slowly it dries"),
    ],
)  # fmt: skip
def test_refused(content, words):
    with pytest.raises(InputRefused, match=words):
        fit_weighings(content, "w.csv", 80.0, 1.75, 0.1)
