"""Which single values of a response count: measured, only a limit, or in doubt."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.record.match import Record
from doe.record.schema import outcomes_of
from doe.sheet.columns import NEVER_PRINTED
from doe.study.responses import ends_at_break
from doe.study.spec import Response

Array = NDArray[np.float64]

FAILED = ("detached", "clogged", "warped")
"""Outcomes of a print that the factors may have caused."""
AT_LEAST = ("no break", "broke in grips")
"""Outcomes of a coupon whose value is a lower limit."""
BROKE_EARLY = "broke in handling"
"""Outcome of a coupon that never came to its test because it was too weak for its handling."""
CENSORED = (*AT_LEAST, BROKE_EARLY)
"""Outcomes of a coupon whose value is only a limit."""


@dataclass(frozen=True)
class SingleValues:
    """
    The values of one response that count, in the order of the record.

    Parameters
    ----------
    items : tuple of str, length m
        The coupon or print that has the value.
    owners : tuple of str, length m
        The print of each value.
    lower, upper : ndarray of shape (m,)
        Equal where the value was measured; else its limits, infinite where there is none. Response units, grades as
        numbers, 1 for pass and 0 for fail.
    suspect : ndarray of shape (m,), bool
        Whether the coupon or its print is marked as in doubt, or its instrument was due.
    excluded : tuple of (str, str)
        Print or coupon, and why its value does not count.
    """

    items: tuple[str, ...]
    owners: tuple[str, ...]
    lower: Array
    upper: Array
    suspect: NDArray[np.bool_]
    excluded: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Cell:
    """One row of the record as far as one response goes."""

    item: str
    owner: str
    outcome: str
    print_outcome: str
    value: float
    suspect: bool


def single_values(response: Response, record: Record) -> SingleValues:
    """
    Sort the values of one response into those that count and those that do not.

    Of a measured response, ``no break`` and ``broke in grips`` leave a lower limit. A coupon that broke in handling carried
    less than any that was tested, so the lowest measured value is its upper limit (common practice, no source). None of these
    says anything of what no break ends (:func:`doe.study.responses.ends_at_break`), such as a width. What
    detached counts where a value of zero is recorded for it, or where the response is ``zero_when_detached``: zero is its
    upper limit, or the lowest measured value where logarithms are declared.

    Parameters
    ----------
    response : Response
    record : Record

    Returns
    -------
    SingleValues
    """
    cells = list(_cells(response, record))
    logs = response.transform == "log"
    measured = [cell.value for cell in cells if _is_measured(cell, response) and (cell.value > 0 or not logs)]
    lowest = min(measured, default=np.nan)
    kept: list[tuple[_Cell, float, float]] = []
    excluded: list[tuple[str, str]] = []
    for cell in cells:
        limits = _limits(cell, response, lowest)
        if isinstance(limits, str):
            excluded += [(cell.item, limits)] if limits else []
        else:
            kept.append((cell, *limits))
    return SingleValues(
        items=tuple(cell.item for cell, *_ in kept),
        owners=tuple(cell.owner for cell, *_ in kept),
        lower=np.array([lower for _, lower, _ in kept], dtype=float),
        upper=np.array([upper for _, _, upper in kept], dtype=float),
        suspect=np.array([cell.suspect for cell, *_ in kept], dtype=bool),
        excluded=tuple(excluded),
    )


def _cells(response: Response, record: Record) -> Iterator[_Cell]:
    of_coupons = response.per == "coupon"
    unit, table = ("coupon", record.coupons) if of_coupons else ("print", record.prints)
    if response.name not in table or table.empty:
        return
    if of_coupons:  # the others of a print are tested for other responses
        table = table[table["number"] <= response.coupons]
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    by_study = record.doubts.get(response.name, {})
    doubted = set(record.prints.loc[record.prints["deviation"] == "suspect", "print"])
    marks = table["deviation"] if "deviation" in table else pd.Series("", index=table.index)
    for item, owner, outcome, mark, value in zip(
        table[unit], table["print"], outcomes_of(table, response.name), marks, table[response.name], strict=True
    ):
        suspect = mark == "suspect" or owner in doubted or item in by_study
        said = "completed" if outcome in CENSORED and not ends_at_break(response) else str(outcome)
        yield _Cell(item, owner, said, str(ended.get(owner, "")), _number(value, response), suspect)


def _number(value: object, response: Response) -> float:
    """Return a value as a number: 1 for pass, 0 for fail, nan where there is none."""
    if response.kind == "pass_fail":
        return {"pass": 1.0, "fail": 0.0}.get(str(value), np.nan)
    return float(value)  # type: ignore[arg-type]


def _is_measured(cell: _Cell, response: Response) -> bool:
    return not np.isnan(cell.value) and cell.outcome not in CENSORED and not _at_zero_load(cell, response)


def _at_zero_load(cell: _Cell, response: Response) -> bool:
    if response.kind != "measured" or "detached" not in (cell.outcome, cell.print_outcome):
        return False
    return cell.value == 0 or (response.zero_when_detached and np.isnan(cell.value))


def _limits(cell: _Cell, response: Response, lowest: float) -> tuple[float, float] | str:
    """Return the limits of a value, the reason where it does not count, or "" where none was expected."""
    if response.kind != "measured":
        return _judged(cell)
    if cell.outcome in AT_LEAST:
        if np.isnan(cell.value):
            return f"{cell.outcome}, and no value that it held was recorded"
        return (cell.value, np.inf)
    if cell.outcome == BROKE_EARLY or _at_zero_load(cell, response):
        below = 0.0 if cell.outcome != BROKE_EARLY and response.transform != "log" else lowest
        return f"{cell.outcome}, and no value was measured to set a limit by" if np.isnan(below) else (-np.inf, below)
    if np.isnan(cell.value):
        return _absent(cell)
    if response.transform == "log" and cell.value <= 0:
        return "not above zero, and the declared transform is the logarithm"
    return (cell.value, cell.value)


def _judged(cell: _Cell) -> tuple[float, float] | str:
    if cell.outcome in CENSORED:
        return cell.outcome
    if cell.print_outcome in FAILED:  # also where a grade was typed in for it
        return cell.print_outcome
    return _absent(cell) if np.isnan(cell.value) else (cell.value, cell.value)


def _absent(cell: _Cell) -> str:
    if cell.outcome and cell.outcome != "completed":
        return cell.outcome
    return cell.print_outcome if cell.print_outcome in (*FAILED, *NEVER_PRINTED) else ""
