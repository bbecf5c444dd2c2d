"""Recorded values whose cells are empty by now: said aloud, since an empty cell erases nothing."""

from collections.abc import Collection, Iterator, Mapping

from doe.record.findings import listed
from doe.record.match import Cell, Record
from doe.record.schema import ROW_ID, formulas, is_empty, is_planned
from doe.record.together import Joined


def emptied_lines(before: Record, joined: Joined, withdrawn: Collection[Cell] = ()) -> tuple[str, ...]:
    """
    Say which recorded values have an empty cell in what is collected now.

    Parameters
    ----------
    before : Record
        Before the collection.
    joined : Joined
        What all files of the collection say together. Of a value that none of them has a cell for, nothing is said.
    withdrawn : collection of Cell
        Values that are taken off the record on purpose.

    Returns
    -------
    tuple of str
        A sentence for each column, for rows in which other cells are filled; one for rows that are blank altogether; and how
        a value is taken out.
    """
    filled = {(table, row) for table, row, _ in joined.beside.places}
    emptied: dict[str, list[str]] = {}
    blank: list[str] = []
    for table, name, column in _values(before):
        if (table, name, column) not in joined.blank or (table, name, column) in withdrawn:
            continue
        if (table, name) in filled:
            emptied.setdefault(column, []).append(name)
        elif name not in blank:
            blank.append(name)
    return tuple(_sentences(emptied, blank))


def _values(record: Record) -> Iterator[Cell]:
    """Yield the cells of what somebody wrote down, row by row."""
    for table, key in ROW_ID.items():
        rows = getattr(record, table)
        computed = formulas(rows)
        for row in rows.to_dict("records"):
            for column, value in row.items():
                inferred = column == "outcome" and value == "completed"  # it may follow from the values
                if not is_empty(value) and not inferred and column not in computed and not is_planned(column):
                    yield table, str(row[key]), column


def _sentences(emptied: Mapping[str, list[str]], blank: list[str]) -> Iterator[str]:
    for column, names in emptied.items():
        yield f"{column} of {listed(names)} is on record, but its cell is empty now: the recorded value stays."
    if blank:
        yield f"Rows that are on record, but blank in what was read now: {listed(blank)}. What is recorded stays."
    if emptied:
        column, (name, *_) = next(iter(emptied.items()))
        yield f"To take a value off the record: doe collect --withdraw {name}:{column} --reason 'why'"


def withdrawable(before: Record | None, name: str, column: str) -> Cell | None:
    """Return the cell of a recorded value that may be withdrawn, or None where there is none."""
    if before is None:
        return None
    for table, key in ROW_ID.items():
        rows = getattr(before, table)
        if key in rows and name in set(rows[key]) and column in rows and not is_planned(column) and column not in formulas(rows):
            value = rows.loc[rows[key] == name, column].iloc[0]
            return None if is_empty(value) else (table, name, column)
    return None
