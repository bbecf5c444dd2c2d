"""Values that are possible but unlikely: named with their cells, recorded as they stand."""

import datetime
import statistics
from collections.abc import Iterable, Iterator, Mapping

import pandas as pd

from doe.design.plan import Design
from doe.record.match import TABLE_OF, Cell, Record
from doe.record.schema import ROW_ID, as_text, formulas, value_columns
from doe.sheet import layout, usual
from doe.sheet.columns import DIMENSIONS, Column
from doe.sheet.logs import PREFIX
from doe.study.spec import Study

_OTHERS = 3
"""Other values of a column from which on one value is compared with them."""
_APART, _AWAY = 3.0, 8.0
"""A slip of one decimal place: so many times the next value, and so many times the median; common practice, no source."""
_TESTED_ON = f"{PREFIX}tested_on"
_DAYS = {
    "prints": ("printed_on", f"{PREFIX}out_of_dry_box"), "coupons": (_TESTED_ON,), "loads": ("dried_from", "dried_to"),
    "checks": ("read_on",), "spools": ("opened_on",),
}
"""Columns of days on which something was done, by table."""
_ZONES = datetime.timedelta(days=1)
"""The day of a workshop and that of the log, which is UTC, may differ by so much."""


def unlikely(study: Study, design: Design, record: Record, places: Mapping[Cell, str]) -> tuple[str, ...]:
    """
    Name the values of a collection that look like a slip.

    Parameters
    ----------
    study : Study
    design : Design
        Says which columns its sheets have.
    record : Record
        With the collection in it.
    places : mapping of Cell to str
        Where the values of the collection stand; only these are named.

    Returns
    -------
    tuple of str
        A sentence a value: beyond what is usual for its column; far above or below all others, as where a decimal sign slipped
        or another unit was meant; below zero where no other is.
    """
    found: dict[Cell, str] = {}
    for table, column in _columns(study, design):
        rows = getattr(record, table)
        if column.key not in rows or rows[column.key].dtype.kind != "f":
            continue
        named = zip(rows[ROW_ID[table]], rows[column.key], strict=True)
        values = {str(name): float(value) for name, value in named if value == value}
        compared = column.key in value_columns(rows) or column.key.startswith(DIMENSIONS)
        for name, why in (*_beyond(column, values), *(_beside_others(values) if compared else ())):
            found.setdefault((table, name, column.key), f"{as_text(values[name])}, {why}")
    return tuple(_sentences(record, found, places))


def unlikely_days(
    design: Design, record: Record, places: Mapping[Cell, str], issued: Mapping[int, datetime.date], today: datetime.date
) -> tuple[str, ...]:
    """
    Name the days of a collection on which what they stand for can hardly have been done.

    Parameters
    ----------
    design : Design
    record : Record
        With the collection in it.
    places : mapping of Cell to str
        Where the values of the collection stand; only these are named.
    issued : mapping of int to date
        By round, the day on which its workbook was first written. A plan that was adopted was run before.
    today : date

    Returns
    -------
    tuple of str
        A sentence a day: still to come; before the workbook of its round was there; of a print, before its load was dried;
        of a test, before its print was made.
    """
    found: dict[Cell, str] = {}
    for cell, day, why in (*_out_of_time(design, record, issued, today), *_out_of_order(record)):
        found.setdefault(cell, f"{day}, {why}")
    return tuple(_sentences(record, found, places))


def _out_of_time(
    design: Design, record: Record, issued: Mapping[int, datetime.date], today: datetime.date
) -> Iterator[tuple[Cell, str, str]]:
    """Yield the days that are still to come, and those of loads and prints before there was a workbook."""
    adopted = set(design.runs.loc[design.runs["kind"] == "adopted", "round"])
    for table, columns in _DAYS.items():
        rows = getattr(record, table)
        for column in (column for column in columns if column in rows):
            rounds = rows["round"] if "round" in rows else [None] * len(rows)
            for name, number, text in zip(rows[ROW_ID[table]], rounds, rows[column], strict=True):
                first = None if number in adopted else issued.get(number)
                if text and _day(text) > today + _ZONES:
                    yield (table, name, column), text, f"which is still to come: today is {today}"
                elif text and first is not None and _day(text) < first - _ZONES:
                    yield (table, name, column), text, f"before the workbook of its round was written on {first}"


