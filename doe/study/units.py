"""Units that the checks of heat or drying go by: what is written in another one would pass them unseen."""

import re
from collections.abc import Iterator, Mapping

from doe.study.draft import Draft, Finding, Place
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.heat import oven_temperature_factor
from doe.study.spec import Factor, Study
from doe.study.wording import show
from doe.verdicts import Verdict

CELSIUS = "degC"
LONGEST_DRYING = 72.0
"""Hours of drying from which on it is asked whether minutes were meant; common practice, no source: shops dry 4 to 24."""
_DEGREES = {
    **dict.fromkeys(("c", "\N{DEGREE SIGN}c", "deg c", "celsius", "\N{DEGREE CELSIUS}", "degc", "grad", "grad c"), (0.0, 1.0)),
    **dict.fromkeys(("f", "\N{DEGREE SIGN}f", "deg f", "degf", "fahrenheit"), (32.0, 1 / 1.8)),
    **dict.fromkeys(("k", "kelvin"), (273.15, 1.0)),
}
"""Ways to write a unit of temperature, lower case: its value at 0 degC, and how many degC one of it is."""
_TIMES: Mapping[str, str] = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunde", "stunden"), "h"),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten"), "min"),
}
"""Ways to write a unit of time, lower case, and what they are written as here."""
_OF_DRYING = re.compile(r"(drying|dryer|oven)(_|$)|dry_(time|hours|minutes|temperature)$")
_OF_TEMPERATURE = re.compile(r"(^|_)temp(erature)?(_|$)")


def unit_findings(draft: Draft) -> Iterator[Finding]:
    """Yield temperatures that are not in degC, times of drying in a unit that is not known, and drying that is set by print."""
    seen = set()
    for position, factor in draft.factors:
        if factor.name in seen:
            continue  # it needs another name, and may be something else
        seen.add(factor.name)
        if factor.is_numeric and factor.unit is not None:
            yield from _temperature(factor, ("factors", position))
            yield from _time(factor, ("factors", position))
        yield from _by_print(factor, ("factors", position))


def _temperature(factor: Factor, place: Place) -> Iterator[Finding]:
    unit = factor.unit or ""
    known = _DEGREES.get(unit.lower())
    if unit != CELSIUS and (known is not None or _OF_TEMPERATURE.search(factor.name)):
        converted = "" if known is None or known == (0.0, 1.0) else _converted(factor, *known)
        yield Finding(
            (*place, "unit"),
            f"found {show(unit)} on a temperature",
            "temperatures are in degrees Celsius, since what hot ends, filaments and spools stand is checked in them",
            f'write unit = "{CELSIUS}"{converted}'
            + ("" if known is not None else ", or give what is no temperature a name without 'temperature'"),
        )


def _converted(factor: Factor, zero: float, size: float) -> str:
    values = {"low": factor.low, "high": factor.high}
    said = [f"{key} = {(value - zero) * size:.4g}" for key, value in values.items() if value is not None]
    formula = "(F - 32) / 1.8" if zero == 32 else "K - 273.15"
    return f" and its values as {formula}" + (f": {', '.join(said)}" if said else "") + "; increment and setpoint_sd with them"


def _time(factor: Factor, place: Place) -> Iterator[Finding]:
    """A time that is not known as one is not the drying time: no load would be dried by it."""
    unit = factor.unit or ""
    meant = _TIMES.get(unit.lower())
    of_drying = factor.change == "load" and re.match(r"dry(ing)?_(time|hours|minutes)$", factor.name)
    if unit not in MINUTES_PER and (meant is not None or of_drying):
        yield Finding(
            (*place, "unit"),
            f"found {show(unit)}",
            "a time is in 'h' or 'min'",
            f'write unit = "{meant}"' if meant else 'write unit = "h" or unit = "min", and the values in it',
        )


def _by_print(factor: Factor, place: Place) -> Iterator[Finding]:
    if factor.change == "print" and _OF_DRYING.match(factor.name):
        yield Finding(
            (*place, "change"),
            f"'{factor.name}' is set from print to print",
            "what is in the dryer at once is one load, and all prints from it were dried alike",
            'write change = "load"; where each print has a spool that was dried by itself, give [budget] as many loads as prints',
        )


def drying_warnings(study: Study) -> tuple[Verdict, ...]:
    """Return what to look at before anything is dried: a time that may be in another unit, an oven without a temperature."""
    return (*_long(study), *_no_temperature(study))


def _long(study: Study) -> Iterator[Verdict]:
    factor = drying_factor(study.factors)
    name, unit, hours = "[oven] drying_time", "h", study.oven.drying_time or 0.0
    if factor is not None and factor.high is not None and factor.unit is not None:
        name, unit, hours = factor.name, factor.unit, factor.high * MINUTES_PER[factor.unit] / 60
    if hours > LONGEST_DRYING:
        yield Verdict(
            "drying for days",
            f"{name} goes up to {hours:g} h, which is {hours / 24:.3g} days, and its unit is '{unit}'; filaments are dried for "
            "hours, seldom beyond a day",
            "Where minutes were meant, correct the values or the unit; where days are meant, go on.",
            "" if factor is None else factor.name,
        )


def _no_temperature(study: Study) -> Iterator[Verdict]:
    dried = drying_factor(study.factors) is not None or study.oven.drying_time is not None
    if dried and study.oven.temperature is None and oven_temperature_factor(study.factors) is None:
        yield Verdict(
            "oven temperature not stated",
            "[oven] has no temperature: whether the filament's strands fuse or its spool softens in there was not checked",
            "Write temperature = ... (degrees Celsius, from the spool maker's data sheet) under [oven].",
        )
