"""What is plausible in a cell that operators fill with a number: beyond it the workbook asks, refusing nothing.

The figures without a study behind them are common practice, no source: what test prints, their spools and their testing
machines are like.
"""

from collections.abc import Sequence

from doe.study.spec import Factor, Oven, Printer, Response
from doe.study.z_direction import is_turned

Range = tuple[float, float]

INPUTS: dict[str, Range] = {
    "force": (0.1, 20_000.0), "energy": (0.01, 50.0), "extension": (0.01, 500.0), "deflection": (0.01, 100.0),
    "width": (1.0, 60.0), "thickness": (0.2, 30.0), "span": (10.0, 400.0), "distance": (10.0, 300.0),
    "diameter": (5.0, 100.0), "overlap": (1.0, 100.0),
}
"""What formulas need, by key: newton, joule, else millimetres."""
MASS: Range = (20.0, 6_000.0)
"""Spool with filament, grams."""
EMPTY_SPOOL: Range = (20.0, 1_500.0)
"""Grams."""
GRAMS: Range = (0.0, 100_000.0)
"""Filament through one nozzle, grams."""
NOZZLE: Range = (150.0, 500.0)
"""Degrees Celsius."""
BED: Range = (15.0, 200.0)
"""Degrees Celsius."""
MOISTURE: Range = (0.0, 10.0)
"""Water in filament, per cent of its mass."""
_OVEN: Range = (30.0, 180.0)
_OVEN_WITHIN = 20.0
_TIMES_THE_LIMIT = 10.0


def of_response(response: Response, *, positive: bool) -> Range | None:
    """
    Return up to ten times what is required or aimed at, in the response's unit; from zero where it cannot be negative, or where
    a value above zero is required, as of a length.

    None where the study gives no figure but zero.
    """
    figures = (
        response.at_least, response.at_most, response.worthless_below, response.worthless_above, response.perfect_at,
    )
    most = _TIMES_THE_LIMIT * max((abs(figure) for figure in figures if figure is not None), default=0.0)
    if not most:
        return None
    return (0.0 if positive or (response.at_least or 0.0) > 0 else -most, most)


def of_factors(factors: Sequence[Factor], printers: Sequence[Printer] = ()) -> Range | None:
    """
    Return the ranges of numeric factors, all in one, widened by their width on both sides; None without any.

    Values that a printer of these shows with the other sign count with it.
    """
    spans = [(one.low, one.high) for one in factors if one.low is not None and one.high is not None]
    other = [one for one in factors if any(is_turned(one, printer) for printer in printers)]
    spans += [(-one.high, -one.low) for one in other if one.low is not None and one.high is not None]
    if not spans:
        return None
    return min(2 * low - high for low, high in spans), max(2 * high - low for low, high in spans)


def of_oven(oven: Oven) -> Range:
    """Return what an oven may show, degrees Celsius: near its temperature where the study gives one."""
    if oven.temperature is None:
        return _OVEN
    return oven.temperature - _OVEN_WITHIN, oven.temperature + _OVEN_WITHIN
