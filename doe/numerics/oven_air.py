"""How much moisture a polymer keeps in the air of an oven.

Air that is warmed keeps its water; its relative humidity falls as the saturation pressure rises. That holds for a vented
oven. In a closed one the water of the filament adds to it, and the filament keeps more.

References
----------
Alduchov and Eskridge, "Improved Magnus form approximation of saturation vapor pressure", J. Appl. Meteorol. 35 (1996) 601,
eq. 21 (water) and 23 (ice), numbers from memory. The *Guide to Instruments and Methods of Observation* (WMO-No. 8), annex on
humidity, has the same form with nearly the same constants.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_COLDEST, _HOTTEST = -80.0, 150.0


def saturation_pressure(celsius: ArrayLike) -> Array:
    """
    Pressure of water vapour over water.

    Parameters
    ----------
    celsius : array_like
        Any shape; degC, from -80 to 150.

    Returns
    -------
    ndarray of that shape
        hPa. Within 0.3 % from 0 to 50 degC; above, too high: by 1.3 % at 80, 2.6 % at 100, 4.2 % at 120 and 7 % at 150 degC.
        A humidity computed with it is too low by as much, which is less than what else is unknown about an oven.

    References
    ----------
    Alduchov and Eskridge (1996), eq. 21, made for -40 to 50 degC.
    """
    degrees = _degrees(celsius)
    return np.asarray(6.1094 * np.exp(17.625 * degrees / (243.04 + degrees)))


def vapour_pressure(dew_point: ArrayLike) -> Array:
    """
    Pressure of the water vapour in air of some dew point.

    Parameters
    ----------
    dew_point : array_like
        Any shape; degC, from -80 to 150; below 0 it is taken for the frost point, which dryers and mirror hygrometers state.

    Returns
    -------
    ndarray of that shape
        hPa; over ice below 0 degC.

    References
    ----------
    Alduchov and Eskridge (1996), eq. 21 and 23.
    """
    degrees = _degrees(dew_point)
    frost = np.minimum(degrees, 0)
    return np.where(degrees < 0, 6.1121 * np.exp(22.587 * frost / (273.86 + frost)), saturation_pressure(degrees))


def dew_point(pressure: ArrayLike) -> Array:
    """
    Dew point of air, the inverse of :func:`vapour_pressure`.

    Parameters
    ----------
    pressure : array_like
        Any shape; of the water vapour, hPa, above 0.

    Returns
    -------
    ndarray of that shape
        degC; the frost point where it lies below 0. From 6.1094 to 6.1121 hPa, where both formulas hold, within 0.01 K.

    Raises
    ------
    ValueError
        Where a pressure is not above 0.

    References
    ----------
    Alduchov and Eskridge (1996), eq. 21 and 23, solved for the temperature.
    """
    found = np.asarray(pressure, dtype=float)
    wrong = found[~(found > 0)]
    if wrong.size:
        raise ValueError(f"the pressure of the water vapour is {wrong[0]:g} hPa: it must be above 0")
    water, ice = np.log(found / 6.1094), np.log(found / 6.1121)
    return np.where(ice < 0, 273.86 * ice / (22.587 - ice), 243.04 * water / (17.625 - water))


def room_pressure(celsius: ArrayLike, humidity: ArrayLike) -> Array:
    """
    Pressure of the water vapour in the air of a room.

    Parameters
    ----------
    celsius : array_like
        degC.
    humidity : array_like
        Relative, %; a shape that goes with that of the temperatures.

    Returns
    -------
    ndarray
        hPa.
    """
    return _humidity(humidity) / 100 * saturation_pressure(celsius)


def relative_humidity(pressure: ArrayLike, celsius: ArrayLike) -> Array:
    """
    Relative humidity of air in an oven.

    Parameters
    ----------
    pressure : array_like
        Of the water vapour, hPa: :func:`vapour_pressure` for dried air, :func:`room_pressure` for a plain vented oven.
    celsius : array_like
        Of the oven, degC; a shape that goes with that of the pressures.

    Returns
    -------
    ndarray
        %.

    Raises
    ------
    ValueError
        Where the pressure is below 0 or above that of saturation.
    """
    found = 100 * np.asarray(pressure, dtype=float) / saturation_pressure(celsius)
    wrong = found[~((found >= 0) & (found <= 100 * (1 + 1e-9)))]
    if wrong.size:
        raise ValueError(
            f"the air of the oven would have {wrong[0]:.3g} % relative humidity: its dew point must lie below its temperature"
        )
    return found


def equilibrium_moisture(humidity: ArrayLike, known: float, at_humidity: float = 100.0) -> Array:
    """
    Moisture that a polymer keeps in air of some humidity, by proportion.

    Parameters
    ----------
    humidity : array_like
        Any shape; relative, %.
    known : float
        Moisture in equilibrium with air of ``at_humidity``, % of the dry mass: of a data sheet, at 50 % say.
    at_humidity : float
        Relative, %; 100 stands for saturation.

    Returns
    -------
    ndarray of that shape
        % of the dry mass.

    Raises
    ------
    ValueError
        Where the known moisture is below 0, or a humidity is not from 0 to 100 %.

    Notes
    -----
    Henry's law: the moisture is proportional to the relative humidity, and the same at every temperature. Polyamides take up
    more than in proportion near saturation: take a value of low humidity where there is one.
    """
    if not 0 <= known < math.inf:
        raise ValueError(f"the known moisture is {known:g} %: it must be 0 or more")
    if not 0 < at_humidity <= 100:
        raise ValueError(f"the humidity of the known moisture is {at_humidity:g} %: it must lie above 0 and be at most 100 %")
    return known * _humidity(humidity) / at_humidity


def _degrees(value: ArrayLike) -> Array:
    degrees = np.asarray(value, dtype=float)
    wrong = degrees[~((degrees >= _COLDEST) & (degrees <= _HOTTEST))]
    if wrong.size:
        raise ValueError(f"{wrong[0]:g} degC: vapour pressures are known from {_COLDEST:g} to {_HOTTEST:g} degC")
    return degrees


def _humidity(value: ArrayLike) -> Array:
    humidity = np.asarray(value, dtype=float)
    wrong = humidity[~((humidity >= 0) & (humidity <= 100))]
    if wrong.size:
        raise ValueError(f"the relative humidity is {wrong[0]:g} %: it must lie from 0 to 100 %")
    return humidity
