"""What is taken off the record because somebody asked for it: single values, or rows."""

import re
from collections.abc import Collection, Iterator

import pandas as pd

from doe.design.plan import Design
from doe.record.cells import key_of
from doe.record.headings import known_headings
from doe.record.match import TABLE_OF, Cell, Record
from doe.record.schema import ROW_ID, formulas, is_empty, is_planned
from doe.study.spec import Study

_UNIT = re.compile(r" *\([^()]*\)$")


def withdrawable(before: Record | None, name: str, column: str | None = None) -> tuple[Cell, ...]:
    """
    Return the cells of recorded values that may be withdrawn; none where there are none.

    Parameters
    ----------
    before : Record or None
    name : str
        The identifier of a row.
    column : str, optional
        As the record names it. Without it every value of the row is meant, and of a print those of its coupons.
    """
    if before is None:
        return ()
    return tuple(cell for cell in _cells(before, name) if column is None or cell[1:] == (name, column))


def in_record(study: Study, design: Design, text: str) -> str:
    """
    Return the name in the record of a column that is named as in the workbook, in any language, with or without its unit.

    Parameters
    ----------
    study : Study
    design : Design
        Says which columns its sheets have.
    text : str
        Returned as it is where no column, or more than one, is headed so.
    """
    said = {key for number in design.rounds for key in _headed(study, design, number, key_of(text))}
    return said.pop() if len(said) == 1 else text


def still_there(record: Record, withdrawn: Collection[Cell]) -> list[Cell]:
    """Return the cells that hold a value although it was withdrawn, since it follows from other values that are on record."""
    return sorted(cell for cell in withdrawn if cell in set(_cells(record, cell[1])))


def _headed(study: Study, design: Design, number: int, wanted: str) -> Iterator[str]:
    """Yield the columns of a round that have a heading."""
    for sheet, headings in known_headings(study, design, number).items():
        if sheet in TABLE_OF:
            yield from (key for heading, key in headings.items() if wanted in (heading, _UNIT.sub("", heading)))


def _cells(record: Record, name: str) -> Iterator[Cell]:
    """Yield the cells of what somebody wrote down in a row, and of a print in those of its coupons."""
    for table, key in ROW_ID.items():
        rows: pd.DataFrame = getattr(record, table)
        if key not in rows:
            continue
        mine = rows[key] == name
        mine |= rows["print"] == name if table == "coupons" else False
        computed = formulas(rows)
        for row in rows[mine].to_dict("records"):
            for column, value in row.items():
                if not is_empty(value) and not is_planned(str(column)) and column not in computed:
                    yield table, str(row[key]), str(column)
