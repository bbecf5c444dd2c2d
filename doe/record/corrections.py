"""Bring what a workbook says into the record: empty cells never erase, changed values are kept on file."""

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from doe.errors import InputRefused, Problem
from doe.record.match import Cell, Record
from doe.record.schema import (
    CORRECTIONS,
    ROW_ID,
    as_text,
    filled,
    formulas,
    frame,
    is_empty,
    outcomes_of,
    value_columns,
    with_stress,
)
from doe.sheet.columns import NEVER_MEASURED, NEVER_PRINTED, NEVER_TESTED


@dataclass(frozen=True)
class Correction:
    """A recorded value that was changed."""

    table: str
    row: str
    column: str
    old: str
    new: str
    """Empty where the new outcome leaves nothing to measure, or the value was withdrawn."""
    why: str = ""


@dataclass(frozen=True)
class Beside:
    """What is known of the values of a collection besides the values themselves."""

    reasons: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """By table and row, why a value in it was changed."""
    places: Mapping[Cell, str] = field(default_factory=dict)
    """Where each value stands."""
    as_set: frozenset[Cell] = frozenset()
    """Setpoints used that are the plan's: another one on record was wrong."""
    reason: str = ""
    """Why, where a row gives no reason of its own."""
    withdrawn: frozenset[Cell] = frozenset()
    """Values that are taken off the record."""
    overruled: tuple[Correction, ...] = ()
    """Values that were given up for those of another file."""
    read_off: frozenset[str] = frozenset()
    """Responses that no break ends (:func:`doe.study.responses.ends_at_break`): broken pieces have values of them."""


def merge(
    before: Record | None, book: Record, who: str, when: str, beside: Beside | None = None
) -> tuple[Record, tuple[Correction, ...]]:
    """
    Bring the rows of a workbook, or of several, into the record.

    A value in the workbook stands, an empty cell leaves what is on record, and a value that differs from a recorded one
    is a correction. Values without an outcome count as ``completed``. Where an outcome leaves nothing to measure,
    recorded values are taken out, as corrections. Merging the same workbook again changes nothing.

    Parameters
    ----------
    before : Record or None
        None where nothing was collected yet.
    book : Record
        What the workbook says, as of :func:`doe.record.match.match`.
    who, when : str
        For the corrections: a name, and ISO 8601 time.
    beside : Beside, optional

    Returns
    -------
    record : Record
        With the corrections appended to those that were there.
    corrections : tuple of Correction
        Those of this merge.

    Raises
    ------
    InputRefused
        Where the workbook gives values, but no outcome, for what is on record as never tested.
    """
    beside = beside or Beside()
    joined = book if before is None else replace(before, **{
        name: overlaid(getattr(before, name), getattr(book, name), key) for name, key in ROW_ID.items()
    })
    joined = blanked(joined, beside.as_set | beside.withdrawn)
    if problems := list(_ruled_out(book, joined, beside)):
        raise InputRefused(problems)
    joined = _settled(joined, beside.read_off)
    made = () if before is None else tuple(
        replace(one, why=beside.reasons.get((one.table, one.row), beside.reason))
        for name, key in ROW_ID.items()
        for one in _differences(name, key, getattr(before, name), getattr(joined, name), _withdrawn(before))
    )
    made = (*made, *(one for one in beside.overruled if not any(_same(one, other) for other in made)))
    lines = [{**vars(correction), "who": who, "when": when} for correction in made]
    earlier = book if before is None else before
    return replace(joined, corrections=frame(CORRECTIONS, [*earlier.corrections.to_dict("records"), *lines])), made


def _same(one: Correction, other: Correction) -> bool:
    return replace(one, why="") == replace(other, why="")


def _withdrawn(record: Record) -> set[Cell]:
    """Return the cells whose last correction took their value off the record."""
    last = {(row["table"], row["row"], row["column"]): row["new"] for row in record.corrections.to_dict("records")}
    return {cell for cell, new in last.items() if new == ""}


def blanked(record: Record, cells: Collection[Cell]) -> Record:
    """Return a record with some of its cells emptied."""
    tables = {}
    for name, key in ROW_ID.items():
        table = getattr(record, name)
        for column in {column for where, _, column in cells if where == name}:
            rows = table[key].isin({row for where, row, other in cells if (where, other) == (name, column)})
            table = table.assign(**{column: table[column].mask(rows, math.nan if table[column].dtype.kind == "f" else "")})
        tables[name] = table
    return replace(record, **tables)


