"""Numbers as text: the one place where a figure is rounded, once.

The rule is JCGM 100:2008 (GUM), 7.2.6: an uncertainty keeps at most two significant digits, and the estimate is rounded
to the same decimal place. Ties go to the even digit (ISO 80000-1:2009, annex B, rule A, from memory). The minus is the
typographic one, and a number that does not exist is ``n/a``.

Conformance and its bound are shares: a bound is never rounded towards the better claim, and a share below one is never
shown as 100 %.
"""

import math
from decimal import ROUND_HALF_EVEN, Decimal

from doe.study.shares import level, percent, percent_bound

__all__ = [
    "MISSING", "at_place", "dof", "exact", "interval", "level", "p_value", "percent", "percent_bound",
    "place_of", "plain", "setting", "whole_percent", "with_uncertainty",
]

MISSING = "n/a"
_MINUS = "−"
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_PLAIN_EXPONENTS = range(-4, 7)
"""Orders of magnitude that are written without a power of ten."""
_NO_SETTING = 1e-9
"""No factor is set as finely as this in its unit."""


def plain(value: float | None, digits: int = 4) -> str:
    """
    Return a number to some significant digits.

    Parameters
    ----------
    value : float or None
        Any unit.
    digits : int
        Significant digits, at least 1; trailing zeros are kept, since they say how much is known.

    Returns
    -------
    str
        ``27.00``, ``−0.0123``, ``1.20 × 10⁻⁶``; ``n/a`` for None and for what is not finite.
    """
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    return at_place(value, _leading_place(value, digits))


def exact(value: float | None) -> str:
    """Return a value that was chosen, not measured (a setting, a limit): its digits, up to ten, no trailing zeros."""
    if value is None or not math.isfinite(value):
        return MISSING
    mantissa, _, exponent = f"{value:.10g}".partition("e")
    return _signed(mantissa) + (f" × 10{str(int(exponent)).translate(_SUPERSCRIPTS)}" if exponent else "")


def setting(value: float | None) -> str:
    """Return a setting that a search found: six digits, no trailing zeros, and no trace of the search's arithmetic."""
    if value is None or abs(value) < _NO_SETTING:
        return MISSING if value is None else "0"
    return exact(float(f"{float(value):.6g}"))


def place_of(uncertainty: float | None, digits: int = 2) -> int | None:
    """
    Return the decimal place that an uncertainty leaves meaningful (GUM 7.2.6).

    Parameters
    ----------
    uncertainty : float or None
        Standard error, standard deviation or half width; any unit.
    digits : int
        Significant digits that it keeps; with more than two, the place for a column of values of this size.

    Returns
    -------
    int or None
        Power of ten of its last significant digit: -2 for 0.34, 0 for 12; None where there is no uncertainty.
    """
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty == 0:
        return None
    return _leading_place(uncertainty, digits)


def at_place(value: float | None, place: int | None) -> str:
    """Return a number rounded to a power of ten, as :func:`place_of` gives it; to four digits where that is None."""
    if value is None or not math.isfinite(value):
        return MISSING
    if place is None:
        return plain(value)
    rounded = _decimal(value).quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN) if _fits(value, place) else Decimal(0)
    if rounded == 0:
        return f"{0:.{max(0, -place)}f}" if place >= _PLAIN_EXPONENTS.start else "0"
    exponent = rounded.adjusted()
    if exponent in _PLAIN_EXPONENTS:
        return _signed(f"{rounded:f}")
    mantissa = rounded.scaleb(-exponent)
    return f"{_signed(f'{mantissa:f}')} × 10{str(exponent).translate(_SUPERSCRIPTS)}"


def whole_percent(share: float) -> str:
    """Return a share that is roughly known, such as one of draws: whole percent; what is not 0 or 1 is not shown as such."""
    if not 0 < share < 1:
        return f"{100 * share:.0f} %"
    return "> 99 %" if share > 0.995 else "< 1 %" if share < 0.005 else f"{100 * share:.0f} %"


def with_uncertainty(value: float | None, uncertainty: float | None) -> tuple[str, str]:
    """Return an estimate and its uncertainty, both at the place of the uncertainty's second digit (GUM 7.2.6)."""
    place = place_of(uncertainty)
    return at_place(value, place), at_place(uncertainty, place)


def interval(low: float | None, high: float | None, place: int | None = None) -> str:
    """
    Return an interval as ``low to high``.

    Parameters
    ----------
    low, high : float or None
        Limits, same unit.
    place : int, optional
        Decimal place of the estimate it belongs to; without one the half width decides.
    """
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return MISSING
    shown = place_of((high - low) / 2) if place is None else place
    return f"{at_place(low, shown)} to {at_place(high, shown)}"


def p_value(p: float | None) -> str:
    """Return a probability of the data under no effect: three decimals below 0.1, else two; never an exact 0 or 1."""
    if p is None or not math.isfinite(p):
        return MISSING
    if p < 0.001:
        return "< 0.001"
    return "> 0.99" if p > 0.99 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def dof(value: float | None) -> str:
    """Return degrees of freedom: whole ones as such, fractional ones (Kenward-Roger) with one decimal."""
    if value is None or not math.isfinite(value):
        return MISSING
    return f"{value:.0f}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


def _leading_place(value: float, digits: int) -> int:
    """Return the place of the last of some significant digits, after rounding (0.0996 has two digits at 0.10)."""
    number = _decimal(value)
    place = number.adjusted() - digits + 1
    return number.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN).adjusted() - digits + 1


def _fits(value: float, place: int) -> bool:
    """Whether the value has a digit at or next to the place; far below it, quantize would only give zero."""
    return value != 0 and place - 1 <= _decimal(value).adjusted() < place + 27


def _decimal(value: float) -> Decimal:
    """Return the shortest decimal number that is this float: what a reader would have typed, so that ties are ties."""
    return Decimal(repr(float(value)))


def _signed(text: str) -> str:
    return text.replace("-", _MINUS)
