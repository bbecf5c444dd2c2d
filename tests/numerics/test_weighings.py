"""Diffusivity, activation energy and equilibrium fitted from weighings."""

import math

import numpy as np
import pytest
from scipy import optimize

from doe.numerics import drying, strand, weighings
from doe.numerics.drying import Diffusivity
from doe.numerics.weighings import Estimate, Weighings

TRUE = Diffusivity(5e-13, 55e3, 23)  # illustrative, trade sheet §4
DIAMETER = 1.75
HOURS = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0])


def simulated(temperatures, hours=HOURS, noise=0.0, generator=None, slowdown=1.0, loss=20.0):
    """Masses of a spool of 1 kg that loses 20 g, by Crank's series; simulated."""
    ovens = np.array(temperatures, dtype=float)
    times, run = np.tile(hours, len(ovens)), np.repeat(np.arange(len(ovens)), len(hours))
    rates = np.array([drying.rate(float(TRUE.at(oven)), DIAMETER, slowdown) for oven in ovens])
    mass = 1000.0 - loss * strand.removed(rates[run] * times)
    if generator is not None:
        mass = mass + generator.normal(0, noise, len(mass))
    return Weighings(times, mass, run, ovens)


@pytest.mark.parametrize("temperatures", [(80,), (60, 80), (50, 65, 80)])
def test_fit_finds_what_weighings_without_error_were_made_from(temperatures):
    found = weighings.fit_drying(simulated(temperatures), DIAMETER, 1e-3)
    assert found.diffusivity.value == pytest.approx(float(TRUE.at(found.temperature)), rel=1e-5)
    assert [one.value for one in found.loss] == pytest.approx([20.0] * len(temperatures), rel=1e-5)
    if len(temperatures) > 1:
        assert found.activation.value == pytest.approx(55e3, rel=1e-5)
    else:
        assert found.activation is None and found.temperature == pytest.approx(80)


def test_fit_agrees_with_curve_fit():
    # scipy.optimize.curve_fit on all parameters together; with little scatter profile limits are t limits
    generator = np.random.default_rng(3)
    data = simulated((60, 80), np.linspace(0, 14, 15), 0.002, generator)
    found = weighings.fit_drying(data, DIAMETER, 1e-5)

    def masses(_, log_middle, energy, *spools):
        kelvin = data.temperature + 273.15
        lag = 1 / kelvin - (1 / kelvin).mean()
        rates = np.exp(log_middle - energy * 1000 / 8.314462618 * lag) * 3.6e9 / (DIAMETER / 2) ** 2 / 1e12
        start, loss = np.array(spools[:2]), np.array(spools[2:])
        return start[data.run] - loss[data.run] * strand.removed(rates[data.run] * data.hours)

    best, spread = optimize.curve_fit(masses, data.hours, data.mass, p0=[math.log(10), 50, 1000, 1000, 20, 20])
    sd = np.sqrt(np.diag(spread))
    t = 2.063899  # of 24 degrees of freedom, two-sided 95 %, from tables
    assert found.dof == 24
    assert found.residual_sd == pytest.approx(np.sqrt(((data.mass - masses(None, *best)) ** 2).sum() / 24), rel=1e-6)
    assert found.diffusivity.value == pytest.approx(math.exp(best[0]) * 1e-12, rel=1e-5)
    log_limits = np.log([found.diffusivity.low, found.diffusivity.high]) + 12 * math.log(10)
    assert log_limits == pytest.approx([best[0] - t * sd[0], best[0] + t * sd[0]], abs=0.01 * sd[0])
    energy = found.activation
    assert energy.value == pytest.approx(1000 * best[1], rel=1e-5)
    assert [energy.low, energy.high] == pytest.approx(1000 * (best[1] + t * sd[1] * np.array([-1, 1])), abs=10 * sd[1])
    for one, value, error in zip(found.loss, best[4:], sd[4:], strict=True):
        assert [one.value, one.low, one.high] == pytest.approx(value + t * error * np.array([0, -1, 1]), abs=0.01 * error)


