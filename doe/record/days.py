"""Days on which what they stand for can hardly have been done: named with their cells, recorded as they stand."""

import datetime
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from doe.design.plan import Design
from doe.record.match import Cell, Record
from doe.record.schema import ROW_ID
from doe.sheet.logs import PREFIX

_TESTED_ON = f"{PREFIX}tested_on"
_DAYS = {
    "prints": ("printed_on", f"{PREFIX}out_of_dry_box"), "coupons": (_TESTED_ON,), "loads": ("dried_from", "dried_to"),
    "checks": ("read_on",), "spools": ("opened_on",),
}
"""Columns of days on which something was done, by table."""
_ZONES = datetime.timedelta(days=1)
"""The day of a workshop and that of the log, which is UTC, may differ by so much."""
_FEW = 3
"""So many days of one column and one sort are named each with its cell; more are counted in one line."""


@dataclass(frozen=True)
class _Odd:
    """One day that cannot be right."""

    cell: Cell
    day: str
    """As it is recorded: an ISO date or moment."""
    why: str
    sort: str
    """What is said of many such days in one line."""


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
        of a test, before its print was made. Many of one sort in one column are one sentence.
    """
    every = _first_of_each((*_to_come(record, today), *_too_early(design, record, issued), *_out_of_order(record)))
    groups = _sorted_by_column(one for one in every if one.cell in places)
    return tuple(line for group in groups for line in _said(group, places))


def contradictions(record: Record, prints: Iterable[str], today: datetime.date) -> tuple[str, ...]:
    """
    Return what a record says of the days of some prints that cannot be true on a given day.

    Parameters
    ----------
    record : Record
    prints : iterable of str
        The prints that are looked at, with their coupons.
    today : date

    Returns
    -------
    tuple of str
        One sentence a column and sort, without a full stop: days that are still to come, prints before their load was dried,
        tests before their print was made.
    """
    mine = set(prints)
    owners = dict(zip(record.coupons["coupon"], record.coupons["print"], strict=True)) if "coupon" in record.coupons else {}
    every = _first_of_each((*_to_come(record, today), *_out_of_order(record)))
    groups = _sorted_by_column(one for one in every if one.cell[1] in mine or owners.get(one.cell[1]) in mine)
    return tuple(_in_short(group) for group in groups)


def _first_of_each(every: Iterable[_Odd]) -> list[_Odd]:
    """Return one finding a cell, the first."""
    found: dict[Cell, _Odd] = {}
    for one in every:
        found.setdefault(one.cell, one)
    return list(found.values())


def _sorted_by_column(every: Iterable[_Odd]) -> Iterable[Sequence[_Odd]]:
    groups: dict[tuple[str, str, str], list[_Odd]] = {}
    for one in every:
        groups.setdefault((one.cell[0], one.cell[2], one.sort), []).append(one)
    return groups.values()


def _said(group: Sequence[_Odd], places: Mapping[Cell, str]) -> Iterator[str]:
    if len(group) > _FEW:
        where = _span(places[group[0].cell], places[group[-1].cell])
        yield f"Please look again, {where}: {_in_short(group)}. They are recorded as they stand."
        return
    for one in group:
        _, name, column = one.cell
        yield f"Please look again, {places[one.cell]}: {column} of {name} is {one.day}, {one.why}. It is recorded as it stands."


def _span(first: str, last: str) -> str:
    """Return where many cells stand: ``round-1.xlsx, sheet Prints, cells AA5 to AA40``."""
    sheet, mark, cell = first.rpartition(", cell ")
    other, _, end = last.rpartition(", cell ")
    return f"{sheet}, cells {cell} to {end}" if mark and sheet == other else f"{first} to {last}"


def _in_short(group: Sequence[_Odd]) -> str:
    """Return one line on days of one column and sort: how many, the first and the last identifier, from when to when."""
    table, name, column = group[0].cell
    days = sorted(one.day[:10] for one in group)
    if len(group) == 1:
        return f"{column} of {name} is {group[0].day}, {group[0].why}"
    span = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return f"{column} of {len(group)} {_SPOKEN[table]}, {name} to {group[-1].cell[1]}, is {span}, {group[0].sort}"


_SPOKEN = {"prints": "prints", "coupons": "coupons", "loads": "loads", "checks": "readings", "spools": "spools"}


def _to_come(record: Record, today: datetime.date) -> Iterator[_Odd]:
    """Yield the days that are still to come."""
    why = f"which is still to come: today is {today}"
    for table, columns in _DAYS.items():
        rows = getattr(record, table)
        for column in (column for column in columns if column in rows):
            for name, text in zip(rows[ROW_ID[table]], rows[column], strict=True):
                if text and _day(text) > today + _ZONES:
                    yield _Odd((table, name, column), text, why, why)


def _too_early(design: Design, record: Record, issued: Mapping[int, datetime.date]) -> Iterator[_Odd]:
    """Yield the days before the workbook of their round was there."""
    adopted = set(design.runs.loc[design.runs["kind"] == "adopted", "round"])
    for table, columns in _DAYS.items():
        rows = getattr(record, table)
        for column in (column for column in columns if column in rows and "round" in rows):
            for name, number, text in zip(rows[ROW_ID[table]], rows["round"], rows[column], strict=True):
                first = None if number in adopted else issued.get(number)
                if text and first is not None and _day(text) < first - _ZONES:
                    why = f"before the workbook of {{}} round was written on {first}"
                    yield _Odd((table, name, column), text, why.format("its"), why.format("their"))


def _out_of_order(record: Record) -> Iterator[_Odd]:
    """Yield the days of prints before their load was dried, and of tests before their print was made."""
    dried = {name: text for name, text in zip(record.loads["load"], record.loads["dried_to"], strict=True) if text}
    printed = dict(zip(record.prints["print"], record.prints["printed_on"], strict=True))
    for name, load, text in record.prints[["print", "load", "printed_on"]].itertuples(index=False):
        if text and load in dried and _day(text) < _day(dried[load]):
            why = f"before its load {load} came out of the dryer on {dried[load][:10]}"
            yield _Odd(("prints", name, "printed_on"), text, why, "before their load came out of the dryer")
    for name, owner, text in zip(*_tests(record.coupons), strict=True):
        if text and printed.get(owner) and _day(text) < _day(printed[owner]):
            why = f"before its print was made on {printed[owner]}"
            yield _Odd(("coupons", name, _TESTED_ON), text, why, "before their print was made")


def _tests(coupons: pd.DataFrame) -> tuple[Iterable[str], Iterable[str], Iterable[str]]:
    """Return coupons, their prints, and the days of their tests."""
    return coupons["coupon"], coupons["print"], coupons.get(_TESTED_ON, pd.Series([""] * len(coupons)))


def _day(text: str) -> datetime.date:
    """Return the day of an ISO date or moment."""
    return datetime.date.fromisoformat(text[:10])
