"""Humidity of an oven's air and the moisture that a polymer keeps in it."""

import numpy as np
import pytest

from doe.numerics import oven_air


def steam(celsius):
    """Saturation pressure in hPa after Wagner and Pruss, J. Phys. Chem. Ref. Data 31 (2002) 387, eq. 2.5 (from memory)."""
    kelvin = np.asarray(celsius) + 273.15
    lack = 1 - kelvin / 647.096
    factors = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
    powers = (1, 1.5, 3, 3.5, 4, 7.5)
    return 220640 * np.exp(647.096 / kelvin * sum(a * lack**p for a, p in zip(factors, powers, strict=True)))


def test_the_steam_formula_of_this_test_boils_at_100_degrees():
    # 1014.2 hPa at 100 degC on the scale of 1990, 47.41 kPa at 80 degC (steam tables, from memory)
    assert steam(100) == pytest.approx(1014.2, abs=0.1)
    assert steam(80) == pytest.approx(474.1, abs=0.1)


def test_close_to_steam_tables_in_a_room():
    degrees = np.linspace(0.01, 50, 51)
    assert oven_air.saturation_pressure(degrees) == pytest.approx(steam(degrees), rel=3e-3)


@pytest.mark.parametrize(("degrees", "excess"), [(80, 0.013), (100, 0.026), (120, 0.042), (150, 0.070)])
def test_error_in_an_oven_is_as_stated(degrees, excess):
    assert oven_air.saturation_pressure(degrees) / steam(degrees) - 1 == pytest.approx(excess, abs=5e-4)


def test_close_to_the_form_of_the_meteorologists():
    # Guide to Instruments and Methods of Observation (WMO-No. 8), from memory: over water -45 to 60, over ice -65 to 0 degC
    water, ice = np.linspace(0, 60, 61), np.linspace(-65, -1, 65)
    assert oven_air.vapour_pressure(water) == pytest.approx(6.112 * np.exp(17.62 * water / (243.12 + water)), rel=2e-3)
    assert oven_air.vapour_pressure(ice) == pytest.approx(6.112 * np.exp(22.46 * ice / (272.62 + ice)), rel=7e-3)


def test_room_air_in_a_plain_oven():
    # trade sheet, §4: 23 degC / 50 % in an oven of 80 degC is about 2.9 %; nylon of 2.7 % at 50 % keeps about 0.16 %
    humidity = oven_air.relative_humidity(oven_air.room_pressure(23, 50), 80)
    assert humidity == pytest.approx(2.9, abs=0.05)
    assert oven_air.equilibrium_moisture(humidity, 2.7, 50) == pytest.approx(0.16, abs=5e-3)


def test_dried_air():
    # trade sheet, §4: a dew point of -40 degC gives 0.03 % at 80 degC
    assert oven_air.relative_humidity(oven_air.vapour_pressure(-40), 80) == pytest.approx(0.03, abs=5e-3)


def test_air_is_saturated_at_its_dew_point():
    degrees = np.array([0.0, 10.0, 80.0])
    assert oven_air.relative_humidity(oven_air.vapour_pressure(degrees), degrees) == pytest.approx(np.full(3, 100.0))


def test_water_and_ice_meet_at_their_triple_point():
    assert oven_air.vapour_pressure(-1e-9) == pytest.approx(oven_air.vapour_pressure(0), rel=1e-3)


@pytest.mark.parametrize("degrees", [-80.0, -40.0, -0.5, 0.0, 0.5, 23.0, 150.0])
def test_dew_point_undoes_the_pressure(degrees):
    assert oven_air.dew_point(oven_air.vapour_pressure(degrees)) == pytest.approx(degrees, abs=0.01)


def test_dew_point_of_a_room():
    # 23 degC and 50 % have 12.0 degC (common practice, no source)
    assert oven_air.dew_point(oven_air.room_pressure(23, 50)) == pytest.approx(12.0, abs=0.1)


def test_saturation_stands_for_a_humidity_of_100():
    assert oven_air.equilibrium_moisture([0, 10, 100], 9.5) == pytest.approx([0, 0.95, 9.5])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: oven_air.saturation_pressure(200), r"200 degC: vapour pressures are known from -80 to 150"),
        (lambda: oven_air.vapour_pressure(np.nan), r"nan degC: vapour pressures are known"),
        (lambda: oven_air.dew_point(0), r"pressure of the water vapour is 0 hPa: it must be above 0"),
        (lambda: oven_air.room_pressure(23, 120), r"relative humidity is 120 %: it must lie from 0 to 100"),
        (lambda: oven_air.relative_humidity(oven_air.vapour_pressure(90), 80), r"its dew point must lie below its temperature"),
        (lambda: oven_air.equilibrium_moisture(5, -1, 50), r"the known moisture is -1 %: it must be 0 or more"),
        (lambda: oven_air.equilibrium_moisture(5, 1, 0), r"humidity of the known moisture is 0 %: it must lie above 0"),
    ],
)
def test_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