def overlaid(before: pd.DataFrame, book: pd.DataFrame, key: str) -> pd.DataFrame:
    """Put the filled cells of one table over those of another; new rows follow the old ones."""
    if key not in before:
        return book
    rows = {row[key]: row for row in before.to_dict("records")}
    for new in book.to_dict("records"):
        given = {column: value for column, value in new.items() if not is_empty(value)}
        rows[new[key]] = {**rows.get(new[key], new), **given}
    return pd.DataFrame({
        name: pd.Series([row[name] for row in rows.values()], dtype=before[name].dtype) for name in before.columns
    })


def _never_made(record: Record, read_off: Collection[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return, per print and per coupon, of which results its outcome, its test's own or its print's leaves nothing to measure."""
    prints, coupons = record.prints, record.coupons
    not_tried = prints["outcome"].isin(NEVER_PRINTED)
    lost = coupons["print"].isin(set(prints.loc[not_tried, "print"]))
    return pd.DataFrame(dict.fromkeys(value_columns(prints), not_tried)), pd.DataFrame({
        name: lost | outcomes_of(coupons, name.rpartition(".")[2]).isin(NEVER_MEASURED if name in read_off else NEVER_TESTED)
        for name in value_columns(coupons)
    })


def _ruled_out(book: Record, joined: Record, beside: Beside) -> Iterator[Problem]:
    """Yield the rows to which the workbook gives values although, with what is on record, they were never tested."""
    prints, coupons = _never_made(joined, beside.read_off)
    for what, given, all_rows, barred in (
        ("print", book.prints, joined.prints, prints), ("coupon", book.coupons, joined.coupons, coupons)
    ):
        found: dict[str, list[str]] = {}
        for column in barred:
            for name in set(given.loc[filled(given[column]), what]) & set(all_rows.loc[barred[column], what]):
                found.setdefault(name, []).append(column)
        for name in sorted(found):
            given_at = [beside.places[cell] for column in found[name] if (cell := (f"{what}s", name, column)) in beside.places]
            yield Problem(
                ", ".join([*given_at[-1:], f"{what} {name}"]),
                "the workbook gives values, but on record it, or its print, was never tested",
                "what was not tested has no value", "choose its outcome in the workbook, or clear the values",
            )


def _settled(record: Record, read_off: Collection[str]) -> Record:
    """Draw the conclusions: what was never tested has no value, stress follows from force, values mean completion."""
    of_prints, of_coupons = _never_made(record, read_off)
    prints = _without_values(record.prints, of_prints)
    coupons = with_stress(_without_values(record.coupons, of_coupons))
    tested = _has_value(coupons)
    printed = _has_value(prints) | prints["print"].isin(set(coupons.loc[tested, "print"]))
    return replace(record, prints=_completed(prints, printed), coupons=_completed(coupons, tested))


def _without_values(table: pd.DataFrame, barred: pd.DataFrame) -> pd.DataFrame:
    blank = {name: math.nan if table[name].dtype.kind == "f" else "" for name in barred}
    return table.assign(**{name: table[name].mask(barred[name], empty) for name, empty in blank.items()})


def _has_value(table: pd.DataFrame) -> pd.Series:
    found = pd.Series(False, index=table.index)
    for name in value_columns(table):
        found |= filled(table[name])
    return found


def _completed(table: pd.DataFrame, rows: pd.Series) -> pd.DataFrame:
    return table.assign(outcome=table["outcome"].mask(rows & (table["outcome"] == ""), "completed"))


def _differences(
    name: str, key: str, before: pd.DataFrame, after: pd.DataFrame, withdrawn: Collection[Cell]
) -> Iterator[Correction]:
    """Yield the recorded values that are others now, and those that are back after they had been withdrawn."""
    computed = formulas(before)  # a changed force is a correction; the stress that follows from it is not
    now = {row[key]: row for row in after.to_dict("records")}
    for row in before.to_dict("records"):
        for column, old in row.items():
            new = now[row[key]][column]
            empty = is_empty(old)
            back = empty and not is_empty(new) and (name, row[key], column) in withdrawn
            if column not in computed and (back or (not empty and new != old)):
                yield Correction(name, str(row[key]), str(column), as_text(old), as_text(new))
