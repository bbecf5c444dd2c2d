"""Levels of a drying time, against sums by hand and the inverse of Crank's series."""

import numpy as np
import pytest

from doe.design.drying_levels import drying_levels
from doe.errors import InputRefused
from doe.numerics import drying
from doe.study.dryer import SPOOL, Asked, dryer
from tests.conftest import make_study, numeric

MADE = dryer(Asked(equilibrium_moisture=0, equilibrium_humidity=50))


def with_drying(**changes):
    factor = numeric("drying_time", 4, 12, 0.5, unit="h", change="load") | changes
    return make_study(factors=[numeric("nozzle_temperature", 255, 285, 1), factor])


@pytest.mark.parametrize("number", [2, 3, 5])
def test_steps_are_even_in_moisture(number):
    found = drying_levels(with_drying(increment=1e-6), MADE, number)
    for levels in (found.within, found.proposed):
        steps = np.diff(levels.moisture)
        assert steps == pytest.approx(np.full(number - 1, steps[0]), abs=1e-5)
        assert steps[0] < 0
    assert (found.within.times[0], found.within.times[-1]) == (4.0, 12.0)
    assert found.even_hours.times == pytest.approx(np.linspace(4, 12, number))


def test_middle_of_the_trade_sheets_drying():
    # trade sheet, §4: a strand holds 0.2525 % after 4 h and 0.0341 % after 8 h; half way is 0.1433 %, before 6 h (0.0929)
    strand = dryer(Asked(equilibrium_moisture=0, equilibrium_humidity=50, spool_factor=1))
    found = drying_levels(with_drying(high=8, increment=0.01), strand, 3)
    assert found.within.moisture == pytest.approx((0.2525, 0.1433, 0.0341), abs=1e-3)
    assert 4.4 < found.within.times[1] < 6


def test_proposed_range_goes_from_the_studys_wettest_to_the_target():
    found = drying_levels(with_drying(increment=0.01), MADE, 3)
    assert found.proposed.times[0] == 4.0
    assert found.proposed.times[-1] == pytest.approx(MADE.hours_to_target(SPOOL), abs=0.006)
    assert found.proposed.moisture[-1] == pytest.approx(0.2, abs=1e-3)


def test_target_that_is_never_met_ends_near_what_the_air_keeps():
    made = dryer(Asked(target=0.1))
    found = drying_levels(with_drying(increment=1e-6), made, 3)
    assert (found.proposed.moisture[-1] - made.floor) / (2.7 - made.floor) == pytest.approx(0.05, abs=1e-5)


def test_study_that_begins_drier_than_the_target():
    found = drying_levels(with_drying(low=20, high=40, increment=1e-6), MADE, 3)
    assert found.proposed.moisture == pytest.approx(((2.7 + 0.2) / 2, (3 * 0.2 + 2.7) / 4, 0.2), abs=1e-5)


def test_wettest_that_was_asked_for():
    found = drying_levels(with_drying(increment=1e-6), MADE, 3, wettest=1.0)
    assert found.proposed.moisture == pytest.approx((1.0, 0.6, 0.2), abs=1e-5)


def test_levels_stand_on_the_increments():
    found = drying_levels(with_drying(), MADE, 5)
    for levels in (found.within, found.proposed):
        assert [time * 2 % 1 for time in levels.times] == [0.0] * 5
        assert levels.moisture == pytest.approx(drying.moisture(MADE.course(SPOOL), levels.times), rel=1e-12)


def test_minutes_are_hours():
    hours = drying_levels(with_drying(increment=0.01), MADE, 4)
    minutes = drying_levels(with_drying(low=240, high=720, increment=0.6, unit="min"), MADE, 4)
    assert np.array(minutes.within.times) / 60 == pytest.approx(hours.within.times, abs=1e-9)
    assert minutes.proposed.moisture == pytest.approx(hours.proposed.moisture, rel=1e-9)


@pytest.mark.parametrize(
    ("study", "wettest", "words"),
    [
        (make_study(factors=[numeric("nozzle_temperature", 255, 285, 1)]), None, r"no factor is a drying time"),
        (with_drying(low=-1), None, r"drying_time: low is -1; a drying time is 0 or more"),
        (with_drying(low=300, high=600), None, r"the moisture is as it is after 600 h"),
        (with_drying(), 0.1, r"--wettest: 0.1 %; it lies above 0.2 %"),
        (with_drying(), 3.0, r"up to 2.7 %, the start"),
    ],
)
def test_refused(study, wettest, words):
    with pytest.raises(InputRefused, match=words):
        drying_levels(study, MADE, 3, wettest)
