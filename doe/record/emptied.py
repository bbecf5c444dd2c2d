"""Recorded values whose cells are empty by now: said aloud, since an empty cell erases nothing."""

from collections import Counter
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
        a value, or such a row, is taken out.
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
    coupons = dict(zip(before.coupons["coupon"], before.coupons["print"], strict=True))
    return tuple(_sentences(emptied, blank, coupons))


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


def _together(blank: Collection[str], coupons: Mapping[str, str]) -> list[str]:
    """Return rows that are blank, the coupons of a print in one: ``P20N with 5 coupons``, ``2 coupons of P03D``."""
    counts = Counter(coupons[name] for name in blank if name in coupons)
    said = {name: f"{name} with {_coupons(counts[name])}" if counts[name] else name for name in blank if name not in coupons}
    return [*said.values(), *(f"{_coupons(count)} of {name}" for name, count in counts.items() if name not in said)]


def _coupons(count: int) -> str:
    return f"{count} coupon{'s' if count > 1 else ''}"


def _sentences(emptied: Mapping[str, list[str]], blank: list[str], coupons: Mapping[str, str]) -> Iterator[str]:
    for column, names in emptied.items():
        yield f"{column} of {listed(names)} is on record, but its cell is empty now: the recorded value stays."
    rows = _together(blank, coupons)
    if rows:
        yield (
            f"Rows that are on record, but blank in what was read now: {', '.join(rows)}. What is recorded stays. To take a row "
            f"off the record, a print with its coupons: doe collect --withdraw {blank[0]} --reason 'why'"
        )
    if emptied:
        column, (name, *_) = next(iter(emptied.items()))
        yield f"To take a value off the record: doe collect --withdraw {name}:{column} --reason 'why'"