def _out_of_order(record: Record) -> Iterator[tuple[Cell, str, str]]:
    """Yield the days of prints before their load was dried, and of tests before their print was made."""
    dried = {name: text for name, text in zip(record.loads["load"], record.loads["dried_to"], strict=True) if text}
    printed = dict(zip(record.prints["print"], record.prints["printed_on"], strict=True))
    for name, load, text in record.prints[["print", "load", "printed_on"]].itertuples(index=False):
        if text and load in dried and _day(text) < _day(dried[load]):
            yield ("prints", name, "printed_on"), text, f"before its load {load} came out of the dryer on {dried[load][:10]}"
    for name, owner, text in zip(*_tests(record.coupons), strict=True):
        if text and printed.get(owner) and _day(text) < _day(printed[owner]):
            yield ("coupons", name, _TESTED_ON), text, f"before its print was made on {printed[owner]}"


def _tests(coupons: pd.DataFrame) -> tuple[Iterable[str], Iterable[str], Iterable[str]]:
    """Return coupons, their prints, and the days of their tests."""
    return coupons["coupon"], coupons["print"], coupons.get(_TESTED_ON, pd.Series([""] * len(coupons)))


def _day(text: str) -> datetime.date:
    """Return the day of an ISO date or moment."""
    return datetime.date.fromisoformat(text[:10])


def _columns(study: Study, design: Design) -> Iterator[tuple[str, Column]]:
    """Yield the columns of numbers of all sheets, and the stresses that are computed, each once."""
    limits = {one.name: usual.of_response(one, positive=True) for one in study.responses if one.formula is not None}
    used = {f"used.{one.name}": usual.of_factors([one], study.printers) for one in study.factors}
    seen = set()
    for number in design.rounds:
        for sheet in layout.sheets(study, design, number):
            for column in sheet.columns:
                computed = column.kind == "stress" and column.key in limits
                wanted = (column.kind == "number" and column.fill) or computed
                if wanted and (sheet.name, column.key) not in seen:
                    seen.add((sheet.name, column.key))
                    range_ = limits[column.key] if computed else column.usual or used.get(column.key)
                    yield TABLE_OF[sheet.name], Column(column.key, column.header, "number", usual=range_)


def _beyond(column: Column, values: Mapping[str, float]) -> Iterator[tuple[str, str]]:
    if column.usual is None:
        return
    low, high = column.usual
    for name, value in values.items():
        if not low <= value <= high:
            yield name, f"where {low:g} to {high:g} is usual"


def _beside_others(values: Mapping[str, float]) -> Iterator[tuple[str, str]]:
    """Yield values that stand far from all others."""
    if len(values) <= _OTHERS:
        return
    ordered = sorted(values.values())
    sizes = sorted(abs(value) for value in ordered)
    middle, size = statistics.median(ordered), statistics.median(sizes)
    compared = f"where the middle of all is {middle:g}"
    for name, value in values.items():
        if abs(value) == sizes[-1] and sizes[-2] > 0 and abs(value) >= max(_APART * sizes[-2], _AWAY * size):
            yield name, f"far above all others, {compared}"
        elif value == ordered[0] and value < 0 <= ordered[1] and ordered[-1] > 0:
            yield name, f"below zero, as no other is, {compared}"
        elif value == ordered[0] and 0 < value <= min(ordered[1] / _APART, middle / _AWAY):
            yield name, f"far below all others, {compared}"


def _sentences(record: Record, found: Mapping[Cell, str], places: Mapping[Cell, str]) -> Iterable[str]:
    measured = {name: f"{formula.inputs[0].key}.{name}" for name, formula in formulas(record.coupons).items()}
    for (table, name, column), why in found.items():
        if (table, name, measured.get(column)) in found:
            continue  # what it is computed from is named already
        place = places.get((table, name, measured.get(column, column)))
        if place is not None:
            yield f"Please look again, {place}: {column} of {name} is {why}. It is recorded as it stands."
