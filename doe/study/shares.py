"""Shares in words, the same in verdicts, on screen or in the report."""

import math
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

_MISSING = "n/a"


def percent(share: float | None) -> str:
    """Return a share as a percentage with one decimal; what is not 0 or 1 is never shown as such."""
    return _MISSING if share is None or not math.isfinite(share) else _percent(share, ROUND_HALF_EVEN)


def percent_bound(share: float | None) -> str:
    """Return a lower bound of a share as a percentage, rounded down: rounding must not add to what is claimed."""
    return _MISSING if share is None or not math.isfinite(share) else _percent(share, ROUND_FLOOR)


def level(share: float) -> str:
    """Return a level of confidence or a required share, as chosen: ``95 %``."""
    return f"{round(100 * share, 8):.10g} %"


def _percent(share: float, rounding: str) -> str:
    if 0 < share < 1:
        tenths = (Decimal(repr(float(share))) * 100).quantize(Decimal("0.1"), rounding)
        return "> 99.9 %" if tenths >= 100 else "< 0.1 %" if tenths <= 0 else f"{tenths} %"
    return f"{100 * share:.0f} %"