def test_limits_are_where_the_sum_of_squares_says():
    # Bates and Watts 1988, sec. 6.1: at a limit it exceeds its least by t^2 s^2, all else fitted anew; here by a fine grid
    data = simulated((80,), HOURS, 0.1, np.random.default_rng(11))
    found = weighings.fit_drying(data, DIAMETER, 1e-4)
    t = 2.776445  # of 4 degrees of freedom, two-sided 95 %, from tables

    def squares(diffusivity):
        share = strand.removed(drying.rate(diffusivity, DIAMETER) * data.hours)
        return float(np.linalg.lstsq(np.column_stack([np.ones(len(share)), share]), data.mass, rcond=None)[1][0])

    least = squares(found.diffusivity.value)
    for limit in (found.diffusivity.low, found.diffusivity.high):
        assert squares(limit) - least == pytest.approx(t**2 * least / 4, rel=1e-5)
    assert all(squares(found.diffusivity.value * factor) > least for factor in (0.999, 1.001))


def test_drying_that_was_stopped_early_leaves_limits_open():
    # of a start that only follows the root of time, loss and diffusivity cannot be told apart
    hours = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.25])
    found = weighings.fit_drying(simulated((80,), hours, 0.1, np.random.default_rng(2)), DIAMETER, 0.01)
    assert found.diffusivity.low == 0 and found.loss[0].high == math.inf


def test_uptake_is_fitted_alike():
    found = weighings.fit_drying(simulated((23,), np.linspace(0, 300, 9), loss=-15.0), DIAMETER, 1e-3)
    assert found.loss[0].value == pytest.approx(-15, rel=1e-5)
    assert found.diffusivity.value == pytest.approx(5e-13, rel=1e-5)


def test_readability_is_the_least_scatter():
    found = weighings.fit_drying(simulated((80,)), DIAMETER, 0.1)
    assert found.residual_sd == pytest.approx(0.1 / math.sqrt(12))
    assert found.diffusivity.low < float(TRUE.at(80)) < found.diffusivity.high


def test_slowdown_of_a_spool():
    found = weighings.fit_drying(simulated((80,), 3 * HOURS, slowdown=3.0), DIAMETER, 1e-2)
    factor = weighings.slowdown(float(TRUE.at(80)), found.diffusivity)
    assert factor.value == pytest.approx(3, rel=1e-4)
    assert factor.low < 3 < factor.high
    assert weighings.slowdown(2e-11, Estimate(1e-11, 0.0, 2e-11)) == Estimate(2.0, 1.0, math.inf)


@pytest.mark.slow
def test_intervals_cover():
    # 30 simulated dryings of seven weighings; at a true coverage of 95 % fewer than 25 happen once in 300 times
    generator = np.random.default_rng(20)
    fits = [weighings.fit_drying(simulated((80,), HOURS, 0.05, generator), DIAMETER, 0.01) for _ in range(30)]
    truth = float(TRUE.at(80))
    assert sum(one.diffusivity.low < truth < one.diffusivity.high for one in fits) >= 25
    assert sum(one.loss[0].low < 20 < one.loss[0].high for one in fits) >= 25


def plain(**changes):
    values = {"hours": HOURS, "mass": np.linspace(1000, 980, 7), "run": np.zeros(7, dtype=int), "temperature": np.array([80.0])}
    return Weighings(**{**values, **changes})


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: plain(hours=HOURS[:6]), r"every weighing needs its hours, its mass and its drying"),
        (lambda: plain(hours=-HOURS), r"hours must be 0 or more, and masses be numbers"),
        (lambda: plain(temperature=np.array([-300.0])), r"temperatures must lie above -273.15 degC"),
        (lambda: plain(run=np.ones(7, dtype=int)), r"every weighing belongs to a drying whose temperature is given"),
        (lambda: plain(hours=np.repeat([0.0, 1.0], [3, 4])), r"drying 1 was weighed at 2 times: at least 3 are needed"),
        (lambda: weighings.fit_drying(plain(), 0, 0.1), r"the diameter is 0 mm: it must be above 0"),
        (lambda: weighings.fit_drying(plain(), 1.75, 0), r"the balance's readability is 0 g"),
        (lambda: weighings.fit_drying(plain(), 1.75, 0.1, 1), r"the confidence level is 1: it must lie between 0 and 1"),
        (lambda: weighings.fit_drying(simulated((80,), HOURS[:3]), 1.75, 0.1), r"3 weighings leave no measure of their scatter"),
        (lambda: weighings.slowdown(0, Estimate(1, 1, 1)), r"the diffusivity of the strand is 0 m2/s"),
    ],
)
def test_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
