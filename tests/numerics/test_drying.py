"""Drying, time in the open and drying levels, against worked values, finite differences and identities."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.numerics import drying, oven_air, strand
from doe.numerics.drying import Course, Diffusivity, Stage

NYLON = Diffusivity(5e-13, 55e3, 23)  # illustrative, trade sheet §4
DIAMETER = 1.75


def course(celsius, floor=0.0, start=2.7, slowdown=1.0):
    return Course(drying.rate(float(NYLON.at(celsius)), DIAMETER, slowdown), start, floor)


@given(
    tau=st.floats(1e-6, 2.0), rate=st.floats(1e-4, 10), start=st.floats(0.01, 10), share=st.floats(0, 0.9), inward=st.booleans()
)
def test_moisture_and_hours_go_back_and_forth(tau, rate, start, share, inward):
    floor = start * share
    way = Course(rate, floor, start) if inward else Course(rate, start, floor)
    hours = tau / rate
    assert drying.hours_at(way, drying.moisture(way, hours)) == pytest.approx(hours, rel=1e-9)


def test_arrays_of_any_shape():
    hours = np.array([[0.0, 1.0, 2.0], [4.0, 6.0, 8.0]])
    found = drying.moisture(course(80), hours)
    assert found.shape == hours.shape
    assert found.ravel() == pytest.approx([float(drying.moisture(course(80), one)) for one in hours.ravel()])
    assert drying.hours_at(course(80), found) == pytest.approx(hours, rel=1e-12)


def test_worked_example():
    # trade sheet, §4, all digits given
    at_80 = float(NYLON.at(80))
    assert at_80 == pytest.approx(1.8395e-11, abs=5e-16)
    assert 1 / drying.rate(at_80, DIAMETER) == pytest.approx(11.561, abs=5e-4)
    plain = course(80)
    assert 4 * plain.rate == pytest.approx(0.3460, abs=5e-5)
    assert strand.remaining(4 * plain.rate) == pytest.approx(0.09353, abs=5e-6)
    assert drying.moisture(plain, [4, 6, 8]) == pytest.approx([0.2525, 0.0929, 0.0341], abs=5e-5)
    target = float(drying.hours_until(plain, 0.2))
    assert (target, target * plain.rate) == (pytest.approx(4.47, abs=5e-3), pytest.approx(0.3863, abs=5e-5))
    held = course(80, floor=0.16)
    target = float(drying.hours_until(held, 0.2))
    assert (target, target * held.rate) == (pytest.approx(7.56, abs=5e-3), pytest.approx(0.6540, abs=5e-5))
    cooler = course(70)
    assert 6 * cooler.rate == pytest.approx(0.30066, abs=5e-6)
    assert drying.moisture(cooler, 6) == pytest.approx(0.3282, abs=5e-5)


def test_a_kelvin_changes_the_diffusivity():
    # trade sheet, §4: 5.3 % near 80 degC
    assert np.log(NYLON.at(80.5) / NYLON.at(79.5)) == pytest.approx(0.053, abs=5e-4)


@pytest.mark.parametrize(
    ("start", "limit", "floor", "hours", "digit"),
    [
        (0.05, 0.2, 2.7, 0.27, 5e-3), (0.3, 0.75, 2.7, 3.18, 5e-3),  # trade sheet, §4
        (0.10, 0.2, 2.7, 8 / 60, 0.5 / 60), (0.05, 0.2, 2.7, 16 / 60, 0.5 / 60),  # §2: 8 to 16 minutes
        (0.05, 0.2, 0.7, 5, 0.5),  # §2: polyamide 12, about 5 h
        (2.7, 0.27, 0.0, 142, 0.5),  # §4: to a tenth with desiccant in the room
    ],
)
def test_in_the_open_at_23_degrees(start, limit, floor, hours, digit):
    assert drying.hours_until(course(23, floor, start), limit) == pytest.approx(hours, abs=digit)


def test_thicker_filament_takes_longer_by_the_square_of_its_diameter():
    # trade sheet, §4: 2.652 times for 2.85 mm
    assert drying.rate(1e-11, 1.75) / drying.rate(1e-11, 2.85) == pytest.approx(2.652, abs=5e-4)


def test_strand_has_this_time_constant():
    # trade sheet, §4: 2.0 h for the strand at 80 degC
    late = drying.moisture(course(80), [10.0, 11.0])
    assert 1 / np.log(late[0] / late[1]) == pytest.approx(2.0, abs=0.05)


def test_a_spool_takes_its_factor_longer():
    assert drying.hours_until(course(80, slowdown=3.0), 0.2) == pytest.approx(3 * drying.hours_until(course(80), 0.2))


@pytest.mark.parametrize("slowdown", [1.0, 2.0, 4.0, 8.0])
def test_two_days_in_the_open_ruin_a_dried_nylon_spool(slowdown):
    # common practice, no source; by order of magnitude: far beyond the 0.2 % that nylon may have (trade sheet, §2), for a
    # strand as for a spool that takes up to 8 times as long, which is what a winding open on one face comes to (§4: 16 h / 2 h)
    open_air = course(23, floor=2.7, start=0.1, slowdown=slowdown)
    assert drying.moisture(open_air, 48) > 3 * 0.2
    assert drying.hours_until(open_air, 0.2) < 4


def test_whole_way_from_a_plain_oven():
    # the parts together: air of the room in the oven, and the floor that it sets
    humidity = oven_air.relative_humidity(oven_air.room_pressure(23, 50), 80)
    floor = float(oven_air.equilibrium_moisture(humidity, 2.7, 50))
    assert drying.hours_until(course(80, floor), 0.1) == math.inf
    assert floor == pytest.approx(0.16, abs=5e-3)  # trade sheet, §4, where it is rounded before the 7.56 h
    assert drying.hours_until(course(80, 0.155), 0.2) < drying.hours_until(course(80, floor), 0.2) < 7.56


def test_stages_of_the_same_air_are_one():
    rate = course(80).rate
    halves = drying.moisture_after(2.7, [Stage(rate, 0.16, 3.0), Stage(rate, 0.16, 5.0)])
    assert halves == pytest.approx(drying.moisture(course(80, floor=0.16), 8.0), rel=1e-13)


def test_stages_of_one_temperature_after_another():
    # D changes nothing but how fast tau passes
    first, second = course(70), course(80)
    both = drying.moisture_after(2.7, [Stage(first.rate, 0.0, 2.0), Stage(second.rate, 0.0, 3.0)])
    assert both == pytest.approx(2.7 * strand.remaining(2 * first.rate + 3 * second.rate), rel=1e-13)


def test_stages_against_finite_differences():
    # drying to tau = 0.1 and then air that holds 1: rings as above, two grids and Richardson's extrapolation
    def mean(steps, cells):
        faces = np.linspace(0, 1, cells + 1)
        width, area = 1 / cells, (faces[1:] ** 2 - faces[:-1] ** 2) / 2
        content = np.full(cells, 0.8)
        for surface, tau in ((0.0, 0.1), (1.0, 0.05)):
            for _ in range(steps):
                slope = np.append(np.diff(content) / width, (surface - content[-1]) / (width / 2))
                content = content + tau / steps * np.diff(np.append(0.0, faces[1:] * slope)) / area
        return float(content @ area) * 2

    wanted = (4 * mean(3200, 80) - mean(800, 40)) / 3
    assert drying.moisture_after(0.8, [Stage(1.0, 0.0, 0.1), Stage(1.0, 1.0, 0.05)]) == pytest.approx(wanted, abs=2e-4)


def test_a_dry_skin_takes_up_sooner():
    # the figures of the docstring; hours_open is checked by what is there after that time
    air = course(23, floor=2.7, start=0.1)
    for left, ceiling, skin, even in ((0.1, 0.2, 7.0 / 60, 7.5 / 60), (0.3, 0.75, 2.6, 3.2)):
        dried = float(drying.hours_at(course(80), left))
        out = drying.hours_open(course(80), dried, air, ceiling)
        assert out == pytest.approx(skin, rel=0.01)
        assert drying.hours_until(course(23, 2.7, left), ceiling) == pytest.approx(even, rel=0.01)
        stages = [Stage(course(80).rate, 0.0, dried), Stage(air.rate, 2.7, out)]
        assert drying.moisture_after(2.7, stages) == pytest.approx(ceiling, rel=1e-9)


def test_hours_open_has_an_end_or_none():
    air = course(23, floor=0.15, start=0.1)
    assert drying.hours_open(course(80), 1.0, air, 0.2) == 0.0  # not dry yet
    assert drying.hours_open(course(80), 12.0, air, 0.2) == math.inf  # in a dry box


def test_hours_until_is_nothing_or_never():
    assert drying.hours_until(course(80, start=0.1), [0.2, 0.1]).tolist() == [0.0, 0.0]
    assert drying.hours_until(course(80, floor=0.16), [0.16, 0.1]).tolist() == [math.inf, math.inf]
    assert drying.hours_until(course(23, floor=0.15, start=0.05), 0.2) == math.inf


@pytest.mark.parametrize("number", [2, 3, 5])
def test_levels_are_equal_steps_of_moisture(number):
    way = course(80, floor=0.05)
    levels = drying.levels_for(2, 12, way, number)
    assert (levels[0], levels[-1], len(levels)) == (2.0, 12.0, number)
    steps = np.diff(drying.moisture(way, levels))
    assert steps == pytest.approx(np.full(number - 1, steps.mean()), rel=1e-12)
    assert np.all(np.diff(levels) > 0)


def test_middle_level_lies_early():
    # by hand from tabulated shares, a^2 / D = 1 h: from R = 0.547879 at 0.05 h to 0.002130 at 1 h the middle is 0.275005
    middle = drying.levels_for(0.05, 1.0, Course(1.0, 1.0), 3)[1]
    assert strand.remaining(middle) == pytest.approx((0.547879 + 0.002130) / 2, abs=1e-6)
    assert 0.1 < middle < 0.2


def test_law_of_temperature():
    # D0 exp(-E / (R T)) written out
    kelvin = np.array([296.15, 353.15])
    assert NYLON.at(kelvin - 273.15) == pytest.approx(NYLON.limit * np.exp(-55e3 / (8.314462618 * kelvin)), rel=1e-12)
    assert NYLON.at(23) == 5e-13
    assert drying.mm2_per_hour(1e-11) == pytest.approx(0.036)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: drying.moisture(course(80), -1), r"the time in hours is -"),
        (lambda: drying.hours_at(course(80, floor=0.16), 0.1), r"0.1 % is never had on the way from 2.7 % to 0.16 %"),
        (lambda: drying.hours_until(course(80), math.nan), r"a limit of the moisture is missing"),
        (lambda: drying.rate(0, 1.75), r"the diffusivity is 0 m2/s: it must be above 0"),
        (lambda: drying.rate(1e-11, -1), r"the diameter is -1 mm: it must be above 0"),
        (lambda: drying.rate(1e-11, 1.75, 0.5), r"the slow-down on the spool is 0.5: a bare strand has 1"),
        (lambda: Course(0, 1), r"the rate is 0 per hour: it must be above 0"),
        (lambda: Course(1, -1), r"the moisture at the start is -1 %: it must be 0 or more"),
        (lambda: Course(1, 1, math.nan), r"in equilibrium with the air is nan %: it must be 0 or more"),
        (lambda: Course(1, 1, 1), r"the moisture at the start, 1 %, is that of the air: nothing changes"),
        (lambda: Diffusivity(0, 1, 1), r"the diffusivity is 0 m2/s: it must be above 0"),
        (lambda: Diffusivity(1, -1, 1), r"the activation energy is -1 J/mol: it must be 0 or more"),
        (lambda: Diffusivity(1, 1, -300), r"the temperature is -300 degC: it must lie above -273.15"),
        (lambda: NYLON.at(-300), r"a temperature is not above -273.15 degC"),
        (lambda: drying.levels_for(2, 12, course(80), 1), r"1 levels make no range: at least 2 are needed"),
        (lambda: drying.levels_for(12, 2, course(80)), r"drying times from 12 to 2 h are no range"),
        (lambda: drying.levels_for(100, 200, course(80)), r"after 100 h the moisture is as it is after 200 h"),
    ],
)
def test_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
