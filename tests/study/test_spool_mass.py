"""A spool on the balance, against the trade sheet and sums by hand."""

import math

import pytest

from doe.study.spool_mass import Masses, mass_problems, spool_mass


def test_mass_check_of_the_trade_sheet():
    # trade sheet, §4: net 1000.0 g at 1.2 % to 0.15 %: dry 988.14 g, target 989.62 g, loss 10.38 g
    found = spool_mass(Masses(1250, 250 + 989.62, 250), 1.2, 0.15)
    assert (found.net, found.dry) == (1000, pytest.approx(988.14, abs=5e-3))
    assert found.target_reading == pytest.approx(250 + 989.62, abs=5e-3)
    assert found.lost.grams == pytest.approx(10.38, abs=5e-3)
    assert found.lost.left == pytest.approx(0.15, abs=1e-3)
    assert found.lost.percent_uncertainty == pytest.approx(0.01, abs=5e-3)  # 0.1 g on 1 kg is about 0.01 %


def test_a_cardboard_spool_that_dries_too():
    # by hand: the same loss of 10.38 g hidden behind 8 g of the spool; the balance then shows 8 g less
    plain = spool_mass(Masses(1250, 1239.62, 250), 1.2, 0.15)
    found = spool_mass(Masses(1250, 1231.62, 250, 8.0), 1.2, 0.15)
    assert found.target_reading == pytest.approx(plain.target_reading - 8, abs=1e-9)
    assert found.lost.grams == pytest.approx(plain.lost.grams, abs=1e-9)
    assert found.lost.percent_uncertainty > plain.lost.percent_uncertainty


def test_without_a_mass_afterwards():
    assert spool_mass(Masses(1250, None, 250), 1.2, 0.15).lost is None


@pytest.mark.parametrize(
    ("masses", "where"),
    [
        (Masses(), []),
        (Masses(1250, 1240, 250, 3.0), []),
        (Masses(mass_after=1200), ["--mass-after", "--mass-after"]),
        (Masses(1250), ["--mass-before"]),
        (Masses(empty_spool=250), ["--empty-spool"]),
        (Masses(200, 190, 250), ["--mass-before", "--mass-after"]),
        (Masses(1250, 240, 250), ["--mass-after"]),
        (Masses(math.nan, math.inf, -1, -2, 0), [
            "--mass-before", "--mass-after", "--empty-spool", "--empty-spool-loss", "--readability"
        ]),
    ],
)  # fmt: skip
def test_problems(masses, where):
    assert [one.where for one in mass_problems(masses)] == where
