"""Values that are possible but unlikely: named with their cells, recorded as they stand."""

import statistics
from collections.abc import Iterable, Iterator, Mapping

from doe.design.plan import Design
from doe.record.match import TABLE_OF, Cell, Record
from doe.record.schema import ROW_ID, as_text, formulas, value_columns
from doe.sheet import layout, usual
from doe.sheet.columns import DIMENSIONS, Column
from doe.study.spec import Study

_OTHERS = 3
"""Other values of a column from which on one value is compared with them."""
_APART, _AWAY = 3.0, 8.0
"""A slip of one decimal place: so many times the next value, and so many times the median; common practice, no source."""


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
