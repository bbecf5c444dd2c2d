"""What a drying is computed with, against the worked example of the trade sheet, and what is refused."""

import math

import pytest

from doe.errors import InputRefused
from doe.numerics import drying
from doe.numerics.weighings import DryingFit, Estimate
from doe.study.dryer import FITTED, GIVEN, ILLUSTRATIVE, RANGES, SPOOL, STRAND, STUDY, Asked, dryer, option, problems_of

DRY_AIR = {"equilibrium_moisture": 0.0, "equilibrium_humidity": 50.0}
"""No moisture is kept, as the worked example has it."""


def fit(value, low=None, high=None, temperature=80.0, activation=None):
    limits = Estimate(value, value if low is None else low, value if high is None else high)
    energy = None if activation is None else Estimate(activation, activation, activation)
    return DryingFit(limits, temperature, energy, (Estimate(20, 19, 21),), 0.05, 4, 0.95)


def test_worked_example_of_the_trade_sheet():
    # trade sheet, §4, all digits given; its parameters are the illustrative ones
    made = dryer(Asked(target=0.2, **DRY_AIR))
    strand = made.course(STRAND)
    assert made.forms[STRAND].at(80) == pytest.approx(1.8395e-11, abs=5e-16)
    assert drying.moisture(strand, [4, 6, 8]) == pytest.approx([0.2525, 0.0929, 0.0341], abs=5e-5)
    assert made.hours_to_target(STRAND) == pytest.approx(4.47, abs=5e-3)
    assert made.hours_to_target(SPOOL) == pytest.approx(3 * made.hours_to_target(STRAND), rel=1e-9)
    cooler = dryer(Asked(temperature=70, **DRY_AIR))
    assert drying.moisture(cooler.course(STRAND), 6) == pytest.approx(0.3282, abs=5e-5)


def test_air_of_the_trade_sheet():
    # trade sheet, §4: 2.9 % relative humidity, near 0.16 %; with a dew point of -40 degC 0.03 %
    plain, dried = dryer(Asked()), dryer(Asked(dew_point=-40))
    assert (plain.humidity, plain.floor) == (pytest.approx(2.9, abs=0.06), pytest.approx(0.16, abs=5e-3))
    assert dried.humidity == pytest.approx(0.03, abs=5e-3)
    assert plain.room_floor == pytest.approx(2.7, rel=1e-12)
    assert dryer(Asked(target=0.1)).hours_to_target(STRAND) == math.inf
    assert dryer(Asked(target=0.1, dew_point=-40)).hours_to_target(STRAND) < 10


def test_thick_filament_takes_longer():
    # trade sheet, §4: 2.652 times for 2.85 mm
    thin, thick = (dryer(Asked(diameter=size, **DRY_AIR)).hours_to_target(STRAND) for size in (1.75, 2.85))
    assert thick / thin == pytest.approx(2.652, abs=5e-4)


@pytest.mark.parametrize("factor", [1.0, 2.0, 4.0, 8.0])
def test_two_days_in_the_open_ruin_a_dried_nylon_spool(factor):
    # common practice, no source; 0.2 % is what nylon may have (trade sheet, §2)
    made = dryer(Asked(dew_point=-40, target=0.1, ceiling=0.2, spool_factor=factor))
    assert made.moisture_out(SPOOL, 0.0) == pytest.approx(0.1, abs=1e-6)
    assert made.moisture_out(SPOOL, 48.0) > 3 * 0.2
    assert made.hours_out(SPOOL) < 4


@pytest.mark.parametrize("celsius", [82, 93])
def test_hours_that_shops_dry_in_a_plain_oven(celsius):
    # common practice, no source: 82 to 93 degC for 6 to 8 h, in air of the room. By order of magnitude, for a nylon with 30 %
    # glass by mass, which holds no water: a strand then meets 0.2 %, a spool is on its way there and has lost most of its water,
    # and more is left than the 0.05 % of a producer's table for dried air
    held = 0.7 * 2.7
    made = dryer(Asked(temperature=celsius, start_moisture=held, equilibrium_moisture=held, equilibrium_humidity=50, target=0.2))
    assert made.hours_to_target(STRAND) < 6
    assert 6 <= made.hours_to_target(SPOOL) < 3 * 8
    for hours in (6.0, 8.0):
        assert 0.05 < drying.moisture(made.course(STRAND), hours) < 0.2
        assert 0.05 < drying.moisture(made.course(SPOOL), hours) < held / 2


def test_time_out_is_when_the_ceiling_is_there():
    made = dryer(Asked(ceiling=0.5))
    for form in (STRAND, SPOOL):
        assert made.moisture_out(form, made.hours_out(form)) == pytest.approx(0.5, rel=1e-9)
    assert dryer(Asked(hours=1, ceiling=0.3)).hours_out(SPOOL) == 0.0


