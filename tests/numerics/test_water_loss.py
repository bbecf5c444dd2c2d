"""Moisture lost by weight."""

import math

import numpy as np
import pytest

from doe.numerics import water_loss


def test_loss_of_the_trade_sheet():
    # trade sheet, §4: net 1000.0 g at 1.2 %, dried to 0.15 %
    dry, target = water_loss.mass_at(1000, 1.2, 0), water_loss.mass_at(1000, 1.2, 0.15)
    assert (dry, target) == (pytest.approx(988.14, abs=5e-3), pytest.approx(989.62, abs=5e-3))
    loss = water_loss.mass_lost(1250, 250 + target, 250, 0.1)
    assert loss.grams == pytest.approx(10.38, abs=5e-3)
    assert water_loss.moisture_left(1.2, loss.percent) == pytest.approx(0.15, abs=1e-12)


def test_loss_by_hand():
    # 1246.3 - 1240.1 = 6.2 g of 1246.3 - 246.3 = 1000.0 g; and with 1.2 g from the cardboard 5.0 g
    assert water_loss.mass_lost(1246.3, 1240.1, 246.3, 0.1).percent == pytest.approx(0.62)
    assert water_loss.mass_lost(1246.3, 1240.1, 246.3, 0.1, 1.2).percent == pytest.approx(0.50)


def test_cardboard_can_hide_the_filament():
    # trade sheet, §4: 150 g at about 7 % holds about 10 g
    held = float(water_loss.mass_at(150, 0, 7) - 150)
    assert held == pytest.approx(10, abs=0.6)
    assert water_loss.mass_lost(1150, 1150 - held, 150, 0.1, held).percent == pytest.approx(0, abs=1e-12)


def test_readability_of_a_tenth_of_a_gram_on_a_kilogram():
    # trade sheet, §4: about 0.01 %; as an expanded uncertainty
    loss = water_loss.mass_lost(1250, 1240, 250, 0.1)
    assert 2 * loss.uncertainty == pytest.approx(0.01, abs=5e-3)


@pytest.mark.parametrize("spool_loss", [0.0, 3.0])
def test_uncertainty_against_simulated_readings(spool_loss):
    # JCGM 100:2008, 4.3.7: a mass lies anywhere within half a step of its reading; here a step of 2 g
    generator, step = np.random.default_rng(7), 2.0
    masses = (400.0, 350.0, 200.0, 50.0, 50.0 - spool_loss)
    gross, dried, tare, empty, empty_dried = (one + generator.uniform(-step / 2, step / 2, 200_000) for one in masses)
    spools = empty - empty_dried if spool_loss else 0.0
    scatter = 100 * np.std((gross - dried - spools) / (gross - tare))
    stated = water_loss.mass_lost(*masses[:3], step, spool_loss).uncertainty
    assert stated == pytest.approx(scatter, rel=0.01)


def test_many_spools_at_once():
    loss = water_loss.mass_lost([1250, 1100], [1240, 1095], [250, 100], 0.1)
    assert loss.percent == pytest.approx([1.0, 0.5])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: water_loss.mass_lost(1000, 990, 250, 0), r"the balance's readability is 0 g: it must be above 0"),
        (lambda: water_loss.mass_lost(200, 190, 250, 0.1), r"must be above that of the empty spool"),
        (lambda: water_loss.mass_lost(1000, math.nan, 250, 0.1), r"must be above that of the empty spool"),
        (lambda: water_loss.mass_at(1000, -1, 0), r"the moisture at the start must be 0 or more"),
    ],
)
def test_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
