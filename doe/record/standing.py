"""What stays on record although the workbooks have nothing in its cell: said aloud, since an empty cell erases nothing."""

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from doe.record.match import Cell, Record
from doe.record.rows import listed
from doe.record.schema import ROW_ID, computed_columns, formulas, is_empty

_FIXED = ("print", "round", "load", "printer", "coupon", "number", "reading", "entry")


def standing(before: Record, book: Record, withdrawn: Collection[Cell] = ()) -> tuple[str, ...]:
    """
    Say which recorded values have an empty cell in what is collected now.

    Parameters
    ----------
    before : Record
        Before the collection.
    book : Record
        What all files of the collection say together.
    withdrawn : collection of Cell
        Values that are taken off the record on purpose.

    Returns
    -------
    tuple of str
        A sentence for each column, for rows in which other cells are filled; one for rows that are blank altogether; and how
        a value is taken out.
    """
    emptied: dict[tuple[str, str], list[str]] = {}
    blank: list[str] = []
    for table, key in ROW_ID.items():
        given = {row[key]: row for row in getattr(book, table).to_dict("records")}
        for row in getattr(before, table).to_dict("records"):
            if row[key] not in given:
                continue
            missing = [cell for cell in _missing(table, row, given[row[key]]) if cell not in withdrawn]
            if missing and _is_blank(given[row[key]]):
                blank.append(str(row[key]))
            else:
                for _, name, column in missing:
                    emptied.setdefault((table, column), []).append(name)
    return tuple(_sentences(emptied, blank))


def _missing(table: str, row: Mapping[Any, Any], given: Mapping[Any, Any]) -> Iterator[Cell]:
    key = ROW_ID[table]
    computed = formulas(row)
    for column, value in row.items():
        inferred = column == "outcome" and value == "completed"  # it may follow from the values
        if column not in (*_FIXED, *computed) and not inferred and not is_empty(value) and is_empty(given[column]):
            yield table, str(row[key]), str(column)


def _is_blank(row: Mapping[Any, Any]) -> bool:
    return all(is_empty(value) for column, value in row.items() if column not in _FIXED)


def _sentences(emptied: Mapping[tuple[str, str], list[str]], blank: list[str]) -> Iterator[str]:
    for (_, column), names in emptied.items():
        yield f"{column} of {listed(names)} is on record, but its cell is empty now: the recorded value stays."
    if blank:
        yield f"Rows that are on record, but blank in what was read now: {listed(blank)}. What is recorded stays."
    if emptied:
        (_, column), (name, *_) = next(iter(emptied.items()))
        yield f"To take a value off the record: doe collect --withdraw {name}:{column} --reason 'why'"


def withdrawable(before: Record | None, name: str, column: str) -> Cell | None:
    """Return the cell of a recorded value that may be withdrawn, or None where there is none."""
    if before is None:
        return None
    for table, key in ROW_ID.items():
        rows = getattr(before, table)
        if key in rows and name in set(rows[key]) and column in rows and column not in (*_FIXED, *computed_columns(rows)):
            value = rows.loc[rows[key] == name, column].iloc[0]
            return None if is_empty(value) else (table, name, column)
    return None