@pytest.mark.parametrize("room", [0.0, 50.0])
def test_the_rooms_own_start_does_not_count(room):
    made = dryer(Asked(room_humidity=room, dew_point=-40, hours=2))
    assert made.moisture_out(STRAND, 0.0) == pytest.approx(float(drying.moisture(made.course(STRAND), 2)), rel=1e-12)


def test_the_drying_time_without_one():
    met, never = dryer(Asked()), dryer(Asked(target=0.1))
    assert drying.moisture(met.course(SPOOL), met.values["hours"]) == pytest.approx(0.2, rel=1e-9)
    left = float(drying.moisture(never.course(SPOOL), never.values["hours"]))
    assert (left - never.floor) / (2.7 - never.floor) == pytest.approx(0.05, rel=1e-9)


def test_dew_point_for_half_of_the_target():
    point = dryer(Asked(target=0.1)).highest_dew_point()
    assert dryer(Asked(target=0.1, dew_point=point)).floor == pytest.approx(0.05, rel=1e-6)


def test_where_values_come_from():
    made = dryer(Asked(target=0.15, temperature=85), known={"temperature": (70.0, STUDY)})
    assert (made.sources["target"], made.sources["temperature"]) == (GIVEN, GIVEN)
    assert dryer(Asked(), known={"temperature": (70.0, STUDY)}).sources["temperature"] == STUDY
    assert dryer(Asked(), known={"temperature": (70.0, STUDY)}).values["temperature"] == 70.0
    assert made.illustrative and made.sources["diffusivity"] == ILLUSTRATIVE
    known = {"start_moisture": 2.0, "temperature": 80.0, "equilibrium_humidity": 50.0, "dew_point": -40.0, "diffusivity": 1e-11}
    assert not dryer(Asked(**dict.fromkeys(RANGES, 1.0) | known)).illustrative


def test_weighings_take_the_place_of_what_was_given():
    made = dryer(Asked(), fit(2e-11, 1.8e-11, 2.3e-11, activation=50e3), fit(5e-12, 4e-12, 6e-12))
    assert (made.sources["diffusivity"], made.sources["activation_energy"], made.sources["spool_factor"]) == (FITTED,) * 3
    assert made.forms[STRAND].at(80) == pytest.approx(2e-11)
    assert made.forms[SPOOL].at(80) == pytest.approx(5e-12)
    # by hand: 20 / 5, and from the ends 18 / 6 and 23 / 4
    assert made.factor.value == pytest.approx(4.0)
    assert (made.factor.low, made.factor.high) == (pytest.approx(3.0), pytest.approx(5.75))


def test_a_spool_alone_says_nothing_of_a_strand_that_is_illustrative():
    made = dryer(Asked(), spool=fit(5e-12))
    assert made.factor is None
    assert made.forms[SPOOL].at(80) == pytest.approx(5e-12)
    given = dryer(Asked(diffusivity=2e-11, diffusivity_temperature=80), spool=fit(5e-12, 4e-12, 8e-12))
    assert (given.factor.low, given.factor.high) == (pytest.approx(2.5), pytest.approx(5.0))


@pytest.mark.parametrize("name", RANGES)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -1e9, 1e9])
def test_out_of_range(name, value):
    found = [one for one in problems_of(Asked(**{name: value})) if "it is" in one.allowed and one.found == f"{value:g}"]
    assert [one.where for one in found] == [option(name)]


def test_all_problems_at_once():
    found = problems_of(Asked(diameter=-1, temperature=900, diffusivity=1e-12, equilibrium_humidity=50))
    assert [one.where for one in found] == ["--diameter", "--temperature", "--diffusivity", "--equilibrium-humidity"]


@pytest.mark.parametrize(
    ("asked", "where", "words"),
    [
        ({"target": 3.0}, "--target", "drying makes it less"),
        ({"ceiling": 0.1}, "--ceiling", "not below the target"),
        ({"dew_point": 90.0}, "--dew-point", "warmer than its dew point"),
        ({"temperature": 5.0}, "--temperature", "warmer than its dew point"),
        ({"temperature": 15.0}, "--start-moisture", "keeps 4.4"),
        ({"start_moisture": 0.1, "target": 0.05}, "--start-moisture", "keeps 0.158 %"),
    ],
)
def test_refused(asked, where, words):
    with pytest.raises(InputRefused, match=words) as refused:
        dryer(Asked(**asked))
    assert [one.where for one in refused.value.problems] == [where]


def test_a_warmer_oven_that_dries_more_slowly_is_refused():
    with pytest.raises(InputRefused, match=r"dried more slowly \(activation energy -5 kJ/mol\)"):
        dryer(Asked(), fit(1e-11, activation=-5e3))
